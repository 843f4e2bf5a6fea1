"""What a distribution is fitted with, and how well that is known: normal or skewed, with readings that are only bounds.

=======================  ==========================================================================
:class:`Sample`          readings of one metric: values, and bounds beyond which the truth lies
:class:`Fit`             a fitted distribution; its percentiles, shares, and what else the data allow
:func:`normal_fit`       the normal distribution, by maximum likelihood where there are bounds
:func:`skewed_fit`       the shifted log-normal distribution, either way round
:func:`normality`        Anderson and Darling's test of a fit
=======================  ==========================================================================

The skewed distribution is x = c + a (exp(g z) - 1) / g with z standard normal: log-normal with a shift, its tail to
the right for g > 0 and to the left for g < 0; the normal distribution is its case g = 0.

A bound has a likelihood too: the probability of a truth that is this or better. So it is neither left out nor taken as
a value.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special

from linecheck.dsp.arrays import FloatArray, IntArray

#: So many points of each of two parameters' distributions.
_POINTS: Final = 160
#: So many draws of three parameters.
_DRAWS: Final = 8192
#: What an interval leaves out at each end.
EVEN_TAILS: Final = (0.025, 0.025)
#: Below this a skewness of the fit is none.
_NO_SKEW: Final = 1e-6
_MAX_SKEW: Final = 1.5
#: Readings that are the same bound are spread over so many places.
_PIECES: Final = 400
_GOLDEN: Final = 0.6180339887498949
#: So many standard errors off the middle nothing of the other side matters.
_FAR: Final = 4.0
_PER_ERROR: Final = 50
_HALVINGS: Final = 30
#: Spreads, and means of each, at which a likelihood with bounds is computed.
_CELLS: Final = 80
#: More bounds, or values, than this count in groups.
_MAX_BOUNDS: Final = 40
_MAX_VALUES: Final = 240
#: Distributions are drawn from so much wider a one.
_WIDER: Final = 1.3
#: Stands for an infinite likelihood's logarithm: differences of it are numbers.
_IMPOSSIBLE: Final = 1e30


def _nothing() -> FloatArray:
    return np.empty(0)


@dataclass(frozen=True, eq=False)
class Sample:
    """Readings of one metric, each distinct value (or each narrow bin's mean) once, ascending.

    Attributes
    ----------
    values, counts : float64 array, shape (values,)
        ``counts`` is how many units have each.
    bounds, bound_counts : float64 array, shape (bounds,)
        Readings of which the truth is this or better.
    side : int
        On which side of a bound the truth lies: 1 above, -1 below.
    """

    values: FloatArray
    counts: FloatArray
    bounds: FloatArray = field(default_factory=_nothing)
    bound_counts: FloatArray = field(default_factory=_nothing)
    side: int = 1

    @classmethod
    def of(cls, values: FloatArray, bounds: FloatArray | None = None, side: int = 1) -> Sample:
        """Return a sample of single readings."""
        return cls(*_counted(values), *_counted(_nothing() if bounds is None else bounds), side)

    @cached_property
    def measured(self) -> int:
        """How many readings are values."""
        return round(float(np.sum(self.counts)))

    @cached_property
    def bounded(self) -> int:
        """How many readings are bounds."""
        return round(float(np.sum(self.bound_counts)))

    @property
    def units(self) -> int:
        """How many readings there are."""
        return self.measured + self.bounded

    @cached_property
    def mean(self) -> float:
        """The mean of the values; bounds have no part in it."""
        return float(self.counts @ self.values) / self.measured

    @cached_property
    def spread(self) -> float:
        """The standard deviation of the values; bounds have no part in it."""
        return math.sqrt(float(self.counts @ (self.values - self.mean) ** 2) / max(self.measured - 1, 1))

    @cached_property
    def _face(self) -> tuple[FloatArray, FloatArray]:
        """All readings at what they say, bounds too, ascending; and how many there are up to each."""
        values = np.concatenate([self.values, self.bounds])
        order = np.argsort(values, kind="stable")
        return values[order], np.cumsum(np.concatenate([self.counts, self.bound_counts])[order])

    def ranked(self, rank: IntArray) -> FloatArray:
        """Return order statistics by their ranks, 1 the smallest; bounds stand where they say.

        Below the smallest and above the largest these stand again.
        """
        values, upto = self._face
        return np.asarray(values[np.minimum(np.searchsorted(upto, rank - 0.5), len(values) - 1)])

    def beyond(self, lower: float | None, upper: float | None) -> int:
        """Return how many readings lie beyond limits; bounds stand where they say."""
        values, upto = self._face
        below = 0 if lower is None else int(np.searchsorted(values, lower, side="left"))
        above = len(values) if upper is None else int(np.searchsorted(values, upper, side="right"))
        counts = np.concatenate([[0.0], upto])
        return round(float(counts[below] + counts[-1] - counts[above]))


def _counted(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    distinct, counts = np.unique(np.asarray(values, dtype=np.float64), return_counts=True)
    return distinct, counts.astype(np.float64)


@dataclass(frozen=True, eq=False)
class Parameters:
    """A distribution, or as many of them as the arrays are long."""

    centre: FloatArray
    scale: FloatArray
    skew: FloatArray

    def percentile(self, z: float) -> FloatArray:
        """Return the percentile at so many standard deviations of the normal distribution."""
        return self.centre + self.scale * _stretched(self.skew, z)

    def below(self, limit: float) -> FloatArray:
        """Return the share of units below a limit."""
        result: FloatArray = special.ndtr(_unstretched(self.skew, (limit - self.centre) / self.scale))
        return result

    def above(self, limit: float) -> FloatArray:
        """Return the share of units above a limit."""
        result: FloatArray = special.ndtr(-_unstretched(self.skew, (limit - self.centre) / self.scale))
        return result


def _stretched(skew: FloatArray, z: float) -> FloatArray:
    safe = np.where(np.abs(skew) < _NO_SKEW, 1.0, skew)
    return np.where(np.abs(skew) < _NO_SKEW, z, np.expm1(safe * z) / safe)


def _unstretched(skew: FloatArray, y: FloatArray) -> FloatArray:
    """Return the z at which the distribution has a value; infinite beyond its end."""
    safe = np.where(np.abs(skew) < _NO_SKEW, 1.0, skew)
    inside = np.maximum(safe * y, -1.0)
    with np.errstate(divide="ignore"):
        bent = np.log1p(inside) / safe
    return np.where(np.abs(skew) < _NO_SKEW, y, bent)


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted distribution.

    Attributes
    ----------
    sample : Sample
    centre, scale, skew : float
        The median, the standard deviation of a normal distribution (of a skewed one near its middle), and g.
    mean_units, dof, slope : float
        How well a normal distribution is known: of how many units the mean is one, the degrees of freedom of the
        spread, and by how many spreads the mean moves with the spread's logarithm. Without bounds n, n - 1 and 0.
    covariance : float64 array, shape (3, 3), or None
        That of centre / scale, log scale and skew, of a skewed one.
    """

    sample: Sample
    centre: float
    scale: float
    skew: float = 0.0
    mean_units: float = math.nan
    dof: float = math.nan
    slope: float = 0.0
    covariance: FloatArray | None = None

    @property
    def is_skewed(self) -> bool:
        """Whether it is the skewed distribution."""
        return self.covariance is not None

    @property
    def best(self) -> Parameters:
        """The distribution itself."""
        return Parameters(np.array([self.centre]), np.array([self.scale]), np.array([self.skew]))

    @cached_property
    def allowed(self) -> Parameters:
        """The distributions that the data allow, each as likely as the next: what is computed of them has an interval.

        Of a normal distribution whose readings are all values these are the exact ones of mean and spread (Student's t
        and χ²). With bounds they are those of the likelihood with the prior that gives the exact ones without (flat in
        the mean and in the logarithm of the spread). Of a skewed one
        they are those of the likelihood too, flat in its skewness.
        """
        if self.covariance is not None:
            return self._allowed_skewed(self.covariance)
        if self.sample.bounded:
            return self._allowed_bounded()
        z, share = _grid()
        scale = np.repeat(self.scale * np.sqrt(self.dof / special.chdtri(self.dof, share)), _POINTS)
        centre = self.centre + scale * np.tile(z, _POINTS) / math.sqrt(self.mean_units)
        return Parameters(centre, scale, np.zeros_like(centre))

    def _allowed_bounded(self) -> Parameters:
        """Return means and spreads by their likelihood: on a grid about its top, and from there evenly in probability.

        As without bounds, each spread comes with :data:`_POINTS` means, ascending.
        """
        log_scale = np.linspace(-6.0, 9.0, _CELLS) / math.sqrt(2.0 * self.dof)
        scale = self.scale * np.exp(log_scale)
        middle = self.centre + self.slope * self.scale * log_scale
        steps = np.linspace(-8.0, 8.0, _CELLS) / math.sqrt(self.mean_units)
        centre = middle[:, None] + scale[:, None] * steps
        logs = _log_likelihood(self.sample, centre, scale[:, None])
        density = np.exp(logs - np.max(logs))
        share = _grid()[1]
        # The steps of a spread's means grow with it.
        at = _inverse(np.sum(density, axis=1) * scale, share)
        rows = np.minimum(at.astype(np.intp), _CELLS - 2)
        part = (at - rows)[:, None]
        means = np.array(
            [_inverse(row, share) for row in (1.0 - part) * density[rows] + part * density[rows + 1]]
        )
        ends = np.arange(_CELLS)
        scales, middles = (np.interp(at, ends, of)[:, None] for of in (scale, middle))
        found = middles + scales * np.interp(means, ends, steps)
        return Parameters(found.ravel(), np.repeat(scales, _POINTS), np.zeros(_POINTS**2))

    def off_middle(self, middle: float) -> FloatArray:
        """Return how far from a value the means are that the data allow, for each of :attr:`allowed`; not if skewed.

        How far a mean lies off is never less than nothing, and its estimate is mostly more than it: the plain distance
        of the allowed means would leave a mean in the middle out. So they follow from the distribution of the estimate
        (a folded normal one), and are 0 as often as a mean in the middle would have given an estimate as large.
        """
        centre = self.allowed.centre.reshape(_POINTS, _POINTS)
        found = np.mean(centre, axis=1) - middle
        error = np.std(centre, axis=1) / np.std(_grid()[0])
        off = np.abs(centre - middle)
        at = np.abs(found) / error
        near = at < _FAR
        row, part = np.divmod(at[near] * _PER_ERROR, 1.0)
        table, row, part = _folded(), row.astype(np.intp), part[:, None]
        told = ((1.0 - part) * table[row] + part * table[row + 1]) * error[near, None]
        off[near] = np.where(found[near, None] < 0.0, told[:, ::-1], told)
        return off.ravel()

    def _allowed_skewed(self, covariance: FloatArray) -> Parameters:
        """Return distributions by their likelihood, with the same prior and a flat one of the skewness.

        They are drawn by the curvature of the likelihood, made wider, and kept as often as their likelihood asks for:
        near the end of a distribution it is not as its curvature says.
        """
        z = _normal_draws(3)
        centre, log_scale, skew = _WIDER * np.linalg.cholesky(covariance) @ z
        drawn = Parameters(
            self.centre + self.scale * centre, self.scale * np.exp(log_scale), self.skew + skew
        )
        logs = _skewed_log_likelihood(self.sample, drawn) + 0.5 * np.sum(z * z, axis=0)
        upto = np.cumsum(np.exp(logs - np.max(logs)))
        kept = np.searchsorted(upto, (np.arange(_DRAWS) + 0.5) / _DRAWS * upto[-1])
        return Parameters(drawn.centre[kept], drawn.scale[kept], drawn.skew[kept])

    def standardised(self) -> tuple[FloatArray, FloatArray]:
        """Return all readings as standard normal ones, ascending, and their counts.

        Bounds are spread over what lies beyond them as the fit expects it: they can neither refute it by where they are
        nor, as gaps, by where nothing is. How many there are, and of which values, can.
        """
        z = self._normal(self.sample.values)
        if not self.sample.bounded:
            return z, self.sample.counts
        pieces = np.minimum(self.sample.bound_counts, _PIECES).astype(np.intp)
        at = np.repeat(self._normal(self.sample.bounds), pieces)
        counts = np.repeat(self.sample.bound_counts / pieces, pieces)
        # Evenly, also where every bound is another one.
        share = np.modf((np.arange(len(at)) + 0.5) * _GOLDEN)[0]
        tail = special.ndtr(-self.sample.side * at) * share
        placed = -self.sample.side * special.ndtri(np.maximum(tail, 1e-300))
        order = np.argsort(np.concatenate([z, placed]), kind="stable")
        return np.concatenate([z, placed])[order], np.concatenate([self.sample.counts, counts])[order]

    def _normal(self, values: FloatArray) -> FloatArray:
        y = (values - self.centre) / self.scale
        return _unstretched(np.full_like(y, self.skew), y)


@lru_cache(maxsize=1)
def _grid() -> tuple[FloatArray, FloatArray]:
    """Return standard normal values as likely as each other, ascending, and the shares below them."""
    share = (np.arange(_POINTS) + 0.5) / _POINTS
    return special.ndtri(share), share


@lru_cache(maxsize=1)
def _folded() -> FloatArray:
    """Return how many errors a mean is off the middle, by its estimate (rows) and how often one is as large (columns).

    Rows are estimates of 0 to :data:`_FAR` errors, columns those of :func:`_grid`.
    """
    at = np.arange(round(_FAR * _PER_ERROR) + 2)[:, None] / _PER_ERROR
    z, share = _grid()[0], _grid()[1][::-1]
    low, high = np.zeros((len(at), _POINTS)), np.maximum(at + z, 0.0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        is_below = special.ndtr(at - middle) - special.ndtr(-at - middle) > share
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return low


def _inverse(density: FloatArray, share: FloatArray) -> FloatArray:
    """Return at which places of a density's array, in parts of its steps, so large shares lie below."""
    upto = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    return np.asarray(np.interp(share * upto[-1], upto, np.arange(len(density))))


def _log_likelihood(sample: Sample, centre: FloatArray, scale: FloatArray) -> FloatArray:
    """Return the logarithm of a normal distribution's likelihood, with bounds."""
    squares = (sample.measured - 1) * sample.spread**2 + sample.measured * (centre - sample.mean) ** 2
    logs = -sample.measured * np.log(scale) - 0.5 * squares / scale**2
    for bound, count in zip(*_grouped(sample.bounds, sample.bound_counts), strict=True):
        logs = logs + count * special.log_ndtr(sample.side * (centre - bound) / scale)
    return np.asarray(logs)


def _skewed_log_likelihood(sample: Sample, of: Parameters) -> FloatArray:
    """Return the logarithm of a skewed distribution's likelihood, with bounds, for each of some distributions."""
    values, counts = _grouped(sample.values, sample.counts, _MAX_VALUES, _MAX_VALUES // 4)
    bounds, bound_counts = _grouped(sample.bounds, sample.bound_counts)
    logs = -sample.measured * np.log(of.scale)
    for part in np.array_split(np.arange(len(logs)), 16):
        scale, skew = of.scale[part, None], of.skew[part, None]
        y = (values - of.centre[part, None]) / scale
        z = _unstretched(skew, y)
        with np.errstate(invalid="ignore"):
            logs[part] -= (0.5 * z * z + skew * z) @ counts
        # A value beyond the end of a distribution cannot be.
        logs[part] = np.where(np.all(1.0 + skew * y > 0.0, axis=1), logs[part], -np.inf)
        if len(bounds):
            at = _unstretched(skew, (bounds - of.centre[part, None]) / scale)
            logs[part] += special.log_ndtr(-sample.side * at) @ bound_counts
    return logs


def _grouped(
    values: FloatArray, counts: FloatArray, most: int = _MAX_BOUNDS, alone: int = 0
) -> tuple[FloatArray, FloatArray]:
    """Return values with those close to each other as one, but for so many at each end, which say most of its tails."""
    if len(values) <= most:
        return values, counts
    inner = len(values) - 2 * alone
    group = np.concatenate(
        [
            np.arange(alone),
            alone + np.arange(inner) * (most - 2 * alone) // inner,
            most - alone + np.arange(alone),
        ]
    )
    total = np.bincount(group, counts)
    return np.bincount(group, counts * values) / total, total.astype(np.float64)


@lru_cache(maxsize=4)
def _normal_draws(size: int) -> FloatArray:
    from scipy.stats import qmc

    shares = qmc.Halton(size, scramble=True, rng=1).random(_DRAWS)
    return np.asarray(special.ndtri(shares.T))


def interval(values: FloatArray, tails: tuple[float, float] = EVEN_TAILS) -> tuple[float, float]:
    """Return the interval of what was computed of :attr:`Fit.allowed`, with so much of them left out at each end."""
    # Between infinite ones nothing can be interpolated: a process that may have no spread has no largest Ppk.
    at = [tails[0], 1.0 - tails[1]]
    is_finite = bool(np.all(np.isfinite(values)))
    low, high = np.quantile(values, at) if is_finite else np.quantile(values, at, method="inverted_cdf")
    return float(low), float(high)


def normal_fit(sample: Sample) -> Fit | None:
    """Return the normal distribution of a sample; None where the values do not spread, or tell too little of it."""
    if sample.measured < 2 or not sample.spread > 0.0:
        return None
    if not sample.bounded:
        units = float(sample.units)
        return Fit(sample, sample.mean, sample.spread, mean_units=units, dof=units - 1.0)
    found = _most_likely(sample, np.zeros(2))
    if found is None:
        return None
    (centre, log_scale), covariance = found
    dof = 1.0 / (2.0 * covariance[1, 1]) - 1.0
    if dof < 1.0:
        return None
    slope = covariance[0, 1] / covariance[1, 1]
    mean_units = 1.0 / (covariance[0, 0] - slope * covariance[0, 1])
    ratio = math.sqrt((dof + 1.0) / dof)
    scale = sample.spread * math.exp(log_scale) * ratio
    shift = slope * math.log(ratio) * sample.spread * math.exp(log_scale)
    return Fit(sample, sample.mean + sample.spread * centre + shift, scale, 0.0, mean_units, dof, slope)


def skewed_fit(sample: Sample) -> Fit | None:
    """Return the shifted log-normal distribution of a sample; None where the likelihood has no top within reach."""
    if sample.measured < 8 or not sample.spread > 0.0:
        return None
    y = (sample.values - sample.mean) / sample.spread
    third = float(sample.counts @ y**3) / sample.measured
    start = np.array([-third / 6.0, 0.0, np.clip(third / 3.0, -0.9, 0.9)])
    found = _most_likely(sample, start)
    if found is None or abs(found[0][2]) > _MAX_SKEW:
        return None
    (centre, log_scale, skew), covariance = found
    scale = sample.spread * math.exp(log_scale)
    return Fit(sample, sample.mean + sample.spread * centre, scale, float(skew), covariance=covariance)


def _most_likely(sample: Sample, start: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Return centre, log scale (and skew) of standardised readings, and the covariance of centre / scale and these."""
    values = (sample.values - sample.mean) / sample.spread
    bounds = (sample.bounds - sample.mean) / sample.spread

    def unlikely(parameters: FloatArray) -> float:
        centre, log_scale = parameters[:2]
        skew = parameters[2] if len(parameters) == 3 else 0.0
        if abs(log_scale) > 20.0 or abs(skew) > 2.0 * _MAX_SKEW:
            return _IMPOSSIBLE
        scale = math.exp(log_scale)
        y = (values - centre) / scale
        if np.any(1.0 + skew * y <= 0.0):
            return _IMPOSSIBLE
        z = _unstretched(np.full_like(y, skew), y)
        total = sample.counts @ (0.5 * z * z + skew * z) + sample.measured * log_scale
        if len(bounds):
            at = _unstretched(np.full_like(bounds, skew), (bounds - centre) / scale)
            total -= sample.bound_counts @ special.log_ndtr(-sample.side * at)
        return float(total) / sample.units

    found = optimize.minimize(
        unlikely, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-12, "maxiter": 4000}
    )
    if not found.success or not found.fun < _IMPOSSIBLE:
        return None
    top = found.x
    # In the parameters' own scale, in which the likelihood of any sample is alike.
    to_own = np.ones(len(top))
    to_own[0] = math.exp(top[1])
    curvature = _curvature(lambda shift: unlikely(top + shift * to_own), len(top)) * sample.units
    try:
        np.linalg.cholesky(curvature)
    except np.linalg.LinAlgError:
        return None
    return np.asarray(top), np.asarray(np.linalg.inv(curvature))


def _curvature(function: Callable[[FloatArray], float], size: int, step: float = 1e-3) -> FloatArray:
    """Return the matrix of second derivatives at nothing, by central differences."""
    unit = np.eye(size) * step
    result = np.empty((size, size))
    for i in range(size):
        for j in range(i, size):
            corners = (
                function(unit[i] + unit[j])
                - function(unit[i] - unit[j])
                - function(unit[j] - unit[i])
                + function(-unit[i] - unit[j])
            )
            result[i, j] = result[j, i] = corners / (4.0 * step * step)
    return result


def normality(fit: Fit) -> tuple[float, float]:
    """Return Anderson and Darling's statistic of a fit, and the probability of one that large were it the truth.

    The probability is that of a normal distribution with mean and spread fitted (D'Agostino and Stephens 1986, table
    4.9). With bounds, and of a skewed fit, it is refuted less often than that: what was fitted fits too well.
    """
    z, counts = fit.standardised()
    units = float(np.sum(counts))
    upto = np.cumsum(counts)
    before = upto - counts
    with np.errstate(invalid="ignore"):
        lower = (upto**2 - before**2) @ special.log_ndtr(z)
        upper = ((units - before) ** 2 - (units - upto) ** 2) @ special.log_ndtr(-z)
    statistic = -units - float(lower + upper) / units
    corrected = statistic * (1.0 + 0.75 / units + 2.25 / units**2)
    return statistic, _probability(corrected)


def _probability(a: float) -> float:
    if not a < 10.0:
        return 0.0
    if a >= 0.6:
        return math.exp(1.2937 - 5.709 * a + 0.0186 * a * a)
    if a >= 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    if a >= 0.2:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
