import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.checks.base import Curve, Reading
from linecheck.limits.bulk import LEVELS, UNJUDGED, FlatMasks, GridMask, judge_readings, level_of
from linecheck.limits.decision import judge_curve, judge_reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict, worst

# Few values, so that they often lie on a limit, also on a guarded one.
VALUES = st.one_of(st.integers(-6, 6).map(lambda n: n / 2.0), st.floats(-1e300, 1e300))
LIMITS = st.one_of(st.none(), st.integers(-6, 6).map(lambda n: n / 2.0), st.sampled_from([np.inf, -np.inf]))
BOUNDS = st.builds(Bounds, LIMITS, LIMITS)
MASKS = st.one_of(st.none(), st.builds(Mask, BOUNDS, st.one_of(st.none(), BOUNDS)))
WAYS = st.sampled_from(["more", "less", "nominal"])
DECISIONS = st.sampled_from(["simple", "guarded"])
ODD = st.sampled_from([None, np.nan, np.inf, -np.inf])
UNCERTAINTIES = st.one_of(ODD, st.integers(-1, 4).map(lambda n: n / 4.0), st.just(1e308))
READINGS = st.tuples(MASKS, WAYS, st.one_of(ODD, VALUES), UNCERTAINTIES, st.booleans())


def as_floats(values):
    return np.array([np.nan if value is None else value for value in values], dtype=float)


@pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning", "ignore:invalid:RuntimeWarning")
@given(st.lists(READINGS, min_size=1, max_size=20), DECISIONS)
def test_readings_in_bulk_are_judged_as_each_alone(readings, decision):
    masks = FlatMasks.of((mask, way) for mask, way, *_ in readings)
    values, uncertainties, bounds = (list(column) for column in list(zip(*readings, strict=True))[2:])
    level = judge_readings(
        masks,
        np.arange(len(readings)),
        as_floats(values),
        as_floats(uncertainties),
        np.array(bounds),
        decision,
    )
    for at, (mask, way, value, uncertainty, is_bound) in enumerate(readings):
        alone = judge_reading(
            mask, Reading("sinad", "left", value, "dB", uncertainty, is_bound), decision, way
        )
        assert level[at] == level_of(alone.verdict)


def test_a_mask_judges_the_readings_that_name_it():
    masks = FlatMasks.of([(Mask(Bounds(1.0)), "more"), (None, "more"), (Mask(Bounds(None, 1.0)), "less")])
    level = judge_readings(
        masks,
        np.array([2, 0, 1, 0]),
        np.array([2.0, 2.0, 2.0, 0.0]),
        np.zeros(4),
        np.zeros(4, bool),
        "simple",
    )
    assert level.tolist() == [3, 0, UNJUDGED, 3]


def test_no_masks_and_no_readings_are_judged_as_nothing():
    nothing = np.empty(0)
    level = judge_readings(FlatMasks.of([]), np.empty(0, int), nothing, nothing, np.empty(0, bool), "guarded")
    assert len(level) == 0


def test_levels_rank_as_verdicts_do():
    for one in Verdict:
        for other in Verdict:
            assert LEVELS[max(level_of(one), level_of(other))] is worst((one, other))


CORNERS = st.lists(
    st.tuples(st.sampled_from([10.0, 20.0, 100.0, 1000.0, 20000.0]), st.integers(-3, 3).map(float)),
    min_size=2,
    max_size=4,
    unique_by=lambda corner: corner[0],
).map(lambda corners: tuple(sorted(corners)))
CURVE_LIMITS = st.one_of(LIMITS, CORNERS)
CURVE_BOUNDS = st.builds(Bounds, CURVE_LIMITS, CURVE_LIMITS)
CURVE_MASKS = st.builds(Mask, CURVE_BOUNDS, st.one_of(st.none(), CURVE_BOUNDS))
AXES = st.lists(
    st.sampled_from([-1.0, 0.0, 10.0, 15.0, 20.0, 100.0, 500.0, 1000.0, 19800.0, 20000.0, np.inf]),
    max_size=6,
    unique=True,
).map(sorted)


@pytest.mark.filterwarnings("ignore:overflow:RuntimeWarning", "ignore:invalid:RuntimeWarning")
@given(st.data(), CURVE_MASKS, AXES, DECISIONS, st.booleans(), st.sampled_from([None, 5.0]))
def test_curves_in_bulk_are_judged_as_each_alone(data, mask, axis, decision, log_x, resolution):
    x = np.array(axis)
    points = st.one_of(st.integers(-3, 3).map(float), st.sampled_from([np.nan, np.inf, 1e300]))
    several = st.lists(st.lists(points, min_size=len(x), max_size=len(x)), min_size=1, max_size=4)
    drawn = data.draw(several)
    y = np.array(drawn).reshape(len(drawn), len(x))
    spread = st.sampled_from([0.0, 0.5, 1.0, -1.0, np.nan, 1e308])
    uncertainty = np.array(
        data.draw(
            st.lists(st.lists(spread, min_size=len(x), max_size=len(x)), min_size=len(y), max_size=len(y))
        )
    ).reshape(y.shape)
    known = None if data.draw(st.booleans()) else uncertainty
    levels = GridMask.of(mask, x, log_x, resolution).judge(y, known, decision)
    for at in range(len(y)):
        curve = Curve("s", None, x, "Hz", y[at], "dB", resolution, None if known is None else known[at])
        assert levels[at] == level_of(judge_curve(mask, curve, log_x, decision).verdict)
