"""Capability of processes whose truth is known."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repeats import assert_held, repeats
from scipy import optimize, stats

from linecheck.statistics.capability import Tolerance, Within, capability_of, chosen
from linecheck.statistics.fits import Fit, Parameters, Sample, normal_fit, skewed_fit
from linecheck.statistics.tolerances import moving_range_spread, percentile_ranks, pooled_spread

#: Few repeats always, and as many as coverage to a percent takes where long searches are asked for.
REPEATS = repeats(16, 1000)


def covered(design, count, made, truths, most=0.97):
    """Assert that intervals hold the truth in 93 to 97 % of repeats."""
    random = np.random.default_rng(20260101)
    held = {name: [] for name in truths}
    for _ in range(count):
        found = made(random)
        for name, truth in truths.items():
            interval = getattr(found, name)
            held[name].append(interval.low <= truth <= interval.high)
    assert_held(design, held, most=most)


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


def within(values, lots):
    """Return the spread within, by moving ranges or by lots of so many."""
    if lots is None:
        mean_range = float(np.mean(np.abs(np.diff(values))))
        return Within(*moving_range_spread(mean_range, len(values)), "moving range", by_ranges=True)
    groups = values.reshape(-1, lots)
    return Within(*pooled_spread(np.var(groups, axis=1, ddof=1), np.full(len(groups), float(lots))), "lot")


@pytest.mark.parametrize("count", repeats(16, 2000))
@pytest.mark.parametrize(
    ("units", "lower", "upper", "lots"),
    [
        (8, -4.0, 4.0, None),
        (15, None, 4.0, None),
        (30, -4.0, 4.0, None),
        (30, -2.0, 2.0, None),
        (60, -4.0, 4.2, 5),
        (100, -3.0, 4.5, None),
    ],
)
def test_intervals_of_a_normal_process_hold_the_truth(units, lower, upper, lots, count):
    """The distribution is known here; what choosing it does is told below."""
    sides = [] if lower is None else [-lower / 3.0]
    beyond = (0.0 if lower is None else stats.norm.cdf(lower)) + stats.norm.sf(upper)
    truths = {"mean": 0.0, "spread": 1.0, "ppk": min([*sides, upper / 3.0]), "beyond": beyond}
    truths |= {"cpk": truths["ppk"]}
    if lower is not None:
        truths |= {"pp": (upper - lower) / 6.0, "cp": (upper - lower) / 6.0}

    def made(random):
        values = random.standard_normal(units)
        return fitted(normal_fit(Sample.of(values)), Tolerance(lower, upper), within(values, lots))

    by = "moving ranges" if lots is None else f"lots of {lots}"
    covered(f"{units} units, normal, {lower} to {upper} s.d., Cp by {by}", count, made, truths)


def test_with_a_natural_bound_pp_holds_its_span():
    found = capability_of(
        Sample.of(np.random.default_rng(1).standard_normal(50)), Tolerance(None, 4.0, (-5.0, math.inf))
    )
    # The same spread, and so the same interval, as of two limits there.
    both = capability_of(Sample.of(np.random.default_rng(1).standard_normal(50)), Tolerance(-5.0, 4.0))
    assert found.pp == both.pp


@pytest.mark.parametrize("off", [0.0, 0.5, 1.0, 2.0, 3.5, 6.0])
def test_a_mean_is_taken_to_be_in_the_middle_as_often_as_one_there_gives_such_an_estimate(off):
    """``off`` is the estimate's distance from the middle, in its own standard errors; the spread is known well."""
    units = 100_000
    z = stats.norm.ppf((np.arange(units) + 0.5) / units)
    fit = Fit(Sample.of(z), 0.0, 1.0, mean_units=float(units), dof=units - 1.0)
    middle = off / math.sqrt(units)
    for side in (-1.0, 1.0):
        found = fit.off_middle(side * middle) * math.sqrt(units)
        assert np.mean(found == 0.0) == pytest.approx(2.0 * stats.norm.sf(off), abs=0.01)
        # Median unbiased: half of the means that are allowed would have given a larger estimate.
        median = float(np.median(found))
        if median > 0.0:
            assert stats.norm.cdf(off - median) - stats.norm.cdf(-off - median) == pytest.approx(
                0.5, abs=0.01
            )


