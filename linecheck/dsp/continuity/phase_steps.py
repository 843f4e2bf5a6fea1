"""Whether steady tones go on as they began.

A stretch that was lost or inserted turns every tone by another angle (:func:`phase_step`); a gain that changes at once
makes skirts of them, under which faint tones beside them are lost (:func:`level_step`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.fits.tones import fit_scaled_tones, synthesise
from linecheck.dsp.locating.locate import tone_blocks

__all__ = ["level_step", "phase_step"]

FloatArray = NDArray[np.float64]

BLOCKS = 24
#: So many tones are followed, from all over the higher ones.
FOLLOWED = 8
#: A tone is followed if it turns so many times in a block.
LEAST_TURNS = 20.0
#: A step counts from so many radians on, and from so many times what is usual from one block to the next.
LEAST_STEP, TIMES_USUAL = 0.3, 8.0
#: So many tones must step at one place.
LEAST_TONES = 2
#: A level steps from so much on (0.004 dB), and from so many times what four differences in five stay below.
LEAST_LEVEL_STEP, TIMES_MOST = 5e-4, 4.5


def phase_step(values: FloatArray, frequencies: FloatArray) -> int | None:
    """Return the frame about which steady tones step in phase (to a twentieth of the record), or None.

    A steady tone turns by the same angle from each block of the record to the next but one, though its frequency may be
    known inexactly. Only across a place where frames are missing, or there twice, is it another angle.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        Cycles per frame, ascending.
    """
    block = len(values) // BLOCKS
    higher = frequencies[frequencies * block > LEAST_TURNS]
    if not len(higher):
        return None
    centred = values - np.mean(values)
    count = np.zeros(BLOCKS - 2, dtype=int)
    for tone in higher[np.unique(np.linspace(0, len(higher) - 1, FOLLOWED).astype(int))]:
        blocks = tone_blocks(centred, float(tone), block)[:BLOCKS]
        turns = blocks[2:] * np.conj(blocks[:-2])
        turns /= np.maximum(np.abs(turns), 1e-300)
        usual = complex(np.median(turns.real), np.median(turns.imag))
        off = np.abs(np.angle(turns * np.conj(usual)))
        count += (off > LEAST_STEP) & (off > TIMES_USUAL * float(np.median(off)))
    place = int(np.argmax(count))
    return (place + 1) * block + block // 2 if count[place] >= LEAST_TONES else None


def level_step(values: FloatArray, frequencies: FloatArray) -> tuple[int, float] | None:
    """Return the frame about which the level of steady tones steps (to a twentieth of the record), and by how much.

    Compared with all the tones as fitted to the whole record, the gain of each block of it is that of the next but one;
    a level that drifts evenly differs evenly. None where it does not step.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        Cycles per frame, ascending.

    Returns
    -------
    frame : int
    step : float
        Of the gain, re the usual one.
    """
    block = len(values) // BLOCKS
    slow = frequencies * block <= LEAST_TURNS
    if block < 4 * len(frequencies) or np.all(slow):
        return None
    fit, residual = fit_scaled_tones(values, frequencies)
    # Hum and products near slow tones beat with them; a tapered block shuts them out of the others.
    model = synthesise(len(values), fit.frequencies[~slow], fit.amplitudes[~slow])
    taper = np.hanning(block)
    signal, there = (part[: BLOCKS * block].reshape(BLOCKS, block) for part in (model + residual, model))
    gain = (signal * there) @ taper / np.maximum(there**2 @ taper, 1e-300)
    steps = gain[2:] - gain[:-2]
    off = np.abs(steps - np.median(steps))
    place = int(np.argmax(off))
    # Of 22 differences a step makes four at most.
    if off[place] <= max(LEAST_LEVEL_STEP, TIMES_MOST * float(np.quantile(off, 0.8))):
        return None
    return (place + 1) * block + block // 2, float(steps[place])
