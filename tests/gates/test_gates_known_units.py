"""Golden and challenge units: what has moved, what was not found out, and what may be said of neither."""

import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from made_runs import LIMITS, made_check, made_curve, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.errors import BaselineError, FileError, RecordError, UsageError
from linecheck.gates.challenge import challenged, unknown_reasons
from linecheck.gates.golden import compare_with_history, drifts
from linecheck.gates.known_units import Accepted, state_challenge, state_golden
from linecheck.gates.log_queries import GoldenValue
from linecheck.gates.margins import DEFAULT_MARGINS, Margin, golden_margins, unused_margins
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.station.config.gates import ChallengeConfig, ChallengeUnit, GoldenConfig
from linecheck.station.config.station import Station, StationConfig

GOLDEN = "PR3-900001"
CONFIG = StationConfig(
    format=1,
    station="bench",
    interface="simulated",
    mains_hz=50,
    golden=GoldenConfig(serials=(GOLDEN,), every_hours=8.0),
    challenge=ChallengeConfig(
        units={"hum": ChallengeUnit(serial="PR3-900101", must_fail=("tone.sinad.left",))}
    ),
)
STATION = Station(CONFIG, "station.toml", "57" * 32)
FIRST = Accepted("Ada", "the unit is new and was measured elsewhere")


def golden(left=113.2, right=113.2, **changes):
    """A run of the golden unit; every capture is another."""
    golden.count = getattr(golden, "count", 0) + 1
    check = made_check(
        made_reading(value=left),
        made_reading(value=right, channel="right"),
        made_curve(),
        capture_sha256=f"{golden.count:064x}",
    )
    return made_run(check, serial=GOLDEN, station="bench", purpose="golden", **changes)


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def judged(log, outcome, accepted=None, limits=LIMITS):
    log.append(outcome)
    return state_golden(log, STATION, limits, outcome, accepted)


def test_the_first_run_meets_nothing_until_somebody_accepts_it(log):
    stated = judged(log, golden())
    assert not stated.met
    assert "--accept" in stated.reasons[0]
    stated = judged(log, golden(), FIRST)
    assert (stated.met, stated.reference.by, stated.reference.runs[0][0]) == (True, "Ada", 3)
    (said,) = log.statements("golden_reference")
    assert said.subject == "bench/golden/pellow-r3/PR3-900001"
    assert said.content["reason"] == FIRST.reason
    newest = log.statements("gate")[0]
    assert newest.content["met"] is True
    assert (newest.content["record"], newest.content["compared"]) == (3, 2)
    assert newest.content["valid_until"] > newest.recorded
    assert log.verify().intact


@pytest.mark.parametrize(("left", "moved"), [(113.6, False), (112.8, False), (113.8, True), (112.5, True)])
def test_a_change_beyond_the_margin_is_a_move_for_better_and_for_worse(log, left, moved):
    """The default for dB is 0.5; the readings' uncertainty is 0.03 dB."""
    judged(log, golden(), FIRST)
    stated = judged(log, golden(left))
    assert stated.met is not moved
    if moved:
        (text,) = stated.reasons
        assert text.startswith("tone sinad left has moved by ")
        assert text.endswith("0.5 dB is allowed")
        assert stated.head.sequence == log.statements("gate")[0].sequence
        assert log.statements("gate")[0].content["moved"][0]["metric"] == "sinad"


def test_history_replaced_is_what_counts_and_says_what_it_changes(log):
    judged(log, golden(), FIRST)
    assert not judged(log, golden(114.0)).met
    stated = judged(log, golden(114.0), Accepted("Eve", "new cable", add=False))
    assert stated.met
    assert "moved by +0.8 dB" in stated.replaced[0].text
    assert "moved by" in log.statements("golden_reference")[0].content["changes"][0]
    assert not judged(log, golden()).met


def test_history_added_is_the_mean_and_knows_its_spread(log):
    judged(log, golden(113.0), FIRST)
    stated = judged(log, golden(113.4), Accepted("Ada", "plugged anew", add=True))
    (left, _) = (change for change in stated.golden.changes if change.metric == "sinad")
    assert left.reference == pytest.approx(113.2, abs=0.01)
    assert left.uncertainty > 0.1, "the spread of 0.4 dB is more than the 0.03 dB that each run states"
    assert len(stated.reference.runs) == 2


def test_what_is_outside_its_limits_or_was_not_measured_is_no_history(log):
    bad = made_run(
        made_check(made_reading(Verdict.FAIL, 100.0), made_reading(channel="right"), made_curve()),
        serial=GOLDEN,
    )
    with pytest.raises(BaselineError, match="outside the limits of its model"):
        judged(log, bad, FIRST)
    aborted = golden(aborted=True)
    with pytest.raises(BaselineError, match="aborted"):
        judged(log, aborted, FIRST)
    assert not log.statements("golden_reference", "gate")


