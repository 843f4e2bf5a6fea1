"""Limits along an axis, and masks that contradict themselves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from linecheck.limits.masks import bounds_clash, extent, limit_at, mask_clash
from linecheck.limits.model import Bounds, Mask

NUMBERS = st.floats(-200, 200)
PLACES = st.floats(1.0, 1e5)
CORNERS = st.lists(PLACES, min_size=2, max_size=5, unique=True).flatmap(
    lambda x: st.tuples(*(st.tuples(st.just(place), NUMBERS) for place in sorted(x)))
)
LIMITS = NUMBERS | CORNERS


def test_straight_over_the_logarithm_of_frequency():
    # Halfway between 20 Hz and 20 kHz on a logarithmic axis is √(20 · 20000) Hz = 632.46 Hz.
    limit = ((20.0, -120.0), (20000.0, -100.0))
    x = np.array([19.999, 20.0, np.sqrt(20.0 * 20000.0), 20000.0, 20000.1])
    np.testing.assert_allclose(limit_at(limit, x, True), [np.nan, -120.0, -110.0, -100.0, np.nan])


def test_straight_over_anything_else():
    limit = ((-100.0, 3.0), (-20.0, 1.0), (0.0, 1.0))
    np.testing.assert_allclose(
        limit_at(limit, np.array([-101.0, -100.0, -60.0, -20.0, -10.0, 0.0, 0.1]), False),
        [np.nan, 3.0, 2.0, 1.0, 1.0, 1.0, np.nan],
    )


def test_a_flat_limit_holds_everywhere_and_none_nowhere():
    x = np.array([0.0, 1.0, 1e9])
    assert limit_at(-3.0, x, True).tolist() == [-3.0, -3.0, -3.0]
    assert np.all(np.isnan(limit_at(None, x, True)))


def test_a_logarithmic_axis_begins_above_zero():
    assert np.isnan(limit_at(((1.0, 0.0), (2.0, 0.0)), np.array([0.0, -1.0]), True)).all()


@given(CORNERS, st.booleans())
def test_a_corner_is_met_exactly_and_between_corners_nothing_overshoots(corners, log_x):
    places, values = zip(*corners, strict=True)
    np.testing.assert_array_equal(limit_at(corners, np.array(places), log_x), values)
    between = limit_at(corners, np.linspace(places[0], places[-1], 50), log_x)
    between = between[~np.isnan(between)]
    assert np.all(between >= min(values) - 1e-9)
    assert np.all(between <= max(values) + 1e-9)


@given(LIMITS, LIMITS, st.booleans())
def test_a_clash_is_found_wherever_there_is_one(low, high, log_x):
    """Against a dense scan, which knows nothing of corners."""
    clash = bounds_clash(Bounds(low, high), log_x)
    x = np.geomspace(1.0, 1e5, 2001)
    lower, upper = limit_at(low, x, log_x), limit_at(high, x, log_x)
    if clash is None:
        assert not np.any(lower >= upper + 1e-9)
    else:
        place, at_lower, at_upper = clash
        assert at_lower >= at_upper
        where = np.array([1.0 if place is None else place])
        assert limit_at(low, where, log_x) == at_lower
        assert limit_at(high, where, log_x) == at_upper


@given(LIMITS, LIMITS, st.sampled_from(["min", "max"]), st.booleans())
def test_a_fail_mask_that_is_too_tight_is_found_wherever_it_is(inner, fail, side, log_x):
    mask = Mask(Bounds(**{side: inner}), Bounds(**{side: fail}))
    clash = mask_clash(mask, side, log_x)
    x = np.geomspace(0.5, 2e5, 2001)
    limit, fail_limit = limit_at(inner, x, log_x), limit_at(fail, x, log_x)
    outside = (fail_limit < limit - 1e-9) if side == "max" else (fail_limit > limit + 1e-9)
    without = ~np.isnan(fail_limit) & np.isnan(limit)
    if clash is None:
        assert not np.any(outside | without)
    if np.any(outside | without):
        assert clash is not None


@given(LIMITS, st.sampled_from(["min", "max"]), st.booleans())
def test_a_fail_mask_like_the_pass_mask_is_no_clash(limit, side, log_x):
    mask = Mask(Bounds(**{side: limit}), Bounds(**{side: limit}))
    assert mask_clash(mask, side, log_x) is None
    assert mask_clash(Mask(Bounds(**{side: limit})), side, log_x) is None


@given(CORNERS, st.floats(0.1, 10))
def test_a_fail_mask_that_reaches_further_than_the_pass_mask_is_a_clash(corners, step):
    longer = (*corners, (corners[-1][0] + step, corners[-1][1] + 100.0))
    assume(longer[-1][0] > corners[-1][0])
    clash = mask_clash(Mask(Bounds(max=corners), Bounds(max=longer)), "max", True)
    assert clash is not None
    assert clash[0] == longer[-1][0]
    assert np.isnan(clash[1])


@pytest.mark.parametrize(
    ("limit", "ends"), [(3.0, (-np.inf, np.inf)), (((1.0, 0.0), (2.0, 0.0), (7.0, 1.0)), (1.0, 7.0))]
)
def test_extent(limit, ends):
    assert extent(limit) == ends
