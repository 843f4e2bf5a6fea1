"""Whether steady tones go on as they began.

A stretch that was lost or inserted turns every tone by another angle (:func:`phase_step`); a gain that changes at once
makes skirts of them, under which faint tones beside them are lost (:func:`level_step`).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.dsp.fits.tones import ToneFit, fit_scaled_tones, synthesise
from linecheck.dsp.locating.locate import tone_blocks

BLOCKS = 24
#: So many tones are followed, from all over the higher ones.
FOLLOWED = 8
#: A tone is followed if it turns so many times in a block.
MIN_TURNS = 20.0
#: A step counts from so many radians on, and from so many times what is usual from one block to the next.
MIN_STEP, TIMES_USUAL = 0.3, 8.0
#: So many tones must step at one place.
MIN_TONES = 2
#: A level steps from so much on (0.0001 dB), where the step leaves less than this share of what a drift (a polynomial
#: of so high a degree) cannot explain: noise comes to that by chance once in 40 million records (F of 1 and 16 degrees
#: of freedom over 212, and 211 ways to step tried).
MIN_LEVEL_STEP, LEFT_BY_A_STEP, DRIFT_DEGREE = 1e-5, 0.07, 4
#: So many blocks stand before the first step, where what still settles is none, and after the last. A stretch that is
#: shorter is a burst, or the rest of the record is.
BLOCKS_BEFORE, BLOCKS_AFTER = 2, 1
#: Rows whose singular value is less than this share of the greatest are nothing.
RANK = 1e-9


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
    higher = frequencies[frequencies * block > MIN_TURNS]
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
        count += (off > MIN_STEP) & (off > TIMES_USUAL * float(np.median(off)))
    place = int(np.argmax(count))
    return (place + 1) * block + block // 2 if count[place] >= MIN_TONES else None


def level_step(values: FloatArray, frequencies: FloatArray) -> tuple[int, float] | None:
    """Return the frame about which the level of steady tones steps (to a twentieth of the record), and by how much.

    Compared with all the tones as fitted to the whole record, the gain of its blocks drifts smoothly. It steps where it
    is another from a place on, or from one place to another. None where it does not.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        Cycles per frame, ascending.

    Returns
    -------
    frame : int
    step : float
        Of the gain, re one.
    """
    if not _can_step(len(values), frequencies):
        return None
    return fitted_level_step(*fit_scaled_tones(values, frequencies))


def fitted_level_step(fit: ToneFit, residual: FloatArray) -> tuple[int, float] | None:
    """Return the same of tones that are fitted, and of what they leave."""
    frames = len(residual)
    if not _can_step(frames, fit.frequencies):
        return None
    block = frames // BLOCKS
    slow = fit.frequencies * block <= MIN_TURNS
    # Hum and products near slow tones beat with them; a tapered block shuts them out of the others.
    model = synthesise(frames, fit.frequencies[~slow], fit.amplitudes[~slow])
    taper = np.hanning(block)
    signal, there = (part[: BLOCKS * block].reshape(BLOCKS, block) for part in (model + residual, model))
    gain = (signal * there) @ taper / np.maximum(there**2 @ taper, 1e-300)
    found = step_of(gain)
    return None if found is None else (found[0] * block + block // 2, found[1])


def _can_step(frames: int, frequencies: FloatArray) -> bool:
    """Return whether a record is long enough for its tones to tell a block's gain."""
    block = frames // BLOCKS
    return block >= 4 * len(frequencies) and bool(np.any(frequencies * block > MIN_TURNS))


def tone_level_step(values: FloatArray, frequency: float) -> tuple[int, float] | None:
    """Return the same of one tone (cycles per frame) that is far from all other strong ones, at little cost."""
    block = len(values) // BLOCKS
    if frequency * block <= MIN_TURNS:
        return None
    turn = np.exp(-2j * np.pi * frequency * np.arange(block)) * np.hanning(block)
    level = np.abs(values[: BLOCKS * block].reshape(BLOCKS, block) @ turn)
    found = step_of(level / max(float(np.median(level)), 1e-300))
    return None if found is None else (found[0] * block + block // 2, found[1])


def step_of(gain: FloatArray) -> tuple[int, float] | None:
    """Return the block in which a gain steps that else drifts smoothly, and by how much; None where it does not.

    Parameters
    ----------
    gain : float64 array, shape (24,)
        Of each block of a record, about one.
    """
    places, nuisance, shapes = _steps()
    explained = shapes @ gain
    left = float(gain @ gain) - np.sum((nuisance @ gain) ** 2, axis=1)
    size = explained / np.sum(shapes**2, axis=1)
    found = (left - explained * size < LEFT_BY_A_STEP * left) & (np.abs(size) > MIN_LEVEL_STEP)
    if not np.any(found):
        return None
    best = int(np.argmin(np.where(found, left - explained * size, np.inf)))
    return int(places[best]), float(size[best])


@lru_cache(maxsize=1)
def _steps() -> tuple[IntArray, FloatArray, FloatArray]:
    """Return every way in which a level can step: from a block on, or from one block to another.

    Returns
    -------
    places : int64 array, shape (ways,)
        The block in which it first steps.
    nuisance : float64 array, shape (ways, DRIFT_DEGREE + 3, BLOCKS)
        Orthonormal: drift, and the blocks in which it steps, whose gain is neither one's.
    shapes : float64 array, shape (ways, BLOCKS)
        The step, less what those explain of it.
    """
    firsts = range(BLOCKS_BEFORE, BLOCKS - BLOCKS_AFTER)
    pairs = [(first, second) for first in firsts for second in firsts if second > first + 1]
    pairs += [(first, BLOCKS) for first in firsts]
    blocks = np.arange(BLOCKS)
    drift = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, BLOCKS), DRIFT_DEGREE).T
    nuisances, shapes = [], []
    for first, second in pairs:
        # A step for good has one block that is neither; a second such row would be nothing.
        free = np.array([blocks == first, blocks == second], dtype=np.float64)
        basis = np.linalg.svd(np.concatenate((drift, free)), full_matrices=False)
        kept = basis.Vh * (basis.S / basis.S[0] > RANK)[:, None]
        shape = ((blocks > first) & (blocks < second)).astype(np.float64)
        nuisances.append(kept)
        shapes.append(shape - kept.T @ (kept @ shape))
    return np.array([first for first, _ in pairs]), np.array(nuisances), np.array(shapes)
