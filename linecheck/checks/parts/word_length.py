"""What a word length leaves at best: the noise of quantisation with TPDF dither, which no unit can take away."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from linecheck.dsp.arrays import FloatArray

#: Points of the integral over a weighting; with 2000 it is right to 0.001 dB.
POINTS = 2000


def dither_noise_db(
    bits: int,
    rate_hz: float,
    band_hz: tuple[float, float],
    weight: Callable[[FloatArray], FloatArray | None] | None = None,
) -> float:
    """Return the noise of a stimulus that is quantised with TPDF dither, dB re a full-scale sine.

    The error's power is a quarter of a squared step, evenly spread up to half the rate (Lipshitz, Wannamaker and
    Vanderkooy 1992, J. Audio Eng. Soc. 40, 355-375): at 16 bits and 44.1 kHz -93.7 dB from 20 Hz to 20 kHz.

    Parameters
    ----------
    bits : int
    rate_hz : float
    band_hz : tuple of float
        What of it lies above half the rate holds none of the noise.
    weight : callable, optional
        From frequencies in hertz to the power gain of a weighting; None for none.

    Returns
    -------
    float
        Minus infinity for a band above half the rate.
    """
    low, high = band_hz[0], min(band_hz[1], 0.5 * rate_hz)
    if high <= low:
        return -np.inf
    edges = np.linspace(low, high, POINTS + 1)
    gains = None if weight is None else weight(0.5 * (edges[1:] + edges[:-1]))
    gain = 1.0 if gains is None else float(np.mean(gains))
    step = 2.0 ** (1 - bits)
    share = gain * (high - low) / (0.5 * rate_hz)
    return float(10.0 * np.log10(0.25 * step**2 / 0.5 * share))
