"""The level and spread of a phase-1 set of single values, and their limits (NIST/SEMATECH e-Handbook 6.3.2.2).

The spread is taken from moving ranges: a set that drifts, or has steps in it, does not widen its own limits by that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.statistics.charts.constants import constants

#: Limits lie so many standard deviations from the centre.
LIMIT_SIGMAS = 3.0

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Level:
    """Where the values of a phase-1 set lie.

    Attributes
    ----------
    centre, sigma : float
        Their mean, and their standard deviation by the mean moving range.
    count : int
    """

    centre: float
    sigma: float
    count: int

    def at(self, sigmas: float) -> float:
        """Return the value so many standard deviations above the centre."""
        return self.centre + sigmas * self.sigma


def level(values: FloatArray) -> Level:
    """Return the level of a phase-1 set, at least two values in order of time."""
    centre = float(np.mean(values))
    mean_range = float(np.mean(np.abs(np.diff(values))))
    return Level(centre, mean_range / constants(2).d2, len(values))


def lag_one(values: FloatArray) -> tuple[float, float]:
    """Return the correlation of values with the next, and its standard error where there is none.

    Run lengths hold for values that do not depend on each other.
    """
    apart = values - np.mean(values)
    power = float(apart @ apart)
    return (float(apart[1:] @ apart[:-1]) / power if power > 0 else 0.0), 1.0 / math.sqrt(len(values))
