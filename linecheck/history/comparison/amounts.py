"""Numbers of a comparison as people read them: with as many digits as are known, and no more."""

from __future__ import annotations

import math
from typing import Final

__all__ = ["amount", "decimals_for", "difference_unit"]

#: A number is told with so many significant digits at most, and so many decimals.
_DIGITS, _DECIMALS = 3, 4
_KILO: Final = 1000.0


def decimals_for(value: float, uncertainty: float | None, accurate_to: float, digits: int = _DIGITS) -> int:
    """Return how many decimals a number is told with: no more than are known, and of so many digits at most.

    A number that is not nothing is never told as nothing.
    """
    known = max(2.0 * (uncertainty or 0.0), accurate_to)
    first = math.floor(math.log10(abs(value) or known))
    by_knowledge = math.ceil(-math.log10(known) - 1e-9)
    if digits == _DIGITS:
        by_knowledge = max(by_knowledge, -first)
    by_digits = digits - 1 - first
    return max(0, min(by_knowledge, by_digits, _DECIMALS))


def amount(value: float, unit: str, decimals: int) -> str:
    """Return a number with its unit and a true minus sign; hertz from a thousand on in kilohertz."""
    if unit == "Hz" and abs(value) >= _KILO:
        value, unit, decimals = value / _KILO, "kHz", 2
    text = f"{value:.{decimals}f}".replace("-", "−")
    text = text.rstrip("0").rstrip(".") if unit == "kHz" else text
    text = text.removeprefix("−") if not text.strip("−0.") else text
    return f"{text} {unit}".rstrip()


def difference_unit(unit: str) -> str:
    """Return the unit of a difference: two levels re one reference differ by decibels."""
    return "dB" if unit == "dBFS" else unit
