"""What stands out among units: hidden problems are found, and nothing is found where there is none."""

import numpy as np
import pytest
from exported_units import exported
from scipy.stats import fisher_exact

from linecheck.log import RunFilter
from linecheck.statistics.columns import open_columns
from linecheck.statistics.standouts import FALSE_ALARM, apart_from_others, standouts_of, worse_than_rest
from linecheck.statistics.words import standout_text

SINAD = ("tone", "sinad", "left")
THD = ("tone", "thd", "left")


def found_in(place):
    with open_columns(place, RunFilter(purpose="unit")) as columns:
        return standouts_of(columns)


def test_as_scipy_has_it():
    """Source: Fisher's exact test, as scipy.stats.fisher_exact computes it from a table."""
    for table in ((3, 10, 5, 90), (0, 8, 2, 30), (8, 8, 0, 20)):
        failed, units, rest_failed, rest = table
        counts = [[failed, units - failed], [rest_failed, rest - rest_failed]]
        expected = fisher_exact(counts, alternative="greater").pvalue
        assert worse_than_rest(*table) == pytest.approx(expected)


def test_a_lot_and_a_nest_in_which_something_is_wrong_are_found_and_come_in_order_of_cost(tmp_path):
    rng = np.random.default_rng(1)
    units = 3000
    lot, nest = np.arange(units) // 150, rng.integers(0, 3, units)
    sinad = rng.normal(113.0, 0.5, units) - 0.5 * (nest == 2)
    thd = rng.normal(-110.0, 1.0, units)
    thd[lot == 7] += 4.0
    failed = (thd > -106.5) | (rng.random(units) < 0.01)
    place = exported(
        tmp_path, {SINAD: sinad, THD: thd}, {THD: failed},
        lot=[f"L{at}" for at in lot], nest=[f"nest-{at}" for at in nest],
    )  # fmt: skip
    found = found_in(place)
    assert [(each.parted_by, each.group) for each in found] == [("lot", "L7"), ("nest", "line-1/nest-2")]
    assert found[0].excess == pytest.approx(np.sum(failed & (lot == 7)), abs=5)
    assert found[0].apart[0].metric == "thd"
    assert found[1].excess == 0.0
    assert found[1].apart[0].difference == pytest.approx(-0.5, abs=0.06)
    assert standout_text(found[1]).startswith("nest line-1/nest-2: tone sinad left is 0.")
    assert "lower than elsewhere (" in standout_text(found[1])


def test_lots_that_are_never_quite_alike_are_not_told_apart(tmp_path):
    """Means of lots that scatter as they always do are no finding, one far outside that scatter is."""
    rng = np.random.default_rng(2)
    lots, size = 30, 100
    centres = rng.normal(0.0, 0.7, lots)
    lot = np.repeat(np.arange(lots), size)
    values = 113.0 + rng.normal(0.0, 0.5, lots * size) + centres[lot]
    place = exported(tmp_path / "usual", {SINAD: values}, lot=[f"L{at}" for at in lot])
    assert found_in(place) == ()
    values[lot == 11] += 6.0
    place = exported(tmp_path / "apart", {SINAD: values}, lot=[f"L{at}" for at in lot])
    assert [each.group for each in found_in(place)] == ["L11"]


@pytest.mark.parametrize("lines", [200, pytest.param(2000, marks=pytest.mark.soak)])
def test_nothing_stands_out_more_often_than_is_said(lines):
    """Over lines without anything the matter: the chance of a false alarm is what the constant says, at most."""
    rng = np.random.default_rng(lines)
    groups, units, metrics = 8, 60, 10
    counts = np.full(groups, units)
    alarms = 0
    for _ in range(lines):
        values = rng.normal(size=(metrics, groups, units))
        chances = [
            apart_from_others(counts, each.mean(axis=1), each.var(axis=1, ddof=1))[2] for each in values
        ]
        alarms += bool(np.min(chances) <= FALSE_ALARM / (metrics * groups))
    # Binomial: of so many lines no more than this in 1 of 1000 tests, were it just what it may be.
    assert alarms <= FALSE_ALARM * lines + 3.1 * np.sqrt(FALSE_ALARM * lines)


def test_a_metric_that_is_the_same_for_all_units_tells_nothing():
    _, sigmas, chances = apart_from_others(np.array([10, 10]), np.array([1.0, 1.0]), np.array([0.0, 0.0]))
    assert sigmas.tolist() == [0.0, 0.0]
    assert chances.tolist() == [1.0, 1.0]
