"""What a scan may never do: pass a unit by a reason, a keyboard or a nest that nobody has seen to be wrong."""

import pytest
from line.conftest import ONE_CHECK
from small_run import LIMITS, STATION

from linecheck.errors import ExitStatus
from linecheck.limits.verdict import Verdict
from linecheck.line.codes import KEYS, Code, Order
from linecheck.line.events import (
    Note,
    Ordered,
    Reminders,
    ScanIgnored,
    StationStopped,
    UnitAdmitted,
    UnitRefused,
    VerdictKnown,
)
from linecheck.line.scan import REASON_SECONDS, Scan, scan_units
from linecheck.line.states import NestState, State, after
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import LogReader

FIRST, SECOND = "PR3-000001", "PR3-000002"
RIGHT_KEYS = Code(Order.KEYS, KEYS).text
RETEST = "retest: {passes_after_fail: 2, reasons: [reseated, repaired], fresh_start: [repaired]}\nchecks:\n"
WITH_REASONS = ONE_CHECK.replace("checks:\n", RETEST)


def scanned(session, *scans, every=3.0, **options):
    """Scan these one after the other, ``every`` so many seconds; each a text, or (text, seconds after the first)."""
    timed = [scan if isinstance(scan, tuple) else (scan, every * at) for at, scan in enumerate(scans)]
    waiting = iter([Scan(text, 1e12 + at, text) for text, at in timed])
    return scan_units(session, UnitFacts(), lambda: next(waiting, None), **{"attended": True, **options})


def heard_of(heard, kind):
    return [event for event in heard if isinstance(event, kind)]


def judged(heard):
    return [event.serial for event in heard_of(heard, VerdictKnown)]


def refused(heard):
    return [(event.serial, event.why) for event in heard_of(heard, UnitRefused)]


def states_of(heard):
    """Return every state that is shown, in order."""
    state, found = NestState("a"), []
    for event in heard:
        state = after(state, event)
        found.append(state)
    return found


def waits(state):
    return any("repaired" in text for text in state.bands)


class Silent:
    """Somebody who answers no question."""

    def confirm(self, request):
        raise AssertionError(request)

    def choose(self, request, codes):
        self.asked = tuple(codes)


def test_a_reason_that_waits_is_seen_and_named_beside_the_verdict_that_it_makes(at_work):
    with at_work(limits=WITH_REASONS) as (session, heard):
        scanned(session, FIRST, "LINE-REASON-repaired", FIRST)
    (at,) = (at for at, event in enumerate(heard) if isinstance(event, Reminders) and event.texts)
    states = states_of(heard)
    assert waits(states[at])
    assert not waits(states[-1])
    passed = [state for state in states if state.state is State.PASS]
    testing = [state for state in states if state.state is State.TESTING and state.total]
    assert passed[-1].about == "attempt 2, retest reason: repaired"
    assert testing[-1].about == "attempt 2, retest reason: repaired"


@pytest.mark.parametrize("code", ["LINE-OPERATOR-M. Sand", "LINE-SHIFT-late"])
def test_a_reason_is_of_no_use_to_the_next_operator_and_says_so(at_work, code):
    with at_work(limits=WITH_REASONS) as (session, heard):
        scanned(session, FIRST, "LINE-REASON-repaired", code, FIRST)
    assert judged(heard) == [FIRST]
    assert "say why it is tested again" in refused(heard)[-1][1]
    assert "repaired counts no longer" in heard_of(heard, Ordered)[-1].says


def test_a_reason_is_forgotten_after_a_while(at_work):
    with at_work(limits=WITH_REASONS) as (session, heard):
        scanned(session, FIRST, ("LINE-REASON-repaired", 5.0), (FIRST, 5.0 + REASON_SECONDS + 1.0), SECOND)
    assert judged(heard) == [FIRST, SECOND]
    assert heard_of(heard, UnitAdmitted)[-1].reason is None


def test_a_wrong_label_leaves_the_reason_and_a_unit_never_tested_takes_it_aloud(at_work):
    with at_work(limits=WITH_REASONS) as (session, heard):
        scanned(session, "LINE-REASON-repaired", "4006381333931", FIRST)
    assert judged(heard) == [FIRST]
    with LogReader("results/linecheck.sqlite") as log:
        assert [run.reason for run in log.show(FIRST)] == [None]
    last = states_of(heard)[-1]
    assert (last.state, "repaired is not used" in last.note) == (State.PASS, True)


