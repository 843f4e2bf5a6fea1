"""The result on the screen: the verdict from across the bench, without colours as well as with them."""

import itertools
import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from made_causes import hostile_fact, made_causes, unknown_causes, unreadable_facts, with_causes
from small_run import small_check, small_limits

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.cli.display.banner import banner, mark
from linecheck.cli.display.result import Screen, result_text
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome, Run

SINAD = Mask(Bounds(112.0), Bounds(108.0))
SPECTRUM = Mask(Bounds(None, ((20.0, -120.0), (20_000.0, -120.0))))
LIMITS = small_limits(small_check("tone", "tone", {"sinad": SINAD, "spectrum": SPECTRUM}))
WHEN = datetime(2026, 11, 20, 8, 15, tzinfo=UTC)


def outcome(sinad=104.2, verdict=Verdict.FAIL, problems=(), **facts):
    reading = Reading("sinad", "left", sinad, "dB", 0.03)
    curve = Curve("spectrum", "left", np.array([50.0, 100.0]), "Hz", np.array([-125.0, -130.0]), "dB")
    judged = JudgedMeasurement(
        (
            JudgedReading(reading, verdict, None if sinad is None else sinad - 112.0, 112.0, 108.0, "min"),
            JudgedReading(Reading("balance", None, 0.01, "dB", 0.001)),
        ),
        (JudgedCurve(curve, Verdict.PASS, 50.0, -125.0, 5.0, -120.0, None, "max"),),
        tuple(problems),
    )
    parts = {
        "run_id": "0",
        "serial": "PR3-004711",
        "model": "pellow-r3",
        "firmware": "1.4.2",
        "operator": None,
        "station": "line-2-nest-a",
        "limits": LIMITS,
        "software": "linecheck",
        "started": WHEN,
        "finished": WHEN,
        "duration_seconds": 8.25,
        "checks": (CheckOutcome("tone", "tone", {}, judged, 1.0),),
    }
    return Run(**{**parts, **facts})


def test_the_verdict_comes_first_then_what_failed_then_the_table():
    text = result_text(outcome(), Screen(everything=True), attempt=2)
    verdict, whose, wrong, *table = (line for line in text.splitlines() if line)
    assert verdict == "✖ FAIL"
    assert whose.strip() == (
        "PR3-004711, pellow-r3, firmware 1.4.2, attempt 2, station line-2-nest-a, limits revision 1, 8.2 s"
    )
    assert wrong.strip() == (
        "tone sinad left fails: 104.2 dB, below the pass limit of 112 dB (margin -7.8 dB; below 108 dB fails)"
    )
    assert table[0].split() == ["check", "metric", "left", "right", "passes", "margin"]
    assert " ".join(table[1].split()) == "✖ tone sinad 104.20 dB ≥ 112 dB -7.80 dB"
    assert " ".join(table[2].split()) == "● tone spectrum -125.00 dB at 50 Hz curve 5.00 dB"
    assert "1 more value is recorded" in table[3]


@pytest.mark.parametrize(
    ("verdict", "side", "shown"),
    [(Verdict.PASS, "min", "≥ 104"), (Verdict.FAIL, "min", "≤ 104"), (Verdict.FAIL, "max", "≥ 104")],
)
def test_a_bound_is_shown_with_the_side_on_which_the_truth_lies(verdict, side, shown):
    run = outcome(verdict=verdict)
    (check,), (item, balance) = run.checks, run.checks[0].judged.readings
    bound = replace(item, reading=replace(item.reading, is_bound=True), side=side)
    judged = replace(check.judged, readings=(bound, balance), curves=())
    text = result_text(replace(run, checks=(replace(check, judged=judged),)), Screen())
    assert f"left {shown}" in " ".join(text.split())


@pytest.mark.parametrize("verdict", list(Verdict))
def test_the_verdict_fills_the_screen_as_word_and_shape(verdict):
    wide, narrow = banner(verdict, 120), banner(verdict, 50)
    assert len(wide) == len(narrow) == 5
    assert max(map(len, wide)) <= 120
    assert max(map(len, narrow)) <= 60
    assert max(map(len, wide)) > 1.8 * max(map(len, narrow))


def test_a_result_higher_than_the_screen_shows_its_verdict_below_as_well():
    fits, scrolls = (result_text(outcome(), Screen(100, lines, large=True)) for lines in (40, 10))
    shape = banner(Verdict.FAIL, 100)
    assert fits.count(shape[2]) == 1
    assert scrolls.startswith(fits)
    assert [line for line in scrolls.splitlines()[-7:] if line][:5] == shape
    assert "PR3-004711" in scrolls.splitlines()[-1]
    assert result_text(outcome(), Screen(lines=3)).count("FAIL") == 1


def test_a_guarded_decision_says_that_the_limits_shrink():
    guarded = outcome(limits=replace(LIMITS, decision="guarded"))
    assert "passes, less 2u" in result_text(guarded, Screen())
    assert "less 2u" not in result_text(outcome(), Screen())


