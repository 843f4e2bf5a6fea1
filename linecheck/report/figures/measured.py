"""Values with their uncertainty as people read them: no digit that says nothing, and none that is missing.

========================  ====================================================================
:func:`measured_texts`    a value and its expanded uncertainty
:func:`signed_texts`      a difference likewise, with its sign
:func:`amount_text`       a margin, a distance
:func:`fixed`             a number with so many decimals, and a true minus sign
========================  ====================================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from linecheck.report.figures.words import value_text

__all__ = ["amount_text", "fixed", "measured_texts", "signed_texts", "unit_of_difference"]

#: A value has no more significant digits than this, and no more decimals; what is within its uncertainty of zero and
#: levels have fewer.
_MAX_DIGITS, _MAX_DECIMALS, _NOTHING_DECIMALS = 6, 6, 4
_LEVELS = ("dB", "dBFS")
_FINEST = 15
#: Values so great or small are written with an exponent.
_PLAIN = 1e9


def measured_texts(
    value: float, expanded: float | None, unit: str, apart: Iterable[float | None] = ()
) -> tuple[str, str]:
    """Return a value with its unit, and its expanded uncertainty with ± and unit.

    The value has the decimals of two digits of its uncertainty, within reason; the uncertainty is told "below" where it
    is less than the last of them. It is empty where there is none.

    Parameters
    ----------
    value : float
    expanded : float or None
        In the value's unit.
    unit : str
    apart : iterable of float or None
        Numbers (limits) that the value's text must differ from, unless it is one of them.
    """
    if not abs(value) < _PLAIN or not (expanded or 0.0) < _PLAIN:
        return value_text(value, unit), ""
    others = [other for other in apart if other is not None and other != value]
    if not expanded and value_text(value, unit) not in [value_text(other, unit) for other in others]:
        return value_text(value, unit), ""
    decimals = _decimals(value, expanded or 1.0, unit)
    while decimals < _FINEST and any(fixed(other, decimals) == fixed(value, decimals) for other in others):
        decimals = max(decimals, 0) + 1
    spread = _spread(expanded, decimals, unit) if expanded else ""
    return _with_unit(fixed(value, decimals), unit), spread


def signed_texts(value: float, expanded: float | None, unit: str) -> tuple[str, str]:
    """Return a difference with its sign, and its expanded uncertainty, as :func:`measured_texts`."""
    text, spread = measured_texts(value, expanded, unit_of_difference(unit))
    return ("+" if value > 0.0 and any(digit in "123456789" for digit in text) else "") + text, spread


def amount_text(value: float, unit: str) -> str:
    """Return how much something is apart, with at most four digits; it is never written as nothing."""
    apart = unit_of_difference(unit)
    if not 0.0 < abs(value) < _PLAIN:
        return value_text(value, apart)
    decimals = 3 - math.floor(math.log10(abs(value)))
    if apart == "dB" and abs(value) >= 0.01:
        decimals = 2
    number = fixed(value, max(min(decimals, _FINEST), 0))
    if apart != "dB" and "." in number:
        number = number.rstrip("0").rstrip(".")
    return _with_unit(number, apart)


def unit_of_difference(unit: str) -> str:
    """Return the unit of the difference between two values of a unit: levels re full scale are dB apart."""
    return "dB" if unit == "dBFS" else unit


def fixed(value: float, decimals: int) -> str:
    """Return a number with so many decimals; fewer than none round it to tens, hundreds and so on."""
    rounded = round(value, decimals) + 0.0
    return f"{rounded:.{max(decimals, 0)}f}".replace("-", "−")


def _decimals(value: float, expanded: float, unit: str) -> int:
    of_spread = 1 - math.floor(math.log10(expanded))
    of_value = max(_MAX_DIGITS - 1 - math.floor(math.log10(abs(value))), 0) if value else _MAX_DECIMALS
    most = _MAX_DECIMALS if abs(value) > expanded else _NOTHING_DECIMALS
    if unit in _LEVELS:
        most = 2 if abs(value) >= 1.0 else 3
    return min(of_spread, of_value, most)


def _spread(expanded: float, decimals: int, unit: str) -> str:
    """Return ± an uncertainty; it is never written as nothing."""
    least = 10.0**-decimals
    if expanded < 0.5 * least:
        return f"± below {_with_unit(fixed(least, decimals), unit)}"
    return f"± {_with_unit(fixed(expanded, decimals), unit)}"


def _with_unit(number: str, unit: str) -> str:
    return f"{number} {unit}".rstrip()