LOOSE = ONE_CHECK.replace("PR3-[0-9]{6}", "[A-Z0-9]{3}-?[0-9]{4,6}")


@pytest.mark.parametrize("found", ["LINE/KEZS/AYZQWM/0123456789", "LINE-KEYS-AYZQWM-0123456789", "LINE/STOP"])
def test_a_keyboard_that_was_found_wrong_reads_no_unit_until_its_keys_are_right(at_work, found):
    with at_work(limits=LOOSE) as (session, heard):
        scanned(session, found, "PZY00001", RIGHT_KEYS, "PYZ00001")
    assert judged(heard) == ["PYZ00001"]
    assert [serial for serial, _ in refused(heard)] == [found, "PZY00001"]
    assert all("keyboard" in why for _, why in refused(heard))
    assert all("LINE-KEYS" in event.act for event in heard_of(heard, UnitRefused))


def test_caps_lock_shows_itself_and_keeps_no_label_out(at_work):
    with at_work() as (session, heard):
        scanned(session, "pr3-000001", FIRST)
    assert judged(heard) == [FIRST]


#: A switch that says what stands in a file; ``sh`` gives its exit status.
SWITCH = STATION + "[screen.unit_present]\ncommand = \"sh -c 'exit $(cat switch)'\"\n"


@pytest.fixture
def switch(tmp_path):
    return tmp_path / "switch"


def test_an_empty_nest_is_not_tested(at_work, switch):
    switch.write_text("1")
    with at_work(station=SWITCH) as (session, heard):
        assert scanned(session, FIRST) is ExitStatus.INVALID
        switch.write_text("0")
        scanned(session, SECOND)
    assert judged(heard) == [SECOND]
    ((serial, why),) = refused(heard)
    assert (serial, "the nest is empty" in why) == (FIRST, True)
    assert "Put the unit into the nest" in heard_of(heard, UnitRefused)[0].act


@pytest.mark.parametrize("says", ["2", "127", "no number"])
def test_a_switch_that_does_not_answer_is_no_unit_that_is_there(at_work, switch, says):
    switch.write_text(says)
    with at_work(station=SWITCH) as (session, heard):
        scanned(session, FIRST)
    assert judged(heard) == []
    (event,) = heard_of(heard, UnitRefused)
    assert "does not answer" in event.why
    assert "engineer" in event.act


@pytest.mark.parametrize(("says", "why"), [("1", "removed during the test"), ("2", "does not answer")])
def test_a_unit_that_does_not_stay_in_the_nest_has_no_verdict(at_work, switch, says, why):
    switch.write_text("0")
    heard = []

    def listener(event):
        heard.append(event)
        if isinstance(event, UnitAdmitted):
            switch.write_text(says)

    with at_work(station=SWITCH, listener=listener) as (session, _):
        scanned(session, FIRST)
    (event,) = heard_of(heard, VerdictKnown)
    assert event.run.verdict is Verdict.INVALID
    assert any(why in problem.message for problem in event.run.problems)
    assert states_of(heard)[-1].state is State.TEST_AGAIN


NAMED = STATION + '[screen]\noperators = ["A. Berg"]\nshifts = ["late"]\n'


def test_a_station_that_names_its_operators_tests_nothing_before_it_knows_who_is_there(at_work):
    with at_work(station=NAMED) as (session, heard):
        scanned(
            session,
            FIRST,
            "LINE-SHIFT-late",
            FIRST,
            "LINE-OPERATOR-NOBODY",
            FIRST,
            "LINE-OPERATOR-A. Berg",
            FIRST,
        )
    assert judged(heard) == [FIRST]
    assert [event.act for event in heard_of(heard, UnitRefused)] == [
        "Scan the code of your shift. Then scan the label again.",
        "Scan your badge. Then scan the label again.",
        "Scan your badge. Then scan the label again.",
    ]
    assert any("NOBODY is no operator" in event.says for event in heard_of(heard, Ordered))
    assert states_of(heard[:2])[-1].act == "Scan the code of your shift."  # where nothing was scanned yet
    with LogReader("results/linecheck.sqlite") as log:
        assert [(run.operator, run.shift) for run in log.runs()] == [("A. Berg", "late")]


