"""A run: every check is measured or named as missing, whatever happens meanwhile."""

import os
import signal
import sys
import threading
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest
from small_run import simulated, small_check, small_limits

from linecheck.captures.capture_set import load_capture_set, write_capture_set
from linecheck.captures.judging import judge_set
from linecheck.checks.base import OVERLOAD, Capture, Measurement
from linecheck.checks.tone import ToneKind
from linecheck.errors import FileError, StationError
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.measure import analyses
from linecheck.measure.executors import analysis_executor
from linecheck.run.plan import make_plan
from linecheck.station.config.station import CalibrationConfig
from linecheck.station.events import CheckStarted, MeasuringEnded, RunStarted
from linecheck.station.interfaces.interface import Interface
from linecheck.station.runner import RunFacts, run_unit

FACTS = RunFacts("PR3-000001", "1.4.2", "bench")


@pytest.fixture(scope="module")
def executor():
    with analysis_executor(own_process=False) as threads:
        yield threads


class Scripted(Interface):
    """An interface that does something else from a certain check on."""

    def __init__(self, inner, at, act):
        self.inner, self.at, self.act = inner, at, act
        self.closed = False
        self.played = []

    @property
    def identity(self):
        return {"kind": "scripted"}

    def play(self, check, stimulus):
        self.played.append(check)
        return self.act(self.inner, check, stimulus) if check == self.at else self.inner.play(check, stimulus)

    def __enter__(self):
        if self.at == "open":
            raise StationError("no device is named 'unit': plug it in")
        return self

    def __exit__(self, kind, error, trace):
        self.closed = True


def raises(error):
    def act(inner, check, stimulus):
        raise error

    return act


class Heard:
    """A listener that remembers."""

    def __init__(self):
        self.words = []
        self.of = set()

    def __call__(self, event):
        self.of.add((event.run_id, event.serial))
        match event:
            case RunStarted():
                self.words.append("run")
            case CheckStarted(planned=planned):
                self.words.append(f"play {planned.check.name}")
            case MeasuringEnded():
                self.words.append("end")


def everything(outcome):
    """Return all that a run has judged, so that two runs can be compared bit for bit."""
    return [
        (
            check.check,
            check.judged.readings,
            [
                (curve.verdict, curve.margin, curve.worst_x, curve.curve.x.tobytes(), curve.curve.y.tobytes())
                for curve in check.judged.curves
            ],
            check.judged.problems,
            check.stimulus_sha256,
            check.capture_sha256,
        )
        for check in outcome.checks
    ]


def test_a_good_unit_passes_and_everything_is_accounted_for(executor):
    limits, heard = small_limits(), Heard()
    outcome = run_unit(make_plan(limits), FACTS, simulated(), executor, listener=heard).outcome
    assert outcome.verdict is Verdict.PASS
    assert [check.check for check in outcome.checks] == ["quiet", "tone", "wiring"]
    assert outcome.missing == ()
    assert (outcome.serial, outcome.firmware, outcome.station) == ("PR3-000001", "1.4.2", "bench")
    assert outcome.started.tzinfo is UTC
    assert outcome.started <= outcome.finished
    assert all(len(check.capture_sha256) == len(check.stimulus_sha256) == 64 for check in outcome.checks)
    assert heard.of == {(outcome.run_id, outcome.serial)}
    assert heard.words[0] == "run"
    assert heard.words[-1] == "end"
    assert heard.words[1:-1] == ["play tone", "play quiet", "play wiring"]


def test_a_listener_that_fails_costs_nothing_of_the_run(executor, caplog):
    def fail(event):
        raise ValueError("the page is closed")

    outcome = run_unit(make_plan(small_limits()), FACTS, simulated(), executor, listener=fail).outcome
    assert (outcome.verdict, outcome.missing, outcome.problems) == (Verdict.PASS, (), ())
    assert "a listener failed at CheckStarted" in caplog.text


