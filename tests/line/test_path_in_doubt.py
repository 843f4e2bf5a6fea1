"""A fail that the station's own path could have made as well: it counts once the path has been checked after it."""

import pytest
from small_run import LIMITS, STATION, call

from linecheck.gates.statements import SELF_CHECK
from linecheck.limits.verdict import Verdict
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import Log
from linecheck.run.voiding import IN_DOUBT

SERIAL = "PR3-000001"
FACTS = UnitFacts()
DATABASE = "results/linecheck.sqlite"
LOOP = STATION + '[loop]\nkind = "analogue"\n'


def checked(verdict="met", **facts):
    """State a self-check of the station."""
    with Log(DATABASE) as log:
        log.state(SELF_CHECK, "bench", {"verdict": verdict, "steps": [], **facts})


@pytest.fixture
def tested(at_work):
    """Return a function that tests a unit with faults and returns its run."""

    def test(*faults, serial=SERIAL, station=LOOP, limits=LIMITS):
        with at_work(limits=limits, station=station, faults=faults) as (session, _):
            return session.test(serial, FACTS).run

    return test


def doubts(run):
    return [problem.message for problem in run.problems if problem.code == IN_DOUBT]


#: Checks whose fails the path could have made.
OF_THE_PATH = LIMITS.split("  quiet:")[0] + (
    "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    masks:\n      level: {pass: {min: 3.5, max: 4.5}}\n"
    "  wiring:\n    kind: wiring\n    stimulus: {seconds: 0.25}\n    masks:\n      order: {pass: {min: 1}}\n"
)


def test_exchanged_channels_are_the_unit_s_once_a_check_after_it_was_met(tested):
    checked()
    assert tested("swapped_channels", limits=OF_THE_PATH).verdict is Verdict.INVALID
    checked()
    assert tested("swapped_channels", limits=OF_THE_PATH).verdict is Verdict.FAIL


def test_it_is_the_unit_s_once_a_check_after_it_was_met(tested):
    def run(serial=SERIAL):
        return tested("missing_leg", serial=serial, limits=OF_THE_PATH)

    checked()
    first = run()
    assert first.verdict is Verdict.INVALID
    (message,) = doubts(first)
    assert message.startswith("the unit or the path? ")
    assert "in record 1). Run `linecheck station check`" in message
    assert {item.verdict for check in first.checks for item in check.judged.readings} <= {
        None,
        Verdict.INVALID,
    }
    assert run().verdict is Verdict.INVALID, "testing again settles nothing"
    checked()
    assert run().verdict is Verdict.FAIL
    assert run().verdict is Verdict.FAIL
    assert run("PR3-000002").verdict is Verdict.INVALID, "another unit, another doubt"
    checked()
    assert run().verdict is Verdict.INVALID, "a later check says nothing of what was changed in between"


def test_a_check_that_was_not_met_settles_nothing(tested):
    checked()
    tested("missing_leg")
    for verdict in ("not met", "met"):
        checked(verdict)
    assert tested("missing_leg").verdict is Verdict.INVALID


def test_a_check_made_on_another_interface_settles_nothing(tested):
    checked()
    tested("missing_leg")
    checked(interface={"capture": "another"})
    run = tested("missing_leg")
    assert run.verdict is Verdict.INVALID
    (message,) = doubts(run)
    assert "its capture is now " in message
    assert "and was another at the check" in message


@pytest.mark.parametrize(
    ("faults", "station", "is_checked"),
    [
        (["noisy"], LOOP, True),
        (["missing_leg"], LOOP, False),
        (["missing_leg"], STATION, True),
        (["missing_leg"], f"{LOOP}recheck_fails = false\n", True),
        (["dead_channel"], LOOP, True),
    ],
    ids=["not of the path", "never checked", "no loop", "as configured", "silent, and the path is proven"],
)
def test_what_fails_at_once(tested, faults, station, is_checked):
    if is_checked:
        checked()
    run = tested(*faults, station=station)
    assert (run.verdict, doubts(run)) == (Verdict.FAIL, [])


def test_a_unit_that_passes_is_in_no_doubt(tested):
    checked()
    run = tested()
    assert (run.verdict, doubts(run)) == (Verdict.PASS, [])


def test_judged_again_it_is_no_more_the_unit_s_than_it_was(tested, monkeypatch, capsys):
    checked()
    tested("missing_leg")
    found = call(monkeypatch, capsys, "log", "rejudge", "--log", DATABASE, "--limits", "limits.yaml")
    assert found[0] == 0, found
    assert "0 runs of 1 would change" in found[1]
