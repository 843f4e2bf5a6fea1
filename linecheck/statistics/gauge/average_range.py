"""Average and range: the older method of a crossed study, by hand. It has no term for interaction and no intervals.

Kept beside the analysis of variance for whoever compares with a form that was filled in by it: on the same readings the
two give other figures (a method belongs to every figure that is quoted).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from linecheck.statistics.gauge.anova import Array
from linecheck.statistics.gauge.components import CATEGORIES

#: Where the range of normal values is integrated: nothing lies beyond.
_EDGE: Final = 9.0
_POINTS: Final = 1201


@dataclass(frozen=True)
class AverageRange:
    """Standard deviations by average and range, in the metric's unit."""

    repeat: float
    reproducibility: float
    gauge: float
    unit: float
    total: float
    ndc: float | None
    #: Above this the range of a unit's repeats is more than repeats make; which cells are, as (unit, level).
    range_limit: float
    beyond: tuple[tuple[int, int], ...]

    def studied(self, name: str) -> float | None:
        """Return the percentage of a part of the total."""
        return None if self.total == 0 else 100 * float(getattr(self, name)) / self.total


def average_range(values: Array) -> AverageRange:
    """Return the figures of one metric; values are (units, levels, repeats), with two levels or more."""
    units, levels, repeats = values.shape
    ranges = np.ptp(values, axis=2)
    repeat = float(ranges.mean()) / d2(repeats)
    spread = float(np.ptp(values.mean(axis=(0, 2)))) / d2_star(levels, 1)
    level = math.sqrt(max(0.0, spread**2 - repeat**2 / (units * repeats)))
    unit = float(np.ptp(values.mean(axis=(1, 2)))) / d2_star(units, 1)
    gauge = math.hypot(repeat, level)
    limit = float(ranges.mean()) * (1 + 3 * d3(repeats) / d2(repeats))
    beyond = tuple((int(one), int(other)) for one, other in np.argwhere(ranges > limit))
    ndc = None if gauge == 0 else CATEGORIES * unit / gauge
    return AverageRange(repeat, level, gauge, unit, math.hypot(gauge, unit), ndc, limit, beyond)


@cache
def d2(size: int) -> float:
    """Return the mean range of so many standard normal values."""
    x, inside = _normal()
    outside = 1 - inside
    return float(np.trapezoid(1 - inside**size - outside**size, x))


@cache
def d3(size: int) -> float:
    """Return the standard deviation of the range of so many standard normal values."""
    x, inside = _normal()
    # Of two steps, so that what the diagonal's edge costs falls out (Richardson).
    coarse, fine = (_square_of_range(x[::every], inside[::every], size) for every in (2, 1))
    return math.sqrt((4 * fine - coarse) / 3 - d2(size) ** 2)


def _square_of_range(x: Array, inside: Array, size: int) -> float:
    """Return twice the integral over a < b of the chance that the lowest is below a and the highest above b."""
    low, high = inside[:, None], inside[None, :]
    both = 1 - high**size - (1 - low) ** size + np.clip(high - low, 0, None) ** size
    return 2 * float(np.triu(both, 1).sum() + 0.5 * np.trace(both)) * float(x[1] - x[0]) ** 2


def d2_star(size: int, groups: int) -> float:
    """Return by what the mean range of some groups is divided, so that its square is unbiased."""
    return math.hypot(d2(size), d3(size) / math.sqrt(groups))


@cache
def _normal() -> tuple[Array, Array]:
    from scipy.special import ndtr

    x = np.linspace(-_EDGE, _EDGE, _POINTS)
    return x, ndtr(x)
