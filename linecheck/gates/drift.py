"""Where a golden unit's readings are slowly going: advisory, since unit and station drift alike.

==========================  ==================================================================
:func:`drifts`              the readings that have gone, or are going, the furthest first
:class:`Drift`              one of them
==========================  ==================================================================

Each step may be within its margin and all of them together beyond it, all the more where the history is accepted anew
from time to time. So every reading is held against the first run of all, and a straight line is fitted through its
values, run by run: by their order, because no wall clock is to be trusted over months.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from linecheck.checks.parts.declared import difference_unit
from linecheck.gates.log_queries import GoldenValue
from linecheck.gates.margins import Margin
from linecheck.results.wording import number, subject

__all__ = ["MIN_RUNS", "Drift", "drifts"]

#: Fewer runs make no line.
MIN_RUNS: Final = 5
#: A slope that is less than so many of its own standard errors is scatter.
MIN_SIGMAS: Final = 4.0
#: A drift of less than this share of the margin is not worth a word.
MIN_SHARE: Final = 0.5


@dataclass(frozen=True)
class Drift:
    """A reading that has gone from its first value, or is going.

    Attributes
    ----------
    since_first : float
        By how much the last value differs from the first one, in ``unit``.
    a_run : float or None
        The slope, in ``unit`` a run; None where it is no more than scatter.
    runs : int
        How many there are.
    margin : float
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    first: float
    last: float
    a_run: float | None
    runs: int
    margin: float

    @property
    def since_first(self) -> float:
        """By how much the last value differs from the first one."""
        return self.last - self.first

    @property
    def text(self) -> str:
        """What a person reads."""
        name = subject(self.check, self.metric, self.channel)
        gone = number(self.since_first, difference_unit(self.unit), 3)
        sign = "+" if self.since_first > 0.0 else ""
        text = f"{name} was {number(self.first, self.unit)} in its first run and is {number(self.last, self.unit)} now"
        text += f" ({sign}{gone}; {number(self.margin, difference_unit(self.unit), 3)} is allowed at once)"
        if self.a_run is not None:
            up = "+" if self.a_run > 0.0 else ""
            text += (
                f", by {up}{number(self.a_run, difference_unit(self.unit), 2)} a run over {self.runs} runs"
            )
        return text


def drifts(values: Iterable[GoldenValue], margins: Mapping[str, Mapping[str, Margin]]) -> tuple[Drift, ...]:
    """Return the readings of a golden unit that have gone from their first value, or are going.

    Parameters
    ----------
    values : iterable of GoldenValue
        The oldest first. What was played otherwise before counts from the first run of the stimulus of today.
    margins : mapping
        :func:`~linecheck.gates.margins.golden_margins`; what has none is left out.
    """
    series: dict[tuple[str, str, str | None], list[GoldenValue]] = {}
    for value in values:
        if value.metric in margins.get(value.check, {}):
            series.setdefault((value.check, value.metric, value.channel), []).append(value)
    found = [_drift(items, margins[name][metric].size) for (name, metric, _), items in series.items()]
    told = [drift for drift in found if drift is not None]
    return tuple(sorted(told, key=lambda drift: -abs(drift.since_first) / drift.margin))


def _drift(items: list[GoldenValue], margin: float) -> Drift | None:
    now = items[-1]
    alike = [
        item
        for item in items
        if item.stimulus_sha256 == now.stimulus_sha256 and item.unit == now.unit and math.isfinite(item.value)
    ]
    if len(alike) < 2:
        return None
    readings = np.array([item.value for item in alike])
    slope = _slope(readings)
    gone = abs(float(readings[-1] - readings[0]))
    going = abs(slope or 0.0) * (len(alike) - 1)
    if gone <= margin and not (slope is not None and going > MIN_SHARE * margin):
        return None
    first, last = float(readings[0]), float(readings[-1])
    return Drift(now.check, now.metric, now.channel, now.unit, first, last, slope, len(alike), margin)


def _slope(readings: np.ndarray) -> float | None:
    """Return the slope of a line through values at equal steps; None where scatter explains it."""
    count = len(readings)
    if count < MIN_RUNS:
        return None
    steps = np.arange(count) - 0.5 * (count - 1)
    spread = float(np.sum(steps**2))
    slope = float(np.sum(steps * readings)) / spread
    rest = readings - readings.mean() - slope * steps
    error = math.sqrt(float(np.sum(rest**2)) / (count - 2) / spread)
    return slope if abs(slope) > MIN_SIGMAS * error and slope != 0.0 else None
