"""The main lobe of an impulse response, and how much of the energy lies on either side of it."""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray


def beside_main_lobe_db(pulse: FloatArray) -> tuple[float | None, float | None]:
    """Return the energies before and after the main lobe (between changes of sign), dB re all of the energy.

    Parameters
    ----------
    pulse : float64 array, shape (points,)
        An impulse response. Both are None where it has no energy.
    """
    energy = pulse**2
    whole = float(np.sum(energy))
    if not len(energy) or not np.isfinite(whole) or whole <= 0.0:
        return None, None
    peak = int(np.argmax(np.abs(pulse)))
    other = np.sign(pulse) != np.sign(pulse[peak])
    before, after = np.flatnonzero(other[:peak]), np.flatnonzero(other[peak:])
    first = int(before[-1]) + 1 if len(before) else 0
    last = peak + int(after[0]) if len(after) else len(energy)
    return _decibels(float(np.sum(energy[:first])) / whole), _decibels(float(np.sum(energy[last:])) / whole)


def _decibels(ratio: float) -> float:
    return 10.0 * float(np.log10(max(ratio, 1e-30)))
