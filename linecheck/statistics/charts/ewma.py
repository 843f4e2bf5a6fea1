"""The exponentially weighted moving average (Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4), of standardised values.

All functions take single numbers or arrays of many charts at once.
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])


def step(average: Number, score: Number, weight: float) -> Number:
    """Return the average after one more value."""
    return average + weight * (score - average)


def limit(width: float, weight: float) -> float:
    """Return where the limits lie after many values, ``width`` of the average's own standard deviations away."""
    return width * math.sqrt(weight / (2.0 - weight))
