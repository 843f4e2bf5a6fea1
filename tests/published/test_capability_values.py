"""Capability, tolerance limits and risks of decisions against published values.

Sources, beside each value: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 and 7.2.6.3, as quoted in public
transcriptions; AIAG-VDA SPC, page 48, as quoted in a public transcription; JCGM 106:2012, examples from memory,
recomputed; global risks as printed by Deaver (pages 7 and 10) and the process fallout of the same file, as quoted in
the tests of SUNCAL (Sandia National Laboratories), test_risk.py; ISO 16269-6, table values from memory, recomputed.
This makes no claim of conformity to any of them.
"""

import math

import numpy as np
import pytest
from scipy import stats

from linecheck.statistics.capability import Tolerance, capability_of
from linecheck.statistics.fits import Fit, Sample, normal_fit, normality
from linecheck.statistics.propose import rank_beyond_both
from linecheck.statistics.risks import conformity, global_risks
from linecheck.statistics.tolerances import (
    moving_range_spread,
    one_sided_factor,
    rank_beyond,
    two_sided_factor,
    units_for,
)


def exactly(units, mean, spread):
    """Return normal-looking values that have this mean and standard deviation to the last digits."""
    z = stats.norm.ppf((np.arange(units) + 0.5) / units)
    z = (z - np.mean(z)) / np.std(z, ddof=1)
    return Sample.of(mean + spread * z)


# e-Handbook 6.1.6: USL 20, LSL 8, mean 16, s 2. Its interval for n = 50, z sqrt(1/(9n) + Cpk²/(2(n-1))), is an
# approximation; this one is exact, and differs by less than what the approximation leaves out.
def test_indices_and_interval_of_the_handbook():
    found = capability_of(exactly(50, 16.0, 2.0), Tolerance(8.0, 20.0))
    assert found.method == "normal"
    assert found.pp.value == pytest.approx(1.0, abs=1e-9)
    assert found.ppk.value == pytest.approx(0.6667, abs=5e-5)
    assert (found.ppk.low, found.ppk.high) == pytest.approx((0.5056, 0.8278), abs=0.006)
    # Exact, one-sided: the non-central t distribution.
    at = 3.0 * math.sqrt(50) * found.ppk.value
    for limit, tail in ((found.ppk.low, 0.025), (found.ppk.high, 0.975)):
        assert stats.nct.sf(at, 49, 3.0 * math.sqrt(50) * limit) == pytest.approx(tail, abs=0.002)


# AIAG-VDA SPC, page 48: a natural bound at 0 below, USL 0.40.
@pytest.mark.parametrize(
    ("mean", "spread", "ppk", "pp"), [(0.166, 0.0457, 1.71, 1.46), (0.250, 0.0292, 1.71, 2.28)]
)
def test_a_natural_bound_limits_nothing(mean, spread, ppk, pp):
    for lower in (None, 0.0):
        found = capability_of(exactly(100, mean, spread), Tolerance(lower, 0.40, (0.0, math.inf)))
        assert (found.ppk.value, found.pp.value) == pytest.approx((ppk, pp), abs=0.005)


# SUNCAL, test_risk.py: N(10, 0.4) and N(10.5, 0.4) between 9 and 11.
@pytest.mark.parametrize(("mean", "index", "fallout"), [(10.0, 0.8333, 0.01242), (10.5, 0.4167, 0.10574)])
def test_process_fallout(mean, index, fallout):
    found = capability_of(exactly(400, mean, 0.4), Tolerance(9.0, 11.0))
    assert found.ppk.value == pytest.approx(index, abs=5e-5)
    assert found.beyond.value == pytest.approx(fallout, abs=6e-6)


# e-Handbook 7.2.6.3: N = 43, p = 0.90, confidence 0.99: one-sided 1.8740, Howe's two-sided 2.217 (exact 2.22283, by
# calculation; Howe times Guenther's w 2.22199); N = 6 one-sided exact 4.4111.
def test_tolerance_factors_of_the_handbook():
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert one_sided_factor(6, 0.90, 0.99) == pytest.approx(4.4111, abs=5e-5)
    exact = two_sided_factor(43, 0.90, 0.99)
    assert exact == pytest.approx(2.22283, abs=5e-6)
    assert exact == pytest.approx(2.217, rel=0.003)
    assert exact == pytest.approx(2.22199, rel=0.0005)


# Confidence 0.95: two-sided and one-sided; by calculation, agreeing with tables like those of ISO 16269-6, from memory.
FACTORS = {
    10: ((2.8563, 2.3546), (3.3934, 2.9110), (4.4369, 3.9811)),
    20: ((2.3188, 1.9260), (2.7603, 2.3960), (3.6210, 3.2952)),
    30: ((2.1451, 1.7773), (2.5549, 2.2198), (3.3546, 3.0639)),
    50: ((1.9990, 1.6456), (2.3816, 2.0650), (3.1288, 2.8624)),
    100: ((1.8748, 1.5267), (2.2339, 1.9265), (2.9355, 2.6840)),
}


@pytest.mark.parametrize("units", FACTORS)
def test_tolerance_factors_of_tables(units):
    for share, (two, one) in zip((0.90, 0.95, 0.99), FACTORS[units], strict=True):
        assert two_sided_factor(units, share) == pytest.approx(two, abs=6e-5)
        assert one_sided_factor(units, share) == pytest.approx(one, abs=6e-5)


