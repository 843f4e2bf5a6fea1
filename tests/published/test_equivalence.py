"""The rule of regression against SciPy's distributions and what textbooks say of its parts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from linecheck.limits.curve_profile import _SPREAD_OF_HIGHEST
from linecheck.limits.regression import (
    DETECTION_SIGMAS,
    EQUIVALENCE_SIGMAS,
    FAMILY_ALPHA,
    Answer,
    Measured,
    alarm_sigmas,
    compare_values,
)


def unchanged_share(true_change, margin, uncertainty, draws=20_000):
    """How often a true change is called unchanged, by simulation."""
    random = np.random.default_rng(3)
    single = uncertainty / math.sqrt(2.0)
    new = true_change + single * random.standard_normal(draws)
    base = single * random.standard_normal(draws)
    answers = [
        compare_values(Measured(a, single), Measured(b, single), "less", margin, 5.0).answer
        for a, b in zip(new.tolist(), base.tolist(), strict=True)
    ]
    return answers.count(Answer.UNCHANGED) / draws


@pytest.mark.parametrize("true_change", [0.0, 0.2, 0.5, 1.0, -1.0, 1.3])
@pytest.mark.parametrize("uncertainty", [0.1, 0.25, 0.4])
def test_power_of_the_two_one_sided_tests(true_change, uncertainty):
    """With a known standard error: Φ((m − δ)/u − z) + Φ((m + δ)/u − z) − 1 (Schuirmann 1987, by SciPy's normal)."""
    margin, z = 1.0, stats.norm.ppf(0.95)
    power = sum(stats.norm.cdf((margin + sign * true_change) / uncertainty - z) for sign in (-1.0, 1.0)) - 1.0
    expected = max(float(power), 0.0)
    spread = math.sqrt(max(expected * (1.0 - expected), 1e-4) / 20_000)
    assert unchanged_share(true_change, margin, uncertainty) == pytest.approx(expected, abs=4.5 * spread)


def test_a_change_of_the_margin_itself_is_called_unchanged_in_five_percent():
    """The size of the test at the edge of equivalence."""
    assert unchanged_share(1.0, 1.0, 0.1) == pytest.approx(0.05, abs=0.007)


@pytest.mark.parametrize(("power", "quantile"), [(0.8, 1.2816), (0.9, 1.6449)])
def test_sample_size_of_an_equivalence_trial(power, quantile):
    """Two-sided power 1 − β takes u = m / (z_α + z_β/2); Chow, Shao and Wang, Sample Size Calculations, from memory."""
    uncertainty = 1.0 / (1.6449 + quantile)
    assert unchanged_share(0.0, 1.0, uncertainty) == pytest.approx(power, abs=0.012)


def test_unchanged_is_the_90_percent_interval_within_the_margins():
    """Schuirmann 1987: both tests reject where the interval of 1 − 2α lies inside; the interval by SciPy."""
    random = np.random.default_rng(8)
    for change, uncertainty in zip(
        random.uniform(-1.2, 1.2, 500), random.uniform(0.01, 0.7, 500), strict=True
    ):
        low, high = stats.norm.interval(0.90, change, uncertainty)
        found = compare_values(Measured(change, uncertainty), Measured(0.0, 0.0), "less", 1.0, 50.0).answer
        if min(abs(low + 1.0), abs(high - 1.0)) > 1e-3:
            assert (found is Answer.UNCHANGED) == (low >= -1.0 and high <= 1.0)


def test_quantiles_are_those_of_the_tables():
    """Table of the normal distribution in any handbook: 1.645 at 95 %, 2.326 at 99 %."""
    assert pytest.approx(stats.norm.ppf(0.95), abs=5e-4) == EQUIVALENCE_SIGMAS
    assert pytest.approx(stats.norm.ppf(0.99), abs=5e-4) == DETECTION_SIGMAS


@pytest.mark.parametrize("count", [1, 2, 40, 1000, 100_000])
def test_the_family_of_comparisons_has_the_stated_chance(count):
    """Šidák: 1 − (1 − p)^n, with SciPy's tail of the normal distribution."""
    each = 2.0 * stats.norm.sf(alarm_sigmas(count))
    assert 1.0 - (1.0 - each) ** count == pytest.approx(FAMILY_ALPHA, rel=1e-6)


def test_one_comparison_needs_the_table_value():
    """Two-sided 0.5 %: 2.807, any table."""
    assert alarm_sigmas(1) == pytest.approx(2.807, abs=5e-4)


def test_spread_of_the_highest_of_a_normal_sample():
    """By integration with SciPy; of two values √(1 − 1/π), of three √(1 + √3/2π − 9/4π) (Jones 1948, from memory)."""
    logarithms, spreads = _SPREAD_OF_HIGHEST
    for count, spread in zip(np.exp(logarithms), spreads, strict=True):

        def moment(power, n=count):
            def density(x):
                return x**power * n * stats.norm.cdf(x) ** (n - 1.0) * stats.norm.pdf(x)

            return integrate.quad(density, -9.0, 12.0, limit=200)[0]

        assert spread == pytest.approx(math.sqrt(moment(2) - moment(1) ** 2), abs=1e-3)
    assert np.interp(math.log(2.0), logarithms, spreads) == pytest.approx(
        math.sqrt(1.0 - 1.0 / math.pi), abs=1e-3
    )
    three = 1.0 + math.sqrt(3.0) / (2.0 * math.pi) - 9.0 / (4.0 * math.pi)
    assert np.interp(math.log(3.0), logarithms, spreads) == pytest.approx(math.sqrt(three), abs=1e-3)