def test_a_question_that_another_label_ends_is_told_beside_that_unit(at_work):
    with at_work(limits=WITH_REASONS, people=Silent()) as (session, heard):
        scanned(session, FIRST, FIRST, SECOND)
    assert judged(heard) == [FIRST, SECOND]
    last = states_of(heard)[-1]
    assert last.note == f"Not tested: {FIRST}, no retest reason was scanned. Scan it again."


def test_nobody_is_asked_for_a_reason_of_a_unit_that_no_reason_lets_in(at_work):
    limits = ONE_CHECK.replace("checks:\n", "retest: {most_attempts: 1, reasons: [reseated]}\nchecks:\n")
    people = Silent()
    with at_work(limits=limits, people=people) as (session, heard):
        scanned(session, FIRST, FIRST)
    assert not hasattr(people, "asked")
    (event,) = heard_of(heard, UnitRefused)
    assert event.act == "Set it aside: it has no attempt left."
    limits = ONE_CHECK.replace("checks:\n", RETEST.replace("{", "{most_attempts: 1, "))
    with at_work(limits=limits, people=people) as (session, heard):
        scanned(session, SECOND, SECOND)
    assert people.asked == ("repaired",)


def test_a_hold_that_has_no_attempt_left_is_not_sent_to_another_test(at_work):
    held = LIMITS.replace("checks:\n", "retest: {passes_after_fail: 2, most_attempts: 2}\nchecks:\n")
    with at_work(limits=held.replace("min: 108}, fail: {min: 90}", "min: 200}")) as (session, heard):
        scanned(session, FIRST)  # no unit has a SINAD of 200 dB
    with at_work(limits=held) as (session, heard):
        scanned(session, FIRST)
    last = states_of(heard)[-1]
    assert (last.state, last.act) == (State.HOLD, "Set it aside: it has no attempt left.")


def test_an_invalid_run_that_stops_the_station_says_at_once_what_comes_first(at_work):
    stops = STATION + "[gate]\nstop_after_invalid = true\n"
    with at_work(station=stops, faults=("silence",)) as (session, heard):
        scanned(session, FIRST)
    last = states_of(heard)[-1]
    assert (last.state, last.serial) == (State.TEST_AGAIN, FIRST)
    assert "LINE-RESUME" in last.act


def test_the_code_to_stop_counts_whenever_it_is_scanned(at_work):
    with at_work() as (session, heard):
        waiting = iter(
            [Scan(FIRST, 0.0, FIRST), Scan("LINE-STOP", 0.0, "LINE-STOP"), Scan(SECOND, 1e12, SECOND)]
        )
        scan_units(session, UnitFacts(), lambda: next(waiting, None), attended=True)
    assert judged(heard) == [FIRST]
    assert len(heard_of(heard, StationStopped)) == 1
    assert [serial for serial, _ in refused(heard)] == [SECOND]


def test_a_label_that_was_just_asked_for_counts_though_it_comes_soon_and_no_double_read_does(at_work):
    station = STATION + '[golden]\nserials = ["PR3-900001"]\n[gate]\noutside = "invalid"\n'
    with at_work(station=station) as (session, heard):
        scanned(session, "LINE-GOLDEN", (FIRST, 10.0), (FIRST, 10.2), (FIRST, 11.0))
    assert [(event.text, event.why) for event in heard_of(heard, ScanIgnored)] == [(FIRST, "twice")]
    assert judged(heard) == [FIRST]


def test_what_is_noted_of_a_log_that_cannot_be_read_goes_with_it(at_work, monkeypatch):
    from linecheck.errors import RecordError
    from linecheck.gates.gatekeeper import Gatekeeper
    from linecheck.line.scan import Desk

    def broken(self):
        raise RecordError("the log is locked")

    with at_work() as (session, heard):
        desk = Desk(session, UnitFacts())
        with monkeypatch.context() as patched:
            patched.setattr(Gatekeeper, "standing", broken)
            desk.stand_by()
        desk.stand_by()
    assert [event.text for event in heard_of(heard, Note)] == ["the log is locked", ""]
