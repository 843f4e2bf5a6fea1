"""Whatever a file holds, loading it ends in limits or in an error that a user can act on."""

from __future__ import annotations

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from linecheck.errors import FileError
from linecheck.limits.loading.load import load_limits

pytestmark = pytest.mark.every_python

WORDS = st.sampled_from(
    [
        *("format", "model", "revision", "channels", "serial_pattern", "based_on", "decision", "setup"),
        *("checks", "kind", "sine", "silence", "stimulus", "analysis", "masks", "sinad", "spectrum", "pass"),
        *("fail", "min", "max", "reference", "approved", "by", "on", "left", "right", "frequency_hz"),
        *("band_hz", "guarded"),
    ]
)
SCALARS = st.one_of(
    WORDS,
    st.integers(),
    st.floats(),
    st.booleans(),
    st.none(),
    st.text(max_size=6),
    st.just("PR3-[0-9]{6}"),
    st.just("(a+)+"),
)
TREES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(WORDS | st.text(max_size=4), inner, max_size=6)
    ),
)


@pytest.fixture(scope="module")
def attempt(tmp_path_factory, kinds):
    path = tmp_path_factory.mktemp("fuzz") / "r3.yaml"

    def attempt(content: bytes) -> None:
        path.write_bytes(content)
        refused: FileError | None = None
        try:
            limits = load_limits(path, kinds=kinds)
        except FileError as error:
            refused = error
        if refused is None:
            assert any(check.masks for check in limits.checks)
            return
        assert str(path) in str(refused)
        assert all(fault.line >= 1 and fault.column >= 1 for fault in getattr(refused, "faults", ()))

    return attempt


@given(st.binary(max_size=200))
def test_any_bytes_load_or_are_refused(attempt, content):
    attempt(content)


@given(st.text(max_size=200))
@example("? ? ?\n: : :")
@example("%TAG ! tag:x,2000:\n---\na: 1")
@example("a: |2\n  x\n b")
def test_any_text_loads_or_is_refused(attempt, text):
    attempt(text.encode("utf-8", "surrogatepass"))


@given(TREES)
def test_any_tree_loads_or_is_refused(attempt, tree):
    attempt(json.dumps(tree).encode())


@given(st.data())
def test_a_file_with_one_value_replaced_loads_or_is_refused(attempt, whole, data):
    words = whole.split(" ")
    index = data.draw(st.integers(0, len(words) - 1))
    words[index] = json.dumps(data.draw(TREES))
    attempt(" ".join(words).encode())


@given(st.data())
def test_a_file_with_a_piece_cut_out_loads_or_is_refused(attempt, whole, data):
    start = data.draw(st.integers(0, len(whole)))
    stop = data.draw(st.integers(start, len(whole)))
    filling = data.draw(st.text("{}[],:-&*!|>'\"#% \n\tab1.", max_size=5))
    attempt((whole[:start] + filling + whole[stop:]).encode())