@pytest.mark.parametrize("count", REPEATS)
@pytest.mark.parametrize(
    ("units", "most", "upper"), [(15, 1.0, None), (30, 1.0, 4.0), (30, 0.3, None), (100, 0.0, 5.0)]
)
def test_bounds_are_neither_left_out_nor_values(units, most, upper, count):
    """Better values than the station can tell are bounds: 16, 38 and 50 % of them here."""

    def made(random):
        values = random.standard_normal(units)
        told = values < most
        fit = normal_fit(Sample.of(values[told], np.full(int(np.sum(~told)), most), 1))
        # All of few may be bounds but one: then nothing is told.
        return made(random) if fit is None else fitted(fit, Tolerance(-4.0, upper))

    beyond = stats.norm.cdf(-4.0) + (0.0 if upper is None else stats.norm.sf(upper))
    truths = {"mean": 0.0, "spread": 1.0, "ppk": 4.0 / 3.0, "beyond": beyond}
    truths |= {} if upper is None else {"pp": (4.0 + upper) / 6.0}
    share = 100.0 * stats.norm.sf(most)
    covered(f"{units} units, normal, {share:.0f} % bounds, -4 to {upper} s.d.", count, made, truths)


def test_many_bounds_each_at_its_own_place_tell_what_they_tell_one_by_one():
    random = np.random.default_rng(3)
    values, bounds = random.standard_normal(90), 0.5 + 0.3 * random.standard_normal(90)
    told = values < bounds
    sample = Sample.of(values[told], bounds[~told], 1)
    assert sample.bounded > 20
    few, many = (normal_fit(sample) for _ in range(2))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("linecheck.statistics.fits._MAX_BOUNDS", 12)
        _ = few.allowed
    for one, other in ((few.allowed.scale, many.allowed.scale), (few.allowed.centre, many.allowed.centre)):
        assert np.quantile(one, [0.025, 0.5, 0.975]) == pytest.approx(
            np.quantile(other, [0.025, 0.5, 0.975]), abs=0.01
        )


@pytest.mark.parametrize("count", repeats(16, 2000))
@pytest.mark.parametrize(
    ("units", "skew", "lower", "most"),
    [
        (100, 0.4, None, None),
        (300, 0.7, None, None),
        (300, -0.4, None, None),
        (300, 0.4, -1.9, None),
        (300, -0.4, None, 0.8),
    ],
)
def test_intervals_of_a_skewed_process_hold_the_truth(units, skew, lower, most, count):
    truth = Parameters(np.zeros(1), np.ones(1), np.array([skew]))
    upper = float(truth.percentile(4.0)[0])
    mean, spread = (
        np.expm1(0.5 * skew**2) / skew,
        math.exp(0.5 * skew**2) * math.sqrt(math.expm1(skew**2)) / abs(skew),
    )
    sides = [upper / float(truth.percentile(3.0)[0])]
    sides += [] if lower is None else [lower / float(truth.percentile(-3.0)[0])]
    beyond = float(truth.above(upper)[0]) + (0.0 if lower is None else float(truth.below(lower)[0]))

    def made(random):
        values = np.expm1(skew * random.standard_normal(units)) / skew
        told = values < (math.inf if most is None else most)
        bounds = None if most is None else np.full(int(np.sum(~told)), most)
        fit = skewed_fit(Sample.of(values[told], bounds, 1))
        # The likelihood of one sample in some hundred has no top within reach: then nothing is told by it.
        return made(random) if fit is None else fitted(fit, Tolerance(lower, upper))

    truths = {"mean": mean, "spread": spread, "ppk": min(sides), "beyond": beyond}
    if lower is not None:
        truths |= {"pp": (upper - lower) / float((truth.percentile(3.0) - truth.percentile(-3.0))[0])}
    design = f"{units} units, log-normal with g {skew}, {lower} to {upper:.1f}"
    covered(design + ("" if most is None else f", bounds from {most} on"), count, made, truths)


