"""Events of a run while it goes on; each names the run and the unit.

They say what plays and nothing of how it went: a verdict is told once the run is recorded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from linecheck.run.model import SettingStep
from linecheck.run.plan import Plan, PlannedCheck


@dataclass(frozen=True)
class OfRun:
    """An event of one run of one unit."""

    run_id: str
    serial: str


@dataclass(frozen=True)
class RunStarted(OfRun):
    """The interface is open; this is what will be played."""

    plan: Plan


@dataclass(frozen=True)
class UnitSet(OfRun):
    """A setting of the unit was made, or was not."""

    step: SettingStep


@dataclass(frozen=True)
class CheckStarted(OfRun):
    """A check begins to play."""

    planned: PlannedCheck


@dataclass(frozen=True)
class MeasuringEnded(OfRun):
    """Nothing more is played or judged, however the run ended, and also where nothing could be opened."""


RunEvent = RunStarted | UnitSet | CheckStarted | MeasuringEnded

#: Called from the thread that runs the unit.
RunListener = Callable[[RunEvent], None]


def ignore_event(event: object) -> None:
    """Listen to nothing."""
