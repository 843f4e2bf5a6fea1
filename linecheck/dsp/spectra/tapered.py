"""Fitting tones of known frequencies where far stronger lines, hum or drift, must not leak into them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.fits.tones import fit_tones, project, synthesise

__all__ = ["fit_tapered", "taper"]

#: Share of a record over which its weight rises at either end: noise counts 1.1 times as much, far lines vanish.
SLOPE = 0.125


@lru_cache(maxsize=64)
def taper(frames: int) -> FloatArray:
    """Return weights that are 1 but for a raised cosine at either end, shape (frames,)."""
    slope = min(max(1, round(SLOPE * frames)), frames // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(slope) + 0.5) / slope)
    weights: FloatArray = np.concatenate((rise, np.ones(frames - 2 * slope), rise[::-1]))
    weights.setflags(write=False)
    return weights


def fit_tapered(values: FloatArray, tones: FloatArray) -> tuple[ComplexArray, FloatArray, float]:
    """Fit tones by least squares, then add what a tapered look at the rest still finds of them.

    What least squares leave of a line x cycles over the record away falls with 1/x, under the taper with 1/x³.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    tones : float64 array, shape (tones,)
        Cycles per frame.

    Returns
    -------
    amplitudes : complex128 array, shape (tones,)
        Peak amplitudes, phases in the middle of the record.
    rest : float64 array, shape (frames,)
        What least squares leave.
    share : float
        The variance of each part of an amplitude, and the mean square that noise adds to a tone's, per noise density
        (power per cycle per frame): 1/frames for least squares, about 1.1 times that here.
    """
    fit = fit_tones(values, tones)
    rest = values - synthesise(len(values), tones, fit.amplitudes, fit.constant)
    weights = taper(len(values))
    total = float(np.sum(weights))
    amplitudes: ComplexArray = fit.amplitudes + project(rest * weights, tones) * (2.0 / total)
    return amplitudes, rest, float(weights @ weights) / total**2
