"""What control codes do at a station, between units."""

import pytest
from small_run import LIMITS, STATION

from linecheck.line.events import (
    Asked,
    Ordered,
    SelfCheckEnded,
    SelfCheckPlays,
    Standby,
    StationResumed,
    StationStopped,
    UnitRefused,
    VerdictKnown,
)
from linecheck.line.scan import Scan, scan_units
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import LogReader

FIRST, SECOND, GOLDEN = "PR3-000001", "PR3-000002", "PR3-900001"
LOOP = '[loop]\nkind = "analogue"\nevery_hours = 12\n'
KNOWN = f'[golden]\nserials = ["{GOLDEN}"]\n'
UNGATED = '[gate]\noutside = "invalid"\n'


def scanned(session, *texts):
    """Scan these, each long after the one before."""
    waiting = iter([Scan(text, 1e12 + 10.0 * at, text) for at, text in enumerate(texts)])
    return scan_units(session, UnitFacts(), lambda: next(waiting, None), attended=True)


def heard_of(heard, kind):
    return [event for event in heard if isinstance(event, kind)]


def test_a_stopped_station_tests_nothing_until_it_is_resumed(at_work):
    with at_work() as (session, heard):
        scanned(session, "LINE-STOP", FIRST, "LINE-RESUME", SECOND)
    assert [event.serial for event in heard_of(heard, VerdictKnown)] == [SECOND]
    (refused,) = heard_of(heard, UnitRefused)
    assert (refused.serial, "LINE-RESUME" in refused.why) == (FIRST, True)
    assert len(heard_of(heard, StationStopped)) == len(heard_of(heard, StationResumed)) == 1


def test_an_invalid_run_stops_a_station_that_is_to_stop_and_a_hold_does_not(at_work):
    stops = STATION + "[gate]\nstop_after_invalid = true\n"
    held = LIMITS.replace("checks:\n", "retest: {passes_after_fail: 2}\nchecks:\n")
    with at_work(limits=held.replace("min: 108}, fail: {min: 90}", "min: 200}"), station=stops) as (
        session,
        heard,
    ):
        scanned(session, FIRST)  # no unit has a SINAD of 200 dB
        assert [event.run.state for event in heard_of(heard, VerdictKnown)] == ["fail"]
    with at_work(limits=held, station=stops) as (session, heard):
        scanned(session, FIRST, SECOND)
        assert [event.run.state for event in heard_of(heard, VerdictKnown)] == ["hold", "pass"]
    with at_work(station=stops, faults=("silence",)) as (session, heard):
        scanned(session, "PR3-000003", "PR3-000004")
    assert [event.serial for event in heard_of(heard, VerdictKnown)] == ["PR3-000003"]
    assert [event.serial for event in heard_of(heard, UnitRefused)] == ["PR3-000004"]


def test_who_is_there_stands_in_the_record_and_a_new_shift_asks_for_the_badge(at_work):
    with at_work() as (session, heard):
        scanned(session, "LINE-SHIFT-late", "LINE-OPERATOR-A. Berg", FIRST, "LINE-SHIFT-night", SECOND)
        last = heard_of(heard, Standby)[-1]
    with LogReader("results/linecheck.sqlite") as log:
        (first,), (second,) = log.show(FIRST), log.show(SECOND)
    assert (first.shift, first.operator) == ("late", "A. Berg")
    assert (second.shift, second.operator) == ("night", None)
    assert (last.shift, last.operator) == ("night", "")


def test_a_reason_before_the_unit_is_that_of_the_next_unit_alone(at_work):
    limits = LIMITS.replace("checks:\n", "retest: {reasons: [reseated, repaired]}\nchecks:\n")
    with at_work(limits=limits) as (session, heard):
        scanned(session, FIRST, "LINE-REASON-REPAIRED", FIRST, "LINE-REASON-nonsense", FIRST)
    with LogReader("results/linecheck.sqlite") as log:
        assert [run.reason for run in log.show(FIRST)] == ["repaired", None]
    assert "no retest reason" in heard_of(heard, Ordered)[-1].says
    assert [event.serial for event in heard_of(heard, UnitRefused)] == [FIRST]


def test_the_golden_unit_that_was_asked_for_must_be_the_next(at_work):
    with at_work(station=STATION + KNOWN + UNGATED) as (session, heard):
        scanned(session, "LINE-GOLDEN", FIRST, FIRST)
    assert GOLDEN in heard_of(heard, Asked)[0].request
    (refused,) = heard_of(heard, UnitRefused)
    assert f"golden unit {GOLDEN} was asked for" in refused.why
    assert [event.serial for event in heard_of(heard, VerdictKnown)] == [
        FIRST
    ]  # scanned once more, it is a unit


def test_a_station_without_such_a_unit_says_so(at_work):
    with at_work() as (session, heard):
        scanned(session, "LINE-GOLDEN", "LINE-CHALLENGE", "LINE-CHECK")
    assert [event.says for event in heard_of(heard, Ordered)] == [
        "This station has no golden unit.",
        "This station has no challenge unit.",
    ]
    (ended,) = heard_of(heard, SelfCheckEnded)
    assert (ended.met, "no loop" in ended.says) == (None, True)


def test_the_self_check_is_in_the_log_when_it_is_told_and_lets_units_in(at_work):
    with at_work(station=STATION + LOOP) as (session, heard):
        scanned(session, FIRST, "LINE-CHECK", FIRST)
        assert len(heard_of(heard, SelfCheckPlays)) > 3
        (ended,) = heard_of(heard, SelfCheckEnded)
        with session.log.reading() as connection:
            from linecheck.log.statements import find_statements

            (stated,) = find_statements(connection, ("self_check",))
    assert (ended.met, stated.content["verdict"]) == (True, "met")
    first, *_ = heard_of(heard, Standby)
    assert first.cures == ("Scan LINE-CHECK: the station checks itself.",)
    assert [event.serial for event in heard_of(heard, UnitRefused)] == [FIRST]
    assert [event.serial for event in heard_of(heard, VerdictKnown)] == [FIRST]


@pytest.mark.parametrize("typed", ["PR3ß000001", "pr3-000001", "LINEßSTOP"])
def test_a_scanner_of_another_country_is_named_and_its_scan_is_no_unit(at_work, typed):
    with at_work() as (session, heard):
        scanned(session, typed)
    (refused,) = heard_of(heard, UnitRefused)
    assert "keyboard" in refused.why
    assert heard_of(heard, VerdictKnown) == []


@pytest.mark.parametrize("text", ["LINE-NOTHING", "LINE-OPERATOR-", "LINE-STOP-x", "LINE-OPERATOR-\x1b[2J"])
def test_a_code_that_is_none_is_refused_and_does_nothing(at_work, text):
    with at_work() as (session, heard):
        scanned(session, text, FIRST)
    assert [event.serial for event in heard_of(heard, UnitRefused)] == [text]
    assert [event.serial for event in heard_of(heard, VerdictKnown)] == [FIRST]
