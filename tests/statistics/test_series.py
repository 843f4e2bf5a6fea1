"""The values of a metric in order of time, from one log and from several."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from charted_runs import charted

from linecheck.errors import UsageError
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, RunFilter, store
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.series import COLUMNS, MetricName, metric_named, series_of

START = datetime(2026, 11, 20, 8, 0, tzinfo=UTC)
SINAD = MetricName("tone", "sinad", "left")


@pytest.fixture
def recorded(tmp_path, monkeypatch):
    """Record runs in logs: each is the log's name, minutes after the start, and the run."""

    def record(*runs):
        for name, minutes, run in runs:
            moment = START + timedelta(minutes=minutes)
            monkeypatch.setattr(
                store, "datetime", type("Clock", (datetime,), {"now": lambda zone, at=moment: at})
            )
            with Log(tmp_path / name) as log:
                log.append(run)
        return Place(tuple(str(tmp_path / name) for name in dict.fromkeys(name for name, _, _ in runs)))

    return record


def series(place, wanted=RunFilter(purpose="unit"), name=SINAD):  # noqa: B008 - frozen
    with open_columns(place, wanted, columns=COLUMNS) as columns:
        return series_of(columns, name)


def test_runs_of_several_logs_stand_in_the_order_of_time(recorded):
    place = recorded(
        ("a", 0, charted(115.0, "PR3-000001")),
        ("a", 2, charted(117.0, "PR3-000003")),
        ("b", 1, charted(116.0, "PR3-000002")),
        ("b", 3, charted(118.0, "PR3-000004")),
    )
    found = series(place)
    assert found.value.tolist() == [115.0, 116.0, 117.0, 118.0]
    assert (found.unit, found.backdated) == ("dB", 0)


def test_a_clock_that_was_set_back_changes_no_order(recorded):
    place = recorded(
        ("a", 10, charted(115.0, "PR3-000001")),
        ("a", 5, charted(116.0, "PR3-000002")),
        ("a", 11, charted(117.0, "PR3-000003")),
        ("b", 7, charted(118.0, "PR3-000004")),
    )
    found = series(place)
    assert found.value.tolist() == [118.0, 115.0, 116.0, 117.0]
    assert found.backdated == 1


def test_a_unit_counts_by_its_first_judging_run_wherever_that_is(recorded):
    place = recorded(
        ("a", 0, charted(None, "PR3-000001", aborted=True)),
        ("a", 1, charted(104.0, "PR3-000001")),
        ("b", 2, charted(116.0, "PR3-000001")),
        ("b", 3, charted(117.0, "PR3-000002", lot="L-1")),
        ("b", 4, charted(118.0, "PR3-000001", lot="L-1")),
    )
    assert series(place).value.tolist() == [104.0, 117.0]
    assert series(place, RunFilter(purpose="unit", facts={"lot": "L-1"})).value.tolist() == [117.0]


def test_golden_units_count_by_each_run(recorded):
    place = recorded(*(("a", at, charted(114.0 + at, "PR3-900001", purpose="golden")) for at in range(3)))
    assert series(place, RunFilter(purpose="golden")).value.tolist() == [114.0, 115.0, 116.0]


def test_bounds_and_what_was_not_measured_are_there_and_not_measured(recorded):
    place = recorded(
        ("a", 0, charted(130.0, "PR3-000001", verdict=Verdict.PASS, is_bound=True)),
        ("a", 1, charted(115.0, "PR3-000002", check="other")),
        ("a", 2, charted(115.0, "PR3-000003")),
    )
    found = series(place)
    assert found.measured.tolist() == [False, False, True]
    assert (found.bounds, found.missing) == (1, 1)
    assert np.isnan(found.value[1])


def test_what_is_named_wrongly_is_said(recorded):
    place = recorded(("a", 0, charted(115.0, "PR3-000001")))
    with pytest.raises(UsageError, match=r"no picked run has tone\.sinat; the newest have tone\.sinad"):
        series(place, name=MetricName("tone", "sinat"))
    with pytest.raises(UsageError, match="no channel lef; did you mean left"):
        series(place, name=MetricName("tone", "sinad", "lef"))
    with pytest.raises(UsageError, match=r"expected CHECK\.METRIC"):
        metric_named("sinad", None)
