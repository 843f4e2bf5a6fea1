"""Curves are rounded before they are judged: by no more than half a step, and no claim gets stronger."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from linecheck.checks.base import Curve
from linecheck.measure.rounding import rounded

LEVELS = st.floats(-300.0, 300.0)
SPREADS = st.one_of(st.just(0.0), st.floats(1e-12, 1e3))


def curve(x, y, uncertainty=None, unit="dB", x_unit="Hz"):
    return Curve("spectrum", "left", np.array(x), x_unit, np.array(y), unit, 5.0, uncertainty)


@given(st.lists(st.tuples(LEVELS, SPREADS), min_size=1, max_size=30))
def test_no_point_moves_by_more_than_half_a_step_and_no_uncertainty_gets_smaller(points):
    y, spread = (np.array(column) for column in zip(*points, strict=True))
    found = rounded(curve(np.arange(1.0, len(y) + 1.0), y, spread))
    assert np.all(np.abs(found.y - y) <= 0.0005 * (1.0 + 1e-9))
    assert np.all(found.uncertainty >= spread * (1.0 - 1e-12))
    assert np.all(found.uncertainty <= spread * 1.0101)


@given(st.lists(st.tuples(LEVELS, SPREADS), min_size=1, max_size=30))
def test_what_is_rounded_stays_as_it_is(points):
    y, spread = (np.array(column) for column in zip(*points, strict=True))
    once = rounded(curve(np.arange(1.0, len(y) + 1.0), y, spread))
    twice = rounded(once)
    assert twice.y.tobytes() == once.y.tobytes()
    assert twice.uncertainty.tobytes() == once.uncertainty.tobytes()


def test_numbers_are_the_decimals_that_people_read():
    found = rounded(curve([20.004, 19_953.2623], [-112.49140298, -0.0001], np.array([0.88749989, 0.0])))
    assert found.x.tolist() == [20.0, 19_953.26]
    assert found.y.tolist() == [-112.491, 0.0]
    assert not np.signbit(found.y[1])
    assert found.uncertainty.tolist() == [0.888, 0.0]


def test_an_axis_whose_points_would_meet_stays_as_it_is():
    close = [1000.0, 1000.001, 1000.002]
    assert rounded(curve(close, [0.0, 1.0, 2.0])).x.tolist() == close


def test_a_pure_number_keeps_138_db_below_its_greatest():
    impulse = np.random.default_rng(1).normal(0.0, 1.0, 1000)
    found = rounded(curve(np.arange(1000.0), impulse, unit="", x_unit="ms"))
    assert np.max(np.abs(found.y - impulse)) <= np.max(np.abs(impulse)) * 2.0**-23
    assert rounded(curve([1.0], [0.0], unit="")).y.tolist() == [0.0]