def test_causes_are_asked_for_where_a_run_does_not_pass_and_cost_it_nothing(executor, caplog, monkeypatch):
    monkeypatch.setitem(sys.modules, "linecheck.causes", None)  # importing it fails from now on
    good = run_unit(make_plan(small_limits()), FACTS, simulated(), executor).outcome
    assert (good.verdict, good.causes, caplog.text) == (Verdict.PASS, {}, "")
    bad = run_unit(make_plan(small_limits()), FACTS, simulated(noise_db=-80.0), executor).outcome
    assert (bad.verdict, bad.causes) == (Verdict.FAIL, {})
    assert "causes could not be named" in caplog.text


def test_the_quiet_check_gets_the_level_of_the_tone_that_it_refers_to(executor):
    outcome = run_unit(make_plan(small_limits()), FACTS, simulated(noise_db=-100.0), executor).outcome
    readings = {
        (check.check, item.reading.metric): item.reading
        for check in outcome.checks
        for item in check.judged.readings
        if item.reading.channel == "left"
    }
    # 100 dB below full scale by construction, within the spread of a quarter of a second of noise.
    assert readings["quiet", "snr"].value == pytest.approx(100.0, abs=0.5)


@pytest.mark.parametrize("fault", ["distorting", "swapped_channels", "noisy", "hum"])
def test_a_bad_unit_fails(executor, fault):
    limits = small_limits()
    tight = tuple(
        replace(check, masks={**check.masks, "sinad": Mask(Bounds(110.0))}) if check.name == "tone" else check
        for check in limits.checks
    )
    plan = make_plan(replace(limits, checks=tight))
    assert run_unit(plan, FACTS, simulated(), executor).outcome.verdict is Verdict.PASS
    assert run_unit(plan, FACTS, simulated(fault), executor).outcome.verdict is Verdict.FAIL


@pytest.mark.parametrize(
    "fault",
    ["silence", "overrun", "underrun", "non_finite", "dropout", "clipping", "cut_short", "wrong_rate"],
)
def test_a_capture_that_cannot_be_trusted_is_invalid_and_says_why(executor, fault):
    outcome = run_unit(make_plan(small_limits()), FACTS, simulated(fault), executor).outcome
    assert outcome.verdict is Verdict.INVALID
    assert [problem for check in outcome.checks for problem in check.judged.problems if problem.blocks]


def test_an_input_that_is_overdriven_condemns_no_unit_by_its_volts(executor):
    checks = (
        small_check("tone", "tone", {"sinad": Mask(Bounds(90.0))}),
        small_check("quiet", "quiet", {"noise": Mask(Bounds(None, 1e-3))}, "tone"),
    )
    plan = make_plan(small_limits(*checks))
    assert run_unit(plan, FACTS, simulated(), executor).outcome.verdict is Verdict.FAIL
    outcome = run_unit(plan, FACTS, simulated("clipping"), executor).outcome
    assert outcome.verdict is Verdict.INVALID
    told = {problem.message for problem in outcome.problems if problem.code == OVERLOAD}
    assert len(told) == 2
    assert all("overdriven (tone)" in message and "Lower its gain" in message for message in told)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (StationError("the cable is out"), "the cable is out"),
        (OSError(5, "Input/output error"), "failed unexpectedly"),
        (ZeroDivisionError("division by zero"), "failed unexpectedly"),
    ],
)
def test_a_station_that_fails_ends_the_run_as_invalid_and_keeps_what_was_measured(executor, error, words):
    interface = Scripted(simulated(), "quiet", raises(error))
    outcome = run_unit(make_plan(small_limits()), FACTS, interface, executor).outcome
    assert outcome.verdict is Verdict.INVALID
    assert outcome.station_failed
    assert [check.check for check in outcome.checks] == ["tone"]
    assert outcome.missing == ("quiet", "wiring")
    assert words in outcome.problems[0].message
    assert interface.closed
    assert interface.played == ["tone", "quiet"]


class Announcing(Scripted):
    """An interface that wants to hear what comes next."""

    def announce(self, stimulus):
        self.played.append(stimulus)


def test_an_interface_hears_before_each_stimulus_which_one_follows(executor):
    limits = small_limits()
    interface = Announcing(simulated(), at=None, act=None)
    plan = make_plan(limits)
    run_unit(plan, FACTS, interface, executor)
    checks = [planned.check.name for planned in plan.checks]
    after = [*(planned.stimulus for planned in plan.checks[1:]), None]
    assert interface.played[1::2] == checks
    assert all(heard is one for heard, one in zip(interface.played[::2], after, strict=True))


