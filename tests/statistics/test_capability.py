"""Capability of processes whose truth is known."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from linecheck.statistics.capability import Tolerance, Within, capability_of, chosen
from linecheck.statistics.fits import Parameters, Sample, normal_fit, skewed_fit
from linecheck.statistics.tolerances import moving_range_spread, percentile_ranks, pooled_spread

#: Few repeats always, and as many as coverage to a percent takes where long searches are asked for.
REPEATS = [pytest.param(16, id="few"), pytest.param(1500, id="many", marks=pytest.mark.soak)]


def covered(repeats, made, truths):
    """Assert that intervals hold the truth in 93 to 97 % of repeats (of few: that they are not far off)."""
    random = np.random.default_rng(20260101)
    held = dict.fromkeys(truths, 0)
    for _ in range(repeats):
        found = made(random)
        for name, truth in truths.items():
            interval = getattr(found, name)
            held[name] += interval.low <= truth <= interval.high
    shares = {name: count / repeats for name, count in held.items()}
    least, most = (0.93, 0.97) if repeats >= 1000 else (0.7, 1.0)
    assert all(least <= share <= most for share in shares.values()), shares


def plain(random, units, tolerance, within=False):
    values = random.standard_normal(units)
    ranges = moving_range_spread(float(np.mean(np.abs(np.diff(values)))), units)
    # The distribution is known here; what choosing it does is told below.
    return fitted(
        normal_fit(Sample.of(values)), tolerance, Within(*ranges, "moving range") if within else None
    )


def fitted(fit, tolerance, within=None):
    """Return the capability by a given fit."""
    from linecheck.statistics import capability

    pp, ppk, beyond = capability._of_fit(fit, tolerance)
    mean, spread = capability._moments(fit.sample, fit)
    cp, cpk = (None, None) if within is None else capability._of_within(fit.sample, tolerance, within)
    return capability.Capability(
        fit.sample.units,
        fit.sample.bounded,
        "normal",
        "",
        "cannot be told",
        mean,
        spread,
        pp,
        ppk,
        cp,
        cpk,
        beyond,
    )


@pytest.mark.parametrize("repeats", REPEATS)
@pytest.mark.parametrize(("units", "lower", "upper"), [(15, None, 4.0), (30, -4.0, 4.0), (100, -3.0, 4.5)])
def test_intervals_of_a_normal_process_hold_the_truth(repeats, units, lower, upper):
    sides = [-lower / 3.0] if lower is not None else []
    beyond = (stats.norm.cdf(lower) if lower is not None else 0.0) + stats.norm.sf(upper)
    truths = {"mean": 0.0, "spread": 1.0, "ppk": min([*sides, upper / 3.0]), "beyond": beyond}
    truths |= {"cpk": truths["ppk"]}
    if lower is not None:
        truths |= {"pp": (upper - lower) / 6.0, "cp": (upper - lower) / 6.0}
    covered(repeats, lambda random: plain(random, units, Tolerance(lower, upper), within=True), truths)


@pytest.mark.parametrize("repeats", REPEATS)
@pytest.mark.parametrize(("units", "most"), [(30, 1.0), (30, 0.3), (100, 0.0)])
def test_bounds_are_neither_left_out_nor_values(repeats, units, most):
    """Better values than the station can tell are bounds: 16, 38 and 50 % of them here."""

    def made(random):
        values = random.standard_normal(units)
        told = values < most
        sample = Sample.of(values[told], np.full(int(np.sum(~told)), most), 1)
        return fitted(normal_fit(sample), Tolerance(-4.0, None))

    covered(repeats, made, {"mean": 0.0, "spread": 1.0, "ppk": 4.0 / 3.0, "beyond": stats.norm.cdf(-4.0)})


@pytest.mark.parametrize("repeats", REPEATS)
@pytest.mark.parametrize(("units", "skew"), [(100, 0.4), (300, 0.7), (300, -0.4)])
def test_intervals_of_a_skewed_process_hold_the_truth(repeats, units, skew):
    truth = Parameters(np.zeros(1), np.ones(1), np.array([skew]))
    upper = float(truth.percentile(4.0)[0])
    ppk = upper / float(truth.percentile(3.0)[0])
    mean, spread = (
        np.expm1(0.5 * skew**2) / skew,
        math.exp(0.5 * skew**2) * math.sqrt(math.expm1(skew**2)) / abs(skew),
    )

    def made(random):
        values = np.expm1(skew * random.standard_normal(units)) / skew
        fit = skewed_fit(Sample.of(values))
        return fitted(fit, Tolerance(None, upper))

    truths = {"mean": mean, "spread": spread, "ppk": ppk, "beyond": float(truth.above(upper)[0])}
    covered(min(repeats, 1000), made, truths)


@pytest.mark.parametrize("repeats", REPEATS)
def test_the_whole_way_with_its_test_of_normality_holds_the_truth(repeats):
    truths = {"mean": 5.0, "spread": 2.0, "ppk": 4.0 / 3.0, "beyond": 2.0 * stats.norm.sf(4.0)}

    def made(random):
        found = capability_of(Sample.of(5.0 + 2.0 * random.standard_normal(60)), Tolerance(-3.0, 13.0))
        # One in a hundred normal samples is refuted, by the level of the test; few of these have no skewed fit.
        return found if found.mean is not None else made(random)

    covered(repeats, made, truths)


def test_percentiles_of_the_readings_where_nothing_fits():
    random = np.random.default_rng(4)
    values = np.concatenate([random.normal(-3.0, 0.3, 3000), random.normal(3.0, 0.3, 3000)])
    found = capability_of(Sample.of(values), Tolerance(None, 8.0))
    assert (found.method, found.verdict) == ("percentiles", "capable")
    # The outer percentile is that of the upper half's 99.73 %, the middle lies between the halves.
    far = 3.0 + 0.3 * stats.norm.ppf(0.9973)
    assert found.ppk.low <= 8.0 / far <= found.ppk.high or found.ppk.value == pytest.approx(
        8.0 / far, rel=0.6
    )
    few = capability_of(Sample.of(values[::30]), Tolerance(None, 8.0))
    assert (few.method, few.verdict) == ("none", "cannot be told")
    assert "200 units are too few for percentiles" in few.why
    assert few.beyond.low == 0.0


@pytest.mark.parametrize("repeats", REPEATS)
def test_ranks_of_a_percentile_hold_it(repeats):
    random = np.random.default_rng(9)
    low, high = percentile_ranks(4000, 0.00135)
    truth = stats.norm.ppf(0.00135)
    held = sum(
        values[low - 1] <= truth <= values[high - 1]
        for values in (np.sort(random.standard_normal(4000)) for _ in range(repeats))
    )
    assert held / repeats >= (0.935 if repeats > 1000 else 0.7)
    assert percentile_ranks(100, 0.00135)[0] is None


def test_the_verdict_comes_from_the_interval():
    z = stats.norm.ppf((np.arange(50) + 0.5) / 50)
    verdicts = [capability_of(Sample.of(z), Tolerance(None, upper)).verdict for upper in (2.5, 4.0, 6.5)]
    assert verdicts == ["not capable", "cannot be told", "capable"]
    assert capability_of(Sample.of(z), Tolerance(None, 4.0), required=0.8).verdict == "capable"


@pytest.mark.parametrize(
    ("sample", "why"),
    [
        (Sample.of(np.arange(5.0)), "5 units are too few"),
        (Sample.of(np.full(50, 1.0)), "the values do not spread"),
        (Sample.of(np.empty(0), np.full(50, 1.0)), "all readings are bounds"),
        (Sample.of(np.array([1.0, 2.0]), np.full(50, 0.0), -1), "50 of 52 readings are bounds"),
        (Sample.of(np.arange(30.0), np.full(2, 9.0), 0), "nobody says on which side"),
    ],
)
def test_what_so_many_units_do_not_tell_is_said(sample, why):
    found = capability_of(sample, Tolerance(None, 100.0))
    assert (found.method, found.verdict, found.ppk) == ("none", "cannot be told", None)
    assert why in found.why


def test_a_failed_unit_stays():
    values = np.append(np.random.default_rng(1).standard_normal(200), 9.0)
    found = capability_of(Sample.of(values), Tolerance(None, 5.0))
    assert found.found_beyond == 1
    assert found.verdict != "capable"


def test_a_limit_that_nothing_is_beyond_has_an_upper_bound_all_the_same():
    found = capability_of(Sample.of(np.full(300, 1.0)), Tolerance(1.0, None))
    # Clopper and Pearson: 1 - 0.025^(1/300).
    assert found.beyond.high == pytest.approx(1.0 - 0.025 ** (1 / 300))


def test_bins_tell_what_values_tell():
    values = np.expm1(0.4 * np.random.default_rng(2).standard_normal(4000)) / 0.4
    width = (np.quantile(values, 0.75) - np.quantile(values, 0.25)) / 100.0
    bins = np.floor(values / width)
    kept = np.unique(bins)
    means = np.array([np.mean(values[bins == at]) for at in kept])
    counts = np.array([float(np.sum(bins == at)) for at in kept])
    whole = capability_of(Sample.of(values), Tolerance(None, 8.0))
    binned = capability_of(Sample(means, counts), Tolerance(None, 8.0))
    assert binned.method == whole.method == "skewed"
    for name in ("mean", "spread", "ppk"):
        one, other = getattr(whole, name), getattr(binned, name)
        assert (other.value, other.low, other.high) == pytest.approx((one.value, one.low, one.high), rel=1e-3)


def test_spread_within_leaves_drift_out():
    random = np.random.default_rng(6)
    lots = np.repeat(np.arange(20), 25)
    values = 0.5 * random.standard_normal(500) + 2.0 * random.standard_normal(20)[lots]
    groups = [values[lots == lot] for lot in range(20)]
    spread, dof = pooled_spread(np.array([np.var(one, ddof=1) for one in groups]), np.array([25.0] * 20))
    assert dof == 480.0
    assert spread == pytest.approx(0.5, rel=0.1)
    found = capability_of(Sample.of(values), Tolerance(-9.0, 9.0), within=Within(spread, dof, "lot"))
    assert found.cpk is None or found.cpk.value > 2.0 * found.ppk.value
    alone, none = pooled_spread(np.array([0.0, 0.0]), np.array([1.0, 1.0]))
    assert math.isnan(alone)
    assert none == 0.0


numbers = st.floats(-50.0, 50.0, allow_nan=False)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), numbers, st.floats(0.1, 20.0))
def test_shifting_and_scaling_change_no_index(seed, shift, scale):
    values = np.random.default_rng(seed).standard_normal(25)
    one = capability_of(Sample.of(values), Tolerance(-3.0, 4.0))
    other = capability_of(
        Sample.of(shift + scale * values), Tolerance(shift - 3.0 * scale, shift + 4.0 * scale)
    )
    assert one.method == other.method
    if one.ppk is not None:
        assert (other.ppk.value, other.ppk.low, other.ppk.high) == pytest.approx(
            (one.ppk.value, one.ppk.low, one.ppk.high), rel=1e-5, abs=1e-7
        )


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1.0, 5.0), st.floats(0.0, 2.0))
def test_a_wider_mask_is_never_worse(seed, upper, more):
    sample = Sample.of(np.random.default_rng(seed).standard_normal(40))
    tight, wide = (capability_of(sample, Tolerance(-4.0, limit)) for limit in (upper, upper + more))
    order = ("not capable", "cannot be told", "capable")
    assert order.index(wide.verdict) >= order.index(tight.verdict)
    if tight.ppk is not None:
        assert wide.ppk.value >= tight.ppk.value
        assert wide.beyond.high <= tight.beyond.high


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-0.7, 0.7))
def test_a_mirrored_process_is_as_capable(seed, skew):
    z = np.random.default_rng(seed).standard_normal(120)
    values = np.expm1(skew * z) / skew if abs(skew) > 0.01 else z
    one = capability_of(Sample.of(values), Tolerance(None, 6.0))
    other = capability_of(Sample.of(-values), Tolerance(-6.0, None))
    assert one.method == other.method
    if one.ppk is not None:
        assert other.ppk.value == pytest.approx(one.ppk.value, rel=1e-4)


def test_a_fit_is_chosen_by_the_readings():
    z = stats.norm.ppf((np.arange(400) + 0.5) / 400)
    assert chosen(Sample.of(z)).method == "normal"
    assert chosen(Sample.of(np.exp(0.5 * z))).method == "skewed"
    assert chosen(Sample.of(np.sign(z) * np.abs(z) ** 3)).method == "none"


@pytest.mark.parametrize(
    "repeats", [pytest.param(100, id="few"), pytest.param(2000, id="many", marks=pytest.mark.soak)]
)
@pytest.mark.parametrize("same", [True, False])
def test_bounds_do_not_refute_a_normal_process_and_a_wrong_one_is_refuted(repeats, same):
    """A third of the readings, all at one bound or each at its own, are no reason to take values as not normal."""
    random = np.random.default_rng(12)

    def refuted(values, bound):
        told = values < bound
        return chosen(Sample.of(values[told], bound[~told], 1)).method != "normal"

    def bounds():
        return np.full(60, 0.4) if same else 0.4 + 0.2 * random.standard_normal(60)

    wrongly = np.mean([refuted(random.standard_normal(60), bounds()) for _ in range(repeats)])
    assert wrongly <= 0.02 + 2.0 * math.sqrt(0.02 / repeats)
    humps = [
        refuted(np.repeat([-2.0, 2.0], 30) + 0.2 * random.standard_normal(60), bounds() + 3.0)
        for _ in range(20)
    ]
    assert np.mean(humps) > 0.9
