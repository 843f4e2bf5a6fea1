"""Average and range: the older method of a crossed study, by hand. It has no term for interaction and no intervals.

Kept beside the analysis of variance for whoever compares with a form that was filled in by it: on the same readings the
two give other figures (a method belongs to every figure that is quoted).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linecheck.statistics.charts.constants import constants
from linecheck.statistics.gauge.anova import Array
from linecheck.statistics.gauge.components import CATEGORIES


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
    of_repeats = constants(repeats)
    repeat = float(ranges.mean()) / of_repeats.d2
    spread = float(np.ptp(values.mean(axis=(0, 2)))) / d2_star(levels, 1)
    level = math.sqrt(max(0.0, spread**2 - repeat**2 / (units * repeats)))
    unit = float(np.ptp(values.mean(axis=(1, 2)))) / d2_star(units, 1)
    gauge = math.hypot(repeat, level)
    limit = float(ranges.mean()) * of_repeats.range_limits[1]
    beyond = tuple((int(one), int(other)) for one, other in np.argwhere(ranges > limit))
    ndc = None if gauge == 0 else CATEGORIES * unit / gauge
    return AverageRange(repeat, level, gauge, unit, math.hypot(gauge, unit), ndc, limit, beyond)


def d2_star(size: int, groups: int) -> float:
    """Return by what the mean range of some groups is divided, so that its square is unbiased."""
    return math.hypot(constants(size).d2, constants(size).d3 / math.sqrt(groups))