def test_a_unit_that_has_failed_stays_failed_when_the_station_fails_later(executor):
    limits = small_limits(
        small_check("tone", "tone", {"sinad": Mask(Bounds(200.0))}), small_check("other", "tone")
    )
    interface = Scripted(simulated(), "other", raises(StationError("gone")))
    assert run_unit(make_plan(limits), FACTS, interface, executor).outcome.verdict is Verdict.FAIL


def test_a_device_that_does_not_open_leaves_an_invalid_run_of_missing_checks(executor):
    outcome = run_unit(
        make_plan(small_limits()), FACTS, Scripted(simulated(), "open", None), executor
    ).outcome
    assert outcome.verdict is Verdict.INVALID
    assert outcome.checks == ()
    assert outcome.missing == ("quiet", "tone", "wiring")
    assert "plug it in" in outcome.problems[0].message


def test_an_operator_who_stops_the_run_leaves_it_aborted_with_what_was_measured(executor):
    interface = Scripted(simulated(), "wiring", raises(KeyboardInterrupt()))
    heard = Heard()
    outcome = run_unit(make_plan(small_limits()), FACTS, interface, executor, listener=heard).outcome
    assert outcome.verdict is Verdict.ABORTED
    assert [check.check for check in outcome.checks] == ["quiet", "tone"]
    assert outcome.missing == ("wiring",)
    assert interface.closed
    assert heard.words[-1] == "end"


def test_a_second_ctrl_c_does_not_wait_for_the_analysis(monkeypatch):
    """The analysis never ends; the operator, tired of waiting, presses Ctrl-C again."""

    class Stuck(Executor):
        def submit(self, fn, /, *args, **kwargs):
            return Future()

    def interrupted(futures, return_when):
        raise KeyboardInterrupt

    monkeypatch.setattr(analyses, "wait", interrupted)
    outcome = run_unit(make_plan(small_limits()), FACTS, simulated(), Stuck()).outcome
    assert outcome.verdict is Verdict.ABORTED
    assert outcome.missing == ("quiet", "tone", "wiring")


def test_a_fault_in_a_kind_is_invalid_and_named_as_linechecks_own(executor):
    class Broken(ToneKind):
        def measure(self, capture, location, parameters, analysis, context):
            return 1 / 0

    broken = replace(small_check("broken", "tone", {"sinad": Mask(Bounds(1.0))}), kind=Broken())
    limits = small_limits(broken, small_check("tone", "tone", {"sinad": Mask(Bounds(90.0))}))
    outcome = run_unit(make_plan(limits), FACTS, simulated(), executor).outcome
    assert outcome.verdict is Verdict.INVALID
    bad, good = outcome.checks
    assert good.judged.verdict is Verdict.PASS
    assert [problem.code for problem in bad.judged.problems if problem.blocks] == ["measurement_failed"]
    assert "ZeroDivisionError: division by zero" in bad.judged.problems[0].message


def test_a_kind_that_measures_nothing_is_never_a_pass(executor):
    class Mute(ToneKind):
        def measure(self, capture, location, parameters, analysis, context):
            return Measurement()

    mute = replace(small_check("tone", "tone", {"sinad": Mask(Bounds(1.0))}), kind=Mute())
    outcome = run_unit(make_plan(small_limits(mute)), FACTS, simulated(), executor).outcome
    assert outcome.verdict is Verdict.INVALID


def test_an_interface_that_gives_nonsense_is_invalid_not_a_crash(executor):
    def nonsense(inner, check, stimulus):
        return Capture(np.zeros((0, 2), dtype=np.int32), 48_000, bits=24)

    interface = Scripted(simulated(), "tone", nonsense)
    outcome = run_unit(make_plan(small_limits()), FACTS, interface, executor).outcome
    assert outcome.verdict is Verdict.INVALID
    assert "too_short" in {problem.code for check in outcome.checks for problem in check.judged.problems}


