"""``linecheck compare`` as its user calls it: runs by setup, capture sets, and what cannot be compared."""

import pytest
from many_captures import write_limits, write_sets
from small_run import call

from linecheck.history.comparison.file import load_comparison

pytestmark = pytest.mark.every_python


@pytest.fixture(scope="module")
def sets(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sets")
    limits = write_limits(folder)
    return folder, write_sets(folder, limits, [None, "swapped_channels"])


def test_a_set_and_another(sets, monkeypatch, capsys):
    folder, (good, swapped) = sets
    out = folder / "compared"
    arguments = ("compare", good, swapped, "--limits", folder / "limits.yaml", "--out", out)
    status, told, _ = call(monkeypatch, capsys, *arguments)
    assert status == 0
    compared = load_comparison(out)
    assert compared.digest in told
    assert [side.label for side in compared.sides] == ["A", "B"]
    assert "order" in {finding.metric for finding in compared.findings}


def test_a_set_and_itself_differ_in_nothing_and_it_is_said(sets, monkeypatch, capsys):
    folder, (good, _) = sets
    arguments = ("compare", good, good, "--limits", folder / "limits.yaml", "--out", folder / "same")
    status, told, _ = call(monkeypatch, capsys, *arguments)
    assert status == 0
    assert "no real differences" in told
    assert "B is the very capture of A, so that no difference is no proof, in wiring" in told


@pytest.mark.parametrize("extra", [(), ("@filter=slow",)])
def test_what_cannot_be_compared_is_said(sets, monkeypatch, capsys, extra):
    folder, (good, _) = sets
    others = [good + part for part in extra]
    arguments = ("compare", good, *others, "--limits", folder / "limits.yaml", "--out", folder / "none")
    status, _, told = call(monkeypatch, capsys, *arguments)
    assert status == 2
    assert "name two" in told or "no check was taken under that setup" in told
    assert not (folder / "none").exists()
