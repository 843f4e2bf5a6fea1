"""The lowest of several values that are each known with noise: by itself it is as much the noise's as theirs."""

from __future__ import annotations

from typing import Final

import numpy as np

from linecheck.dsp.arrays import FloatArray

__all__ = ["lowest_of"]

#: A value competes for the lowest by how far it lies above it: half as much at 1.7 times this many standard
#: uncertainties of the difference.
_WIDTH: Final = 2.5


def lowest_of(values: FloatArray, uncertainties: FloatArray) -> tuple[float, float]:
    """Return the lowest of the true values behind some that are known with noise, and its standard uncertainty.

    Of n equal values in noise the lowest reads too low by the mean of the lowest of n normal deviates (G. Blom,
    Statistical Estimates and Transformed Beta-Variables, 1958: the quantile at (n - 3/8)/(n + 1/4)); one that stands
    alone is not off at all. Which of both it is cannot be told from values that lie within their uncertainties, so that
    half of it is taken off and as much is left uncertain: a true worst is so read 0.5 of its uncertainty too good at
    most, and a flat row of values as much too bad.

    Parameters
    ----------
    values, uncertainties : float64 arrays, shape (values,)
        The noise of each is its own.
    """
    from scipy.special import ndtri

    least = int(np.argmin(values))
    spread = float(uncertainties[least])
    beside = (values - values[least]) / np.maximum(np.hypot(uncertainties, spread), 1e-300)
    rivals = float(np.sum(np.exp(-0.5 * (beside / _WIDTH) ** 2)))
    off = spread * float(ndtri((rivals - 0.375) / (rivals + 0.25)))
    # The lowest of many scatters less than one of them.
    own = spread / np.sqrt(1.0 + 0.25 * np.log(rivals))
    return float(values[least]) + 0.5 * off, float(np.hypot(own, 0.375 * off))