def test_no_two_verdicts_look_alike_even_without_colours():
    for ascii_only in (False, True):
        for one, other in itertools.combinations(Verdict, 2):
            assert mark(one, ascii_only=ascii_only) != mark(other, ascii_only=ascii_only)
            assert banner(one, 100)[0][:8] + banner(one, 100)[2][:8] != (
                banner(other, 100)[0][:8] + banner(other, 100)[2][:8]
            )


def test_a_terminal_gets_colours_and_no_color_takes_only_those():
    shown = outcome()
    coloured = result_text(shown, Screen(large=True, coloured=True))
    plain = result_text(shown, Screen(large=True))
    assert "\x1b[" in coloured
    assert "\x1b" not in plain
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain
    assert plain.count("█") > 50


def test_a_screen_that_shows_only_ascii_gets_only_ascii():
    for large in (False, True):
        text = result_text(outcome(), Screen(large=large, ascii_only=True))
        assert text.isascii()
    assert text.count("#") > 50


def test_what_comes_from_outside_cannot_disturb_the_screen():
    hostile = Problem("dropout", "gone\x1b[2J\x07\nPASS\u202e", "left")
    text = result_text(outcome(None, Verdict.INVALID, (hostile,)), Screen())
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "\u202e" not in text
    assert not any(line.strip().startswith("PASS") for line in text.splitlines())


def test_the_margin_of_a_level_is_in_decibels():
    level = Reading("level_dbfs", "left", -1.5, "dBFS", 0.01)
    judged = JudgedMeasurement((JudgedReading(level, Verdict.PASS, 0.5, -2.0, None, "min"),), (), ())
    limits = small_limits(small_check("tone", "tone", {"level_dbfs": Mask(Bounds(-2.0))}))
    run = outcome(113.0, Verdict.PASS)
    run = replace(run, limits=limits, checks=(replace(run.checks[0], judged=judged),))
    (row,) = [
        line.split() for line in result_text(run, Screen(everything=True)).split("\n") if "level_dbfs" in line
    ]
    assert row[3:5] == ["-1.50", "dBFS"]
    assert row[-2:] == ["0.50", "dB"]


def test_a_value_that_no_mask_judges_is_no_trouble_of_the_unit():
    remark = Problem("beyond_capture", "harmonic 9 lies beyond", "left", False, ("harmonic_9",))
    text = result_text(outcome(113.0, Verdict.PASS, (remark,)), Screen())
    assert text.startswith("● PASS")
    assert "harmonic 9" not in text
    explains = replace(remark, message="the band is not reached", metrics=("sinad",))
    assert "the band is not reached" in result_text(outcome(None, Verdict.INVALID, (explains,)), Screen())


def test_an_invalid_run_says_that_the_unit_was_not_judged_and_what_is_missing():
    problem = Problem("station_failed", "the cable is out")
    lost = replace(outcome(checks=(), missing=("tone",), station_failed=True), problems=(problem,))
    text = result_text(lost, Screen())
    assert text.startswith("▒ INVALID")
    assert "The unit was not judged" in text
    assert "the cable is out" in text
    assert "check tone was not run" in text


def test_a_run_that_could_not_be_recorded_is_shown_as_invalid():
    assert result_text(outcome(), Screen(), verdict=Verdict.INVALID).startswith("▒ INVALID")


def test_many_faults_do_not_push_the_verdict_off_the_screen():
    problems = tuple(Problem("dropout", f"place {number}", "left") for number in range(200))
    text = result_text(outcome(None, Verdict.INVALID, problems), Screen())
    assert len(text.splitlines()) < 60
    assert "more" in text


def judged(
    metric, value, limit, *, check="tone", verdict=Verdict.PASS, unit="dB", uncertainty=0.01, fail=None
):
    """Return a check with one reading that a mask of at least ``limit`` judges."""
    reading = Reading(metric, "left", value, unit, uncertainty)
    item = JudgedReading(reading, verdict, None if value is None else value - limit, limit, fail, "min")
    return replace(outcome().checks[0], check=check, judged=JudgedMeasurement((item,), (), ()))


def run_of(*checks):
    masks = {
        name: Mask(Bounds(112.0))
        for check in checks
        for name in {i.reading.metric for i in check.judged.readings}
    }
    limits = small_limits(
        *(small_check(name, "tone", masks) for name in dict.fromkeys(check.check for check in checks))
    )
    return replace(outcome(113.0, Verdict.PASS), limits=limits, checks=checks)


def test_a_pass_is_a_line_for_each_check_with_the_value_nearest_to_its_limit():
    one, other = judged("sinad", 112.5, 112.0), judged("snr", 130.0, 112.0)
    both = replace(one, judged=JudgedMeasurement((*one.judged.readings, *other.judged.readings), (), ()))
    text = result_text(run_of(both, judged("sinad", 120.0, 112.0, check="treble")), Screen())
    rows = [line.split() for line in text.splitlines() if line.startswith(" ●")]
    assert [row[1:3] for row in rows] == [["tone", "sinad"], ["treble", "sinad"]]
    assert "3 of 3 masks pass. --all shows all." in text


