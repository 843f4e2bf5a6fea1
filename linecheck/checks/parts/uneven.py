"""Noise that is weaker or stronger for a while, in a capture of which only its noise is known."""

from __future__ import annotations

import numpy as np

from linecheck.checks.base import Capture, Problem
from linecheck.dsp.continuity.steadiness import uneven_stretch

__all__ = ["uneven_noise"]

#: Noise is looked at up to here, and stops where it is so much weaker.
NOISE_TO_HZ, STOPS_DB = 20_000.0, -3.0


def uneven_noise(capture: Capture, start: int, stop: int, channels: tuple[str, ...]) -> tuple[Problem, ...]:
    """Return a problem for each channel whose noise is weaker or stronger for a while: it has no one level."""
    problems = []
    narrowed = capture.narrowed(NOISE_TO_HZ)
    first, _ = narrowed.inside(start, stop)
    for index, name in enumerate(channels):
        found = uneven_stretch(narrowed.between(index, start, stop), narrowed.rate_hz)
        if found is None:
            continue
        begin, end = (f"{(first + frame) / narrowed.rate_hz:.3f} s" for frame in (found.start, found.stop))
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
        problems.append(Problem("dropout", message, name))
    return tuple(problems)
