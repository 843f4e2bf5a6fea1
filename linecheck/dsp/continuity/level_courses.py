"""Whether a tone that goes down in level is whole: each level steady, and its phase the same at all of them.

========================  ===========================================================================
:class:`Level`            a tone as it was fitted at one level, and what the fit leaves
:func:`unsteady`          a level of which a part differs from the rest of it
:func:`patchy`            the same of a tone of any frequency, and what is left beside it
:func:`phase_step`        where the phase is one value up to a place and another from there on
:func:`foreign`           a few samples that do not belong to the tone
========================  ===========================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.continuity.continuity import clicks

#: A level is looked at every so many periods, in blocks of twice the length that rise and fall as a raised cosine: they
#: add to one, whatever stretch is looked at, and hum far below the tone is in none of them.
PERIODS, MAX_BLOCKS = 5.0, 120
#: Part of a level, or all from a place on, differs where it does by so many standard deviations. Of noise a stretch
#: does with the probability exp(-z²/2); a check of 25 levels in two channels has some 10,000 stretches that have
#: little in common, so that one check in 10^6 is flagged, or in 10^4 where noise is a quarter more than it seems.
DEVIATIONS = 7.0
#: What changes a level's mean by less of itself says nothing of the unit: 0.02 dB.
MATTERS = 0.002
#: A phase that steps by less is none, rad; and no level's is the same as another's to better than this.
MIN_STEP, ALIKE = 0.015, 0.002
#: A record of few periods has so many blocks of a period at least; what holds so many times the usual part's power is
#: no part of what goes on, which even where a clock wanders is within ten times of it.
FEW_BLOCKS, PATCHES, PATCHY = 12.0, 24, 16.0
#: What stands out of the noise of a level by less than this share of its tone is a unit's distortion.
OUT_OF_TONE = 0.01


@dataclass(frozen=True)
class Level:
    """A tone at one level.

    Attributes
    ----------
    first : int
        The frame at which it begins.
    amplitude : complex
        Peak amplitude, phase in the middle of the record.
    rest : float64 array, shape (frames,)
        What the fit leaves of the record.
    noise : float
        Its density at the tone, power per cycle per frame.
    beside : float
        Amplitudes of steady lines near the tone that were taken off before: how wrong that may be.
    """

    first: int
    amplitude: complex
    rest: FloatArray
    noise: float
    beside: float = 0.0

    def blocks(self, tone: float, periods: float = PERIODS) -> tuple[FloatArray, ComplexArray, float]:
        """Return blocks' middles, how far each one's tone is off re the level's (1 is all of it), and the variance.

        Of a complex value the real part is the level, the imaginary one the phase, rad; the variance is that of either.
        """
        size = max(round(periods / tone), -(-len(self.rest) // MAX_BLOCKS))
        halves = len(self.rest) // size
        table = self.rest[: halves * size].reshape(halves, size)
        # A turn is that of its block's first frame times that within a block: few sines, whatever the length.
        frames = np.arange(size)
        turn = np.exp(-2j * np.pi * np.mod(tone * frames, 1.0))
        rise = np.sin(0.5 * np.pi * (frames + 0.5) / size) ** 2
        both = np.stack((turn * rise, turn * rise[::-1]), axis=1)
        rising, falling = (table @ both.view(np.float64)).view(np.complex128).T
        starts = np.arange(halves) * float(size) - 0.5 * (len(self.rest) - 1)
        turns = np.exp(-2j * np.pi * np.mod(tone * starts, 1.0)) * (2.0 / size / self.amplitude)
        off = rising[:-1] * turns[:-1] + falling[1:] * turns[1:]
        middles = self.first + size * np.arange(1.0, halves)
        return middles, np.asarray(off, dtype=np.complex128), self.noise / size / abs(self.amplitude) ** 2


def unsteady(level: Level, tone: float, matters: float = MATTERS) -> int | None:
    """Return the frame from which on a stretch of a level differs from the rest of it; None where none does.

    All stretches are tried, each with the sum of what its blocks are off: that of a muted one grows with its length,
    that of noise with the root of it. What moves the level's mean by no more than ``matters``, re itself, is no break.
    """
    found = _stretch(level, tone, PERIODS)
    return None if found is None or found[1] <= matters + level.beside / abs(level.amplitude) else found[0]


def patchy(level: Level, tone: float, smallest: float) -> int | None:
    """Return the frame from which on a tone, or what is left beside it, is another for a while; None where none is.

    A unit's own noise and distortion go on throughout. So a short part with far more power than the others is none of
    it, and neither is a level or phase that differs for a while.

    Parameters
    ----------
    level : Level
    tone : float
        Cycles per frame.
    smallest : float
        A level or phase that differs by less, as the root of its mean square over the record re the tone, is the
        unit's.
    """
    count = len(level.rest) // PATCHES
    powers = np.mean(level.rest[: count * PATCHES].reshape(PATCHES, count) ** 2, axis=1)
    if np.max(powers) > PATCHY * np.median(powers):
        return level.first + count * int(np.argmax(powers))
    found = _stretch(level, tone, float(np.clip(len(level.rest) * tone / FEW_BLOCKS, 1.0, PERIODS)))
    return None if found is None or found[2] <= smallest else found[0]


def _stretch(level: Level, tone: float, periods: float) -> tuple[int, float, float] | None:
    """Return the stretch that differs most: frame, by how much it moves the mean, the root of its mean square."""
    middles, off, variance = level.blocks(tone, periods)
    count = len(off)
    if count < 3:
        return None
    off = off - np.mean(off)
    sums = np.concatenate(([0.0], np.cumsum(off)))
    begins, ends = np.triu_indices(count + 1, 1)
    lengths = ends - begins
    inside = lengths < count
    begins, ends, lengths = begins[inside], ends[inside], lengths[inside]
    squares = np.abs(sums[ends] - sums[begins]) ** 2
    taken = squares / (lengths * (1.0 - lengths / count))
    best = int(np.argmax(taken))
    if taken[best] < DEVIATIONS**2 * variance or _line_takes(middles, off, np.ones(count)) > taken[best]:
        return None
    return (
        int(middles[begins[best]]),
        float(np.sqrt(squares[best])) / count,
        float(np.sqrt(taken[best] / count)),
    )


def phase_step(levels: Sequence[Level], tone: float) -> int | None:
    """Return the frame at which a tone's phase steps; None where it does not.

    All blocks of all levels are one course of phases, straight where nothing is lost: clocks that drift turn it little
    by little.
    """
    if len(levels) < 2:
        return None
    middles, phases, weights, sizes = (
        np.concatenate(part) for part in zip(*_phases(levels, tone), strict=True)
    )
    total = float(np.sum(weights))
    time = middles - float(weights @ middles) / total
    line = np.stack((np.full(len(time), total**-0.5), time / np.sqrt(float(weights @ time**2))))
    left = phases - (line * weights @ phases) @ line
    # A step's own straight line is taken off it as it is off the phases.
    after = np.cumsum((weights * np.vstack((left, np.ones(len(left)), line)))[:, ::-1], axis=1)[:, ::-1]
    free = np.maximum(after[1] - after[2] ** 2 - after[3] ** 2, 1e-12 * total)
    steps, strength = after[0] / free, after[0] ** 2 / free
    strength[np.abs(steps) < MIN_STEP] = 0.0
    best = int(np.argmax(strength))
    if strength[best] < DEVIATIONS**2:
        return None
    # A line has the same size at all levels, so that it sways the phase of faint ones.
    swayed = _line_takes(middles, left * sizes, weights / sizes**2)
    return None if swayed > strength[best] else int(middles[best])


def _phases(
    levels: Sequence[Level], tone: float
) -> list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]]:
    """Return each level's blocks: middles, phases re the loudest level's, weights, and the tone's amplitude."""
    loudest = max(levels, key=lambda level: abs(level.amplitude))

    def at_zero(level: Level) -> complex:
        cycles = tone * (level.first + 0.5 * (len(level.rest) - 1))
        return complex(level.amplitude * np.exp(-2j * np.pi * np.mod(cycles, 1.0)))

    rows = []
    for level in levels:
        middles, off, variance = level.blocks(tone)
        phase = float(np.angle(at_zero(level) * np.conj(at_zero(loudest))))
        weight = 1.0 / (variance + len(off) * (ALIKE + level.beside / abs(level.amplitude)) ** 2)
        rows.append(
            (
                middles,
                np.asarray(phase + off.imag),
                np.full(len(off), weight),
                np.full(len(off), abs(level.amplitude)),
            )
        )
    return rows


