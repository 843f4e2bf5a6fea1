"""The constants of charts of normal samples, by integration: tables differ in their third decimals.

``d2`` and ``d3`` are the mean and the standard deviation of the range of ``n`` standard normal values, ``c4`` the mean
of their standard deviation. The rest follows (ASTM E2587; NIST/SEMATECH e-Handbook 6.3.2.1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from scipy.special import ndtr

#: The range's distribution is below 1e-15 of its end here, for any sample that a chart has.
_WIDEST: Final = 20.0
_NODES: Final = 400
#: As many as a gauge study may have of runs.
LARGEST_SAMPLE: Final = 2000


@dataclass(frozen=True)
class Constants:
    """The constants of samples of one size."""

    size: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Limits of means, by the mean range."""
        return 3.0 / (self.d2 * math.sqrt(self.size))

    @property
    def a3(self) -> float:
        """Limits of means, by the mean standard deviation."""
        return 3.0 / (self.c4 * math.sqrt(self.size))

    @property
    def range_limits(self) -> tuple[float, float]:
        """D3 and D4: limits of ranges, by the mean range."""
        part = 3.0 * self.d3 / self.d2
        return max(0.0, 1.0 - part), 1.0 + part

    @property
    def deviation_limits(self) -> tuple[float, float]:
        """B3 and B4: limits of standard deviations, by their mean."""
        part = 3.0 * math.sqrt(1.0 - self.c4**2) / self.c4
        return max(0.0, 1.0 - part), 1.0 + part

    @property
    def e2(self) -> float:
        """Limits of individual values, by the mean range."""
        return 3.0 / self.d2


@cache
def constants(size: int) -> Constants:
    """Return the constants of samples of a size, 2 to :data:`LARGEST_SAMPLE`; good to 1e-9."""
    if not 2 <= size <= LARGEST_SAMPLE:
        raise ValueError(f"a sample of {size}: expected 2 to {LARGEST_SAMPLE}")
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    # P(range <= w) = n * integral of phi(x) * (Phi(x + w) - Phi(x))^(n - 1)
    x, x_weights = 9.0 * nodes, 9.0 * weights
    width, width_weights = 0.5 * _WIDEST * (nodes + 1.0), 0.5 * _WIDEST * weights
    density = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    inside = ndtr(x[:, None] + width) - ndtr(x)[:, None]
    beyond = 1.0 - size * np.sum((x_weights * density)[:, None] * inside ** (size - 1), axis=0)
    mean = float(width_weights @ beyond)
    square = float(2.0 * width_weights @ (width * beyond))
    c4 = math.sqrt(2.0 / (size - 1)) * math.exp(math.lgamma(0.5 * size) - math.lgamma(0.5 * (size - 1)))
    return Constants(size, mean, math.sqrt(square - mean**2), c4)
