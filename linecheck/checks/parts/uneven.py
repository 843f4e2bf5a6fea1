"""Noise that is weaker or stronger for a while, or cut off, in a capture of which only its noise is known."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linecheck.checks.base import Capture, Problem
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.continuity import level_steps
from linecheck.dsp.continuity.held import cut_noise
from linecheck.dsp.continuity.steadiness import Uneven, uneven_stretch

#: Noise is looked at up to here, and stops where it is so much weaker.
NOISE_TO_HZ, STOPS_DB = 20_000.0, -3.0
#: Direct voltage is taken over so long.
MEAN_SECONDS = 0.004


def uneven_noise(capture: Capture, start: int, stop: int, channels: tuple[str, ...]) -> tuple[Problem, ...]:
    """Return a problem for each channel whose noise is cut off, or weaker or stronger for a while: it has no one level.

    One for the whole capture where only all channels together show it: what changes a capture changes them alike.
    """
    cut = tuple(_cut_off(capture.scaled, start, stop, channels))
    if cut:
        return cut
    narrowed = capture.narrowed(NOISE_TO_HZ)
    first, last = narrowed.inside(start, stop)
    values, rate = narrowed.values[:, first:last], narrowed.rate_hz
    stepped = tuple(_stepped(values, first, rate, channels))
    if stepped:
        return stepped
    found = {name: uneven_stretch(own, rate) for name, own in zip(channels, values, strict=True)}
    if not any(found.values()) and len(channels) > 1:
        together = uneven_stretch(values, rate)
        return () if together is None else (_problem(together, first, rate, None),)
    return tuple(_problem(own, first, rate, name) for name, own in found.items() if own is not None)


def _cut_off(scaled: FloatArray, start: int, stop: int, channels: tuple[str, ...]) -> Iterator[Problem]:
    """Yield a problem for each channel in which something holds the noise at its greatest or least value."""
    for name, values in zip(channels, scaled[:, start:stop], strict=True):
        count, rail = cut_noise(values)
        if count:
            message = f"{count} samples are at {rail:+.3g} of full scale, as far as the noise goes: it is cut off there"
            yield Problem("clipping", f"{message}. May be the unit's own fault.", name)


def _stepped(values: FloatArray, first: int, rate_hz: float, channels: tuple[str, ...]) -> Iterator[Problem]:
    """Yield a problem for each channel whose direct voltage changes at once: all of its audio band would be that."""
    block = round(MEAN_SECONDS * rate_hz)
    for name, own in zip(channels, values, strict=True):
        means = own[: len(own) // block * block].reshape(-1, block).mean(axis=1)
        for step in level_steps(means, block):
            seconds = (first + step.frame) / rate_hz
            message = f"the direct voltage steps at {seconds:.3f} s. May be the unit's own fault."
            yield Problem("dropout", message, name)


def _problem(found: Uneven, first: int, rate_hz: float, name: str | None) -> Problem:
    begin, end = (f"{(first + frame) / rate_hz:.3f} s" for frame in (found.start, found.stop))
    decibels = 10.0 * np.log10(max(found.times, 1e-9))
    why = (
        "the unit mutes itself (dither: true keeps it open), or a stretch of the capture is missing"
        if decibels < STOPS_DB
        else "it has no one level"
    )
    message = (
        f"from {begin} to {end} the noise is {abs(decibels):.1f} dB {'weaker' if decibels < 0.0 else 'stronger'} "
        f"than in the rest: {why}. May be the unit's own fault."
    )
    return Problem("dropout", message, name)
