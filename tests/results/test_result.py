import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import large_run, made_check, made_curve, made_reading, made_run, runs_of_every_verdict
from result_schema import checked_result

from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.results.result import result, to_json_bytes
from linecheck.run.facts import Asset
from linecheck.run.model import SettingStep

pytestmark = pytest.mark.every_python


def read_back(run):
    """Return a run's result by way of its bytes, held against the format."""
    return checked_result(to_json_bytes(result(run)))


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_run_of_every_verdict_follows_the_format(verdict):
    assert read_back(runs_of_every_verdict()[verdict])["verdict"] == verdict.value


def test_the_result_says_what_was_measured_and_what_it_is_traced_by():
    document = read_back(made_run())
    assert document["serial"] == "PR3-004711"
    assert document["limit_file"]["sha256"] == "ab" * 32
    assert document["started"] == "2026-11-20T08:15:00.000000Z"
    reading = document["readings"][0]
    assert (reading["check"], reading["metric"], reading["channel"]) == ("tone", "sinad", "left")
    assert (reading["value"], reading["unit"], reading["uncertainty"]) == (113.2, "dB", 0.03)
    assert reading["verdict"] == "pass"
    assert reading["margin"] == pytest.approx(1.2)
    curve = document["curves"][0]
    assert curve["worst_x"] == curve["x"][-1] == 20000.0
    assert curve["resolution_hz"] == 5.0


def test_the_result_says_what_the_unit_belongs_to():
    trace = {
        "lot": "L-12",
        "nest": "a",
        "override": {"by": "Ada", "code": "engineering"},
        "identity": {"firmware": "1.4.2"},
        "assets": (Asset("cable", "CB-0007", {"due": "2027-01-31"}),),
        "host": {"name": "station-pc"},
    }
    document = read_back(made_run(**trace))
    assert (document["lot"], document["nest"], document["shift"]) == ("L-12", "a", None)
    assert document["override"] == {"by": "Ada", "code": "engineering"}
    assert document["identity"] == {"firmware": "1.4.2"}
    assert document["assets"] == [{"role": "cable", "id": "CB-0007", "facts": {"due": "2027-01-31"}}]


def test_a_time_with_a_zone_is_written_in_utc():
    east = datetime(2026, 11, 20, 9, 15, tzinfo=timezone(timedelta(hours=1)))
    assert result(made_run(started=east))["started"] == "2026-11-20T08:15:00.000000Z"
    assert result(made_run(started=datetime(2026, 11, 20, 8, 15)))["started"] == "2026-11-20T08:15:00.000000Z"


def test_the_same_run_gives_the_same_bytes_but_for_its_id_and_its_times():
    first = made_run(run_id="a")
    later = replace(
        first, run_id="b", started=datetime.now(UTC), finished=datetime.now(UTC), duration_seconds=1.0
    )
    lines = zip(*(to_json_bytes(result(run)).splitlines() for run in (first, later)), strict=True)
    different = [line.split(b":")[0].strip() for line, other in lines if line != other]
    assert different == [b'"run"', b'"started"', b'"finished"', b'"duration_seconds"']


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), None])
def test_what_is_not_finite_becomes_null_and_invalid_with_a_reason(value):
    document = read_back(made_run(made_check(made_reading(Verdict.INVALID, value))))
    assert document["readings"][0]["value"] is None
    assert document["readings"][0]["verdict"] == "invalid"
    assert document["verdict"] == "invalid"
    assert [problem["metrics"] for problem in document["problems"]] == [["sinad"]]


@pytest.mark.parametrize("verdict", [Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL])
@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_verdict_on_nothing_measured_is_refused(verdict, value):
    with pytest.raises(RecordError, match=r"tone sinad left: the verdict is .* nothing was measured"):
        result(made_run(made_check(made_reading(verdict, value))))


def test_a_verdict_on_a_curve_with_a_hole_is_refused():
    judged = made_curve()
    holed = replace(judged, curve=replace(judged.curve, y=np.full(5, np.nan)))
    with pytest.raises(RecordError, match="tone spectrum left"):
        result(made_run(made_check(holed)))
    emptied = read_back(made_run(made_check(replace(holed, verdict=Verdict.INVALID))))["curves"][0]
    assert emptied["x"] == emptied["y"] == []
    assert emptied["verdict"] == "invalid"


def test_no_number_anywhere_may_be_not_finite():
    with pytest.raises(ValueError, match="not JSON compliant"):
        to_json_bytes({"format": 1, "value": float("nan")})


def test_a_value_that_a_problem_explains_gets_no_second_problem():
    reason = Problem(
        "volts_unknown", "the capture's full scale is not known", "left", blocks=False, metrics=("level",)
    )
    reading = made_reading(None, None, metric="level", unit="V")
    document = read_back(made_run(made_check(reading, made_reading(channel="right"), problems=(reason,))))
    assert [problem["code"] for problem in document["problems"]] == ["volts_unknown"]
    assert document["verdict"] == "pass"


def test_problems_of_the_run_and_checks_that_were_not_run_are_listed():
    station = Problem("station_failed", "the interface was unplugged")
    document = read_back(
        made_run(made_check(made_reading()), missing=("quiet", "wiring"), problems=(station,))
    )
    assert [(problem["check"], problem["code"]) for problem in document["problems"]] == [
        (None, "station_failed"),
        ("quiet", "not_run"),
        ("wiring", "not_run"),
    ]


def test_a_curve_is_rounded_and_stays_ascending():
    document = read_back(large_run())
    curve = document["curves"][0]
    assert len(curve["x"]) == 2000
    assert np.all(np.diff(curve["x"]) > 0.0)
    whole = made_curve(points=2000).curve
    assert np.allclose(curve["x"], whole.x, rtol=1e-8, atol=0.0)
    assert np.allclose(curve["y"], whole.y, rtol=1e-5, atol=0.0)


def test_six_large_curves_fit_in_300_kilobytes():
    assert len(to_json_bytes(result(large_run()))) < 300_000


@given(st.text(), st.text(min_size=1))
@settings(max_examples=25)
def test_any_text_comes_back_from_the_bytes(serial, message):
    run = made_run(serial=serial, problems=(Problem("station_failed", message),))
    document = json.loads(to_json_bytes(result(run)))
    encodable = serial.encode("utf-8", "surrogatepass").decode("utf-8", "backslashreplace")
    assert document["serial"] == serial or encodable != serial
    assert document["problems"][0]["message"]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_value_comes_back_bit_for_bit(value):
    document = read_back(made_run(made_check(made_reading(None, value))))
    assert document["readings"][0]["value"] == value


def test_a_check_under_several_setups_keeps_its_name_in_the_limit_file_and_says_its_setup():
    slow = made_check(made_reading(), name="tone@filter=slow", setup={"input": "usb", "filter": "slow"})
    sharp = made_check(made_reading(), name="tone@filter=sharp", setup={"input": "usb", "filter": "sharp"})
    step = SettingStep("filter", "slow", "command", True, 0.25, "tone@filter=slow", "filter is slow")
    document = read_back(made_run(slow, sharp, settings=(step,)))
    told = [(entry["check"], entry["setup"]["filter"]) for entry in document["readings"]]
    assert told == [("tone", "slow"), ("tone", "sharp")]
    assert [entry["check"] for entry in document["checks"]] == ["tone", "tone"]
    assert document["settings"][0]["output"] == "filter is slow"