def test_an_executor_that_is_gone_is_invalid_not_a_crash():
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    outcome = run_unit(make_plan(small_limits()), FACTS, simulated(), pool).outcome
    assert outcome.verdict is Verdict.INVALID
    assert {problem.code for check in outcome.checks for problem in check.judged.problems} == {
        "measurement_failed"
    }


def test_an_overdue_calibration_is_in_the_run_and_blocks_where_the_config_says_so(executor):
    plan = make_plan(small_limits())
    for refuse, verdict in ((False, Verdict.PASS), (True, Verdict.INVALID)):
        calibration = CalibrationConfig(due=date(2020, 1, 1), refuse_when_overdue=refuse)
        outcome = run_unit(plan, replace(FACTS, calibration=calibration), simulated(), executor).outcome
        assert outcome.verdict is verdict
        assert [problem.code for problem in outcome.problems] == ["calibration_overdue"]
        assert outcome.calibration == {"due": "2020-01-01"}


def test_playing_goes_on_while_an_analysis_runs():
    """The next check must be played before the analysis of the last one may end."""
    played = threading.Event()

    class Waits(ToneKind):
        def measure(self, capture, location, parameters, analysis, context):
            assert played.wait(20.0)
            return super().measure(capture, location, parameters, analysis, context)

    first = replace(small_check("first", "tone", {"sinad": Mask(Bounds(90.0))}), kind=Waits())
    limits = small_limits(first, small_check("second", "tone"))

    def act(inner, check, stimulus):
        played.set()
        return inner.play(check, stimulus)

    with analysis_executor(own_process=False) as threads:
        outcome = run_unit(make_plan(limits), FACTS, Scripted(simulated(), "second", act), threads).outcome
    assert outcome.verdict is Verdict.PASS


@pytest.mark.parametrize("faults", [(), ("distorting",), ("overrun",), ("silence",), ("non_finite",)])
def test_kept_captures_are_judged_to_the_same_bit_for_bit(tmp_path, executor, faults):
    limits = small_limits()
    facts = replace(FACTS, calibration=CalibrationConfig(due=date(2020, 1, 1)))
    plan = make_plan(limits)
    run = run_unit(plan, facts, simulated(*faults), executor, keep_captures=True)
    write_capture_set(
        tmp_path / "set",
        run.captures,
        model=limits.model,
        serial=facts.serial,
        firmware=facts.firmware,
        station=facts.station,
        recorded=run.outcome.started,
        software=run.outcome.software,
        calibration=facts.calibration,
        stimulus_hashes={planned.check.name: planned.stimulus_sha256 for planned in plan.checks},
    )
    captures = load_capture_set(tmp_path / "set")
    for _ in range(2):
        judged = judge_set(captures, limits, executor)
        assert everything(judged) == everything(run.outcome)
        assert judged.verdict is run.outcome.verdict
        assert judged.problems == run.outcome.problems
        assert (judged.serial, judged.firmware, judged.station) == ("PR3-000001", "1.4.2", "bench")


def test_a_check_that_a_set_lacks_is_missing_and_the_others_are_judged(tmp_path, executor):
    limits = small_limits()
    run = run_unit(make_plan(limits), FACTS, simulated(), executor, keep_captures=True)
    captures = {name: capture for name, capture in run.captures.items() if name != "tone"}
    write_capture_set(tmp_path / "set", captures, model=limits.model, serial=FACTS.serial)
    outcome = judge_set(load_capture_set(tmp_path / "set"), limits, executor)
    assert outcome.verdict is Verdict.INVALID
    assert outcome.missing == ("tone",)
    assert not outcome.station_failed
    assert outcome.problems[0].code == "not_captured"
    assert "it has: quiet, wiring" in outcome.problems[0].message
    by_name = {check.check: check for check in outcome.checks}
    assert by_name["wiring"].judged.verdict is Verdict.PASS
    assert by_name["quiet"].judged.verdict is Verdict.INVALID  # it refers to the tone