def test_a_golden_unit_that_fails_its_model_is_not_met_even_where_it_has_not_moved(log):
    judged(log, golden(), FIRST)
    check = made_check(made_reading(Verdict.FAIL, 113.2), made_reading(channel="right"), made_curve())
    stated = judged(log, made_run(check, serial=GOLDEN))
    assert not stated.met
    assert stated.reasons[0] == "it is outside the limits of its model"


def test_a_value_that_is_gone_is_not_met(log):
    judged(log, golden(), FIRST)
    gone = Problem("no_tone", "no tone is there", "left", blocks=False, metrics=("sinad",))
    check = made_check(
        made_reading(Verdict.INVALID, None), made_reading(channel="right"), made_curve(), problems=(gone,)
    )
    stated = judged(log, made_run(check, serial=GOLDEN))
    assert "tone sinad left cannot be compared with its history: no tone is there" in stated.reasons


def test_another_stimulus_needs_another_history(log):
    judged(log, golden(), FIRST)
    run = golden()
    other = replace(run, checks=(replace(run.checks[0], stimulus_sha256="6b" * 32),))
    assert "its history was taken with another stimulus" in judged(log, other).reasons[0]


def test_a_history_that_was_changed_is_refused(log, tmp_path):
    judged(log, golden(), FIRST)
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as database, database:
        database.execute("DROP TRIGGER reading_keeps_on_update")
        database.execute("UPDATE reading SET value = 113.9 WHERE channel = 'left'")
    with pytest.raises(RecordError, match="has been changed: run `linecheck log verify`"):
        judged(log, golden())


def test_a_history_of_which_a_run_was_removed_is_refused(log, tmp_path):
    judged(log, golden(), FIRST)
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as database, database:
        database.execute("DROP TRIGGER run_keeps_on_delete")
        database.execute("DELETE FROM run")
    with pytest.raises(RecordError, match="has been changed: run `linecheck log verify`"):
        judged(log, golden())


def test_a_run_that_is_not_in_the_log_says_nothing(log):
    with pytest.raises(RecordError, match="not in the log"):
        state_golden(log, STATION, LIMITS, golden(), FIRST)


def test_margins_the_config_first_then_the_limit_file_then_the_unit():
    own = {"tone.sinad": 0.1, "sinad": 0.2, "dB": 0.3}
    assert golden_margins(LIMITS, own)["tone"]["sinad"] == Margin(0.1, True)
    assert golden_margins(LIMITS, {"sinad": 0.2, "dB": 0.3})["tone"]["sinad"] == Margin(0.2, True)
    assert golden_margins(LIMITS, {"dB": 0.3})["tone"] == {"sinad": Margin(0.3, True)}
    assert golden_margins(LIMITS, {})["tone"] == {"sinad": Margin(DEFAULT_MARGINS["dB"], False)}
    (check,) = LIMITS.checks
    declared = replace(LIMITS, checks=(replace(check, regression={"spectrum": 6.0}),))
    assert golden_margins(declared, {})["tone"] == {"spectrum": Margin(6.0, True)}
    for slip in ("snad", "tone.snad", "db"):
        with pytest.raises(UsageError, match=r"is neither a metric nor a unit; did you mean (sinad|dB)\?"):
            golden_margins(LIMITS, {slip: 0.1})
    assert unused_margins(LIMITS, {"dB": 0.1, "tone.sinad": 0.1, "toen.sinad": 0.1}) == ("toen.sinad",)
    bare = replace(LIMITS, checks=(replace(check, masks={}),))
    with pytest.raises(FileError, match="nothing to compare a golden unit by"):
        golden_margins(bare, {})


def test_a_margin_that_nobody_chose_grows_with_what_is_known_and_one_that_was_chosen_does_not(log):
    """u = 0.15 dB each: a gain of 0.6 dB is no move by a default, and cannot be told by a margin of 0.5 dB."""

    def rough(left):
        run = golden(left)
        items = [
            replace(i, reading=replace(i.reading, uncertainty=0.15)) for i in run.checks[0].judged.readings
        ]
        return replace(
            run, checks=(replace(run.checks[0], judged=replace(run.checks[0].judged, readings=tuple(items))),)
        )

    first, later = rough(113.2), rough(113.8)
    log.append(first)
    record = log.record(1)
    by_default = compare_with_history(later, [record], LIMITS, golden_margins(LIMITS, {}))
    assert by_default.met
    chosen = compare_with_history(later, [record], LIMITS, golden_margins(LIMITS, {"dB": 0.5}))
    assert not chosen.met
    (reason,) = chosen.reasons
    assert reason.startswith("tone sinad left is 113.8 dB")
    assert "too uncertain to tell" in reason


def test_a_margin_that_nobody_chose_grows_tenfold_and_no_further():
    def rough(uncertainty):
        readings = [made_reading(channel=name) for name in ("left", "right")]
        readings = [
            replace(item, reading=replace(item.reading, uncertainty=uncertainty)) for item in readings
        ]
        return made_run(made_check(*readings), serial=GOLDEN)

    for uncertainty, margin in ((0.01, 0.5), (2.0, 5.0)):
        run = rough(uncertainty)
        changes = compare_with_history(run, [run], LIMITS, golden_margins(LIMITS, {})).changes
        assert {change.margin for change in changes} == {margin}


