"""Whether a response measured by a sweep is a filter's, or a level that was changed while the sweep passed."""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.responses.sweeps import Transfer

__all__ = ["phaseless_dip"]

#: A dip or a peak stands out from what is usual within an octave on either side, by so much of it (0.26 dB).
MIN_DIP = 0.03
#: So many standard deviations of noise are no dip.
DEVIATIONS = 8.0
#: A filter has all of the phase that its level asks for, a fade none; in between lies what is neither.
MIN_SHARE = 0.4


def phaseless_dip(found: Transfer, frequencies_hz: FloatArray, edge_hz: float) -> int | None:
    """Return the index of a dip or peak in a response that lacks the phase of one; None where there is none.

    What a filter takes from or adds to a narrow band it turns in phase too: of a causal filter that is no slower than
    its level asks for, the slope of the level tells the phase (Bode 1945, from memory). A level that is faded down and
    up again while a sweep passes draws the same dip without it. Linear-phase filters at the band's end lack it as well,
    but their level only falls there.

    Parameters
    ----------
    found : Transfer
        The response, the unit's delay taken off.
    frequencies_hz : float64 array, shape (points,)
        Evenly spaced in their logarithm, about.
    edge_hz : float
        Dips are looked for from an octave above the lowest frequency up to here.
    """
    from scipy.ndimage import median_filter

    octaves = float(np.log2(frequencies_hz[-1] / frequencies_hz[0]))
    gains = found.gains
    octave = round((len(gains) - 1) / octaves)
    level = np.log(np.maximum(np.abs(gains), 1e-12))
    asked = _phase_of_level(level, np.log(2.0) / octave)
    # A level that only falls, or only rises, is its own median.
    relative, asked, phase = (
        part - median_filter(part, 2 * octave + 1, mode="nearest")
        for part in (level, asked, np.unwrap(np.angle(gains)))
    )
    size = np.abs(np.expm1(relative))
    size[(frequencies_hz < 2.0 * frequencies_hz[0]) | (frequencies_hz > edge_hz)] = 0.0
    size[size < DEVIATIONS * np.sqrt(0.5 * found.noise) / np.maximum(np.abs(gains), 1e-12)] = 0.0
    deepest = int(np.argmax(size))
    if size[deepest] < MIN_DIP:
        return None
    near = slice(max(0, deepest - octave), deepest + octave + 1)
    weight = np.exp(2.0 * np.minimum(relative[near], 0.0))
    there, needed = weight * np.sin(phase[near]) * asked[near], weight * asked[near] ** 2
    return deepest if np.sum(there) < MIN_SHARE * np.sum(needed) else None


def _phase_of_level(level: FloatArray, step: float) -> FloatArray:
    """Return the phase of the minimum-phase filter with a level (neper), evenly spaced by ``step`` of ln f.

    phi(u0) = 1/pi * integral of dA/du * ln coth(abs(u - u0) / 2) du (Bode 1945, from memory).
    """
    reach = min(len(level) - 1, round(2.0 * np.log(2.0) / step))
    apart = np.abs(np.arange(-reach, reach + 1)) * step
    kernel = np.empty(len(apart))
    kernel[apart > 0.0] = -np.log(np.tanh(0.5 * apart[apart > 0.0]))
    # Its mean over the step around the pole.
    kernel[reach] = 1.0 - np.log(0.25 * step)
    slope = np.pad(np.gradient(level), reach, mode="edge")
    phase: FloatArray = np.convolve(slope, kernel, mode="valid") / np.pi
    return phase
