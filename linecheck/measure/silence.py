"""Silent channels: the unit, its lead or the station's input is dead.

Which of them it is, no capture can say. A loop check since the station's last change proves the path, and a silent
channel is then the unit's: its readings are judged. Without one they judge nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from linecheck.checks.base import Capture, Location, Measurement, Problem, Reading
from linecheck.checks.parts.readings import DB_PER_NEPER
from linecheck.limits.model import Mask
from linecheck.run.voiding import SILENT

#: A channel that is there lies above what crosstalk and noise leave in a dead one by more than this; common practice,
#: no source. Half a balanced line is 6 dB down, a muted output 60 dB or more.
SILENT_DB: Final = 40.0
#: Where no channel has its stimulus, what is above this (dBFS, rms) is something else that plays.
NOTHING_DBFS: Final = -60.0
_NOT_FOUND: Final = "stimulus_not_found"
_WRONG_RATE: Final = "wrong_rate"


@dataclass(frozen=True)
class LoopCheck:
    """What the log says of the station's own path.

    ``proves`` says whether a check of its loop has been met since anything of the station changed; ``text`` is what
    people read of it, empty where there is nothing to say. ``interface`` is what the interface said of itself then.
    ``rechecks`` says that a fail which a change of the path alone could make counts once the path was checked after it,
    and ``is_settled`` that it was, for this unit.
    """

    proves: bool
    text: str
    interface: Mapping[str, str] = field(default_factory=dict)
    rechecks: bool = False
    is_settled: bool = False

    @property
    def doubts_fails(self) -> bool:
        """Whether a fail that a change of the path alone could make is not the unit's yet."""
        return self.rechecks and not (self.proves and self.is_settled)

    def with_interface(self, now: Mapping[str, str]) -> LoopCheck:
        """Return what it is worth on an interface: nothing, where this is another than it was made on."""
        changed = sorted(
            name
            for name in self.interface.keys() & now.keys() - {"faults"}
            if self.interface[name] != now[name]
        )
        if not self.proves or not changed:
            return self
        name = changed[0]
        text = f"not checked: its {name} is now {now[name]}, and was {self.interface[name]} at the check"
        return replace(self, proves=False, text=text)


NO_LOOP_CHECK: Final = LoopCheck(False, "")


def silent_channels(
    capture: Capture, location: Location, channels: tuple[str, ...], driven: Sequence[float], loop: LoopCheck
) -> tuple[Problem, ...]:
    """Return a problem for each channel in which nothing came back; a note where the station's path is proven.

    Parameters
    ----------
    capture : Capture
    location : Location
    channels : tuple of str
    driven : sequence of float
        Mean square of the stimulus in each channel; empty where it is not known.
    loop : LoopCheck

    Returns
    -------
    tuple of Problem
        One for the whole capture where no channel has its stimulus and nothing else plays.
    """
    if len(driven) != len(channels) or not max(driven, default=0.0):
        return ()
    if location.stop <= location.start:
        # A faint stimulus that is there at another rate is no silence.
        if any(problem.code == _WRONG_RATE for problem in location.problems):
            return ()
        silent = np.max(np.var(capture.scaled, axis=1)) < 10.0 ** (NOTHING_DBFS / 10.0)
        return (Problem(SILENT, _message("any channel", loop), blocks=not loop.proves),) if silent else ()
    # What came back for what was played; the loudest channel is the gain of the path.
    gains = [
        float(np.var(values[location.start : location.stop])) / power if power else 0.0
        for values, power in zip(capture.scaled, driven, strict=True)
    ]
    floor = max(gains) * 10.0 ** (-SILENT_DB / 10.0)
    return tuple(
        Problem(SILENT, _message(name, loop), name, blocks=not loop.proves)
        for name, power, gain in zip(channels, driven, gains, strict=True)
        if power and gain < floor
    )


def judged_silence(
    measurement: Measurement,
    capture: Capture,
    channels: tuple[str, ...],
    metrics: Sequence[str],
    masks: Mapping[str, Mask],
) -> Measurement:
    """Return a measurement with the levels that are there, where nothing came back and the path is proven.

    A silent unit fails the mask of its level so; everything else is not measured. What is there is no level of the
    stimulus, so that it can fail a mask and never pass one: without a least level that it falls short of, it is left
    out.

    Parameters
    ----------
    measurement : Measurement
        Of a capture in which no channel has its stimulus.
    capture : Capture
    channels : tuple of str
    metrics : sequence of str
        Those that the check's kind has.
    masks : mapping of str to Mask
        Of the check.
    """
    proven = any(problem.code == SILENT and not problem.blocks for problem in measurement.problems)
    if not proven or {problem.code for problem in measurement.problems if problem.blocks} != {_NOT_FOUND}:
        return measurement
    readings = tuple(
        reading
        for index, name in enumerate(channels)
        for reading in _levels(capture, index, name)
        if reading.metric in metrics and _falls_short(reading, masks.get(reading.metric))
    )
    if not readings:
        return measurement
    told = {reading.metric for reading in readings}
    others = tuple(name for name in metrics if name not in told)
    problems = tuple(
        replace(problem, blocks=False, metrics=others) if problem.code == _NOT_FOUND else problem
        for problem in measurement.problems
    )
    return replace(measurement, readings=readings, problems=problems)


def _falls_short(reading: Reading, mask: Mask | None) -> bool:
    """Return whether a level is below the least one that does not fail."""
    if mask is None or reading.value is None:
        return False
    least = (mask.fail or mask.pass_).min
    return isinstance(least, int | float) and reading.value < least


def _levels(capture: Capture, index: int, name: str) -> tuple[Reading, ...]:
    """Return the level of all that is in a channel, which is no less than that of any stimulus in it.

    How much of it is the stimulus nothing tells: its standard uncertainty is its whole size.
    """
    rms = float(np.std(capture.scaled[index]))
    scales = capture.full_scale_volts
    volts = () if scales is None else (Reading("level", name, rms * scales[index], "V", rms * scales[index]),)
    level_dbfs = 20.0 * np.log10(max(rms * np.sqrt(2.0), np.finfo(float).tiny))
    return (*volts, Reading("level_dbfs", name, float(level_dbfs), "dBFS", DB_PER_NEPER))


def _message(name: str, loop: LoopCheck) -> str:
    if loop.proves:
        return (
            f"nothing came back in {name}. The station's own path is proven ({loop.text}), so the unit is "
            "silent, or its lead is dead"
        )
    return f"nothing came back in {name}: the unit, its lead or the station's input is dead"
