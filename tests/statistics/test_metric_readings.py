"""What units read, held against what was written into a log."""

import numpy as np
import pytest
from exported_units import exported
from measured_units import LIMITS, X, log_of, read, spectrum, unit

from linecheck.errors import UsageError
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.log import RunFilter
from linecheck.statistics import readings
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.readings import COLUMNS, MOVING_RANGE, count_units, read_metrics


def taken(place, picked=None, *, limits=LIMITS, columns=(*COLUMNS, "lot"), every_run=False, **options):
    with open_columns(place, picked or RunFilter(purpose="unit"), columns=columns) as opened:
        counted = count_units(opened, limits, every_run=every_run)
        found = read_metrics(opened, limits, counted.units, **options)
    return counted, {(item.metric, item.channel): item for item in found}


def values_of(item):
    return np.repeat(item.sample.values, item.sample.counts.astype(int)).tolist()


def test_a_unit_counts_once_with_the_first_run_that_judged_it(tmp_path):
    runs = [
        unit("A", read("sinad", 113.0)),
        unit("A", read("sinad", 114.0)),
        unit("B", read("sinad", 100.0)),
        unit("B", read("sinad", 115.0)),
        unit("C", read("sinad", None)),
        unit("C", read("sinad", 116.0)),
        unit("D", read("sinad", 101.0), aborted=True),
        unit("E", read("sinad", 117.0), aborted=True),
        unit("G", read("sinad", 118.0), purpose="golden"),
        unit("H", read("sinad", 119.0), model="pellow-d1"),
    ]
    place = Place(logs=(log_of(tmp_path / "log.sqlite", runs),))
    counted, found = taken(place)
    # Failed units, also one that was aborted after its fail, are units like others.
    assert values_of(found["sinad", "left"]) == [100.0, 101.0, 113.0, 116.0]
    assert (counted.units, counted.unjudged, counted.again, counted.others) == (4, 2, 2, 1)
    assert values_of(taken(place, every_run=True)[1]["sinad", "left"]) == [
        100.0,
        101.0,
        113.0,
        114.0,
        115.0,
        116.0,
    ]
    assert values_of(taken(place, RunFilter(purpose="golden"))[1]["sinad", "left"]) == [118.0]


def test_what_is_missing_void_or_a_bound_is_told(tmp_path):
    void = JudgedReading(read("thd", -120.0).reading, Verdict.INVALID)
    items = [
        [read("thd", -116.0)],
        [read("thd", -118.0, is_bound=True)],
        [read("thd", -118.0, is_bound=True)],
        # A fail beside it: the run judges its unit.
        [read("thd", None), read("sinad", 90.0)],
        [void, read("sinad", 91.0)],
        [read("sinad", 92.0)],
    ]
    place = Place(
        logs=(log_of(tmp_path / "log.sqlite", [unit(f"U{at}", *row) for at, row in enumerate(items)]),)
    )
    counted, found = taken(place)
    thd = found["thd", "left"]
    assert counted.units == 6
    assert values_of(thd) == [-116.0]
    assert (thd.sample.bounds.tolist(), thd.sample.bound_counts.tolist(), thd.sample.side) == (
        [-118.0],
        [2.0],
        -1,
    )
    assert (thd.missing, thd.void) == (2, 1)
    assert thd.uncertainty == pytest.approx(0.05)
    assert found["sinad", "left"].missing == 3


def test_a_curve_counts_by_how_far_it_stays_within_its_mask(tmp_path):
    curves = [spectrum(np.where(np.arange(len(X)) == 7, high, -140.0)) for high in (-125.0, -112.0, -100.0)]
    runs = [unit(f"U{at}", curve) for at, curve in enumerate(curves)]
    found = taken(Place(logs=(log_of(tmp_path / "log.sqlite", runs),)))[1]["spectrum", "left"]
    assert found.is_curve
    assert values_of(found) == pytest.approx([-10.0, 2.0, 15.0])
    assert found.tolerance().limits == (0.0, None)


def test_masks_fail_units_or_pass_them(tmp_path):
    place = Place(logs=(log_of(tmp_path / "log.sqlite", [unit("A", read("sinad", 113.0))]),))
    item = taken(place)[1]["sinad", "left"]
    assert item.tolerance().limits == (108.0, None)
    assert item.tolerance(of_pass=True).limits == (112.0, None)


