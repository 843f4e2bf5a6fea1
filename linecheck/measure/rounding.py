"""Curves rounded to their precision: what is judged is stored, to the last bit.

==================  ====================================================================
:func:`rounded`     a curve whose numbers are short decimals
==================  ====================================================================

Decibels and the levels of an axis are multiples of 0.001, frequencies of 0.01 Hz. That is far below what any curve is
certain by: an error that is even within ± 0.0005 dB is a standard uncertainty of 0.0003 dB (JCGM 100:2008, F.2.2.1).
Whatever else a curve is in (an impulse response is a pure number) is kept to 2**-23 of its greatest magnitude, 138 dB
below it.
An uncertainty has three significant digits and is rounded up, so that no claim gets stronger.

It is done before a curve is judged and not where it is stored: a verdict by numbers that nobody has kept could not be
come to again.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from linecheck.checks.base import Curve
from linecheck.dsp.arrays import FloatArray

#: Steps in one unit.
_STEPS: Final = {"dB": 1000.0, "dBFS": 1000.0, "Hz": 100.0}
#: Of anything else: binary digits of its greatest magnitude.
_BITS: Final = 23
#: Significant digits of an uncertainty: 100 to 999 of a power of ten.
_MIN_SIGNIFICANT: Final = 100.0


def rounded(curve: Curve) -> Curve:
    """Return a curve with its numbers rounded; an axis only where its points stay apart."""
    x = _rounded(np.asarray(curve.x, np.float64), curve.x_unit)
    uncertainty = curve.uncertainty
    return replace(
        curve,
        x=x if np.all(np.diff(x) > 0.0) else curve.x,
        y=_rounded(np.asarray(curve.y, np.float64), curve.unit),
        uncertainty=None if uncertainty is None else _rounded_up(np.asarray(uncertainty, np.float64)),
    )


def _rounded(values: FloatArray, unit: str) -> FloatArray:
    steps = _STEPS.get(unit)
    if steps is None:
        return _to_bits(values)
    # Divided and not multiplied by a step: a whole number over 1000 is the double nearest to the decimal.
    return np.asarray(np.round(values * steps) / steps) + 0.0


def _to_bits(values: FloatArray) -> FloatArray:
    greatest = float(np.max(np.abs(values), initial=0.0))
    if greatest == 0.0:
        return values
    step = float(np.ldexp(1.0, np.frexp(greatest)[1] - _BITS))
    return np.asarray(np.round(values / step) * step) + 0.0


def _rounded_up(values: FloatArray) -> FloatArray:
    """Return values with three significant digits, none smaller than it was."""
    found = np.zeros_like(values)
    some = values > 0.0
    exponents = np.floor(np.log10(values[some])) - 2.0
    digits = _scaled(values[some], -exponents)
    # What rounding in the last bit puts a hair above a whole number is that number.
    whole = np.round(digits)
    digits = np.where(np.abs(digits - whole) < 1e-9 * digits, whole, np.ceil(digits))
    found[some] = _scaled(digits, exponents)
    return found


def _scaled(values: FloatArray, exponents: FloatArray) -> FloatArray:
    """Return values times powers of ten; a negative power divides, which gives the double nearest to the decimal."""
    powers = 10.0 ** np.abs(exponents)
    return np.where(exponents < 0.0, values / powers, values * powers)
