import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from junitparser import Error, Failure, JUnitXml
from made_causes import hostile_fact, made_causes, unknown_causes, unreadable_facts, with_causes
from made_runs import made_check, made_curve, made_reading, made_run, runs_of_every_verdict

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.results.formats.junit import MAX_MESSAGE, JunitFiles, junit_bytes

pytestmark = pytest.mark.every_python

BAD = {Verdict.INVALID, Verdict.ABORTED}
# Unicode as it comes: controls, lone surrogates, what XML refuses, what means something in XML.
ODD = st.text(
    st.characters() | st.sampled_from("\x00\x1d\x85\r\n\t<>&\"'\ud800\ufffe\uffff\u202e]"), max_size=20
)


def suites(*runs, strict=False):
    """Return the suites as an independent reader sees them."""
    return [suite for run in runs for suite in JUnitXml.fromstring(junit_bytes(run, strict))]


def cases(*runs, strict=False):
    """Return, by class and name, what each case came to: a type, or None for passed."""
    found = [case for suite in suites(*runs, strict=strict) for case in suite]
    assert len({(case.classname, case.name) for case in found}) == len(found)
    return {(case.classname, case.name): case.result[0] if case.result else None for case in found}


@pytest.mark.parametrize("strict", [False, True])
def test_a_run_of_every_verdict_is_valid_against_both_schemas(schemas, strict):
    runs = runs_of_every_verdict()
    for run in runs.values():
        schemas.hold(junit_bytes(run, strict))


@given(st.lists(ODD, min_size=8, max_size=8), st.sampled_from(list(Verdict)))
@settings(max_examples=25)
def test_no_text_makes_a_file_that_is_not_valid(schemas, texts, verdict):
    serial, model, firmware, operator, station, check, code, message = texts
    run = runs_of_every_verdict()[verdict]
    named = tuple(replace(item, check=check) for item in run.checks)
    odd = replace(
        run,
        serial=serial,
        model=model,
        firmware=firmware,
        operator=operator,
        station=station,
        missing=(check,),
        checks=named,
        problems=(Problem(code, message), Problem(code, message, blocks=False)),
    )
    content = junit_bytes(odd)
    schemas.hold(content)
    suite = next(iter(JUnitXml.fromstring(content)))
    assert suite.tests == len(list(suite))
    assert suite.errors >= 1


@pytest.mark.parametrize("strict", [False, True])
@pytest.mark.parametrize("verdict", list(Verdict))
def test_what_another_reader_counts_agrees_with_the_runs_verdict(verdict, strict):
    (suite,) = suites(runs_of_every_verdict()[verdict], strict=strict)
    results = [case.result for case in suite]
    failures = sum(isinstance(result[0], Failure) for result in results if result)
    errors = sum(isinstance(result[0], Error) for result in results if result)
    assert (suite.tests, suite.failures, suite.errors) == (len(results), failures, errors)
    assert suite.skipped == 0
    assert (failures > 0) == (verdict is Verdict.FAIL or (strict and verdict is Verdict.MARGINAL))
    assert (errors > 0) == (verdict in BAD)


def test_there_is_one_case_per_judged_reading_and_judged_curve():
    unjudged = made_reading(None, 997.0, metric="frequency", unit="Hz")
    pair = made_reading(metric="balance", channel=None)
    run = made_run(made_check(made_reading(), made_reading(channel="right"), pair, unjudged, made_curve()))
    assert list(cases(run)) == [
        ("pellow-r3.tone", "sinad.left"),
        ("pellow-r3.tone", "sinad.right"),
        ("pellow-r3.tone", "balance"),
        ("pellow-r3.tone", "spectrum.curve.left"),
    ]


def test_a_metric_and_a_curve_of_one_name_are_two_cases():
    curve = made_curve()
    curve = replace(curve, curve=replace(curve.curve, metric="crosstalk"))
    run = made_run(made_check(made_reading(metric="crosstalk"), curve))
    assert len(cases(run)) == 2


def test_readings_of_one_name_are_numbered():
    run = made_run(made_check(made_reading(), made_reading(Verdict.FAIL, 100.0), made_reading()))
    assert [name for _, name in cases(run)] == ["sinad.left", "sinad.left#2", "sinad.left#3"]


def test_names_do_not_depend_on_what_was_measured():
    names = [
        set(cases(made_run(made_check(made_reading(verdict, value)))))
        for verdict, value in ((Verdict.PASS, 113.0), (Verdict.FAIL, 90.0), (Verdict.INVALID, None))
    ]
    assert names[0] == names[1] == names[2]


def test_a_failure_gives_value_unit_limit_and_margin_in_message_and_body():
    failure = cases(runs_of_every_verdict()[Verdict.FAIL])["pellow-r3.tone", "sinad.left"]
    assert isinstance(failure, Failure)
    expected = (
        "tone.sinad.left: fail: 105.3 dB, below the pass limit of 112 dB (margin -6.7 dB; below 108 dB fails)"
    )
    assert failure.message == expected
    assert failure.text == expected
    assert failure.type == "fail"


def test_a_curves_failure_names_its_worst_point():
    failure = cases(runs_of_every_verdict()[Verdict.FAIL])["pellow-r3.tone", "spectrum.curve.left"]
    assert "at 20000 Hz" in failure.message
    assert "margin -3 dB" in failure.message


def test_what_is_invalid_is_an_error_that_says_why():
    error = cases(runs_of_every_verdict()[Verdict.INVALID])["pellow-r3.tone", "sinad.left"]
    assert isinstance(error, Error)
    assert "the sound broke off at 0.31 s" in error.message
    assert error.text == error.message


