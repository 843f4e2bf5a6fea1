"""The shape of a noise floor: where it rises again, and where it has notches.

=============================  =====================================================================================
:func:`find_rise`              where a density that has been falling, or flat, rises
:func:`find_notches`           narrow dips
=============================  =====================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray

#: A density rises where it comes to stand so far above its lowest value, and begins to where it is so far above.
RISE_DB = 6.0
BEGINS_DB = 3.0
#: What lies this near the lowest value, in one piece, is the floor.
FLOOR_DB = 1.0

NOTCH_DB = 10.0
#: How far a notch's shoulders may be from its middle, in bands.
SHOULDER_BANDS = 4


@dataclass(frozen=True)
class Rise:
    """A density's rise.

    Attributes
    ----------
    from_hz, uncertainty_hz : float
        Where it stands 3 dB above its lowest value.
    height_db : float
        From the lowest value to the highest one that follows.
    slope_db_per_octave : float
        The mean from there to 3 dB below the highest value.
    is_even : bool
        Whether it falls by no more than 3 dB on the way.
    """

    from_hz: float
    uncertainty_hz: float
    height_db: float
    slope_db_per_octave: float
    is_even: bool


def find_rise(frequency_hz: FloatArray, density: FloatArray, relative: FloatArray) -> Rise | None:
    """Return where a density rises again; None where it does not.

    Parameters
    ----------
    frequency_hz, density : float64 arrays, shape (bands,)
        Ascending; of bands narrow against what is looked for.
    relative : float64 array, shape (bands,)
        The densities' relative standard uncertainties.
    """
    if len(density) < 3 or not np.all(density > 0.0):
        return None
    level = 10.0 * np.log10(density)
    first, last = _floor(level)
    # The lowest band alone is low by chance as well; the mean of the piece around it is not.
    floor = 10.0 * np.log10(np.mean(density[first : last + 1]))
    after = level[last + 1 :]
    if not len(after) or np.max(after) < floor + RISE_DB:
        return None
    # Not where noise alone reaches 3 dB, but where the rise that goes on does.
    high = last + 1 + int(np.flatnonzero(after >= floor + RISE_DB)[0])
    reached = high
    while level[reached - 1] >= floor + BEGINS_DB:
        reached -= 1
    octave = np.log2(frequency_hz)
    share = (floor + BEGINS_DB - level[reached - 1]) / (level[reached] - level[reached - 1])
    begins = octave[reached - 1] + share * (octave[reached] - octave[reached - 1])
    rate = (level[high] - level[reached - 1]) / (octave[high] - octave[reached - 1])
    spread = float(np.mean(relative[reached - 1 : reached + 1]))
    floor_spread = float(np.mean(relative[first : last + 1]) / np.sqrt(last + 1 - first))
    decibels = 10.0 / np.log(10.0) * np.hypot(spread, floor_spread)
    from_hz = float(2.0**begins)
    top = last + 1 + int(np.argmax(after))
    near_top = last + 1 + int(np.flatnonzero(after >= level[top] - 3.0)[0])
    climb = level[near_top] - floor - BEGINS_DB
    return Rise(
        from_hz=from_hz,
        uncertainty_hz=float(from_hz * np.log(2.0) * decibels / rate),
        height_db=float(level[top] - floor),
        slope_db_per_octave=float(climb / max(octave[near_top] - begins, 1e-3)),
        is_even=bool(np.all(level[reached:near_top] > np.maximum.accumulate(level[reached:near_top]) - 3.0)),
    )


def _floor(level: FloatArray) -> tuple[int, int]:
    """Return the first and last band of the piece around the lowest one that is within 1 dB of it."""
    lowest = int(np.argmin(level))
    far = np.flatnonzero(level > level[lowest] + FLOOR_DB)
    before, behind = far[far < lowest], far[far > lowest]
    return (int(before[-1]) + 1 if len(before) else 0, int(behind[0]) - 1 if len(behind) else len(level) - 1)


def find_notches(frequency_hz: FloatArray, density: FloatArray) -> FloatArray:
    """Return where a density has notches: 10 dB below what lies within four bands on both sides.

    Parameters
    ----------
    frequency_hz, density : float64 arrays, shape (bands,)

    Returns
    -------
    float64 array, shape (notches,)
        The frequency of each notch's lowest band.
    """
    level = 10.0 * np.log10(np.maximum(density, 1e-300))
    found = []
    for place in range(1, len(level) - 1):
        left = np.max(level[max(0, place - SHOULDER_BANDS) : place])
        right = np.max(level[place + 1 : place + 1 + SHOULDER_BANDS])
        nearby = level[max(0, place - SHOULDER_BANDS) : place + 1 + SHOULDER_BANDS]
        if min(left, right) - level[place] >= NOTCH_DB and level[place] == np.min(nearby):
            found.append(float(frequency_hz[place]))
    return np.array(found)
