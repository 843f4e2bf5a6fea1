"""What moves too slowly to be in the band: settling couplings, drift, subsonic noise."""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import synthesise

#: The basis has this many times the record as its period, so that a trend need not end as it began.
_EXTENSION = 1.3
#: So many sines follow whatever settles or drifts; more would cost the square of their number, and what is periodic and
#: further up leaks little into a band above it.
_MAX_ORDER = 48


def slow_trend(values: FloatArray, cutoff: float) -> FloatArray:
    """Return the part of a record below a cutoff frequency.

    Least squares on sines and cosines whose period is longer than the record (a Fourier extension), so that what does
    not repeat over the record, a settling coupling capacitor say, is caught as closely as a subsonic sine. What a
    record's sharp ends would make of such a part would otherwise leak into everything above it.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    cutoff : float
        Cycles per frame, up to 37 cycles over the record. Within about one cycle over the record of it the part is
        taken in part.

    Returns
    -------
    float64 array, shape (frames,)
        Zero where the cutoff is too low for the record to tell.
    """
    frames = len(values)
    highest = min(int(cutoff * _EXTENSION * frames), _MAX_ORDER)
    if highest < 1:
        return np.zeros(frames)
    # Means over blocks far shorter than the highest sine: least squares over thousands of values, and not millions.
    block = max(1, frames // (32 * highest + 256))
    count = frames // block
    means = values[: count * block].reshape(count, block).mean(axis=1)
    frequencies = np.arange(1, highest + 1) / (_EXTENSION * frames)
    centres = (np.arange(count) + 0.5) * block - 0.5 - 0.5 * (frames - 1)
    # The mean of a cosine over a block is the cosine at its middle times this.
    shrunk = np.sin(np.pi * frequencies * block) / (block * np.sin(np.pi * frequencies))
    angle = 2.0 * np.pi * np.outer(centres, frequencies)
    basis = np.hstack((np.ones((count, 1)), np.cos(angle) * shrunk, -np.sin(angle) * shrunk))
    # The sines of a Fourier extension nearly depend on each other: smaller singular values would only fit rounding.
    solution = np.linalg.lstsq(basis, means, rcond=1e-9)[0]
    amplitudes = solution[1 : highest + 1] + 1j * solution[highest + 1 :]
    return synthesise(frames, frequencies, amplitudes, float(solution[0]))
