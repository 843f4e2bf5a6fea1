"""Comparisons with a baseline as items: beside the masks, and never lost. Nothing is measured here."""

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from made_runs import made_check, made_curve, made_reading, made_run
from made_sets import INDEX, ITEMS, LIMIT_FILE, RUNS, add_sets, text_of
from regression_runs import without_digest

from linecheck.history.baseline.file import Accepted, BaselineFile, LimitsEntry, baseline_bytes
from linecheck.history.baseline.unit_entry import unit_entry
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.pytest_plugin import judgement

MARGINS = LIMIT_FILE + "    regression: {sinad: 0.5}\n"
COMPARED = ["tone.sinad.left.regression", "tone.sinad.right.regression"]


def a_run(left, right=113.2, missing=()):
    """Return a run with a SINAD in each channel; both are within their mask."""
    readings = (made_reading(value=left), made_reading(value=right, channel="right"))
    return made_run(made_check(*readings, made_curve(), made_curve(channel="right")), missing=missing)


def write_baseline(project, name="baseline.toml", left=113.2, **changes):
    """Accept a run as the baseline."""
    limits = load_limits(project.path / "limits.yaml")
    unit = unit_entry(replace(a_run(left), limits=limits), {}).model_copy(update=changes)
    accepted = Accepted(
        by="A. Engineer", on=datetime(2026, 11, 20, 8, 15, tzinfo=UTC), reason="1.4.2 is released"
    )
    taken_by = LimitsEntry(path="limits.yaml", revision=1, sha256=limits.sha256)
    file = BaselineFile(
        format=1, model="pellow-r3", software="linecheck", accepted=accepted, limits=taken_by, unit=(unit,)
    )
    (project.path / name).write_bytes(baseline_bytes(file))


@pytest.fixture
def compared(project, monkeypatch):
    """A project with a baseline, and sets of a firmware that is as good, worse and better."""
    (project.path / "limits.yaml").write_text(MARGINS, encoding="utf-8")
    for name, left in {"same": 113.2, "worse": 112.2, "better": 115.2}.items():
        monkeypatch.setitem(RUNS, name, a_run(left))
    write_baseline(project)
    configure(project)
    return project


def configure(project, baselines="baseline.toml"):
    project.makeini(f"[pytest]\nlinecheck_limits = limits.yaml\nlinecheck_baseline = {baselines}\n")


def test_each_margin_of_each_channel_is_one_more_item(compared):
    add_sets(compared, "same")
    result = compared.runpytest("--collect-only", "-q")
    listed = [line.partition("::")[2] for line in result.outlines if "::" in line]
    assert listed == [*ITEMS, *COMPARED]


def test_what_is_worse_fails_within_its_mask(compared):
    add_sets(compared, "same", "worse", "better")
    result = compared.runpytest("-v")
    result.assert_outcomes(passed=20, failed=1)
    text = text_of(result)
    assert re.findall(r"^(\S+) FAILED", text, re.MULTILINE) == [f"worse/captures.toml::{COMPARED[0]}"]
    assert "tone.sinad.left.regression: fail: tone sinad left is worse by 1.00 dB" in text
    assert "  PR3-004711, firmware 1.4.1, judged by comparison with baseline.toml" in text
    assert "linecheck: limits limits.yaml; baseline baseline.toml" in text
    assert re.search("^FAIL worse, .*: tone.sinad.left.regression: fail: ", text, re.MULTILINE)


def test_what_creeps_and_what_is_not_compared_is_said_below(compared, monkeypatch):
    monkeypatch.setitem(RUNS, "creeping", a_run(112.9))
    add_sets(compared, "creeping")
    result = compared.runpytest()
    result.assert_outcomes(passed=len(ITEMS) + len(COMPARED))
    text = text_of(result)
    assert "tone sinad left is unchanged within its margin, and has moved by -0.30 ± " in text
    assert (
        "not compared with the baseline, since the limit file gives it no margin, which a curve has by its own name "
        "only: tone spectrum"
    ) in text


def test_without_a_baseline_nothing_is_compared(compared):
    add_sets(compared, "worse")
    compared.makeini("[pytest]\nlinecheck_limits = limits.yaml\n")
    compared.runpytest().assert_outcomes(passed=5)
    compared.runpytest("--linecheck-baseline", "baseline.toml").assert_outcomes(passed=6, failed=1)