@pytest.mark.parametrize("count", REPEATS)
@pytest.mark.parametrize("middle", [5.0, 5.6])
def test_the_whole_way_with_its_test_of_normality_holds_the_truth(middle, count):
    lower, upper = middle - 8.0, middle + 8.0
    beyond = stats.norm.cdf((lower - 5.0) / 2.0) + stats.norm.sf((upper - 5.0) / 2.0)
    truths = {"mean": 5.0, "spread": 2.0, "ppk": min(5.0 - lower, upper - 5.0) / 6.0, "beyond": beyond}

    def made(random):
        found = capability_of(Sample.of(5.0 + 2.0 * random.standard_normal(60)), Tolerance(lower, upper))
        # One in a hundred normal samples is refuted, by the level of the test; few of these have no skewed fit.
        return found if found.mean is not None else made(random)

    covered(
        f"60 units, normal, chosen by the readings, mean {(5 - middle) / 2:g} s.d. off the middle",
        count,
        made,
        truths,
    )


#: Two humps: neither a normal nor a skewed fit stands.
HUMPS = ((-3.0, 0.3), (2.0, 0.6))


def humps(random, units, share):
    places, spreads = np.array(HUMPS)[(random.random(units) < share).astype(int)].T
    return places + spreads * random.standard_normal(units)


def percentile_of_humps(at, share):
    def excess(x):
        return np.array([1.0 - share, share]) @ [stats.norm.cdf(x, *hump) for hump in HUMPS] - at

    return optimize.brentq(excess, -9.0, 9.0)


@pytest.mark.parametrize("count", REPEATS)
@pytest.mark.parametrize(
    ("share", "lower", "upper"), [(0.6, None, 8.0), (0.6, -6.0, 8.0), (0.4, -4.64, 6.5), (0.5, None, 8.0)]
)
def test_intervals_by_percentiles_hold_the_truth(share, lower, upper, count):
    """With a half in each hump nobody knows where in the gap the median is: the interval is wide, safer than said."""
    low, middle, high = (percentile_of_humps(at, share) for at in (0.00135, 0.5, 0.99865))
    sides = [(upper - middle) / (high - middle)]
    sides += [] if lower is None else [(middle - lower) / (middle - low)]
    (places, spreads), weights = np.array(HUMPS).T, np.array([1.0 - share, share])
    mean = weights @ places
    truths = {
        "mean": mean,
        "spread": math.sqrt(weights @ (spreads**2 + (places - mean) ** 2)),
        "ppk": min(sides),
    }

    def made(random):
        found = capability_of(Sample.of(humps(random, 6000, share)), Tolerance(lower, upper))
        assert found.method == "percentiles"
        return found

    design = f"6000 units, two humps ({share:g} in the upper one), {lower} to {upper}"
    # Ranks are whole: safer than said, and by more where so few units are in a tail.
    covered(design, count, made, truths, most=1.0)


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


@pytest.mark.parametrize("count", REPEATS)
def test_ranks_of_a_percentile_hold_it(count):
    random = np.random.default_rng(9)
    low, high = percentile_ranks(4000, 0.00135)
    truth = stats.norm.ppf(0.00135)
    samples = (np.sort(random.standard_normal(4000)) for _ in range(count))
    held = [values[low - 1] <= truth <= values[high - 1] for values in samples]
    # Ranks are whole: at least as sure as they say.
    assert_held("percentile at 0.135 % of 4000 units, any distribution", {"ranks": held}, most=1.0)
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


@pytest.mark.parametrize("count", repeats(100, 2000))
@pytest.mark.parametrize("same", [True, False])
def test_bounds_do_not_refute_a_normal_process_and_a_wrong_one_is_refuted(same, count):
    """A third of the readings, all at one bound or each at its own, are no reason to take values as not normal."""
    random = np.random.default_rng(12)

    def refuted(values, bound):
        told = values < bound
        return chosen(Sample.of(values[told], bound[~told], 1)).method != "normal"

    def bounds():
        return np.full(60, 0.4) if same else 0.4 + 0.2 * random.standard_normal(60)

    wrongly = np.mean([refuted(random.standard_normal(60), bounds()) for _ in range(count)])
    assert wrongly <= 0.02 + 2.0 * math.sqrt(0.02 / count)
    humps = [
        refuted(np.repeat([-2.0, 2.0], 30) + 0.2 * random.standard_normal(60), bounds() + 3.0)
        for _ in range(20)
    ]
    assert np.mean(humps) > 0.9


def test_readings_that_are_nearly_all_the_same_make_no_process_capable():
    values = np.full(5001, -118.0)
    values[-1] = -90.0
    found = capability_of(Sample.of(values), Tolerance(None, -112.6))
    assert found.verdict == "cannot be told"
    assert found.ppk is None
    assert found.found_beyond == 1
