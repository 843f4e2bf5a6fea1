"""Captures of stimuli in steps whose every part is known exactly: closed forms at the capture's own instants."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, CheckKind, Context, Location, Measurement, Parameters, Reading
from linecheck.checks.parts.stepped import StepPlan

FloatArray = NDArray[np.float64]

RAMP_SECONDS = 0.01
NAMES = ("left", "right")


@dataclass(frozen=True)
class Bench:
    """How a plan gets into a capture.

    ``density`` is the noise's, power per hertz re the unit's full scale 1.0; ``clock_ppm`` the unit's clock against the
    capture's; ``gains`` one entry a channel; ``lines`` are (Hz, amplitude) of what is there all the time.
    """

    rate_hz: int = 48_000
    clock_ppm: float = 0.0
    delay_seconds: float = 0.1
    tail_seconds: float = 0.1
    density: float = 0.0
    gains: tuple[float, ...] = (1.0,)
    bend: Callable[[FloatArray], FloatArray] = lambda values: values
    lines: tuple[tuple[float, float], ...] = ()
    seed: int = 0

    def capture(self, plan: StepPlan) -> Capture:
        """Return what comes back of a plan."""
        clock = 1.0 + 1e-6 * self.clock_ppm
        sounding = plan.seconds + 2.0 * RAMP_SECONDS
        frames = int((self.delay_seconds + sounding / clock + self.tail_seconds) * self.rate_hz)
        time = np.arange(frames) / self.rate_hz
        unit = (time - self.delay_seconds) * clock - RAMP_SECONDS
        edge = np.minimum(unit + RAMP_SECONDS, plan.seconds + RAMP_SECONDS - unit) / RAMP_SECONDS
        values = self.bend(plan.at(unit) * (0.5 - 0.5 * np.cos(np.pi * np.clip(edge, 0.0, 1.0))))
        for frequency, amplitude in self.lines:
            values = values + amplitude * np.cos(2.0 * np.pi * frequency * time + 0.01 * frequency)
        generator = np.random.default_rng(self.seed)
        deviation = np.sqrt(0.5 * self.density * self.rate_hz)
        noise = generator.standard_normal((frames, len(self.gains))) * deviation
        return Capture((values[:, None] + noise) * np.array(self.gains), self.rate_hz, mains_hz=50.0)

    def first_frame(self, plan: StepPlan) -> float:
        """Return where the first measured part begins in the capture, frames."""
        seconds = self.delay_seconds + (RAMP_SECONDS + float(plan.starts[0])) / (1.0 + 1e-6 * self.clock_ppm)
        return seconds * self.rate_hz


def density_of(noise_dbfs: float, band_hz: float) -> float:
    """Return the density of noise of a level (dB re a full-scale sine) in a band."""
    return float(0.5 * 10.0 ** (noise_dbfs / 10.0) / band_hz)


def polynomial(a2: float, a3: float) -> Callable[[FloatArray], FloatArray]:
    """y = x + a2 x² + a3 x³."""
    return lambda values: values * (1.0 + values * (a2 + values * a3))


def with_gains(plan: StepPlan, gains_db: Sequence[float]) -> StepPlan:
    """Return a plan as a unit makes it whose gain differs from step to step."""
    steps = tuple(
        replace(step, amplitudes=tuple(entry * 10.0 ** (gain / 20.0) for entry in step.amplitudes))
        for step, gain in zip(plan.steps, gains_db, strict=True)
    )
    return StepPlan(steps)


def measured(
    kind: CheckKind, capture: Capture, stimulus: Parameters, analysis: Parameters | None = None
) -> tuple[Location, Measurement]:
    """Locate and measure, as the station does; what is found wrong fails the test."""
    names = NAMES[: capture.channels]
    location = kind.locate(capture, stimulus, names)
    assert not location.problems, location.problems
    result = kind.measure(capture, location, stimulus, analysis or kind.analysis_parameters(), Context(names))
    assert not [problem for problem in result.problems if problem.blocks], result.problems
    return location, result


def reading(result: Measurement, metric: str, channel: str = "left") -> Reading:
    """The reading of a metric in a channel."""
    return next(item for item in result.readings if (item.metric, item.channel) == (metric, channel))