def test_a_unit_that_no_baseline_has_is_an_error_and_still_judged_by_its_masks(compared, monkeypatch):
    add_sets(compared, "same", index=INDEX.replace("PR3-004711", "PR3-000001"))
    monkeypatch.setitem(RUNS, "same", replace(RUNS["same"], serial="PR3-000001"))
    result = compared.runpytest()
    result.assert_outcomes(passed=5, errors=2)
    assert "has no unit PR3-000001 to compare with; its units are: PR3-004711" in text_of(result)


def test_each_unit_is_compared_with_the_baseline_that_has_it(compared):
    write_baseline(compared, "other.toml", left=114.2, serial="PR3-000001")
    configure(compared, "other.toml baseline.toml")
    add_sets(compared, "same")
    compared.runpytest().assert_outcomes(passed=7)


def test_what_the_baseline_has_and_the_limit_file_has_no_more_is_told_by_the_run(compared):
    (compared.path / "limits.yaml").write_text(MARGINS.replace("sinad: 0.5", "spectrum: 6"), encoding="utf-8")
    add_sets(compared, "same")
    result = compared.runpytest()
    text = text_of(result)
    assert "run: invalid: tone.sinad.left.regression: invalid: tone sinad left is in the baseline" in text
    assert result.parseoutcomes()["errors"] == 3


def test_a_check_that_was_not_run_is_an_error_of_its_comparison(compared, monkeypatch):
    monkeypatch.setitem(RUNS, "missing", replace(a_run(113.2), checks=(), missing=("tone",)))
    add_sets(compared, "missing")
    result = compared.runpytest()
    result.assert_outcomes(errors=7)
    assert "tone.sinad.left.regression: invalid: tone sinad left cannot be compared" in text_of(result)


def test_a_change_must_be_none_of_noise_in_all_sets_together(compared, monkeypatch):
    counts = []
    compare = judgement.compare_outcome

    def counted(outcome, baseline, *, comparisons):
        counts.append(comparisons)
        return compare(outcome, baseline, comparisons=comparisons)

    monkeypatch.setattr(judgement, "compare_outcome", counted)
    add_sets(compared, "same", "worse", "better")
    compared.runpytest()
    assert counts == [6, 6, 6]
    counts.clear()
    compared.runpytest("-k", "worse")
    assert counts == [2]


@pytest.mark.parametrize(
    ("baselines", "limits", "words"),
    [
        ("none.toml", MARGINS, ["none.toml: there is no such file"]),
        ("faulty.toml", MARGINS, ["faulty.toml:1:1: format:"]),
        ("baseline.toml", LIMIT_FILE, ["limits.yaml: declares no margin", "regression: {dB: 0.5"]),
        ("baseline.toml again.toml", MARGINS, ["again.toml: has the unit PR3-004711, as has baseline.toml"]),
        ("r4.toml", MARGINS, ["limits.yaml: is of model pellow-r3, and there are baselines for pellow-r4"]),
    ],
)
def test_a_baseline_that_cannot_be_compared_with_is_an_error_of_collection(
    compared, baselines, limits, words
):
    accepted = (compared.path / "baseline.toml").read_text(encoding="utf-8")
    (compared.path / "again.toml").write_text(accepted, encoding="utf-8")
    (compared.path / "r4.toml").write_text(
        without_digest(accepted).replace("pellow-r3", "pellow-r4"), encoding="utf-8"
    )
    (compared.path / "faulty.toml").write_text(accepted.replace("format = 1", "format = 2"), encoding="utf-8")
    lines = (compared.path / "faulty.toml").read_text(encoding="utf-8").splitlines()
    words = [word.replace(":1:1:", f":{lines.index('format = 2') + 1}:1:") for word in words]
    (compared.path / "limits.yaml").write_text(limits, encoding="utf-8")
    configure(compared, baselines)
    add_sets(compared, "same")
    result = compared.runpytest()
    assert result.ret == pytest.ExitCode.INTERRUPTED
    text = text_of(result)
    for word in words:
        assert word in text
    assert "Traceback" not in text
    assert compared.judged == []


def test_what_cannot_be_told_is_no_pass(compared, monkeypatch):
    vague = made_reading(value=113.2)
    vague = replace(vague, reading=replace(vague.reading, uncertainty=2.0))
    run = made_run(
        made_check(vague, made_reading(channel="right"), made_curve(), made_curve(channel="right"))
    )
    monkeypatch.setitem(RUNS, "vague", run)
    add_sets(compared, "vague")
    result = compared.runpytest()
    result.assert_outcomes(passed=6, errors=1)
    assert run.verdict is Verdict.PASS
    assert re.search("^INVALID vague, ", text_of(result), re.MULTILINE)