@pytest.mark.parametrize(("certificate", "met"), [("C-1", True), ("C-2", False)])
def test_an_error_of_one_calibration_is_in_both_and_in_no_change_of_volts(certificate, met):
    """4 V known to 0.5 %: of one and the same calibration that says nothing against a change within 20 mV."""

    def volts(value, certificate):
        reading = made_reading(value=value, metric="level", unit="V")
        reading = replace(reading, reading=replace(reading.reading, uncertainty=0.02))
        calibration = {"certificate": certificate, "uncertainty_percent": "0.5"}
        return made_run(made_check(reading), serial=GOLDEN, calibration=calibration, limits=one)

    one = replace(LIMITS, channels=("left",))
    margins = {"tone": {"level": Margin(0.02, True)}}
    assert compare_with_history(volts(4.01, certificate), [volts(4.0, "C-1")], one, margins).met is met


def test_a_slow_drift_is_seen_although_every_step_is_within_its_margin(log):
    for step in range(12):
        stated = judged(log, golden(113.2 + 0.06 * step), Accepted("Ada", "as ever"))
        assert stated.met
    (drift,) = stated.drifts
    assert (drift.metric, drift.channel, drift.runs) == ("sinad", "left", 12)
    assert drift.since_first == pytest.approx(0.66)
    assert drift.a_run == pytest.approx(0.06, rel=0.01)
    assert log.statements("gate")[0].content["drifts"][0]["text"] == drift.text


def test_scatter_is_no_drift():
    """A false alarm in less than 1 of 100 series of noise; a line of a tenth of a sigma a run is found."""
    rng = np.random.default_rng(11)
    margins = {"tone": {"sinad": Margin(0.05, True)}}

    def series(slope):
        values = 113.0 + 0.02 * rng.standard_normal(60) + slope * np.arange(60)
        return [GoldenValue(n, "tone", "sinad", None, v, "dB", "s") for n, v in enumerate(values.tolist())]

    alarms = [drift for _ in range(200) for drift in drifts(series(0.0), margins) if drift.a_run is not None]
    assert len(alarms) < 2
    assert all(drifts(series(0.004), margins) for _ in range(20))


UNIT = ChallengeUnit(serial="PR3-900101", must_fail=("tone.sinad.left",))


def bad(left=100.0, right=113.0, **changes):
    verdict = [Verdict.FAIL if value < 108.0 else Verdict.PASS for value in (left, right)]
    check = made_check(
        made_reading(verdict[0], left), made_reading(verdict[1], right, channel="right"), made_curve()
    )
    return made_run(check, serial="PR3-900101", **changes)


def test_a_bad_unit_that_fails_for_its_reason_is_found_out():
    assert challenged(UNIT, bad()).met
    assert challenged(UNIT, bad(right=90.0)).failed == ("tone.sinad.left", "tone.sinad.right")
    either = UNIT.model_copy(update={"must_fail": ("tone.sinad",)})
    assert challenged(either, bad(left=113.0, right=90.0)).met


def test_a_bad_unit_that_passes_fails_for_another_reason_or_judges_nothing_is_not():
    passed = challenged(UNIT, bad(left=113.0))
    assert "it passes although it is known to be bad" in passed.reasons[0]
    other = challenged(UNIT, bad(left=113.0, right=90.0))
    assert other.reasons[0].startswith("tone.sinad.left must fail and does not: left pass, 113 dB")
    only = UNIT.model_copy(update={"nothing_else": True})
    assert challenged(only, bad()).met
    (reason,) = challenged(only, bad(right=90.0)).reasons
    assert reason.startswith("tone.sinad.right must pass and does not: right fail, 90 dB")
    for nothing in (bad(aborted=True), bad(missing=("quiet",)), bad(station_failed=True)):
        assert "says nothing about the station" in challenged(UNIT, nothing).reasons[0]
    blocked = bad(problems=(Problem("asset_overdue", "the adc was due", blocks=True),))
    assert challenged(UNIT, blocked).reasons[1] == "the adc was due"
    silent = made_run(made_check(made_reading(Verdict.INVALID, None)), serial="PR3-900101")
    assert not challenged(UNIT, silent).met


def test_what_no_mask_judges_could_never_fail():
    unit = UNIT.model_copy(
        update={"must_fail": ("tone.sinad.left", "tone.spectrum", "tone.hum", "tone.sinad.middle")}
    )
    assert unknown_reasons(unit, LIMITS) == ("tone.hum", "tone.sinad.middle")


def test_a_challenge_is_stated_with_what_failed(log):
    outcome = bad()
    log.append(outcome)
    stated = state_challenge(log, STATION, LIMITS, outcome, "hum", UNIT)
    (said,) = log.statements("gate")
    assert (stated.met, said.content["met"], said.content["failed"]) == (True, True, ["tone.sinad.left"])
    assert said.subject == "bench/challenge/pellow-r3/PR3-900101"