def test_the_factor_of_very_many_units_goes_on_where_the_exact_one_ends():
    assert one_sided_factor(5001, 0.999) == pytest.approx(one_sided_factor(5000, 0.999), rel=5e-5)
    assert one_sided_factor(10**7, 0.99) == pytest.approx(stats.norm.ppf(0.99), rel=0.002)


# Wilks 1941, as used in reactor safety, from memory: 59 values for 95 %/95 % on one side, 93 for both.
# 93 values with the second largest, 124 with the third.
def test_how_many_values_order_statistics_take():
    assert units_for(0.95) == 59
    assert [rank_beyond(units, 0.95) for units in (58, 59, 92, 93, 124)] == [None, 1, 1, 2, 3]
    assert [rank_beyond_both(units, 0.95) for units in (92, 93)] == [None, 1]


# D'Agostino and Stephens 1986, table 4.7, from memory: 5 % at 0.752, 2.5 % at 0.873, 1 % at 1.035, corrected for n.
@pytest.mark.parametrize(("statistic", "level"), [(0.752, 0.05), (0.873, 0.025), (1.035, 0.01)])
def test_levels_of_the_normality_test(statistic, level):
    random = np.random.default_rng(5)
    units = 50
    samples = [normal_fit(Sample.of(random.standard_normal(units))) for _ in range(3000)]
    found = [normality(fit) for fit in samples]
    corrected = np.array([a for a, _ in found]) * (1.0 + 0.75 / units + 2.25 / units**2)
    assert np.mean(corrected > statistic) == pytest.approx(level, abs=3.5 * math.sqrt(level / 3000))
    assert np.mean([p < level for _, p in found]) == pytest.approx(level, abs=3.5 * math.sqrt(level / 3000))


def test_the_normality_statistic_is_that_of_a_statistics_library():
    values = np.random.default_rng(3).gamma(4.0, size=80)
    fit = Fit(Sample.of(values), float(np.mean(values)), float(np.std(values, ddof=1)), mean_units=80, dof=79)
    z = np.sort((values - np.mean(values)) / np.std(values, ddof=1))
    at = np.arange(1, 81)
    expected = -80 - np.mean((2 * at - 1) * (stats.norm.logcdf(z) + stats.norm.logsf(z[::-1])))
    assert normality(fit)[0] == pytest.approx(expected, rel=1e-9)


# JCGM 106, from memory, recomputed: a Zener diode and engine oil (conformance probability), resistors (global risks).
def test_conformance_probabilities():
    assert conformity(-5.47, 0.05, (-math.inf, -5.40)) == pytest.approx(0.9192, abs=5e-5)
    assert conformity(13.6, 1.8, (12.5, 16.3)) == pytest.approx(0.6626, abs=5e-5)


@pytest.mark.parametrize(
    ("acceptance", "consumer", "producer"),
    [(0.20, 0.018942, 0.037208), (0.16, 0.004334, 0.114657), (0.24, 0.044898, 0.007097)],
)
def test_resistors(acceptance, consumer, producer):
    found = global_risks(1500.0, 0.12, 0.04, (1499.8, 1500.2), (1500.0 - acceptance, 1500.0 + acceptance))
    assert (found.consumer, found.producer) == pytest.approx((consumer, producer), abs=5e-7)
    assert found.conforming == pytest.approx(0.904419, abs=5e-7)


# Deaver, as quoted by SUNCAL: limits of so many standard deviations of the process, which is so many times that of the
# measurement; accepted within the limit times a factor. Printed to few digits, and recomputed to six.
@pytest.mark.parametrize(
    ("limit", "ratio", "factor", "printed", "accepted", "rejected"),
    [
        (2.0, 4.0, 1.0, (0.008, 0.015), 0.008006, 0.014851),
        (2.5, 4.0, 1.0, (0.0025, None), 0.002445, 0.005319),
        (2.5, 1.0, 1.0, (0.005, None), 0.004724, 0.069404),
        (2.0, 2.0, 0.91, (0.008, 0.066), 0.008052, 0.066106),
    ],
)
def test_false_accepts_and_rejects(limit, ratio, factor, printed, accepted, rejected):
    found = global_risks(0.0, 1.0, 1.0 / ratio, (-limit, limit), (-limit * factor, limit * factor))
    assert (found.consumer, found.producer) == pytest.approx((accepted, rejected), abs=5e-7)
    assert found.consumer == pytest.approx(printed[0], abs=0.0005)
    assert printed[1] is None or found.producer == pytest.approx(printed[1], abs=0.0005)


# Test uncertainty ratio 4 (half the tolerance over 2 u), 95 % of units within it: by calculation.
def test_risks_at_a_ratio_of_four():
    spread = 1.0 / stats.norm.ppf(0.975)
    found = global_risks(0.0, spread, 0.125, (-1.0, 1.0), (-1.0, 1.0))
    assert (found.consumer, found.producer) == pytest.approx((0.008583, 0.015537), abs=5e-7)


# Cryer and Ryan 1990, from memory: the variance of the mean moving range over d2 is (0.8264 n - 1.082) / (n - 1)².
@pytest.mark.parametrize("units", [10, 50, 300])
def test_degrees_of_freedom_of_moving_ranges(units):
    spread, dof = moving_range_spread(2.0 / math.sqrt(math.pi), units)
    assert spread == pytest.approx(1.0)
    assert 1.0 / (2.0 * dof) == pytest.approx((0.8264 * units - 1.082) / (units - 1) ** 2, rel=2e-4)
