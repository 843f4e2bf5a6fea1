"""Whether steady tones go on as they began: a stretch that was lost or inserted turns every tone by another angle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.locate import tone_blocks

__all__ = ["phase_step"]

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
