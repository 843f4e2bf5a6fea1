"""Intervals that n units support: for a share of units, for a percentile, for what a share of all units lies within.

=============================  ==================================================================================
:func:`one_sided_factor`       mean ± k s is beyond at least a share of all units (normal), exact
:func:`two_sided_factor`       mean ± k s holds at least a share of all units (normal), exact
:func:`rank_beyond`            which order statistic is beyond at least a share of all units (any distribution)
:func:`units_for`              how many units a distribution-free statement takes at least
:func:`percentile_ranks`       between which order statistics a percentile lies
:func:`moving_range_spread`    the spread within a series, by its mean moving range
:func:`pooled_spread`          the spread within subgroups
=============================  ==================================================================================

The confidence is 95 % where none is given.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special, stats

from linecheck.dsp.arrays import FloatArray
from linecheck.statistics.intervals import CONFIDENCE

#: The mean range of two normal values, in standard deviations: 2 / √π.
_MEAN_RANGE_OF_TWO: Final = 2.0 / math.sqrt(math.pi)
#: Beyond so many units the non-central t is normal to six digits, and slow to have.
_MANY: Final = 5000


@lru_cache(maxsize=1024)
def one_sided_factor(units: int, share: float, confidence: float = CONFIDENCE) -> float:
    """Return k, so that mean + k s lies above at least a share of all units, with confidence.

    Exact, by the non-central t distribution (ISO 16269-6, NIST/SEMATECH e-Handbook 7.2.6.3). From 5000 units on by the
    normal distribution of mean + k s, with the variance of s to its second order.
    """
    wanted = stats.norm.ppf(share)
    if units <= _MANY:
        return float(stats.nct.ppf(confidence, units - 1, wanted * math.sqrt(units))) / math.sqrt(units)
    z, dof = stats.norm.ppf(confidence), units - 1
    a = 1.0 - z * z / (2.0 * dof)
    b = wanted * wanted - z * z / units
    return float((wanted + math.sqrt(wanted * wanted - a * b)) / a)


@lru_cache(maxsize=1024)
def two_sided_factor(units: int, share: float, confidence: float = CONFIDENCE) -> float:
    """Return k, so that mean ± k s holds at least a share of all units, with confidence.

    Exact, by quadrature over where the mean lies: given that, mean ± k s holds enough where s is large enough, which
    the χ² distribution says.
    """
    nodes, weights = np.polynomial.legendre.leggauss(80)
    reach = 8.0 / math.sqrt(units)
    mean = 0.5 * reach * (nodes + 1.0)
    weights = weights * reach * math.sqrt(units) * stats.norm.pdf(mean * math.sqrt(units))
    need = _half_width(mean, share)
    dof = units - 1

    def shortfall(factor: float) -> float:
        return float(weights @ special.chdtrc(dof, dof * (need / factor) ** 2)) - confidence

    start = stats.norm.ppf(0.5 + 0.5 * share) * math.sqrt(dof / special.chdtri(dof, confidence))
    return float(optimize.brentq(shortfall, 0.5 * start, 2.0 * start, xtol=1e-10))


def _half_width(mean: FloatArray, share: float) -> FloatArray:
    """Return r, so that a share of the standard normal distribution lies within mean ± r."""
    r = np.full_like(mean, stats.norm.ppf(0.5 + 0.5 * share)) + mean * mean
    for _ in range(60):
        held = special.ndtr(mean + r) - special.ndtr(mean - r)
        step = (held - share) / (stats.norm.pdf(mean + r) + stats.norm.pdf(mean - r))
        r = r - np.clip(step, -0.5, 0.5 * r)
        if np.max(np.abs(step)) < 1e-13:
            break
    return r


def rank_beyond(units: int, share: float, confidence: float = CONFIDENCE) -> int | None:
    """Return r: the r-th largest value lies above at least a share of all units, with confidence (Wilks).

    None where not even the largest does. The largest r is returned: the closest limit that so many units support.
    """
    below = stats.binom.ppf(1.0 - confidence, units, 1.0 - share)
    rank = int(below)
    if stats.binom.cdf(rank, units, 1.0 - share) <= 1.0 - confidence:
        rank += 1
    return rank if rank >= 1 else None


def units_for(share: float, confidence: float = CONFIDENCE) -> int:
    """Return how many units it takes for the largest of them to lie above a share of all, with confidence (Wilks)."""
    return math.ceil(math.log1p(-confidence) / math.log(share))


def percentile_ranks(
    units: int, share: float, confidence: float = CONFIDENCE
) -> tuple[int | None, int | None]:
    """Return between which order statistics (1 is the smallest) a percentile lies; None where none is beyond it."""
    tail = 0.5 * (1.0 - confidence)
    low = int(stats.binom.ppf(tail, units, share))
    high = int(stats.binom.ppf(1.0 - tail, units, share)) + 1
    return (low if low >= 1 else None), (high if high <= units else None)


def moving_range_spread(mean_range: float, units: int) -> tuple[float, float]:
    """Return the standard deviation by the mean moving range of two of so many units, and its degrees of freedom.

    The variance of the mean range of a series of n normal values is 2 σ² (1 - 2/π) for each range and has a covariance
    between neighbours, which share a value; its degrees of freedom are those of a χ² with that relative variance.
    """
    ranges = units - 1
    beside = (2.0 / math.pi) * (math.sqrt(0.75) + 0.5 * math.asin(0.5) - 1.0)
    variance = 2.0 * ((1.0 - 2.0 / math.pi) * ranges + 2.0 * beside * (ranges - 1)) / ranges**2
    return mean_range / _MEAN_RANGE_OF_TWO, _MEAN_RANGE_OF_TWO**2 / (2.0 * variance)


def pooled_spread(variances: FloatArray, units: FloatArray) -> tuple[float, float]:
    """Return the standard deviation within subgroups and its degrees of freedom; those of one unit tell nothing."""
    dof = units - 1.0
    told = dof > 0.0
    total = float(np.sum(dof[told]))
    return (math.sqrt(float(np.sum(dof[told] * variances[told])) / total) if total else math.nan), total
