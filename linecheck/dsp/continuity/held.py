"""Samples that are held: at the top and the bottom as a clipped input leaves them, or anywhere as a hole does.

==========================  ======================================================================
:func:`flat_tops`           samples held at the greatest or least code, as a clipped input leaves them
:func:`overdriven`          samples at the rail where a tone would go further
:func:`heaped_at_rail`      samples heaped at full scale, whatever the signal
:func:`cut_noise`           samples heaped at the greatest or least value of noise
:func:`held_stretch`        a stretch of one value where the signal should move
==========================  ======================================================================
"""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.dsp.fits.tones import fit_scaled_tones, fit_tones_and_lines
from linecheck.dsp.spectra.spectra import find_lines

#: What is usual is told from so many runs of one value on either side, and a signal moves from so many steps on.
RUNS_AROUND, STEPS_MOVED = 32, 3.0
#: Noise is cut off where this many samples more than so many times those at the next value are at its last one: the
#: further from its middle, the fewer there are. It takes on so many values at least, or its steps are coarse.
HEAPED, TIMES_NEXT, MIN_VALUES = 20, 3, 16
#: A converter's rail is at least there, re full scale. Samples are heaped at it where there are so many times those at
#: the next values: a sine that is one step too great for it has 3.4 times as many there, as it comes.
RAIL, TIMES_NEAR, NEAR = 0.98, 8, 4


def flat_tops(values: FloatArray, slowest: float, step: float) -> tuple[int, float]:
    """Count samples that are held at the greatest or the least value of a channel.

    A sine stays within one step of its peak for some samples by itself; only longer runs count.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    slowest : float
        The lowest frequency that the signal has strongly, cycles per frame.
    step : float
        Quantising step re full scale 1.0 (0 for float samples).

    Returns
    -------
    held : int
        Number of samples in such runs.
    rail : float
        The value that they are held at (the one held more often).
    """
    held_at: list[tuple[int, float]] = []
    amplitude = max(0.5 * float(np.ptp(values)), step, 1e-12)
    natural = 2.0 * np.sqrt(2.0 * step / amplitude) / (2.0 * np.pi * max(slowest, 1e-6))
    least = max(3, int(np.ceil(2.0 * natural)) + 2)
    for rail in (float(np.max(values)), float(np.min(values))):
        if abs(rail) < 1e-3:
            continue
        at = np.flatnonzero(values == rail)
        lengths = np.diff(np.flatnonzero(np.diff(at, prepend=-2, append=len(values) + 1) > 1))
        held_at.append((int(np.sum(lengths[lengths >= least])), rail))
    held = sum(count for count, _ in held_at)
    return held, max(held_at, default=(0, 0.0))[1]


def cut_noise(values: FloatArray) -> tuple[int, float]:
    """Count the samples of noise that are heaped at its greatest or least value, and return that value.

    Parameters
    ----------
    values : float64 array, shape (frames,)
        Noise, perhaps with hum and an offset: anything but a signal that repeats.
    """
    for last in (float(np.max(values)), float(np.min(values))):
        at = int(np.count_nonzero(values == last))
        if at < HEAPED:
            continue
        codes, counts = np.unique(values, return_counts=True)
        following = int(counts[-2] if codes[-1] == last else counts[1]) if len(codes) >= MIN_VALUES else at
        if at > TIMES_NEXT * following + HEAPED:
            return at, last
    return 0, 0.0


def heaped_at_rail(values: FloatArray) -> tuple[int, float]:
    """Count the samples that are heaped at full scale, singly or not, and return the value that they are at.

    A signal is the more seldom at a value the nearer that is to its greatest, or as often where it repeats; one that is
    cut off is there as often as it would go further. What just reaches full scale is not cut off.

    Parameters
    ----------
    values : float64 array, shape (frames,)
        Anything but a tone slow enough to stay at its peak.
    """
    found: list[tuple[int, float]] = []
    for rail, side in ((float(np.max(values)), 1.0), (float(np.min(values)), -1.0)):
        at = int(np.count_nonzero(values == rail))
        if side * rail <= RAIL or at < HEAPED:
            continue
        _, counts = np.unique(side * values, return_counts=True)
        near = int(np.max(counts[-1 - NEAR : -1], initial=0)) if len(counts) >= MIN_VALUES else at
        if at > TIMES_NEAR * near + HEAPED:
            found.append((at, rail))
    return sum(count for count, _ in found), max(found, default=(0, 0.0))[1]