def test_a_fail_shows_what_fails_and_counts_the_rest():
    bad = judged("sinad", 90.0, 112.0, verdict=Verdict.FAIL)
    text = result_text(run_of(bad, judged("sinad", 120.0, 112.0, check="treble")), Screen())
    assert [line.split()[1] for line in text.splitlines() if line.startswith(" ✖")] == ["tone"]
    assert "treble" not in text
    assert "1 of 2 masks passes. --all shows all." in text


def test_what_could_not_be_judged_is_counted():
    text = result_text(run_of(judged("sinad", None, 112.0, verdict=Verdict.INVALID)), Screen())
    assert "0 of 1 mask pass, 1 could not be judged. --all shows all." in text
    assert " ▒ tone" not in text


def test_a_channel_that_was_not_judged_has_no_row_for_each_of_its_metrics():
    """The left channel of a unit whose right one is dead has its values, and nothing is judged on them."""
    dead = Problem("silent_channel", "nothing came back in right", "right")
    checks = [
        judged("sinad", 112.5, 112.0, verdict=Verdict.INVALID, check=f"tone_{number}") for number in range(12)
    ]
    run = replace(run_of(*checks), problems=(dead,))
    short = result_text(run, Screen())
    assert not [line for line in short.splitlines() if "sinad" in line]
    assert short.count("nothing came back in right") == 1
    assert "0 of 12 masks pass, 12 could not be judged. --all shows all." in short
    whole = result_text(run, Screen(everything=True))
    assert len([line for line in whole.splitlines() if "sinad" in line]) == 12


@pytest.mark.parametrize(
    ("value", "unit", "uncertainty", "shown"),
    [
        (21_726.605, "Hz", 0.004, "21727 Hz"),
        (3.99441, "V", 0.0001, "3.9944 V"),
        (112.8412, "dB", 0.04, "112.84 dB"),
        (-133.9912, "dB", 0.3, "-134.0 dB"),
        (2.04, "ps", 1.6, "2 ps"),
    ],
)
def test_no_more_digits_are_shown_than_are_certain_or_than_five(value, unit, uncertainty, shown):
    check = judged("sinad", value, value - 1.0, unit=unit, uncertainty=uncertainty)
    assert f"  {shown}  " in result_text(run_of(check), Screen())


@pytest.mark.parametrize("name", ["tone", "reconstruction@filter=slow,input=usb,output=balanced"])
def test_a_result_fits_80_columns(name):
    check = judged("dynamic_range_unweighted", 116.71, 115.0, check=name)
    run = run_of(check)
    table = [
        line for line in result_text(run, Screen(80)).splitlines() if "dynamic_range" in line or name in line
    ]
    assert table
    assert max(map(len, table)) <= 80


DROPOUTS = [Problem("dropout", f"8 frames are missing at 0.3{number} s", "left") for number in range(12)]


def flood(**changes):
    """Return a run of many checks with one trouble each, worded differently."""
    checks = [
        replace(outcome(None, Verdict.INVALID, (problem,)).checks[0], check=f"tone_{number}")
        for number, problem in enumerate(DROPOUTS)
    ]
    return outcome(checks=tuple(checks), **changes)


def troubled(run, count):
    """Return a run with troubles of its own."""
    return replace(run, problems=tuple(Problem(f"trouble_{n}", f"trouble {n}") for n in range(count)))


def test_a_cause_is_told_first_and_what_it_explains_is_counted():
    run = with_causes(troubled(flood(), 6))
    text = result_text(run, Screen())
    top, told, wrong, *_ = text.split("\n\n")[1:]
    assert "PR3-004711" in top
    assert [line.strip() for line in told.splitlines()] == list(made_causes().lines)
    assert [line.strip() for line in wrong.splitlines()] == [
        *(f"trouble {n}" for n in range(3)),
        "and 4 more: --all shows them",
    ]
    everything = result_text(run, Screen(everything=True))
    assert all(problem.message in everything for problem in DROPOUTS)
    assert "more: --all" not in everything


def test_what_many_checks_share_is_told_once_and_where_no_cause_fits_in_full():
    text = result_text(with_causes(flood(), unknown_causes()), Screen())
    assert "None of the known causes fits (90 %)." in text
    assert "  dropout in 12 checks, first in tone_0 left: 8 frames are missing at 0.30 s" in text
    assert text.count("frames are missing") == 1
    many = with_causes(troubled(flood(), 40), unknown_causes())
    assert "and 11 more" in result_text(many, Screen())


@pytest.mark.parametrize("fact", [hostile_fact(), *unreadable_facts()])
def test_no_cause_of_a_tampered_log_disturbs_the_screen(fact):
    for large in (False, True):
        text = result_text(replace(outcome(), causes=fact), Screen(large=large))
        assert "\x1b" not in text
        assert "\n# PASS" not in text
        assert len(text) < 12_000
        assert not large or max(map(len, text.splitlines())) <= 80


def test_a_pass_says_nothing_of_causes():
    assert "cause" not in result_text(outcome(113.0, Verdict.PASS), Screen())
