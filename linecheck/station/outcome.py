"""What a run (played or judged from recordings) comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from linecheck.checks.base import Problem
from linecheck.limits.model import LimitFile, entry_name
from linecheck.limits.verdict import JudgedMeasurement, Verdict, worst

__all__ = ["CheckOutcome", "How", "RunOutcome", "SettingStep"]

How = Literal["interface", "command", "operator"]


@dataclass(frozen=True)
class SettingStep:
    """One setting of the unit that was made during a run, or was to be made.

    ``how`` says who made it, ``done`` whether it was made; ``output`` is what the station's command printed, or why the
    setting was not made. ``before`` names the check that it was made for.
    """

    setting: str
    value: str
    how: How
    done: bool
    seconds: float
    before: str
    output: str = ""


@dataclass(frozen=True)
class CheckOutcome:
    """One check of a run: its judged measurement, how long it took, and hashes of what was played and captured.

    ``check`` is the check's whole name, ``setup`` how the unit was set while it ran.
    """

    check: str
    kind: str
    setup: Mapping[str, str]
    judged: JudgedMeasurement
    seconds: float
    stimulus_sha256: str | None = None
    capture_sha256: str | None = None

    @property
    def entry(self) -> str:
        """Its name in the limit file, which checks under several setups share."""
        return entry_name(self.check)


@dataclass(frozen=True)
class RunOutcome:
    """One unit, one attempt, all its checks.

    ``checks`` holds those that were measured, in the limit file's order; ``missing`` names the checks that were
    not, each of which is invalid. ``problems`` are those of the run as a whole. ``finished`` and ``started`` are UTC,
    ``duration_seconds`` comes from a monotonic clock.
    """

    run_id: str
    serial: str
    model: str
    firmware: str | None
    operator: str | None
    station: str | None
    limits: LimitFile
    software: str
    started: datetime
    finished: datetime
    duration_seconds: float
    checks: tuple[CheckOutcome, ...]
    missing: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    aborted: bool = False
    station_config_sha256: str | None = None
    calibration: Mapping[str, str] = field(default_factory=dict)
    interface: Mapping[str, str] = field(default_factory=dict)
    #: How the unit was set, in the order in which it was.
    settings: tuple[SettingStep, ...] = ()
    #: Verdict of a run that judged nothing because the station failed.
    station_failed: bool = False

    @property
    def verdict(self) -> Verdict:
        """The run's verdict; never a pass where anything that a mask judges was not measured."""
        if self.aborted:
            return Verdict.ABORTED
        verdicts = [check.judged.verdict for check in self.checks]
        if self.missing or self.station_failed or any(problem.blocks for problem in self.problems):
            verdicts.append(Verdict.INVALID)
        return worst(verdicts)
