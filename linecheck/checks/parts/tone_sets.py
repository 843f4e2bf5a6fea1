"""Finding a set of steady tones in each channel of a capture, the channels' own sets different or the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linecheck.checks.base import Capture, Location, Problem
from linecheck.checks.parts.many_tones import clock_ratio, sounding_span
from linecheck.checks.parts.steady import (
    dead_channel,
    ends_early,
    in_no_channel,
    last_settled,
    rate_too_low,
)
from linecheck.checks.parts.words import dropout, overdriven
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.phase_steps import level_step, phase_step
from linecheck.dsp.fits.tones import fit_tones

#: A channel whose own tones are this far below the loudest channel's is dead, dB.
DEAD_DB = 40.0
#: A channel in which another's tones are this far above its own carries the wrong signal, dB.
MISTAKEN_DB = 6.0
#: Lower tones are too slow to show when a stimulus begins, and too coarse to start a fit of the clocks' ratio from;
#: higher ones tell nothing more of either that the measurement would not fit anyway.
TELLING_HZ = (400.0, 5000.0)
#: Where tones make up less of a channel's power than this, it is not they that were found.
MIN_SHARE = 0.05
#: A capture is at its rail from here on; so many samples there are no chance.
RAIL = 1.0 - 2.0**-14
MIN_HELD = 12
#: So many tones show when a stimulus sounds.
MAX_WATCHED = 6
#: The test of continuity counts time in periods of the first tone that it is given.
PROOF_HZ = 350.0
#: So many tones tell a set's power.
MAX_MEASURED = 5


def proof_tones(tones_hz: FloatArray) -> tuple[float, ...]:
    """Return tones as the test of continuity takes them: first the one that sets its pace.

    By the period of a bass tone a lost sample is no step at all.
    """
    first = int(np.argmin(np.abs(np.log(tones_hz / PROOF_HZ))))
    return (float(tones_hz[first]), *(float(tone) for tone in np.delete(tones_hz, first)))


def set_powers(capture: Capture, sets_hz: Sequence[FloatArray], start: int, stop: int) -> FloatArray:
    """Return the power of a tone on average, shape (channels, sets), from some tones of each set (Hz, as captured)."""
    chosen = [_some(tones) for tones in sets_hz]
    narrowed = capture.narrowed(1.01 * max(float(np.max(tones)) for tones in sets_hz))
    together = np.unique(np.concatenate(chosen))
    powers = np.zeros((capture.channels, len(chosen)))
    for channel in range(capture.channels):
        record = narrowed.between(channel, start, stop)
        if len(record) < 4 * len(together) or not np.ptp(record) > 0.0:
            continue
        squares = np.abs(fit_tones(record, together / narrowed.rate_hz).amplitudes) ** 2
        for index, tones in enumerate(chosen):
            powers[channel, index] = 0.5 * float(np.mean(squares[np.searchsorted(together, tones)]))
    return powers


def _some(tones: FloatArray, most: int = MAX_MEASURED) -> FloatArray:
    """Return a few of a set's tones from all over it, the lowest left out."""
    higher = tones[tones >= TELLING_HZ[0]]
    few: FloatArray = higher[np.unique(np.linspace(0, len(higher) - 1, most).astype(int))]
    return few


@dataclass(frozen=True)
class Sounding:
    """Where tones sound in a capture, at which clock ratio, and a tone's power by channel and set."""

    start: int
    stop: int
    ratio: float
    powers: FloatArray


def find_sounding(capture: Capture, sets_hz: Sequence[FloatArray], seconds: float) -> Sounding | None:
    """Find where tones of any set (nominal, Hz) sound; None where none do.

    The highest tone of each set is looked at too, so that one narrowing of the capture serves all.
    """
    watched = np.unique(np.concatenate([_some(tones, MAX_WATCHED) for tones in sets_hz]))
    span = sounding_span(capture, watched, seconds)
    if span is None:
        return None
    low, high = TELLING_HZ
    telling = [np.append(tones[(tones >= low) & (tones <= high)], tones[-1]) for tones in sets_hz]
    ratio = clock_ratio(capture, telling, *span)
    if ratio is None:
        return None
    powers = set_powers(capture, [tones * ratio for tones in sets_hz], *span)
    # The foot of a strong tone nearby passes for a tone; it makes up next to nothing of what is there.
    narrowed = capture.narrowed(1.01 * max(float(np.max(tones)) for tones in sets_hz))
    first, last = narrowed.inside(*span)
    variances = np.var(narrowed.values[:, first:last], axis=1)
    made_of = powers @ [float(len(tones)) for tones in sets_hz] > MIN_SHARE * np.maximum(variances, 1e-300)
    return Sounding(*span, ratio, powers) if np.any(made_of) else None


def broken(
    capture: Capture, channel: int, name: str, tones_hz: FloatArray, span: tuple[int, int]
) -> Problem | None:
    """Return a problem where a channel's tones (Hz, as captured) step in phase between two frames."""
    narrowed = capture.narrowed(1.01 * float(np.max(tones_hz)))
    place = phase_step(narrowed.between(channel, *span), tones_hz / narrowed.rate_hz)
    if place is None:
        return None
    seconds = narrowed.seconds(span[0], place)
    what = f"the tones do not go on as they began, from about {seconds:.2f} s on"
    return dropout(name, f"{what}: a stretch is missing, or is there twice")