def _line_takes(middles: FloatArray, off: ComplexArray | FloatArray, weights: FloatArray) -> float:
    """Return how much of weighted squares a single line takes off, at most.

    A steady line that the fits do not know sways levels and phases: it is the cause where it explains them as well as
    a break does.
    """
    span = float(np.ptp(middles)) + 1.0
    places = np.arange(0.25, 0.5 * span / float(middles[1] - middles[0]), 0.25) / span
    places = np.concatenate((-places, places))
    turns = np.exp(-2j * np.pi * np.outer(places, middles - middles[0]))
    along = turns @ (weights * off)
    total = float(np.sum(weights))
    if np.iscomplexobj(off):
        return float(np.max(np.abs(along) ** 2, initial=0.0)) / total
    # Of real values a line is a cosine and a sine, which are not apart where weights differ.
    twice = turns**2 @ weights
    aa, bb, ab = 0.5 * (total + twice.real), 0.5 * (total - twice.real), -0.5 * twice.imag
    xa, xb = along.real, -along.imag
    determinant = np.maximum(aa * bb - ab**2, 1e-9 * total**2)
    return float(np.max((xa**2 * bb - 2.0 * xa * xb * ab + xb**2 * aa) / determinant, initial=0.0))


def foreign(levels: Sequence[Level], tone: float) -> int | None:
    """Return the frame of a few samples that belong neither to the tone nor to the noise; None where there are none."""
    rests = []
    for level in levels:
        # Second differences: hum moves slowly.
        rest = np.diff(level.rest, 2)
        usual = 1.4826 * float(np.median(np.abs(rest)))
        rests.append(rest / max(usual, OUT_OF_TONE * abs(level.amplitude), 1e-300))
    found = clicks(np.concatenate(rests), 0.0, round(PERIODS / tone)) if rests else ()
    if not found:
        return None
    ends = np.cumsum([len(rest) for rest in rests])
    index = int(np.searchsorted(ends, found[0].frame, side="right"))
    return levels[index].first + found[0].frame - int(ends[index]) + len(rests[index])
