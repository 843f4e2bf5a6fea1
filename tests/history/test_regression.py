"""Runs compared with a baseline: nothing is dropped, and every answer says what it rests on."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from made_runs import made_run
from regression_runs import ACCEPTED, baseline_of, curve, limits_with, reading, unit_run
from small_run import small_check

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks import kinds
from linecheck.checks.base import Problem
from linecheck.cli.display.regression import comparison_table, counts_line
from linecheck.cli.display.result import Screen, result_text
from linecheck.errors import BaselineError, FileError
from linecheck.history.baseline.accept import accept_runs, doubts
from linecheck.history.baseline.file import ReadingEntry
from linecheck.history.baseline.regressed import Regressed, answer_counts, moved_texts, regressed
from linecheck.history.baseline.regression import (
    answer_text,
    by_badness,
    compare_outcome,
    comparisons_in,
    moved_by,
    regression_verdict,
)
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.regression import Answer, Change, Measured
from linecheck.limits.verdict import JudgedMeasurement, Verdict
from linecheck.line.regress import _brief
from linecheck.results.formats.junit import junit_bytes
from linecheck.results.formats.markdown import summary_bytes

BASELINE = baseline_of(unit_run())


def found(run, baseline=BASELINE, **options):
    return {entry.name: entry for entry in compare_outcome(run, baseline, **options)}


def test_the_same_run_is_unchanged_in_everything():
    comparisons = compare_outcome(unit_run(), BASELINE)
    metrics = ("tone level", "tone sinad", "tone hum", "tone spectrum", "quiet noise_a")
    expected = [f"{metric} {channel}" for metric in metrics for channel in ("left", "right")]
    assert [entry.name for entry in comparisons] == expected
    assert {entry.answer for entry in comparisons} == {Answer.UNCHANGED}


@pytest.mark.parametrize(
    ("change", "name", "answer", "text"),
    [
        (
            {("sinad", "left"): 111.5},
            "tone sinad left",
            Answer.WORSE,
            "tone sinad left is worse by 1.34 dB ± 0.086 than in the baseline (112.84 → 111.50 dB, margin 0.5 dB)",
        ),
        (
            {("sinad", "left"): 114.0},
            "tone sinad left",
            Answer.BETTER,
            "tone sinad left is better by 1.16 dB ± 0.086 than in the baseline (112.84 → 114.00 dB, margin 0.5 dB)",
        ),
        (
            {("noise_a", "right"): 5.55},
            "quiet noise_a right",
            Answer.WORSE,
            "quiet noise_a right is worse by 1.00 µV ± 0.086 than in the baseline (4.55 → 5.55 µV, margin 0.3 µV)",
        ),
        (
            {("level", "left"): reading("level", "left", 3.5, 1e-4)},
            "tone level left",
            Answer.WORSE,
            "tone level left is worse: it differs by 0.500 V ± 0.0003 from the baseline "
            "(4.000 → 3.500 V, margin 0.02 V)",
        ),
        (
            {("hum", "left"): reading("hum", "left", -134.0, 1.0)},
            "tone hum left",
            Answer.CANNOT_TELL,
            "tone hum left: it is no worse, and whether it is better cannot be told: the change is 0.5 dB ± 2 for the "
            "better (-133.5 → -134.0 dB, margin 2 dB)",
        ),
        (
            {("hum", "left"): reading("hum", "left", -133.0, 600.0)},
            "tone hum left",
            Answer.CANNOT_TELL,
            "tone hum left: whether it is worse by twice the margin cannot be told: the change is 0.5 dB ± 1200 for "
            "the worse (-133.5 → -133.0 dB, margin 2 dB)",
        ),
        (
            {("level", "left"): reading("level", "left", 4.01, 0.01)},
            "tone level left",
            Answer.CANNOT_TELL,
            "tone level left: whether it is worse by twice the margin cannot be told: the change is 0.010 V ± 0.02 "
            "(4.000 → 4.010 V, margin 0.02 V)",
        ),
        (
            {("hum", "left"): reading("hum", "left", -155.0, 4.0, bound=True)},
            "tone hum left",
            Answer.BETTER,
            "tone hum left is better by 21.5 dB ± 8 than in the baseline "
            "(-133.5 dB → -155.0 dB or better, margin 2 dB)",
        ),
        (
            {("hum", "left"): reading("hum", "left", -120.0, 4.0, bound=True)},
            "tone hum left",
            Answer.CANNOT_TELL,
            "tone hum left: whether it is worse cannot be told: it is only known to be so good or better now "
            "(-133.5 dB → -120.0 dB or better, margin 2 dB)",
        ),
    ],
)
def test_what_has_changed_is_said_in_a_sentence(change, name, answer, text):
    entry = found(unit_run(change))[name]
    assert (entry.answer, entry.text) == (answer, text)


def test_a_curve_names_its_worst_place():
    entry = found(unit_run(lines={"left": curve("left", 20.0, at=5000.0)}))["tone spectrum left"]
    assert (entry.answer, entry.verdict, entry.is_curve) == (Answer.WORSE, Verdict.FAIL, True)
    assert entry.x == pytest.approx(5000.0, rel=0.02)
    assert entry.text.startswith("tone spectrum left is worse by 20.0 dB ± ")
    assert "(-150.0 → -130.0 dB at " in entry.text
    assert "compared at 121 of 121 places)" in entry.text


def test_the_verdict_is_the_worse_of_masks_and_comparisons():
    run = unit_run({("sinad", "left"): reading("sinad", "left", 111.5, 0.03, Verdict.PASS)})
    comparisons = compare_outcome(run, BASELINE)
    assert run.verdict is Verdict.PASS
    assert regression_verdict(run, comparisons) is Verdict.FAIL
    failing = unit_run({("sinad", "left"): reading("sinad", "left", 112.84, 0.03, Verdict.FAIL)})
    assert regression_verdict(failing, ()) is Verdict.FAIL
    assert regression_verdict(replace(run, aborted=True), comparisons) is Verdict.ABORTED


def named(entry):
    return entry.answer, entry.verdict


CANNOT = (Answer.CANNOT_TELL, Verdict.INVALID)


def test_what_is_missing_now_is_invalid_and_says_why():
    gone = unit_run({("sinad", "left"): reading("sinad", "left", None, None)})
    problem = Problem("dropout", "the sound broke off", "left", blocks=False, metrics=("sinad",))
    judged = gone.checks[0].judged
    told = replace(gone.checks[0], judged=JudgedMeasurement(judged.readings, judged.curves, (problem,)))
    entry = found(replace(gone, checks=(told, gone.checks[1])))["tone sinad left"]
    assert named(entry) == CANNOT
    assert entry.text == "tone sinad left cannot be compared: the sound broke off"
    entry = found(unit_run(without=("quiet",)))["quiet noise_a left"]
    assert named(entry) == CANNOT
    assert entry.text == "quiet noise_a left cannot be compared: the check was not run"


def test_what_the_baseline_lacks_is_invalid_and_says_what_to_do():
    little = baseline_of(unit_run(limits=limits_with({"tone": {"sinad": 0.5}})))
    entry = found(unit_run(), little)["quiet noise_a left"]
    assert named(entry) == CANNOT
    assert "it is not in the baseline; accept a new baseline (linecheck baseline accept)" in entry.text


@pytest.mark.parametrize(
    ("margins", "why"),
    [
        ({"tone": {"sinad": 0.5}}, "the limit file gives it no margin any more"),
        ({"tone": {"sinad": 0.5}, "quiet": {"snr_a": 1.0}}, "the limit file gives it no margin any more"),
    ],
)
def test_what_the_limit_file_no_longer_compares_is_not_dropped(margins, why):
    entry = found(unit_run(limits=limits_with(margins)))["quiet noise_a left"]
    assert named(entry) == CANNOT
    assert why in entry.text


def test_what_the_baseline_has_in_another_form_is_not_compared():
    """As where a file was edited by hand: a curve among the readings, another unit, one side in place of two."""
    (unit,) = BASELINE.file.unit
    tone = unit.check[0]
    odd = ReadingEntry(metric="spectrum", channel="left", value=-150.0, unit="dB", uncertainty=0.1)
    volts = [
        entry.model_copy(update={"unit": "mV"}) if entry.metric == "level" else entry
        for entry in tone.readings
    ]
    changed = tone.model_copy(update={"readings": (*volts, odd), "curve": tone.curve[1:]})
    file = BASELINE.file.model_copy(
        update={"unit": (unit.model_copy(update={"check": (changed, *unit.check[1:])}),)}
    )
    entries = found(unit_run(), replace(BASELINE, file=file))
    assert named(entries["tone spectrum left"]) == named(entries["tone level left"]) == CANNOT
    assert "the baseline has it in another form" in entries["tone spectrum left"].text
    assert "the baseline has it in mV" in entries["tone level left"].text


@pytest.mark.parametrize(
    ("kept", "compared"), [("noise_468", "noise_ccir_rms"), ("noise_ccir_rms", "noise_468")]
)
def test_a_baseline_that_knows_the_same_reading_by_another_name_is_compared(kept, compared):
    def run(metric, value):
        limits = limits_with({"quiet": {metric: 0.3}})
        made = unit_run(limits=limits)
        readings = tuple(
            replace(item, reading=replace(item.reading, metric=metric, value=value))
            for item in made.checks[1].judged.readings
        )
        quiet = replace(made.checks[1], judged=JudgedMeasurement(readings, (), ()))
        return replace(made, checks=(made.checks[0], quiet))

    baseline = baseline_of(run(kept, 4.55))
    assert [entry.answer for entry in found(run(compared, 4.55), baseline).values()] == [Answer.UNCHANGED] * 2
    worse = found(run(compared, 5.55), baseline).values()
    assert [(entry.metric, entry.answer) for entry in worse] == [(compared, Answer.WORSE)] * 2


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (-110.0, "is worse by 10.0 dB ± 1.2 than in the baseline (-120.0 → -110.0 dBFS, margin 5 dB)"),
        (-118.0, "has moved by +2.00 ± 1.20 dB (-120.0 → -118.0 dBFS, margin 5 dB)"),
    ],
)
def test_a_difference_of_levels_is_told_in_decibels(value, text):
    spec = next(each for each in kinds()["linearity"].metrics if each.name == "linear_down_to")
    change = Change(Answer.WORSE if value > -115.0 else Answer.UNCHANGED, Verdict.PASS, value + 120.0, 0.6)
    now, old = Measured(value, 0.6, False), Measured(-120.0, 0.6, False)
    moved = moved_by(change, now, old, spec, 2.0)
    told = answer_text("linearity linear_down_to left", change, now, old, spec, 5.0, moved)
    assert text in told


def test_a_check_that_the_limit_file_no_longer_has_is_not_dropped():
    limits = limits_with()
    limits = replace(limits, checks=limits.checks[:1])
    entry = found(unit_run(limits=limits))["quiet noise_a right"]
    assert named(entry) == CANNOT
    assert "the limit file has no such check any more" in entry.text


def other_tone(**changes):
    limits = limits_with()
    tone = replace(small_check("tone", "tone"), regression=limits.checks[0].regression)
    return replace(limits, checks=(replace(tone, **changes), limits.checks[1]))


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"stimulus": small_check("tone", "tone", level_dbfs=-1.0).stimulus}, "(stimulus.level_dbfs)"),
        ({"stimulus": small_check("tone", "tone", seconds=0.5).stimulus}, "(stimulus.seconds)"),
        ({"setup": {"filter": "slow"}}, "the unit was set differently for the baseline (filter)"),
        ({"kind": small_check("tone", "multitone", seconds=1.0).kind}, "the check is of kind multitone"),
    ],
)
def test_what_was_measured_otherwise_is_not_compared(changes, why):
    limits = other_tone(**changes)
    if "kind" in changes:
        limits = replace(
            limits, checks=(replace(limits.checks[0], regression={"clean_range": 1.0}), *limits.checks[1:])
        )
    entries = found(unit_run(limits=limits))
    tone = [entry for entry in entries.values() if entry.check == "tone"]
    assert {named(entry) for entry in tone} == {CANNOT}
    assert any(why in entry.text for entry in tone) or "kind" in changes
    assert named(entries["quiet noise_a left"]) == (Answer.UNCHANGED, Verdict.PASS)


def test_one_calibration_on_both_sides_is_no_uncertainty_of_the_change():
    volts = {("level", channel): reading("level", channel, 4.0, 0.04) for channel in ("left", "right")}
    mine = {"certificate": "C-17", "uncertainty_percent": "1.0"}
    baseline = baseline_of(unit_run(volts, calibration=mine))
    same = found(unit_run(volts, calibration=mine), baseline)["tone level left"]
    other = found(unit_run(volts, calibration={**mine, "certificate": "C-18"}), baseline)["tone level left"]
    assert same.answer is Answer.UNCHANGED
    assert same.uncertainty < 0.01
    assert other.answer is Answer.CANNOT_TELL
    assert other.uncertainty == pytest.approx(0.04 * 2.0**0.5, rel=0.05)
    # Stated unlike, only the smaller part is the same error in both: 0.5 % of 4 V.
    half = {**mine, "uncertainty_percent": "0.5"}
    less = found(unit_run(volts, calibration=half), baseline)["tone level left"]
    assert less.uncertainty == pytest.approx((2.0 * (0.04**2 - 0.02**2)) ** 0.5, rel=0.05)


def test_a_unit_that_the_baseline_lacks_is_refused_with_those_that_it_has():
    with pytest.raises(
        BaselineError, match=r"has no unit PR3-000009(.|\n)*its units are: PR3-004711"
    ) as caught:
        compare_outcome(unit_run(serial="PR3-000009"), BASELINE)
    assert caught.value.exit_status == 3


def test_another_model_or_no_margin_is_a_wrong_command():
    with pytest.raises(FileError, match="is of model pellow-r3, the captures of pellow-d1"):
        compare_outcome(unit_run(model="pellow-d1"), BASELINE)
    with pytest.raises(FileError, match="declares no margin"):
        compare_outcome(made_run(), BASELINE)


def test_the_more_is_compared_the_more_an_alarm_needs():
    run = unit_run({("hum", "left"): reading("hum", "left", -130.5, 0.8)})
    assert found(run, comparisons=1)["tone hum left"].answer is Answer.WORSE
    assert found(run, comparisons=10**6)["tone hum left"].answer is Answer.CANNOT_TELL
    one = comparisons_in(BASELINE, ["PR3-004711"])
    assert one == 8 + 2 * 121
    assert comparisons_in(BASELINE, ["PR3-004711", "PR3-004711", "PR3-000009"]) == 2 * one


def worse_and_better():
    changes = {("sinad", "left"): 111.0, ("noise_a", "left"): 5.0, ("hum", "left"): -150.0}
    return regressed(JudgedSet("sets/a", unit_run(changes)), BASELINE, 248)


def test_findings_come_worst_first():
    told = worse_and_better().findings
    assert [line.split(" is ")[0] for line in told[:2]] == ["tone sinad left", "quiet noise_a left"]
    assert told[-1].startswith("tone hum left is better")
    ordered = by_badness(worse_and_better().comparisons)
    assert [entry.verdict for entry in ordered][:2] == [Verdict.FAIL, Verdict.FAIL]


def test_the_result_says_all_of_it_in_plain_data():
    compared = worse_and_better()
    keys = json.loads(json.dumps(compared.keys(), allow_nan=False))
    assert keys["verdict"] == "fail"
    assert keys["regression"]["sha256"] == BASELINE.sha256
    assert keys["regression"]["answers"] == answer_counts(compared.comparisons)
    assert sum(keys["regression"]["answers"].values()) == len(keys["comparisons"]) == 10
    sinad = next(entry for entry in keys["comparisons"] if entry["metric"] == "sinad")
    assert (sinad["value"], sinad["baseline"], sinad["answer"]) == (111.0, 112.84, "worse")
    assert sinad["worse_by"] == pytest.approx(1.84)


def test_each_comparison_is_a_case_of_junit():
    compared = worse_and_better()
    text = junit_bytes(compared.judged.outcome, False, list(compared.cases())).decode()
    assert 'failures="2"' in text
    assert '<property name="verdict" value="fail"' in text
    assert 'name="sinad.left.regression" classname="pellow-r3.tone"' in text.replace(
        'classname="pellow-r3.tone" name="sinad.left.regression"',
        'name="sinad.left.regression" classname="pellow-r3.tone"',
    )
    assert "spectrum.curve.left.regression" in text
    cases = {case.name: case.outcome for case in compared.cases() if case.check == "tone"}
    assert (cases["sinad.left.regression"], cases["hum.left.regression"]) == ("failure", "passed")


def test_a_case_that_is_marginal_fails_where_strict():
    run = unit_run({("hum", "left"): reading("hum", "left", -132.0, 0.4)})
    comparisons = compare_outcome(run, BASELINE)
    entry = next(item for item in comparisons if item.name == "tone hum left")
    assert named(entry) == (Answer.CANNOT_TELL, Verdict.MARGINAL)
    for strict, outcome in ((False, "passed"), (True, "failure")):
        found = Regressed(JudgedSet("sets/a", run), comparisons, BASELINE, 0).cases(strict=strict)
        cases = {case.name: case.outcome for case in found}
        assert cases["hum.left.regression"] == outcome


def test_a_set_of_an_unknown_unit_is_invalid_and_nothing_of_it_is_lost():
    compared = regressed(JudgedSet("sets/a", unit_run(serial="PR3-000009")), BASELINE, 248)
    assert compared.verdict is Verdict.INVALID
    assert compared.comparisons == ()
    (problem,) = compared.judged.outcome.problems
    assert problem.code == "not_in_baseline"
    assert len(compared.judged.outcome.checks) == 2


def test_a_set_that_was_not_judged_stays_so():
    refused = JudgedSet("sets/a", None, Problem("set_refused", "there is no such capture set"))
    compared = regressed(refused, BASELINE, 248)
    assert (compared.verdict, compared.judged) == (Verdict.INVALID, refused)


def test_what_else_is_other_than_for_the_baseline_is_noted_and_changes_no_verdict():
    limits = replace(limits_with(), sha256="cd" * 32, revision=2)
    run = unit_run(station="line-3", software="linecheck 0.2.0", limits=limits)
    compared = regressed(JudgedSet("sets/a", run), BASELINE, 248)
    notes = {problem.code: problem.message for problem in compared.judged.outcome.problems}
    assert notes == {
        "other_station": "captured at line-3, the baseline at line-2-nest-a",
        "other_software": "measured by linecheck 0.2.0, the baseline by linecheck 0.1.0",
        "other_limits": "the limit file (revision 2) is not as it was for the baseline (revision 1)",
    }
    same = regressed(JudgedSet("sets/a", unit_run()), BASELINE, 248)
    assert same.judged.outcome.problems == ()
    assert compared.verdict is same.verdict


def test_a_bound_that_stays_one_inside_its_mask_is_unchanged():
    bounds = {("hum", "left"): reading("hum", "left", -150.0, 4.0, Verdict.PASS, bound=True)}
    baseline = baseline_of(unit_run(bounds))
    again = {("hum", "left"): reading("hum", "left", -146.0, 4.0, Verdict.PASS, bound=True)}
    entry = found(unit_run(again), baseline)["tone hum left"]
    assert (entry.answer, entry.verdict) == (Answer.UNCHANGED, Verdict.PASS)
    assert entry.text.startswith(
        "tone hum left is unchanged as far as it can be measured, and inside its mask ("
    )
    unmasked = {("hum", "left"): reading("hum", "left", -146.0, 4.0, bound=True)}
    assert found(unit_run(unmasked), baseline)["tone hum left"].answer is Answer.CANNOT_TELL


@pytest.mark.parametrize(
    ("metric", "value", "moved"),
    [
        ("sinad", 112.54, "-0.30 ± 0.09 dB"),
        ("sinad", 113.14, "+0.30 ± 0.09 dB"),
        ("level", reading("level", "left", 4.005, 1e-4), "+0.0050 ± 0.0003 V"),
        # Noise explains it, or it is below what the metric can say.
        ("sinad", 112.74, ""),
        ("level", reading("level", "left", 4.0009, 1e-4), ""),
    ],
)
def test_what_creeps_within_its_margin_is_said(metric, value, moved):
    entry = found(unit_run({(metric, "left"): value}))[f"tone {metric} left"]
    assert (entry.answer, entry.verdict, entry.moved) == (Answer.UNCHANGED, Verdict.PASS, moved)
    assert (f"is unchanged within its margin, and has moved by {moved}" in entry.text) is bool(moved)


def creeping():
    """A unit whose SINAD has crept, by a limit file that leaves two of its masks out of every comparison."""
    margins = {"tone": {"sinad": 0.5}, "quiet": {"noise_a": 0.3}}
    tone, quiet = limits_with(margins).checks
    mask = Mask(Bounds(max=-100.0))
    tone = replace(tone, masks={"hum": mask, "spectrum": mask}, declined=frozenset({"hum"}))
    quiet = replace(quiet, masks={"noise_468": mask})
    limits = replace(limits_with(), checks=(tone, quiet))
    passing = reading("sinad", "right", 112.84, 0.03, Verdict.PASS)
    run = unit_run({("sinad", "left"): 112.54, ("sinad", "right"): passing}, limits=limits)
    return regressed(JudgedSet("sets/a", run), baseline_of(unit_run(limits=limits)), 248)


LEFT_OUT = (
    "not compared with the baseline, since the limit file says false: tone hum",
    "not compared with the baseline, since the limit file gives it no margin, which a curve has by its own name only: "
    "tone spectrum",
    "not compared with the baseline, since the limit file has no margin for noise_468 or for µV: quiet noise_468",
)


def test_what_creeps_and_what_is_not_compared_is_in_every_record():
    compared = creeping()
    (moved,) = moved_texts(compared.comparisons)
    notes = [problem.message for problem in compared.judged.outcome.problems if problem.is_note]
    assert notes == [*LEFT_OUT, moved]
    assert (compared.verdict, compared.findings) == (Verdict.PASS, [])
    junit = junit_bytes(compared.judged.outcome, False, list(compared.cases())).decode()
    screen = "\n".join((result_text(compared.judged.outcome, Screen()), *table_of(compared)))
    for text in (*LEFT_OUT, moved):
        assert text in junit
        assert text in screen
    assert "unchanged, moved -0.30 ± 0.09 dB" in screen
    assert counts_line(compared.comparisons) == (
        "4 unchanged, 0 better, 0 worse, 0 cannot tell; 1 moved within its margin"
    )


def table_of(compared):
    return comparison_table(compared.comparisons, compared.judged.outcome.limits.channels, Screen())


def test_the_summary_says_both_too():
    compared = creeping()
    written = summary_bytes([_brief(compared), _brief(compared)]).decode()
    assert "tone sinad left is unchanged within its margin, and has moved by -0.30 ± 0.09 dB" in written
    for text in LEFT_OUT:
        assert written.count(text[:60]) == 1 + sum(
            text[:60] in other for other in LEFT_OUT if other is not text
        )


def test_accepting_says_what_is_not_compared():
    limits = creeping().judged.outcome.limits
    acceptance = accept_runs(
        [unit_run(limits=limits)], by="A", reason="b", on=ACCEPTED, software="linecheck 0.1.0"
    )
    assert [doubt for doubt in doubts(acceptance) if doubt.startswith("not compared")] == list(LEFT_OUT)


def test_what_the_summary_says_is_counted_once():
    compared = creeping()
    run = compared.judged.outcome
    failing = {
        ("sinad", "left"): 112.54,
        ("sinad", "right"): reading("sinad", "right", 112.84, 0.03, Verdict.FAIL),
    }
    worse = regressed(
        JudgedSet("sets/b", unit_run(failing, limits=run.limits)),
        baseline_of(unit_run(limits=run.limits)),
        248,
    )
    told = _brief(worse)
    assert [finding.split(" is ")[0].split(" fails")[0] for finding in told.findings] == [
        "tone sinad left", "tone sinad right",
    ]  # fmt: skip
    assert (told.found, told.notes) == (2, LEFT_OUT)
