"""``based_on``: what is laid over what, whose faults are whose, and one hash for all."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.errors import FileFaults
from linecheck.limits.loading.load import load_limits, merge

KEYS = st.sampled_from(["a", "b", "c", "d"])
LEAVES = st.one_of(st.integers(0, 9), st.text("xy", max_size=2), st.lists(st.integers(0, 9), max_size=2))
# As in limit files, where one key always holds the same sort of thing: a mapping (capitals) or a leaf.
SHAPED = st.recursive(
    st.dictionaries(KEYS, LEAVES),
    lambda inner: st.builds(
        lambda leaves, mappings: leaves | mappings,
        st.dictionaries(KEYS, LEAVES),
        st.dictionaries(KEYS.map(str.upper), inner),
    ),
    max_leaves=8,
)
TREES = st.recursive(
    st.dictionaries(KEYS, LEAVES), lambda inner: st.dictionaries(KEYS, LEAVES | inner), max_leaves=8
)


@given(TREES)
def test_merging_nothing_changes_nothing(tree):
    assert merge(tree, {}) == tree
    assert merge({}, tree) == tree
    assert merge(tree, tree) == tree


@given(SHAPED, SHAPED, SHAPED)
def test_merging_is_associative(first, second, third):
    assert merge(merge(first, second), third) == merge(first, merge(second, third))


@given(TREES, TREES)
def test_what_lies_over_wins_and_neither_is_changed(base, over):
    before = (repr(base), repr(over))
    merged = merge(base, over)
    for key, value in over.items():
        if not isinstance(value, dict) or not isinstance(base.get(key), dict):
            assert merged[key] == value
    assert merged.keys() == base.keys() | over.keys()
    assert list(merged)[: len(base)] == list(base)
    assert (repr(base), repr(over)) == before


@given(TREES, KEYS)
def test_nothing_removes(tree, key):
    assert merge(tree, {key: None}) == {name: value for name, value in tree.items() if name != key} | (
        {} if key in tree else {key: None}
    )


BASE = """\
format: 1
channels: [left, right]
checks:
  tone:
    kind: sine
    stimulus: {level_dbfs: -1}
    masks:
      sinad: {pass: {min: 100}}
      level: {pass: {min: 3.9, max: 4.1}}
      spectrum: {pass: {max: [[20, -120], [1000, -130], [20000, -120]]}}
"""
OVER = """\
format: 1
model: pellow-r3
revision: 2
based_on: common/base.yaml
serial_pattern: "PR3-[0-9]{6}"
checks:
  tone:
    masks:
      sinad: {pass: {min: 112}}
      level:
      spectrum: {pass: {max: [[20, -110], [20000, -110]]}}
  more:
    kind: silence
