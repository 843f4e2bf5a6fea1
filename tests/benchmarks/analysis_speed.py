"""Analysis: the time that a check's capture takes, over one Fourier transform of every channel of it."""

import time
from dataclasses import replace

import numpy as np
from scipy.fft import next_fast_len, rfft

from linecheck.checks import kinds
from linecheck.checks.base import Reference
from linecheck.limits.model import Check
from linecheck.measure.measure import Analysis, take_measurement
from linecheck.station.interfaces.simulated.interface import SimulatedInterface

CHANNELS = ("left", "right")
RAMP_SECONDS = 0.01


def _best(function, repeats):
    walls = []
    for _ in range(repeats):
        begun = time.perf_counter()
        function()
        walls.append(time.perf_counter() - begun)
    return min(walls)


def rows(quick):
    """Return the table's lines, and one for all kinds together."""
    table = []
    walls = captured = played = 0.0
    for name, kind in kinds().items():
        parameters = kind.stimulus_parameters()
        stimulus = kind.stimulus(parameters, len(CHANNELS), RAMP_SECONDS)
        capture = SimulatedInterface().play(name, stimulus)
        reference = Reference("tone", (-6.0, -6.0), (1e-4, 1e-4)) if kind.reference_kind else None
        check = Check(name, kind, parameters, kind.analysis_parameters(), {}, {}, reference and "tone")
        analysis = Analysis(check, capture, CHANNELS, "simple", reference)
        assert take_measurement(analysis).readings, f"{name} measured nothing"
        values = np.ascontiguousarray(capture.scaled)
        length = next_fast_len(capture.frames, real=True)
        repeats = 1 if quick else 5
        floor = _best(lambda values=values, length=length: rfft(values, length), repeats + 1)
        # A new capture each time: what one keeps of its own samples counts as well.
        wall = _best(
            lambda analysis=analysis: take_measurement(replace(analysis, capture=replace(analysis.capture))),
            repeats,
        )
        walls, captured, played = walls + wall, captured + capture.seconds, played + stimulus.seconds
        table.append(
            (
                f"analysis of {name}, {capture.seconds:.1f} s at {capture.rate_hz / 1e3:g} kHz",
                f"{1e3 * wall:.0f} ms, {1e3 * wall / capture.seconds:.0f} ms per second",
                f"one FFT {1e3 * floor:.0f} ms",
                f"{wall / floor:.0f}",
                "10, or for a reason",
            )
        )
    table.append(
        (
            f"analysis of all {len(table)} kinds, {played:.1f} s of stimuli",
            f"{walls:.2f} s",
            f"captures {captured:.1f} s",
            f"{captured / walls:.1f} times real time",
            "at least 10",
        )
    )
    return table
