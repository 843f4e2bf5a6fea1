"""What couplings do after a change: exponentials that die away from the start of a record."""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import fit_tones, synthesise

__all__ = ["settling"]

#: Time constants, s: close enough to each other for sums of them to follow any between. 3 ms is a corner of 53 Hz.
TIME_CONSTANTS = np.geomspace(0.003, 0.4, 12)
#: Means over this long are compared, s: fast enough for the shortest time constant.
BLOCK_SECONDS = 5e-4
#: What settles is taken out where it is more than this share of a rest's power.
MATTERS = 1e-3


def settling(rest: FloatArray, rate_hz: float, tones: FloatArray) -> FloatArray:
    """Return what dies away exponentially in what a fit of tones has left, shape (frames,).

    Least squares on decaying exponentials of several time constants, each less what the fit would take of it: low tones
    and their harmonics take most. A first-order high-pass answers any change of its input with one exponential.

    Parameters
    ----------
    rest : float64 array, shape (frames,)
    rate_hz : float
    tones : float64 array, shape (tones,)
        That have been fitted, with a constant; cycles per frame.

    Returns
    -------
    float64 array, shape (frames,)
        To be taken from what was fitted; zero where nothing settles.
    """
    frames = len(rest)
    block = max(1, round(BLOCK_SECONDS * rate_hz))
    if frames // block < 4 * len(TIME_CONSTANTS):
        return np.zeros(frames)
    places = np.arange(0, frames - block + 1, block) + 0.5 * (block - 1)
    rough = np.exp(-np.outer(places / rate_hz, 1.0 / TIME_CONSTANTS))
    means = _means(rest, block)
    found = rough @ np.linalg.lstsq(rough, means, rcond=1e-8)[0]
    if float(np.mean(found**2)) <= MATTERS * float(np.mean(rest**2)):
        return np.zeros(frames)
    shapes = np.exp(-np.outer(1.0 / TIME_CONSTANTS, np.arange(frames) / rate_hz))
    left = []
    for shape in shapes:
        fit = fit_tones(shape, tones)
        left.append(_means(shape - synthesise(frames, tones, fit.amplitudes, fit.constant), block))
    solution = np.linalg.lstsq(np.array(left).T, means, rcond=1e-10)[0]
    return np.asarray(solution @ shapes, dtype=np.float64)


def _means(values: FloatArray, block: int) -> FloatArray:
    """Return the means of adjoining blocks."""
    count = len(values) // block
    return np.asarray(values[: count * block].reshape(count, block).mean(axis=1), dtype=np.float64)
