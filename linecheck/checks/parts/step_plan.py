"""Plans of stimuli in steps: what sounds when.

A plan is a row of steps. Each is a sum of a few steady tones; the next one fades in, along a raised cosine, while it
fades out. Time zero of a plan is the end of the first ramp.

::

    ramp │ settle │ measured │ leave │ fade │ settle │ measured │ leave │ fade │ … │ measured │ leave │ ramp

The tones' phases go on from time zero through all steps: where only the level changes, the tone is the same tone.

What is measured of a step stays clear of the fades: the clocks' ratio is fitted before the steps are laid over the
capture, so only the start's own uncertainty (about 1 ms) has to fit into ``leave`` and ``settle``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from linecheck.checks.parts.steady import SETTLE_SECONDS
from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.dsp.continuity.step_match import Schedule
from linecheck.dsp.continuity.step_proof import FAR_LOWER

#: Between two measured parts: kept clear, faded over, settled.
LEAVE_SECONDS, FADE_SECONDS, STEP_SETTLE_SECONDS = 0.005, 0.004, 0.011
#: So many steps, those that tell it best, give the clocks' ratio.
RATIO_STEPS = 5
#: Fades are taken to be so long where the time is that a plan sounds; its first and last step go on so much longer.
NOMINAL_RAMP_SECONDS = 0.01


@dataclass(frozen=True)
class Step:
    """Steady tones for some time.

    Attributes
    ----------
    tones_hz, amplitudes : tuple of float
        Frequencies, and peak amplitudes re full scale 1.0.
    seconds : float
        Length of the measured part.
    """

    tones_hz: tuple[float, ...]
    amplitudes: tuple[float, ...]
    seconds: float


@dataclass(frozen=True)
class StepPlan:
    """Steps, one after another."""

    steps: tuple[Step, ...]

    @cached_property
    def starts(self) -> FloatArray:
        """When each measured part begins, seconds from time zero."""
        gap = LEAVE_SECONDS + FADE_SECONDS + STEP_SETTLE_SECONDS
        lengths = np.array([step.seconds for step in self.steps])
        starts: FloatArray = SETTLE_SECONDS + np.concatenate(([0.0], np.cumsum(lengths[:-1] + gap)))
        return starts

    @cached_property
    def stops(self) -> FloatArray:
        """When each measured part ends, seconds from time zero."""
        stops: FloatArray = self.starts + np.array([step.seconds for step in self.steps])
        return stops

    @property
    def seconds(self) -> float:
        """When the last step begins to fade out."""
        return float(self.stops[-1]) + LEAVE_SECONDS

    @cached_property
    def tones_hz(self) -> FloatArray:
        """All tones, ascending."""
        return np.unique([tone for step in self.steps for tone in step.tones_hz])

    @cached_property
    def telling_hz(self) -> FloatArray:
        """The tones that show the steps, ascending: hum sways those that sound far below another."""
        return np.unique(
            [tone for step in self.steps for tone in step.tones_hz if tone > FAR_LOWER * max(step.tones_hz)]
        )

    @cached_property
    def schedule(self) -> Schedule:
        """Which of these tones sounds at which amplitude when."""
        edges = np.concatenate(([0.0], self.stops[:-1] + LEAVE_SECONDS + 0.5 * FADE_SECONDS, [self.seconds]))
        edges[[0, -1]] += 0.5 * NOMINAL_RAMP_SECONDS * np.array([-1.0, 1.0])
        amplitudes = np.zeros((len(self.telling_hz), len(self.steps)))
        for index, step in enumerate(self.steps):
            for tone, amplitude in zip(step.tones_hz, step.amplitudes, strict=True):
                amplitudes[self.telling_hz == tone, index] = amplitude
        return Schedule(edges, amplitudes)

    def at(self, seconds: FloatArray) -> FloatArray:
        """Return the signal at ascending times from time zero; the first and the last step go on without end."""
        values = np.zeros(len(seconds))
        fades = self.stops[:-1] + LEAVE_SECONDS
        begins = np.concatenate(([-np.inf], fades))
        ends = np.concatenate((fades + FADE_SECONDS, [np.inf]))
        for step, begin, end in zip(self.steps, begins, ends, strict=True):
            part = slice(*np.searchsorted(seconds, (begin, end)))
            time = seconds[part]
            gain = _rise((time - begin) / FADE_SECONDS) * _rise((end - time) / FADE_SECONDS)
            for tone, amplitude in zip(step.tones_hz, step.amplitudes, strict=True):
                cycles = time * tone
                values[part] += amplitude * gain * np.cos(2.0 * np.pi * (cycles - np.rint(cycles)))
        return values

    def within(self, decibels: float) -> IntArray:
        """Return the steps that are at most so much weaker than the loudest."""
        sizes = np.array([max(step.amplitudes) for step in self.steps])
        return np.flatnonzero(sizes > 0.999 * np.max(sizes) * 10.0 ** (-decibels / 20.0))

    def informing(self) -> list[int]:
        """Return the steps that tell the clocks' ratio best: loud, long, high (Cramér–Rao: f² A² T³)."""
        weights = [
            sum((tone * size) ** 2 for tone, size in zip(step.tones_hz, step.amplitudes, strict=True))
            * step.seconds**3
            for step in self.steps
        ]
        return [int(index) for index in np.argsort(weights)[::-1][:RATIO_STEPS]]


def level_steps(highest_dbfs: float, lowest_dbfs: float, step_db: float) -> list[float]:
    """Return levels from the highest down, ``step_db`` apart, none below the lowest."""
    count = int(np.floor((highest_dbfs - lowest_dbfs) / step_db + 1e-9)) + 1
    return [highest_dbfs - index * step_db for index in range(count)]


def _rise(place: FloatArray) -> FloatArray:
    """Return a raised cosine from 0 at 0 to 1 at 1."""
    risen: FloatArray = 0.5 - 0.5 * np.cos(np.pi * np.clip(place, 0.0, 1.0))
    return risen