def test_marginal_passes_with_its_sentence_in_the_suites_output():
    run = runs_of_every_verdict()[Verdict.MARGINAL]
    assert set(cases(run).values()) == {None}
    output = ET.fromstring(junit_bytes(run)).findtext("testsuite/system-out")
    assert "tone.sinad.left: marginal: 110 dB, below the pass limit of 112 dB (margin -2 dB" in output


def test_marginal_is_a_failure_where_strict():
    failure = cases(runs_of_every_verdict()[Verdict.MARGINAL], strict=True)["pellow-r3.tone", "sinad.left"]
    assert isinstance(failure, Failure)
    assert failure.type == "marginal"


def test_a_check_that_was_not_run_is_an_error():
    found = cases(made_run(made_check(made_reading()), missing=("quiet",)))
    assert isinstance(found["pellow-r3.quiet", "not_run"], Error)


def test_an_aborted_run_is_an_error_even_where_all_that_was_measured_passes():
    found = cases(made_run(aborted=True))
    assert "the run was aborted" in found["pellow-r3", "run"].message


def test_a_station_that_failed_is_an_error_with_its_message():
    problem = Problem("station_failed", "the interface was unplugged")
    found = cases(made_run(station_failed=True, problems=(problem,)))
    assert found["pellow-r3", "run"].message == "the interface was unplugged"
    assert isinstance(cases(made_run(station_failed=True))["pellow-r3", "run"], Error)


def test_a_problem_that_does_not_block_is_only_mentioned():
    overdue = Problem("calibration_overdue", "the calibration was due on 2026-11-01", blocks=False)
    run = made_run(problems=(overdue,))
    assert set(cases(run).values()) == {None}
    assert b"the calibration was due on 2026-11-01" in junit_bytes(run)


@pytest.mark.parametrize(
    "run",
    [
        made_run(made_check(made_reading(None, 113.0))),
        made_run(made_check()),
        made_run(checks=(), missing=()),
    ],
)
def test_nothing_judged_is_an_error(run):
    assert run.verdict is Verdict.INVALID
    assert "nothing was judged" in cases(run)["pellow-r3", "run"].message


def test_the_suite_says_what_the_run_is_traced_by():
    (suite,) = suites(made_run(firmware=None))
    properties = {item.name: item.value for item in suite.properties()}
    assert properties["serial"] == "PR3-004711"
    assert properties["model"] == "pellow-r3"
    assert properties["station"] == "line-2-nest-a"
    assert properties["operator"] == "A. Operator"
    assert properties["limit_file_sha256"] == "ab" * 32
    assert properties["limit_revision"] == "1"
    assert properties["software"] == "linecheck 0.1.0"
    assert properties["verdict"] == "pass"
    assert properties["run"]
    assert properties["firmware"] == ""


def test_times_are_in_seconds_and_utc():
    (suite,) = suites(made_run())
    assert suite.timestamp == "2026-11-20T08:15:00"
    assert suite.time == 12.346
    assert sum(case.time for case in suite) == pytest.approx(1.25, abs=0.002)
    (suite,) = suites(made_run(duration_seconds=0.0))
    assert b'time="0.000"' in junit_bytes(made_run(duration_seconds=0.0))


def test_control_characters_are_shown_as_escapes():
    (suite,) = suites(made_run(serial="PR3\x1d004711\x00"))
    assert {item.name: item.value for item in suite.properties()}["serial"] == r"PR3\x1d004711\x00"
    assert suite.name == r"pellow-r3 PR3\x1d004711\x00"


def test_a_verdict_on_nothing_measured_is_refused():
    with pytest.raises(RecordError, match="nothing was measured"):
        junit_bytes(made_run(made_check(made_reading(Verdict.PASS, float("nan")))))


@pytest.mark.parametrize("strict", [False, True])
def test_a_cause_begins_each_message_of_what_does_not_pass_and_no_text(schemas, strict):
    for verdict, run in runs_of_every_verdict().items():
        if verdict is Verdict.PASS:
            continue
        content = junit_bytes(with_causes(run), strict)
        schemas.hold(content)
        (suite,) = JUnitXml.fromstring(content)
        properties = {entry.name: entry.value for entry in suite.properties()}
        assert properties["cause"] == "deemphasis_on"
        assert properties["cause_probability"] == "0.74"
        assert b"Next: switch the de-emphasis off" in content
        wrong = [case.result[0] for case in suite if case.result]
        assert wrong or (verdict is Verdict.MARGINAL and not strict)
        for result in wrong:
            assert result.message == f"{made_causes().sentence} {result.text}"


def test_where_no_cause_fits_a_message_is_the_cases_own():
    run = with_causes(runs_of_every_verdict()[Verdict.FAIL], unknown_causes())
    (suite,) = suites(run)
    assert all(case.result[0].message == case.result[0].text for case in suite if case.result)
    assert "none_of_these" in [entry.value for entry in suite.properties()]


def test_a_cause_of_a_tampered_log_makes_no_file_that_is_not_valid(schemas):
    for fact in (hostile_fact(), *unreadable_facts()):
        content = junit_bytes(replace(runs_of_every_verdict()[Verdict.FAIL], causes=fact))
        schemas.hold(content)
        assert len(content) < 20_000


def test_a_long_cause_leaves_room_for_the_case_where_many_sets_share_a_file(tmp_path):
    run = replace(runs_of_every_verdict()[Verdict.FAIL], causes=hostile_fact())
    files = JunitFiles(tmp_path / "r.xml")
    files.add(JudgedSet("sets/1", run))
    files.finish()
    (suite,) = JUnitXml.fromstring((tmp_path / "r.xml").read_bytes())
    for message in (case.result[0].message for case in suite if case.result):
        assert len(message) <= MAX_MESSAGE
        assert ": fail: " in message
