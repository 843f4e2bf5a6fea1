"""What is shown of a nest: one state at a time, each made of events alone."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_causes import made_causes, with_causes
from made_runs import made_check, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.gates.gatekeeper import Standing
from linecheck.gates.gates import GateState
from linecheck.gates.gates import State as Gate
from linecheck.limits.verdict import Verdict
from linecheck.line.events import (
    Asked,
    HandedOver,
    HandOverFailed,
    NextAct,
    Note,
    Ordered,
    RunCutOff,
    ScanIgnored,
    SelfCheckEnded,
    Standby,
    StationResumed,
    StationStopped,
    UnitAdmitted,
    UnitRefused,
    UnitRemoved,
    UnitScanned,
    VerdictKnown,
)
from linecheck.line.states import MAX_SENTENCE, VERDICTS, NestState, State, after
from linecheck.run.model import NOT_RELEASED
from linecheck.station.events import MeasuringEnded

FIRST, SECOND = "PR3-000001", "PR3-000002"
OPEN = Standby(Standing(), True, ())
SHUT = Standby(
    Standing((GateState("golden", Gate.NEVER, "", "run `linecheck station golden`"),)),
    True,
    ("Scan the golden unit.",),
)
EMPTY = NestState("a")
NOT_YET = Problem(NOT_RELEASED, "it needs one more pass", blocks=False)


def run_of(serial=FIRST, verdict=Verdict.PASS, **facts):
    judged = made_check(made_reading(verdict, 113.0 if verdict is Verdict.PASS else 104.0))
    return made_run(judged, serial=serial, **{"released": verdict is Verdict.PASS, **facts})


def known(run, verdict=None, attempt=1):
    return VerdictKnown(run.run_id, run.serial, run, verdict or run.verdict, attempt)


def shown(*events, start=EMPTY, **options):
    state = start
    for event in events:
        state = after(state, event, **options)
    return state


PASSED, FAILED = run_of(), run_of(verdict=Verdict.FAIL)


@pytest.mark.parametrize(
    ("event", "state"),
    [
        (known(PASSED), State.PASS),
        (known(FAILED), State.FAIL),
        (known(replace(PASSED, released=False, problems=(NOT_YET,))), State.HOLD),
        (known(run_of(aborted=True, missing=("quiet",))), State.STOPPED),
        (known(FAILED, Verdict.INVALID), State.TEST_AGAIN),
        (UnitRefused(FIRST, "it is locked"), State.NOT_TESTED),
        (RunCutOff(PASSED.run_id, FIRST, PASSED, 2), State.STOPPED),
    ],
)
def test_what_comes_of_a_unit_is_a_state_of_its_own_beside_its_serial_number(event, state):
    found = shown(OPEN, UnitScanned(getattr(event, "serial", FIRST)), event)
    assert (found.state, found.serial) == (state, event.serial)
    assert found.act or found.says


def test_a_marginal_unit_passes_and_says_so_and_fails_where_strict():
    marginal = run_of(verdict=Verdict.MARGINAL, released=True)
    assert shown(known(marginal)).state is State.PASS
    assert shown(known(marginal)).says.startswith("Marginal")
    assert shown(known(marginal), strict=True).state is State.FAIL


def test_a_fail_says_the_cause_and_one_act():
    run = with_causes(FAILED)
    state = shown(UnitScanned(FIRST), known(run), NextAct(run.run_id, FIRST, made_causes().first.act))
    assert state.says == made_causes().sentence
    assert state.act == "Switch the de-emphasis off and test it again."


@pytest.mark.parametrize(
    "run",
    [
        run_of(verdict=Verdict.MARGINAL, released=True),
        replace(PASSED, released=False, problems=(NOT_YET,)),
        run_of(aborted=True, missing=("quiet",)),
    ],
)
def test_a_cause_orders_nothing_of_a_unit_that_passes_or_of_a_run_that_was_stopped(run):
    state = shown(known(run))
    assert after(state, NextAct(run.run_id, FIRST, made_causes().first.act)) == state


def test_an_act_of_another_run_changes_nothing():
    state = shown(known(PASSED))
    assert after(state, NextAct("another", SECOND, "set it aside")) == state


def test_a_locked_station_shows_what_opens_it_by_the_scanner_and_no_command():
    state = shown(SHUT)
    assert (state.state, state.act) == (State.LOCKED, "Scan the golden unit.")
    assert "linecheck" not in state.says
    assert shown(SHUT, OPEN).state is State.READY


def test_a_unit_that_is_removed_takes_its_verdict_along_and_one_under_test_does_not():
    assert shown(known(PASSED), UnitRemoved()).state is State.READY
    assert shown(SHUT, known(PASSED), UnitRemoved()).state is State.LOCKED
    assert shown(UnitScanned(FIRST), UnitRemoved()).state is State.TESTING
    assert shown(known(PASSED), UnitRemoved(FIRST)).state is State.READY
    assert shown(known(PASSED), UnitRemoved(SECOND)).state is State.PASS


def test_a_lapsed_gate_leaves_the_verdict_that_stands_and_a_met_gate_says_what_is_missing():
    assert shown(known(PASSED), SHUT).state is State.PASS
    assert shown(SelfCheckEnded(True, "", "Next unit."), SHUT).act == "Scan the golden unit."


def test_a_unit_that_is_refused_by_a_gate_that_has_just_lapsed_says_what_meets_it():
    refused = shown(OPEN, UnitScanned(FIRST), UnitRefused(FIRST, "the golden unit is due"), SHUT)
    assert (refused.state, refused.serial, refused.act) == (State.NOT_TESTED, FIRST, "Scan the golden unit.")


def test_a_question_in_a_problem_has_no_full_stop_after_it():
    asks = Problem("device_stalled", "the device has stopped: is it switched on?")
    assert shown(known(run_of(verdict=Verdict.INVALID, problems=(asks,)))).says.endswith("switched on?")


def test_another_label_during_the_test_is_a_note_and_never_beside_the_word():
    testing = shown(UnitScanned(FIRST), Note("x", FIRST))
    testing = replace(testing, began=1.0)
    state = after(testing, ScanIgnored(SECOND, "during a test"))
    assert (state.state, state.serial) == (State.TESTING, FIRST)
    assert SECOND in state.note
    assert after(state, known(PASSED)).note == state.note


def test_nothing_that_a_scanner_sends_is_hidden_or_long_on_the_screen():
    hostile = "\x1b[2J\u202e" + "A" * 10_000
    state = shown(UnitScanned(hostile), UnitRefused(hostile, f"it is {hostile!r}"))
    assert len(state.serial) <= 64
    assert state.serial.isprintable()
    assert state.says.isprintable()
    assert len(state.says) <= 400


OF_UNITS = [
    *(UnitScanned(FIRST), UnitScanned(SECOND), UnitAdmitted(FIRST, 2, 1), UnitRefused(SECOND, "no")),
    *(known(PASSED), known(FAILED), known(run_of(SECOND)), NextAct(PASSED.run_id, FIRST, "set it aside")),
    *(
        ScanIgnored(SECOND, "during a test"),
        ScanIgnored(FIRST, "twice"),
        MeasuringEnded(PASSED.run_id, FIRST),
    ),
]
OF_THE_STATION = [
    *(
        OPEN,
        SHUT,
        Asked("Set it.", "Scan."),
        Ordered("Operator: A"),
        Note("a note"),
        StationResumed(),
        UnitRemoved(),
    ),
    *(
        StationStopped("stopped", "Scan LINE-RESUME."),
        SelfCheckEnded(True, "", ""),
        SelfCheckEnded(None, "", ""),
    ),
]
EVENTS = st.sampled_from([*OF_UNITS, *OF_THE_STATION])


@given(st.lists(EVENTS, max_size=30))
def test_no_word_of_a_verdict_stands_beside_a_serial_number_that_it_does_not_belong_to(events):
    state, owner = EMPTY, None
    for event in events:
        state = after(state, event)
        match event:
            case VerdictKnown():
                owner = event.serial
            case SelfCheckEnded():
                owner = "self-check"
            case UnitScanned() | UnitRefused() | StationStopped() | StationResumed():
                owner = None
        if state.state in VERDICTS:
            assert state.serial == owner


@given(st.lists(EVENTS, max_size=30))
def test_every_state_says_what_to_do(events):
    state = shown(OPEN)
    for event in events:
        state = after(state, event)
        assert state.act, state


def test_a_gate_that_was_not_met_is_an_engineers_and_what_he_mends_is_seen():
    from linecheck.line.cures import cures
    from linecheck.station.config.gates import GoldenConfig
    from linecheck.station.config.station import StationConfig

    config = StationConfig.model_construct(
        golden=GoldenConfig(serials=("PR3-900001",)), challenge=None, loop=None
    )
    failed = Standing((GateState("golden", Gate.NOT_MET, "no history", "", about="PR3-900001"),))
    told = cures(failed, config)
    assert [text[:17] for text in told] == ["Fetch an engineer"]
    state = replace(shown(Standby(failed, True, told)), state=State.NOT_MET, serial="PR3-900001")
    state = after(state, Standby(failed, True, told))
    assert state.act.startswith("Fetch an engineer")
    assert after(state, OPEN).state is State.READY


def test_one_act_at_a_time_and_how_many_come_after_it():
    shut = replace(SHUT, cures=("Scan LINE-CHECK.", "Scan the golden unit.", "Scan the known-bad unit."))
    assert shown(shut).act == "Scan LINE-CHECK. Then 2 more steps."


def test_a_station_that_locks_under_a_verdict_says_so_beside_it():
    state = shown(known(FAILED), SHUT)
    assert state.state is State.FAIL
    assert "no further unit is tested" in state.bands[0]


def test_what_is_written_for_engineers_is_not_shown_to_who_has_a_scanner():
    why = (
        "PR3-000001 is not retested: it has had 3 of 3 attempts (retest.most_attempts). It may be tested after "
        "repaired (--reason) or with an override (--override). Fix the command under [before]. Nothing was run."
    )
    state = shown(UnitRefused(FIRST, why))
    assert not set("[`") & set(state.says)
    assert "--" not in state.says
    assert "retest." not in state.says


def test_notes_stand_on_a_station_that_waits_and_a_result_that_was_handed_over_takes_its_warning_along():
    assert shown(OPEN, Ordered("The scanner is right."), OPEN, OPEN).note == "The scanner is right."
    failed = shown(OPEN, HandOverFailed("r", FIRST, "connection refused"), OPEN)
    assert "connection refused" in failed.note
    assert shown(OPEN, HandOverFailed("r", FIRST, "no"), HandedOver("r", FIRST, "hand", "ok", 2)).note == ""


def test_the_label_of_the_unit_under_test_is_not_told_to_be_scanned_again():
    state = shown(UnitScanned(FIRST), ScanIgnored(FIRST, "during a test"))
    assert "Not tested" not in state.note


@given(st.lists(EVENTS, max_size=30), EVENTS)
def test_the_next_scan_ends_every_verdict(events, last):
    state = after(shown(*events), UnitScanned("PR3-000003"))
    assert (state.state, state.serial, state.says, state.run_id) == (State.TESTING, "PR3-000003", "", "")


def test_a_pass_asks_for_no_unit_that_a_locked_station_would_refuse():
    passed = shown(known(PASSED))
    assert passed.act == "Passes. Next unit."
    locked = after(passed, SHUT)
    assert (locked.state, locked.act) == (State.PASS, "Passes. No further unit yet.")
    assert any("The station is locked" in text for text in locked.bands)
    assert after(locked, OPEN).act == "Passes. Next unit."


def test_a_sentence_that_is_cut_says_where_all_of_it_stands():
    says = shown(UnitRefused(FIRST, "because " * 200)).says
    assert says.endswith("… (the log has all of it)")
    assert len(says) == MAX_SENTENCE


def test_a_label_that_is_read_twice_is_said_to_count_once():
    state = after(shown(known(PASSED)), ScanIgnored(FIRST, "twice"))
    assert (state.state, state.note) == (State.PASS, f"{FIRST} was read twice: it counts once.")
