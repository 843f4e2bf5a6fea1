"""Whether a recording holds a noise that is known: where, by which clock, and whether it goes on as it began.

==========================  ======================================================================
:func:`stretched`           a signal as another clock samples it
:func:`find_noise`          where a piece of a known noise lies in a longer recording
:func:`follow`              how late and how strong it is, block by block
:func:`course_breaks`       places where lateness or strength changes at once
==========================  ======================================================================
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.continuity import Break
from linecheck.dsp.continuity.phase_steps import BLOCKS, step_of
from linecheck.dsp.responses.sweeps import spectrum_at

#: What is compared, cycles per frame: above hum, below where filters begin.
COMPARED = (0.006, 0.35)
#: A place stands out where the likeness is so many times what is usual.
TIMES_USUAL = 10.0
#: A jump counts from so many frames on, a change of strength from so much; either from so many times the spread.
SMALLEST_JUMP, SMALLEST_CHANGE, DEVIATIONS = 0.06, 0.1, 8.0
#: A block whose likeness lacks this share of the usual one holds something else.
LESS_LIKE = 0.3


class Course(NamedTuple):
    """A known signal through a recording, an entry a block: frame, lateness (frames), gain, likeness (0 to 1).

    ``share`` is how much of what is compared of the recording, the same at all frequencies, is the signal's: 0 to 1.
    """

    frames: FloatArray
    lateness: FloatArray
    gain: FloatArray
    likeness: FloatArray
    share: float


def stretched(values: FloatArray, step: float, frames: int, late: float = 0.0) -> FloatArray:
    """Return a signal as another clock samples it: at every ``step`` of its own frames, band-limited.

    Parameters
    ----------
    values : float64 array, shape (frames of its own,)
    step : float
        The signal's rate over the other clock's.
    frames : int
        How many of the other clock's are wanted; the signal is taken to be nothing after its end.
    late : float
        Frames of the other clock, less than one, by which the signal comes later.
    """
    from scipy.fft import irfft, next_fast_len

    length = next_fast_len(max(frames, int(len(values) / step) + 2), real=True)
    count = min(length // 2 + 1, int(0.4995 * length * step) if step < 1.0 else length // 2)
    order = np.arange(count)
    spectrum = np.zeros(length // 2 + 1, dtype=np.complex128)
    spectrum[:count] = spectrum_at(values, 1.0 / (length * step), count)
    spectrum[:count] *= np.exp(-2j * np.pi * np.mod(order * (late / length), 1.0)) / step
    return np.asarray(irfft(spectrum, length)[:frames])


def find_noise(values: FloatArray, piece: FloatArray, times: float = TIMES_USUAL) -> int | None:
    """Return the frame of a recording at which a piece of noise begins; None where it is not in it.

    Each frequency counts by its phase alone, so that the place is sharp whatever the response and the spectrum.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    length = next_fast_len(len(values) + len(piece), real=True)
    cross = rfft(values - np.mean(values), length) * np.conj(rfft(piece, length))
    low, high = (round(edge * length) for edge in COMPARED)
    cross[:low] = cross[high:] = 0.0
    cross /= np.maximum(np.abs(cross), 1e-300)
    likeness = np.abs(irfft(cross, length)[: len(values)])
    best = int(np.argmax(likeness))
    return best if likeness[best] > times * float(np.median(likeness)) else None


