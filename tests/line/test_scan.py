"""Unit after unit: which scans are units, who is asked why, and how a session ends."""

import pytest
from small_run import LIMITS

from linecheck.errors import ExitStatus
from linecheck.line.events import ScanIgnored, UnitRefused, UnitScanned, VerdictKnown
from linecheck.line.scan import DOUBLE_SCAN_SECONDS, Scan, _session_status, scan_units
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import LogReader

FIRST, SECOND = "PR3-000001", "PR3-000002"
FACTS = UnitFacts()
#: Later than any test ends, by the monotonic clock.
LATER = 1e12


def scanned(session, *scans, attended=True):
    """Return what a session ends with that is given scans (text, time)."""
    waiting = iter([Scan(text, arrived, text) for text, arrived in scans])
    return scan_units(session, FACTS, lambda: next(waiting, None), attended=attended)


def judged(heard):
    return [event.serial for event in heard if isinstance(event, VerdictKnown)]


def ignored(heard):
    return [(event.text, event.why) for event in heard if isinstance(event, ScanIgnored)]


def test_a_label_that_is_read_twice_is_one_unit(at_work):
    soon, later = LATER + 0.9 * DOUBLE_SCAN_SECONDS, LATER + 1.1 * DOUBLE_SCAN_SECONDS
    with at_work() as (session, heard):
        assert scanned(session, (FIRST, LATER), (FIRST, soon), (FIRST, later)) is ExitStatus.PASS
    assert judged(heard) == [FIRST, FIRST]
    assert ignored(heard) == [(FIRST, "twice")]


@pytest.mark.parametrize("attended", [True, False])
def test_what_is_scanned_during_a_test_is_a_mistake_of_a_person_and_waits_in_a_file(at_work, attended):
    with at_work() as (session, heard):
        scanned(session, (FIRST, 0.0), (SECOND, 0.0), attended=attended)
    assert judged(heard) == ([FIRST] if attended else [FIRST, SECOND])
    assert ignored(heard) == ([(SECOND, "during a test")] if attended else [])


def test_what_is_no_serial_number_is_said_and_counts_for_nothing(at_work):
    with at_work() as (session, heard):
        status = scanned(session, ("", LATER), ("nonsense", LATER), (FIRST, LATER))
    assert status is ExitStatus.PASS
    (refused,) = (event for event in heard if isinstance(event, UnitRefused))
    assert (refused.serial, "expected PR3- and 6 digits" in refused.why) == ("nonsense", True)
    assert [event.serial for event in heard if isinstance(event, UnitScanned)] == ["nonsense", FIRST]
    assert judged(heard) == [FIRST]


class Answering:
    """Somebody who gives the same code to every question."""

    def __init__(self, code):
        self.code = code
        self.asked = []

    def confirm(self, request):
        raise AssertionError("nothing is to be set")

    def choose(self, request, codes):
        self.asked.append((request, tuple(codes)))
        return self.code


def test_why_a_unit_is_tested_once_more_is_asked_and_a_refused_unit_lets_the_next_one_come(at_work):
    limits = LIMITS.replace("checks:\n", "retest: {reasons: [reseated, repaired]}\nchecks:\n")
    with at_work(limits=limits, people=Answering("repaired")) as (session, heard):
        assert scanned(session, (FIRST, LATER), (FIRST, 2 * LATER)) is ExitStatus.PASS
        assert session.people.asked == [
            (f"{FIRST} was tested before. Retest reason", ("reseated", "repaired"))
        ]
    with at_work(limits=limits, people=Answering(None)) as (session, heard):
        status = scanned(session, (FIRST, 3 * LATER), (SECOND, 3 * LATER))
    assert status is ExitStatus.INVALID
    assert [event.serial for event in heard if isinstance(event, UnitRefused)] == [FIRST]
    assert judged(heard) == [SECOND]
    with LogReader("results/linecheck.sqlite") as log:
        assert [record.reason for record in log.show(FIRST)] == ["repaired", None]


@pytest.mark.parametrize(
    ("statuses", "ends"),
    [
        ([], ExitStatus.INVALID),
        ([ExitStatus.PASS, ExitStatus.PASS], ExitStatus.PASS),
        ([ExitStatus.PASS, ExitStatus.INVALID], ExitStatus.INVALID),
        ([ExitStatus.INVALID, ExitStatus.FAIL, ExitStatus.PASS], ExitStatus.FAIL),
    ],
)
def test_a_session_ends_with_the_worst_of_its_units(statuses, ends):
    assert _session_status(statuses) is ends
