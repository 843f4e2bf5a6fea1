"""What the station's own state makes worthless in a run judges nothing, and says why."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_run import small_limits

from linecheck.checks.base import Problem, Reading
from linecheck.limits.verdict import JudgedMeasurement, JudgedReading, Verdict
from linecheck.results.cases import run_suite
from linecheck.results.wording import findings
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.voiding import OVERLOAD, SILENT, UNFIT, voided

NOW = datetime(2026, 11, 29, tzinfo=UTC)
VERDICTS = st.sampled_from([Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL])


def reading(metric, channel, unit, verdict=Verdict.FAIL):
    return JudgedReading(Reading(metric, channel, 1.0, unit, 0.1), verdict, -1.0, 2.0, 3.0, "max")


def check(name, readings, *problems):
    return CheckOutcome(name, name, {}, JudgedMeasurement(tuple(readings), (), problems), 0.1)


def run(*checks, problems=()):
    return Run(
        run_id="1",
        serial="PR3-000001",
        model="pellow-r3",
        limits=small_limits(),
        started=NOW,
        finished=NOW,
        duration_seconds=1.0,
        checks=checks,
        problems=problems,
    )


def verdicts(outcome, name):
    judged = outcome.check(name).judged.readings
    return {(item.reading.metric, item.reading.channel): item.verdict for item in judged}


QUIET = [
    reading("noise", "left", "µV"),
    reading("noise", "right", "µV", Verdict.PASS),
    reading("snr", "left", "dB"),
    reading("balance", None, "dB"),
]


def test_an_overload_voids_what_depends_on_the_gain_of_its_input_in_every_check():
    overload = Problem(OVERLOAD, "the capture input is overdriven", "left")
    outcome = voided(run(check("quiet", QUIET), check("tone", [], overload)))
    assert verdicts(outcome, "quiet") == {
        ("noise", "left"): Verdict.INVALID,
        ("noise", "right"): Verdict.PASS,
        ("snr", "left"): Verdict.FAIL,
        ("balance", None): Verdict.FAIL,
    }
    (why,), (of_run,) = outcome.check("quiet").judged.problems, outcome.problems
    assert (why.metrics, why.channel, why.blocks) == (("noise",), "left", False)
    assert (of_run.channel, of_run.blocks) == ("left", True)
    assert "is overdriven (tone)" in of_run.message
    assert outcome.check("quiet").judged.readings[0].reading.value == 1.0, "what was measured stays on record"


def test_a_silent_channel_voids_all_of_it_and_of_the_pair():
    silent = Problem(SILENT, "nothing came back", "right")
    outcome = voided(run(check("quiet", QUIET), check("tone", [], silent)))
    assert verdicts(outcome, "quiet") == {
        ("noise", "left"): Verdict.FAIL,
        ("noise", "right"): Verdict.INVALID,
        ("snr", "left"): Verdict.FAIL,
        ("balance", None): Verdict.INVALID,
    }
    (of_run,) = outcome.problems
    assert "nothing came back in right (tone)" in of_run.message
    (told,) = findings(outcome.checks, outcome.missing, outcome.problems)[-1:]
    assert told == f"right: {of_run.message}", "and no check says it once more"
    proven = Problem(SILENT, "nothing came back, and the path is proven", "right", blocks=False)
    unchanged = run(check("quiet", QUIET), check("tone", [], proven))
    assert voided(unchanged) == unchanged


@pytest.mark.parametrize("code", sorted(UNFIT))
def test_a_station_that_judges_no_unit_condemns_none(code):
    outcome = voided(run(check("quiet", QUIET), problems=(Problem(code, "the gate is not met"),)))
    assert outcome.verdict is Verdict.INVALID
    assert set(verdicts(outcome, "quiet").values()) == {Verdict.INVALID}
    cases = run_suite(outcome).cases
    assert {case.outcome for case in cases} == {"error"}
    assert all("the gate is not met" in case.text for case in cases)
    only_said = run(check("quiet", QUIET), problems=(Problem(code, "overdue", blocks=False),))
    assert voided(only_said) == only_said


@given(
    st.lists(VERDICTS, min_size=4, max_size=4),
    st.sampled_from([OVERLOAD, SILENT]),
    st.sampled_from(["left", "right"]),
)
def test_voiding_only_ever_makes_invalid_and_once_is_as_good_as_twice(given_verdicts, code, channel):
    readings = [
        JudgedReading(item.reading, verdict) for item, verdict in zip(QUIET, given_verdicts, strict=True)
    ]
    before = run(check("quiet", readings), check("tone", [], Problem(code, "…", channel)))
    after = voided(before)
    for old, new in zip(readings, after.check("quiet").judged.readings, strict=True):
        assert new.verdict in (old.verdict, Verdict.INVALID)
        assert new.reading == old.reading
    assert verdicts(voided(after), "quiet") == verdicts(after, "quiet")