def follow(values: FloatArray, reference: FloatArray, block: int, reach: int) -> Course:
    """Return how late and how strong a recording is re a reference of the same length, block by half block.

    Each frequency has the same weight whatever its share of the noise, so that blocks are alike.

    Parameters
    ----------
    values, reference : float64 arrays, shape (frames,)
    block : int
        Frames.
    reach : int
        The lateness is looked for up to so many frames.
    """
    from scipy.fft import irfft, rfft

    hop = block // 2
    starts = np.arange(0, len(values) - block + 1, hop)
    if not len(starts):
        return Course(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0), 0.0)
    taper = np.hanning(block)
    cycles = np.arange(block // 2 + 1) / block
    there, played = (
        rfft(np.lib.stride_tricks.sliding_window_view(part, block)[starts] * taper, axis=1)
        for part in (values, reference)
    )
    cross = there * np.conj(played)
    seen, energy = np.abs(there) ** 2, np.abs(played) ** 2
    # The noise is made white by what is usual at a frequency; after the first turn, where it can be told at all.
    inside = (cycles > COMPARED[0]) & (cycles < COMPARED[1])
    weight = inside / np.maximum(np.mean(energy, axis=0), 1e-300)
    rough = irfft(cross * weight, axis=1)
    nearest = np.concatenate((np.arange(reach + 1), np.arange(-reach, 0)))
    best = nearest[np.argmax(np.abs(rough[:, nearest]), axis=1)]
    # A unit may invert; the same throughout.
    if np.median(rough[np.arange(len(best)), best]) < 0.0:
        cross, rough = -cross, -rough
    lateness = nearest[np.argmax(rough[:, nearest], axis=1)].astype(np.float64)
    for _ in range(3):
        turned = cross * np.exp(2j * np.pi * np.outer(lateness, cycles))
        share = np.abs(np.mean(turned, axis=0)) ** 2 / np.maximum(
            np.mean(seen, axis=0) * np.mean(energy, axis=0), 1e-300
        )
        slope = (turned.imag * cycles) @ (weight * share)
        curve = (turned.real * cycles**2) @ (weight * share)
        lateness = lateness - np.clip(slope / np.maximum(2.0 * np.pi * curve, 1e-300), -0.5, 0.5)
    weight = weight * share
    there_of_it = turned.real @ weight
    likeness = there_of_it / np.maximum(np.sqrt((energy @ weight) * (seen @ weight)), 1e-300)
    gain = there_of_it / np.maximum(energy @ weight, 1e-300)
    return Course(
        np.asarray(starts + 0.5 * block),
        np.asarray(lateness),
        np.asarray(gain),
        np.asarray(likeness),
        float(np.mean(share[inside])),
    )


def course_breaks(course: Course) -> tuple[Break, ...]:
    """Return where a known signal comes early or late at once, is weaker or stronger, or is not there at all."""
    if len(course.frames) < 8:
        return ()
    usual = float(np.median(course.likeness))
    spread = 1.4826 * float(np.median(np.abs(course.likeness - usual)))
    found = [
        Break("hole", int(course.frames[index]), -1.0)
        for index in np.flatnonzero(usual - course.likeness > max(LESS_LIKE * usual, DEVIATIONS * spread))
    ]
    step = course.lateness[2:] - course.lateness[:-2]
    off = step - np.median(step)
    spread = 1.4826 * float(np.median(np.abs(off)))
    found += [
        Break("jump", int(course.frames[index + 1]), float(off[index]))
        for index in np.flatnonzero(np.abs(off) > max(SMALLEST_JUMP, DEVIATIONS * spread))
    ]
    middle = float(np.median(course.gain))
    change = course.gain / middle - 1.0 if middle > 0.0 else np.zeros(len(course.gain))
    spread = 1.4826 * float(np.median(np.abs(change)))
    found += [
        Break("hole", int(course.frames[index]), float(change[index]))
        for index in np.flatnonzero(np.abs(change) > max(SMALLEST_CHANGE, DEVIATIONS * spread))
    ]
    if len(change) >= 2 * BLOCKS:
        together = np.array_split(np.arange(len(change)), BLOCKS)
        stepped = step_of(np.array([1.0 + float(np.mean(change[part])) for part in together]))
        if stepped is not None:
            found.append(Break("hole", int(course.frames[together[stepped[0]][0]]), stepped[1]))
    return tuple(sorted(found, key=lambda entry: entry.frame))