def held_stretch(values: FloatArray, least: int) -> tuple[int, int] | None:
    """Find the longest stretch of one value that stands out from what is around it; None where none does.

    A value that is held is evidence only where the signal does not stay as long by itself: it must be 20 times as long
    as is usual around it, and in as much time before and after it the signal must move by more than a few steps.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    least : int
        Shorter ones are not looked at, frames.

    Returns
    -------
    start, length : int
    """
    differences = np.diff(values)
    if len(differences) - np.count_nonzero(differences) < least - 1:
        return None
    edges = np.concatenate(([0], np.flatnonzero(differences) + 1, [len(values)]))
    lengths = np.diff(edges).astype(np.float64)
    if np.max(lengths) < least:
        return None
    places = np.flatnonzero(lengths >= least)
    first, last = np.maximum(places - RUNS_AROUND, 0), np.minimum(places + 1 + RUNS_AROUND, len(lengths))
    total, squares = (np.concatenate(([0.0], np.cumsum(part))) for part in (lengths, lengths**2))
    own = lengths[places]
    usual = (squares[last] - squares[first] - own**2) / np.maximum(total[last] - total[first] - own, 1.0)
    places = places[own >= 20.0 * (usual + 1.0)]
    step = float(np.min(np.abs(differences[edges[1:-1] - 1]))) if len(edges) > 2 else 0.0
    for place in places[np.argsort(-lengths[places], kind="stable")]:
        start, length = int(edges[place]), int(lengths[place])
        if _moves(values, start, length, STEPS_MOVED * step):
            return start, length
    return None


def _moves(values: FloatArray, start: int, length: int, least: float) -> bool:
    """Return whether a signal moves by so much in most stretches of a length on either side of one."""
    for around in (values[max(0, start - 4 * length) : start], values[start + length : start + 5 * length]):
        count = len(around) // length
        table = around[: count * length].reshape(count, length) if count else around[None, :]
        if table.size and float(np.median(np.ptp(table, axis=1))) > least:
            continue
        # At an end of the record there is one side only.
        if table.size >= length:
            return False
    return True


def overdriven(values: FloatArray, frequency: float, step: float) -> tuple[int, float]:
    """Count samples at the greatest or least value where a tone would go further.

    A converter at its rail cuts single samples too, at frequencies where no two in a row are held. A tone that just
    reaches full scale has samples there as well, but it would not go further.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequency : float
        Of the tone, cycles per frame, as found.
    step : float
        Quantising step re full scale 1.0 (0 for float samples).

    Returns
    -------
    cut : int
    rail : float
        The value that most of them are at.
    """
    # No clipped sine is greater than that of a square wave's fundamental.
    greatest = 4.0 / np.pi * 0.5 * float(np.ptp(values))
    if not any(len(at) for at, _, _ in _at_rails(values, greatest, step)):
        return 0, 0.0
    alone, residual = fit_scaled_tones(values, np.array([frequency]))
    cut = _beyond_rails(values, residual, abs(alone.amplitudes[0]), step)
    if cut[0]:
        return cut
    extra = find_lines(residual, 1.0, 3.0 / len(values), 0.4999, most=8)
    order = np.maximum(np.rint(extra / frequency), 1.0)
    extra = extra[np.abs(extra - order * frequency) > 2.0 / len(values)]
    if not len(extra):
        return cut
    tone, _, residual = fit_tones_and_lines(values, alone.frequencies, extra)
    return _beyond_rails(values, residual, abs(tone.amplitudes[0]), step)


def _beyond_rails(
    values: FloatArray, residual: FloatArray, amplitude: float, step: float
) -> tuple[int, float]:
    """Count the samples at the rails where the model (values less residual) goes further; see :func:`overdriven`."""
    noise = float(np.std(residual))
    cut: list[tuple[int, float]] = []
    for at, rail, side in _at_rails(values, amplitude, step):
        if not len(at):
            continue
        further = float(np.mean(side * (values[at] - residual[at] - rail)))
        if further <= max(2.0 * step, min(4.0 * noise / np.sqrt(len(at)), 0.1 * amplitude)):
            continue
        # A signal that repeats exactly meets its own greatest value again and again.
        if abs(rail) > 1.0 - 2.0 * max(step, 1e-7) or len(np.unique(values)) > 0.2 * len(values):
            cut.append((len(at), rail))
    return sum(count for count, _ in cut), max(cut, default=(0, 0.0))[1]


def _at_rails(values: FloatArray, amplitude: float, step: float) -> tuple[tuple[IntArray, float, float], ...]:
    """Return which samples are at either rail (none where a tone has as many at its peak), the rail, and its side."""
    natural = len(values) * np.sqrt(2.0 * step / max(amplitude, step, 1e-12)) / np.pi
    found = []
    for rail, side in ((float(np.max(values)), 1.0), (float(np.min(values)), -1.0)):
        at = np.flatnonzero(values == rail)
        found.append((at if len(at) > 5 + 4.0 * natural else at[:0], rail, side))
    return tuple(found)
