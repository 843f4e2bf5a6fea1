"""The pipe of a station: which scans are units, and which came while one was on its way to its test."""

import json
import multiprocessing
import time

import pytest

from linecheck.line.events import SelfCheckEnded, UnitScanned
from linecheck.line.process import _Link, _Screen

FIRST, SECOND = "PR3-000001", "PR3-000002"


@pytest.fixture
def station():
    """A link that nobody waits at, its screen, and what gives it scans and takes what it says."""
    ours, theirs = multiprocessing.Pipe()
    link = _Link(theirs)
    link._interrupt = lambda: None  # it would end this program's main thread, which here is the test
    link.screen = _Screen(link, "bench", strict=False)

    def give(text):
        ours.send_bytes(json.dumps({"scan": text, "number": 1, "given": time.monotonic()}).encode())
        said = []
        while not said or "took" not in said[-1]:
            assert ours.poll(30.0)
            said.append(json.loads(ours.recv_bytes()))
        return said[:-1]

    yield link, give
    ours.close()
    assert link._scans.get(timeout=5.0) is None  # the link has heard that the pipe is broken
    theirs.close()


def test_a_second_label_before_the_first_has_a_state_is_not_the_next_unit(station):
    link, give = station
    assert give(FIRST) == []
    assert link._scans.get(timeout=5.0).text == FIRST  # on its way: no state tells of it yet
    (told,) = give(SECOND)
    assert link._scans.empty()
    assert told["state"]["serial"] == SECOND
    assert told["state"]["state"] == "not tested"


def test_a_label_with_the_end_of_a_self_check_that_played_nothing_is_the_next_unit(station):
    link, give = station
    give("LINE-CHECK")
    link._scans.get(timeout=5.0)
    link.screen(SelfCheckEnded(False, "the loop could not be closed", "Check again."))
    give(SECOND)
    assert link._scans.get(timeout=5.0).text == SECOND


@pytest.mark.parametrize("code", ["LINE-OPERATOR-A. Berg", "LINE-STOP", "LINE-RESUME", "LINE-BACK"])
def test_a_label_after_a_code_that_begins_no_test_is_the_next_unit(station, code):
    link, give = station
    give(code)
    link._scans.get(timeout=5.0)  # on its way: no state tells of it yet
    assert give(SECOND) == []
    assert link._scans.get(timeout=5.0).text == SECOND


def test_a_label_with_the_verdict_is_the_next_unit(station):
    link, give = station
    give(FIRST)
    link._scans.get(timeout=5.0)
    link.screen(UnitScanned(FIRST))
    link.screen.state = link.screen.state.fresh("pass", serial=FIRST)
    give(SECOND)
    assert link._scans.get(timeout=5.0).text == SECOND
