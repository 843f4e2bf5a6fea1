"""Units that are known: what they show of the station is in the log before it is told."""

import pytest
from small_run import STATION

from linecheck.errors import ExitStatus, UsageError
from linecheck.gates.known_units import Accepted
from linecheck.limits.verdict import Verdict
from linecheck.line.events import GateStated, VerdictKnown
from linecheck.line.known_unit import challenge_unit, judge_by_challenge, judge_by_golden, require_golden
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import LogReader

GOLDEN, BAD = "PR3-900001", "PR3-900002"
GATES = (
    STATION
    + f"""[golden]
serials = ["{GOLDEN}"]
every_hours = 8
[challenge]
every_hours = 8
[challenge.units.hum]
serial = "{BAD}"
must_fail = ["tone.hum"]
"""
)
FACTS = UnitFacts()


def statements():
    with LogReader("results/linecheck.sqlite") as log:
        return [statement.content["gate"] for statement in log.statements("gate")]


def test_what_a_golden_unit_shows_is_stated_before_it_is_told(at_work):
    seen = []

    def hear(event):
        if isinstance(event, VerdictKnown | GateStated):
            seen.append((type(event), event.serial, statements()))

    with at_work(station=GATES, listener=hear) as (session, _):
        status = judge_by_golden(session, GOLDEN, FACTS, Accepted("Ada", "the first"))
    assert status is ExitStatus.PASS
    assert seen == [(VerdictKnown, GOLDEN, []), (GateStated, GOLDEN, ["golden"])]


@pytest.mark.parametrize(("faults", "status"), [(("hum",), ExitStatus.PASS), ((), ExitStatus.FAIL)])
def test_a_bad_unit_must_be_found_out(at_work, faults, status):
    with at_work(station=GATES, faults=faults) as (session, heard):
        name = challenge_unit(session.station, BAD)
        assert judge_by_challenge(session, name, FACTS) is status
    verdict, stated = heard[-2:]
    assert verdict.verdict is (Verdict.FAIL if faults else Verdict.PASS)
    assert (stated.stated.met, stated.must_fail) == (status is ExitStatus.PASS, ("tone.hum",))
    assert not stated.standing.may_judge, "the golden unit was never tested"


def test_a_unit_that_is_not_known_judges_no_station(at_work):
    with at_work(station=GATES) as (session, heard):
        with pytest.raises(UsageError, match="is not a golden unit"):
            require_golden(session.station, BAD)
        with pytest.raises(UsageError, match="is not a challenge unit"):
            challenge_unit(session.station, GOLDEN)
    assert heard == []