def test_the_spread_within_is_by_moving_ranges_or_subgroups(tmp_path):
    values = [113.0, 113.4, 113.1, 115.0, 115.2, 115.1]
    runs = [unit(f"U{at}", read("sinad", value), lot=f"L{at // 3}") for at, value in enumerate(values)]
    place = Place(logs=(log_of(tmp_path / "log.sqlite", runs),))
    moving = taken(place)[1]["sinad", "left"].within
    assert moving.by == "moving range"
    assert moving.spread == pytest.approx(np.mean(np.abs(np.diff(values))) / 1.128379, rel=1e-6)
    lots = taken(place, within="lot")[1]["sinad", "left"].within
    assert (lots.by, lots.dof) == ("lot", 4.0)
    assert lots.spread == pytest.approx(
        np.sqrt(np.mean([np.var(values[:3], ddof=1), np.var(values[3:], ddof=1)]))
    )


def test_many_units_are_counted_in_bins(tmp_path, monkeypatch):
    random = np.random.default_rng(3)
    sinad = 113.0 + 0.4 * random.standard_normal(3000)
    sinad[17] = 60.0
    failed = {("tone", "sinad", "left"): sinad < 108.0}
    place = exported(tmp_path / "export", {("tone", "sinad", "left"): sinad}, failed)
    exact = taken(place, within="day")[1]["sinad", "left"]
    monkeypatch.setattr(readings, "FEW", 100)
    counted, found = taken(place, columns=COLUMNS)
    item = found["sinad", "left"]
    assert counted.units == 3000
    assert len(item.sample.values) < 900
    assert item.sample.units == 3000
    assert item.sample.beyond(108.0, None) == 1
    assert item.sample.mean == pytest.approx(float(np.mean(sinad)), abs=1e-9)
    assert item.sample.spread == pytest.approx(float(np.std(sinad, ddof=1)), rel=1e-4)
    assert (item.within.by, item.within.dof) == ("day", exact.within.dof)
    assert item.within.spread == pytest.approx(exact.within.spread, rel=1e-9)
    with pytest.raises(UsageError, match="up to 100 units, and there are 3000"):
        taken(place, within=MOVING_RANGE)


def test_bins_are_as_narrow_wherever_the_readings_of_a_metric_stand(tmp_path, monkeypatch):
    random = np.random.default_rng(3)
    values = {
        ("tone", "sinad", "left"): 113.0,
        ("tone", "sinad", "right"): 113.5,
        ("tone", "thd", "left"): -116.0,
    }
    values = {key: middle + 0.4 * random.standard_normal(3000) for key, middle in values.items()}
    # Metric by metric, as no log would write it: the first rows are all of one channel of one metric.
    place = exported(tmp_path / "export", values)
    monkeypatch.setattr(readings, "FEW", 100)
    monkeypatch.setattr(readings, "_LOOKED_AT", 2000)
    found = taken(place, columns=COLUMNS)[1]
    assert set(found) == {key[1:] for key in values}
    for key, own in values.items():
        sample = found[key[1:]].sample
        assert len(sample.values) < 900
        assert sample.spread == pytest.approx(float(np.std(own, ddof=1)), rel=1e-4)


def test_only_what_is_wanted_is_read_also_without_a_mask(tmp_path):
    runs = [unit("A", read("sinad", 113.0), JudgedReading(read("thd", -116.0).reading))]
    place = Place(logs=(log_of(tmp_path / "log.sqlite", runs),))
    assert set(taken(place, wanted=("tone.sinad",))[1]) == {("sinad", "left")}
    assert set(taken(place, wanted=("tone.thd",))[1]) == {("thd", "left")}
    with pytest.raises(UsageError, match=r"--metric tone\.noise: no unit has such a reading"):
        taken(place, wanted=("tone.noise",))


def test_two_logs_are_one_population(tmp_path):
    first = log_of(
        tmp_path / "one.sqlite", [unit("A", read("sinad", 113.0)), unit("B", read("sinad", 114.0))]
    )
    other = log_of(tmp_path / "two.sqlite", [unit("C", read("sinad", 115.0)), unit("A", read("sinad", 90.0))])
    counted, found = taken(Place(logs=(first, other)))
    assert values_of(found["sinad", "left"]) == [113.0, 114.0, 115.0]
    assert counted.again == 1