def test_captures_of_another_stimulus_are_judged_with_a_word_of_warning(tmp_path, executor):
    def tone(level_dbfs):
        masks = {"sinad": Mask(Bounds(90.0))}
        return small_limits(small_check("tone", "tone", masks, level_dbfs=level_dbfs))

    plan = make_plan(tone(-1.0))
    run = run_unit(plan, FACTS, simulated(), executor, keep_captures=True)
    hashes = {planned.check.name: planned.stimulus_sha256 for planned in plan.checks}
    write_capture_set(
        tmp_path / "set", run.captures, model="pellow-r3", serial=FACTS.serial, stimulus_hashes=hashes
    )
    captures = load_capture_set(tmp_path / "set")
    assert judge_set(captures, tone(-1.0), executor).problems == ()
    warned = judge_set(captures, tone(-2.0), executor)
    assert [(problem.code, problem.blocks) for problem in warned.problems] == [("other_stimulus", False)]
    assert warned.verdict is Verdict.PASS


def test_what_rests_on_the_level_that_was_played_is_not_judged_of_another_stimulus(tmp_path, executor):
    def faint(level_dbfs):
        masks = {"dynamic_range": Mask(Bounds(90.0))}
        return small_limits(small_check("faint", "low_level_tone", masks, level_dbfs=level_dbfs))

    plan = make_plan(faint(-60.0))
    run = run_unit(plan, FACTS, simulated("noisy"), executor, keep_captures=True)
    hashes = {planned.check.name: planned.stimulus_sha256 for planned in plan.checks}
    write_capture_set(
        tmp_path / "set", run.captures, model="pellow-r3", serial=FACTS.serial, stimulus_hashes=hashes
    )
    captures = load_capture_set(tmp_path / "set")
    assert judge_set(captures, faint(-60.0), executor).problems == ()
    # At -80 dBFS the same capture would read 20 dB better.
    other = judge_set(captures, faint(-80.0), executor)
    assert (other.verdict, other.missing) == (Verdict.INVALID, ("faint",))
    assert "depend on the level played" in other.problems[-1].message


def test_a_set_of_another_model_or_serial_is_refused(tmp_path, executor):
    capture = simulated().play("tone", make_plan(small_limits()).checks[0].stimulus)
    for number, facts in enumerate([("other-model", "PR3-000001"), ("pellow-r3", "XX-1")]):
        folder = tmp_path / str(number)
        write_capture_set(folder, {"tone": capture}, model=facts[0], serial=facts[1])
        with pytest.raises(FileError, match=r"is of model other-model|is not one of model"):
            judge_set(load_capture_set(folder), small_limits(), executor)


def test_a_recorded_calibration_is_judged_by_the_day_of_the_recording(tmp_path, executor):
    limits = small_limits()
    run = run_unit(make_plan(limits), FACTS, simulated(), executor, keep_captures=True)
    for year, codes in ((2019, []), (2021, ["calibration_overdue"])):
        write_capture_set(
            tmp_path / str(year),
            run.captures,
            model=limits.model,
            serial=FACTS.serial,
            recorded=datetime(year, 6, 1, tzinfo=UTC),
            calibration=CalibrationConfig(due=date(2020, 1, 1)),
        )
        outcome = judge_set(load_capture_set(tmp_path / str(year)), limits, executor)
        assert [problem.code for problem in outcome.problems] == codes


def test_a_process_of_its_own_comes_to_the_same_and_ends_with_the_run(executor):
    plan = make_plan(small_limits())
    expected = run_unit(plan, FACTS, simulated(), executor).outcome
    with analysis_executor(own_process=True) as process:
        outcome = run_unit(plan, FACTS, simulated(), process).outcome
        assert everything(outcome) == everything(expected)
        worker = process.submit(os.getpid).result()
    with pytest.raises(ProcessLookupError):
        os.kill(worker, 0)


def test_a_process_that_was_killed_does_not_spoil_the_next_run(executor):
    plan = make_plan(small_limits())
    expected = run_unit(plan, FACTS, simulated(), executor).outcome
    with analysis_executor(own_process=True) as process:
        worker = process.submit(os.getpid).result()
        lost = process.submit(signal.pause)
        os.kill(worker, signal.SIGKILL)
        assert lost.exception(timeout=20.0) is not None
        outcome = run_unit(plan, FACTS, simulated(), process).outcome
    assert everything(outcome) == everything(expected)
