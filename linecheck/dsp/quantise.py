"""Quantising to integers with dither, reproducible to the byte.

The bit stream comes from PCG64, whose raw output NumPy guarantees to keep; no distribution of NumPy's is used.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray


def triangular_dither(frames: int, seed: tuple[int, ...]) -> FloatArray:
    """Return TPDF dither in units of one quantising step: shape (frames,), within ±1, variance 1/6."""
    bits = np.random.PCG64(np.random.SeedSequence(seed)).random_raw(2 * frames)
    bits >>= np.uint64(11)
    # Whole numbers of 53 bits: exact in double precision, and so is their difference's scaling.
    dither: FloatArray = bits[:frames].astype(np.float64)
    dither -= bits[frames:]
    dither *= 2.0**-53
    return dither


def full_scale_amplitude(level_dbfs: float, bits: int) -> float:
    """Return the peak amplitude (full scale 1.0) of a sine at a level re a full-scale sine.

    AES17-2015, 3.12.1: 0 dBFS is the sine whose positive peak is the positive digital full scale, ``2**(bits-1) - 1``
    steps. Dither adds up to one step and rounding half of one, so the peak stays 1.5 steps below that: 0.0004 dB at
    16 bits, nothing to speak of at 24.
    """
    step = 2.0 ** (1 - bits)
    return min(float(10.0 ** (level_dbfs / 20.0)) * (1.0 - step), 1.0 - 2.5 * step)


def quantise(values: FloatArray, bits: int, seed: int, *, dither: bool = True) -> NDArray[np.int32]:
    """Quantise to ``bits`` and left-justify in 32 bits.

    Parameters
    ----------
    values : float64 array, shape (frames, channels)
        Full scale is 1.0.
    bits : int
        Word length, 8 to 32.
    seed : int
        Seed of the dither; each channel has a stream of its own.
    dither : bool
        Whether TPDF dither of one step is added before rounding (total error variance: a quarter of a squared step,
        Lipshitz, Wannamaker and Vanderkooy 1992).

    Returns
    -------
    int32 array, shape (frames, channels)

    Raises
    ------
    ValueError
        A value is not finite or lies outside full scale: what would clip is never written.
    """
    if not np.all(np.isfinite(values)) or np.max(np.abs(values), initial=0.0) > 1.0:
        raise ValueError("a stimulus must be finite and within full scale")
    highest = 2 ** (bits - 1) - 1
    result = np.empty(values.shape, dtype=np.int32)
    for channel in range(values.shape[1]):
        steps = values[:, channel] * 2.0 ** (bits - 1)
        if dither:
            steps += triangular_dither(len(steps), (seed, channel))
        steps += 0.5
        np.floor(steps, out=steps)
        np.clip(steps, -highest - 1, highest, out=steps)
        steps *= 2.0 ** (32 - bits)
        result[:, channel] = steps
    return result
