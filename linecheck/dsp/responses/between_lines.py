"""A response between its lines, from the impulse response that they make together.

An impulse response that is over before the signal repeats makes a spectrum that is band-limited along frequency: its
samples at the lines hold all of it, by the sampling theorem with time and frequency exchanged (A. J. Jerri, The Shannon
sampling theorem, Proc. IEEE 65, 1977). A lobe between two lines so shows, which no curve through their levels can.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.responses.responses import Response, line_levels, running_mean

#: Points from one line to the next: lobes are no narrower than the distance of lines.
FINENESS: Final = 8
#: Part of half a period at each of its ends over which the impulse response is faded out. So the interpolation is
#: local, and what lies beyond the highest line does not reach far down: a sudden end would spread it by 1/f.
FADED: Final = 0.15
#: What lies beyond the period folds back into it unseen. A tail that falls as 1/t, the slowest of any filter, has so
#: much more (in amplitude) beyond the faded ends than in them, and only that shows as lines that are missed.
BEYOND: Final = 4.0


class BetweenLines(NamedTuple):
    """A response at points between its lines.

    Attributes
    ----------
    response : Response
        :data:`FINENESS` points from one line to the next; their noise is not independent.
    open_db : float64 array, shape (points,)
        What the lines leave open at each, dB, by how much the interpolation misses the lines themselves around it.
    """

    response: Response
    open_db: FloatArray


def between_lines(
    orders: IntArray, gains: ComplexArray, noise: FloatArray, fundamental_hz: float
) -> BetweenLines:
    """Return a response at points between lines, up to the highest of them.

    Parameters
    ----------
    orders : int64 array, shape (lines,)
        All odd ones from 1 on.
    gains : complex128 array, shape (lines,)
        With any common delay. Towards the highest they should fade out: what ends suddenly rings.
    noise : float64 array, shape (lines,)
        Mean square modulus of what the noise adds to each.
    fundamental_hz : float
    """
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.signal.windows import tukey

    points = 4 * next_fast_len(-(-(int(orders[-1]) + 1) // 2), real=True)
    spectrum = np.zeros(points // 2 + 1, dtype=np.complex128)
    spectrum[orders] = gains
    # Odd orders alone: after half a period the signal comes again with its sign turned, so that half is all of it.
    period = irfft(spectrum, points)
    start = int(np.argmax(np.abs(period))) - points // 4
    half = np.roll(period, -start)[: points // 2] * tukey(points // 2, 2.0 * FADED, sym=False)
    dense = 2.0 * rfft(half, FINENESS * (points // 2))[: FINENESS * len(orders)]
    # The n-th point is the n/4-th multiple of the fundamental.
    steps = 2.0 / FINENESS
    multiples = np.asarray(steps * np.arange(len(dense)), dtype=np.float64)
    kept = slice(int(1.0 / steps), int(orders[-1] / steps) + 1)
    turned = np.exp(2j * np.pi * orders * (start / points))
    return _compared(orders, gains * turned, noise, dense[kept], multiples[kept], fundamental_hz)


def _compared(
    orders: IntArray,
    gains: ComplexArray,
    noise: FloatArray,
    dense: ComplexArray,
    multiples: FloatArray,
    fundamental_hz: float,
) -> BetweenLines:
    """Hold points against the lines that are among them."""
    missed = np.abs(dense[::FINENESS][: len(orders)] - gains) ** 2
    # Noise, which fills the whole period, is faded as well; that is no fault of the interpolation. Tapers of a Tukey
    # window take three eighths of it where they are, and a mean of seven lines is known to 0.38: twice that is more.
    of_noise = 2.0 * FADED * 3.0 / 8.0 * noise
    around = np.interp(multiples, orders, np.maximum(running_mean(missed, 3) - 2.0 * of_noise, 0.0))
    own_noise = np.interp(multiples, orders, noise)
    level, spread = line_levels(dense, own_noise)
    share = BEYOND * np.sqrt(around / np.maximum(np.abs(dense) ** 2, 1e-300))
    return BetweenLines(
        Response(multiples * fundamental_hz, level, spread), np.asarray(20.0 * np.log10(1.0 + share))
    )
