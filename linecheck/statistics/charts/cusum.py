"""Cumulative sums of both sides (Page 1954; NIST/SEMATECH e-Handbook 6.3.2.3), of standardised values.

All functions take single numbers or arrays of many charts at once.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])


def step(high: Number, low: Number, score: Number, allowance: float) -> tuple[Number, Number]:
    """Return the sums of what lies above and below by more than the allowance, after one more value."""
    return _positive(high + score - allowance), _positive(low - score - allowance)


def _positive(value: Number) -> Number:
    return np.maximum(value, 0.0) if isinstance(value, np.ndarray) else max(value, 0.0)