def uneven(
    capture: Capture, channel: int, name: str, tones_hz: FloatArray, span: tuple[int, int]
) -> Problem | None:
    """Return a problem where the level of a channel's tones (Hz, as captured) changes at once."""
    narrowed = capture.narrowed(1.01 * float(np.max(tones_hz)))
    step = level_step(narrowed.between(channel, *span), tones_hz / narrowed.rate_hz)
    return None if step is None else stepped_level(name, narrowed.seconds(span[0], step[0]), step[1])


def stepped_level(name: str, seconds: float, change: float) -> Problem:
    """Return the problem of a channel whose gain changes by a share of itself at a place."""
    decibels = 20.0 * np.log10(max(1.0 + change, 1e-3))
    return dropout(name, f"the level of the tones changes by {decibels:+.2g} dB at about {seconds:.2f} s")


def cut_off(capture: Capture, channel: int, name: str, start: int, stop: int) -> Problem | None:
    """Return a problem where a channel is at digital full scale again and again: a sum of tones is there once or twice.

    It does not stay there for several samples, as one slow tone does.
    """
    values = np.abs(capture.scaled[channel, start:stop])
    highest = float(np.max(values, initial=0.0))
    held = int(np.count_nonzero(values >= RAIL * highest)) if highest >= RAIL else 0
    return overdriven(name, held, highest) if held >= MIN_HELD else None


def not_there(capture: Capture, tones_hz: FloatArray) -> Problem:
    """Return what is wrong where no channel has the stimulus: another rate, or nothing."""
    telling = tones_hz[tones_hz >= TELLING_HZ[0]]
    return in_no_channel(capture, [float(tone) for tone in telling[:3]])


def beyond_rate(capture: Capture, highest_hz: float) -> Problem | None:
    """Return a problem where a capture's rate is too low for its stimulus."""
    return rate_too_low(capture.rate_hz, highest_hz) if highest_hz >= 0.475 * capture.rate_hz else None


def locate_tone_sets(
    capture: Capture, sets_hz: Sequence[FloatArray], seconds: float, channels: tuple[str, ...]
) -> Location:
    """Find the tones that sound in all channels at once.

    Raises nothing: what is wrong becomes a problem of the location (``stimulus_not_found``, ``wrong_rate``,
    ``too_short``, ``wrong_channel``), per channel where another channel is right.

    Parameters
    ----------
    capture : Capture
    sets_hz : sequence of float64 arrays, one per channel
        Nominal frequencies, ascending; the same array for all, or sets that have no tone in common.
    seconds : float
        How long they are measured.
    channels : tuple of str
    """
    sets = list({tones.tobytes(): tones for tones in sets_hz}.values())
    own = [
        next(i for i, tones in enumerate(sets) if tones is mine or np.array_equal(tones, mine))
        for mine in sets_hz
    ]
    every = np.unique(np.concatenate(sets))
    problem = beyond_rate(capture, float(every[-1]))
    if problem is not None:
        return Location.nowhere(channels, problem)
    sounding = find_sounding(capture, sets, seconds)
    if sounding is None:
        return Location.nowhere(channels, not_there(capture, every))
    ratio = sounding.ratio
    short = ends_early((sounding.stop - sounding.start) / capture.rate_hz, seconds)
    start, stop = last_settled(sounding.start, sounding.stop, seconds, capture.rate_hz)
    problems = _by_channel(sounding.powers, own, channels)
    void = {entry.channel for entry in problems}
    found = tuple(name not in void for name in channels)
    tones = tuple(
        proof_tones(mine * ratio) if there else () for mine, there in zip(sets_hz, found, strict=True)
    )
    steps = (
        cut_off(capture, index, name, start, stop)
        or broken(capture, index, name, sets_hz[index] * ratio, (start, stop))
        for index, name in enumerate(channels)
        if found[index]
    )
    problems += [problem for problem in (short, *steps) if problem is not None]
    return Location(start, stop, found, ratio, tones, tuple(problems))


def _by_channel(powers: FloatArray, own: Sequence[int], channels: tuple[str, ...]) -> list[Problem]:
    """Return which channels are dead, and which carry another's tones instead of their own."""
    problems: list[Problem] = []
    loudest = float(np.max(powers))
    for channel, name in enumerate(channels):
        mine = powers[channel, own[channel]]
        other = int(np.argmax(powers[channel]))
        theirs = powers[channel, other]
        if theirs < loudest * 10.0 ** (-DEAD_DB / 10.0):
            problems.append(dead_channel(name))
        elif theirs > mine * 10.0 ** (MISTAKEN_DB / 10.0):
            problems.append(mistaken_channel(name, channels[list(own).index(other)]))
    return problems


def mistaken_channel(name: str, other: str) -> Problem:
    """Return the problem of a channel that carries another's signal."""
    return Problem(
        "wrong_channel",
        f"carries the signal of {other} instead of its own: the channels are swapped, in the unit or by its cables",
        name,
    )