"""


def test_a_file_laid_over_another(write, kinds):
    write(BASE, "common/base.yaml")
    limits = load_limits(write(OVER), kinds=kinds)
    tone, more = limits.checks
    assert limits.channels == ("left", "right")
    assert tone.stimulus.level_dbfs == -1
    assert set(tone.masks) == {"sinad", "spectrum"}
    assert tone.masks["sinad"].pass_.min == 112
    assert tone.masks["spectrum"].pass_.max == ((20.0, -110.0), (20000.0, -110.0))
    assert (more.name, more.reference) == ("more", "tone")


def test_the_hash_covers_every_file(write, kinds, whole):
    assert load_limits(write(whole), kinds=kinds).sha256 == hashlib.sha256(whole.encode()).hexdigest()
    write(BASE, "common/base.yaml")
    digests = b"".join(hashlib.sha256(text.encode()).digest() for text in (BASE, OVER))
    assert load_limits(write(OVER), kinds=kinds).sha256 == hashlib.sha256(digests).hexdigest()
    write(BASE + "# changed\n", "common/base.yaml")
    assert load_limits(write(OVER), kinds=kinds).sha256 != hashlib.sha256(digests).hexdigest()


def test_an_approval_is_not_taken_over_nor_are_model_and_revision(write, kinds, whole):
    write(whole + "approved: {by: A. Person, on: 2026-11-02}\n", "r3.yaml")
    over = "format: 1\nmodel: pellow-r3-pro\nrevision: 7\nbased_on: r3.yaml\n"
    limits = load_limits(write(over, "pro.yaml"), kinds=kinds)
    assert (limits.model, limits.revision, limits.approved_by) == ("pellow-r3-pro", 7, None)
    with pytest.raises(FileFaults) as error:
        load_limits(write("format: 1\nbased_on: r3.yaml\n", "pro.yaml"), kinds=kinds)
    assert [fault.key for fault in error.value.faults] == ["model", "revision"]


def test_a_fault_of_the_other_file_is_reported_there(write, kinds):
    write(
        BASE.replace("min: 100", "mni: 100").replace("-1}", "no}").replace("format: 1\n", ""),
        "common/base.yaml",
    )
    with pytest.raises(FileFaults) as error:
        load_limits(write(OVER.replace("revision: 2", "revision: 0")), kinds=kinds)
    lines = str(error.value).splitlines()
    assert lines[0].startswith("r3.yaml:3:11: revision: expected at least 1")
    assert lines[1] == "common/base.yaml:1:1: format: every file states its format, expected 1"
    assert lines[2].startswith(
        "common/base.yaml:5:28: checks.tone.stimulus.level_dbfs: some programs read 'no'"
    )
    assert lines[3].startswith(
        "common/base.yaml:7:22: checks.tone.masks.sinad.pass.mni: unknown key; did you mean min?"
    )
    assert len(lines) == 4


def test_a_mask_that_no_longer_makes_sense_once_merged(write, kinds):
    write(BASE.replace("{min: 100}}", "{min: 100}, fail: {min: 90}}"), "common/base.yaml")
    with pytest.raises(FileFaults) as error:
        load_limits(write(OVER.replace("min: 112", "min: 80")), kinds=kinds)
    assert str(error.value) == (
        "common/base.yaml:8:45: checks.tone.masks.sinad.fail.min: "
        "the pass mask must lie inside the fail mask; "
        "expected at most 80 dB, got 90"
    )


@pytest.mark.parametrize(
    ("based_on", "says"),
    [
        ("r3.yaml", "goes in a circle"),
        ("./common/../r3.yaml", "goes in a circle"),
        ("common/circle.yaml", "goes in a circle"),
        ("common/none.yaml", "no such file"),
        ("common", "is no regular file but a folder"),
        ("/etc/passwd", "relative to this file"),
        ("C:/x.yaml", "relative to this file"),
        ("common\\x.yaml", "relative to this file"),
        ("''", "got 0 characters"),
        ("3", "expected the path of a limit file, got 3"),
        ("", "expected the path of a limit file, got nothing"),
        ("[a.yaml]", "expected the path of a limit file, got a list"),
        ("x" * 600, "got 600 characters"),
    ],
)
def test_a_based_on_that_leads_nowhere(write, kinds, whole, based_on, says):
    write("format: 1\nbased_on: ../r3.yaml\n", "common/circle.yaml")
    with pytest.raises(FileFaults) as error:
        load_limits(write(f"{whole}based_on: {based_on}\n"), kinds=kinds)
    line = "2:11" if based_on == "common/circle.yaml" else "15:11" if based_on else "15:10"
    name = "common/circle.yaml" if based_on == "common/circle.yaml" else "r3.yaml"
    assert str(error.value).startswith(f"{name}:{line}: based_on: ")
    assert says in str(error.value)


def test_no_more_than_eight_files_build_on_each_other(write, kinds, whole):
    write(whole, "0.yaml")
    for number in range(1, 9):
        write(f"format: 1\nmodel: m\nrevision: 1\nbased_on: {number - 1}.yaml\n", f"{number}.yaml")
    assert load_limits("7.yaml", kinds=kinds).model == "m"
    with pytest.raises(FileFaults, match="at most 8 files"):
        load_limits("8.yaml", kinds=kinds)


def test_a_base_that_is_no_yaml_is_named(write, kinds):
    write("a: [\n", "common/base.yaml")
    with pytest.raises(FileFaults, match=r"^common/base\.yaml:2:1: is no YAML"):
        load_limits(write(OVER), kinds=kinds)
