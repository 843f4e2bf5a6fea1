"""What a run (played or judged from recordings) comes to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from linecheck.checks.base import Problem
from linecheck.limits.model import LimitFile, entry_name
from linecheck.limits.verdict import JudgedMeasurement, Verdict, worst

__all__ = ["Asset", "CheckOutcome", "How", "Purpose", "Run", "SettingStep", "Trace"]

How = Literal["interface", "command", "operator"]
#: Why a run is made: to judge a unit, or to judge the station by a unit that is known.
Purpose = Literal["unit", "golden", "challenge"]


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
class Asset:
    """A thing that a run's numbers rest on: an interface, a cable, an adapter.

    ``role`` is what it does at the station (its name in the config), ``id`` what is written on it; ``facts`` says the
    rest as texts: when its calibration is due, its certificate.
    """

    role: str
    id: str
    facts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Trace:
    """What a record says of a run beside what was measured, so that it can be understood years later.

    Attributes
    ----------
    purpose : str
        Only runs of purpose ``unit`` judge a unit.
    scanned : str or None
        The serial number as it was scanned or typed.
    variant, lot, work_order, shift, nest : str or None
    reason : str or None
        Why the unit was tested once more, a code of the limit file's or the operator's words.
    override : mapping
        Who let the run take place against a rule, and why; empty where nobody had to.
    identity : mapping
        What the unit said of itself.
    conditions : mapping
        What the station's own command reported: temperature, mixer state.
    host : mapping
        The computer.
    clock : mapping
        Whether the wall clock was synchronised, its offset from UTC, by how much it was set during the run.
    source_commit : str or None
        The commit that linecheck was run from, where it is known.
    packages : mapping
        Versions of all installed packages.
    plan_sha256 : str or None
        Hash over what was to be played, in order.
    gates : mapping
        The state of each of the station's gates as the run began.
    assets : tuple of Asset
    captures : mapping
        Name of the archived file of each check's capture, for those that were kept.
    captures_why : str or None
        Why captures were kept, or were not.
    """

    purpose: Purpose = "unit"
    scanned: str | None = None
    variant: str | None = None
    lot: str | None = None
    work_order: str | None = None
    shift: str | None = None
    nest: str | None = None
    reason: str | None = None
    override: Mapping[str, str] = field(default_factory=dict)
    identity: Mapping[str, str] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    host: Mapping[str, str] = field(default_factory=dict)
    clock: Mapping[str, Any] = field(default_factory=dict)
    source_commit: str | None = None
    packages: Mapping[str, str] = field(default_factory=dict)
    plan_sha256: str | None = None
    gates: Mapping[str, Any] = field(default_factory=dict)
    assets: tuple[Asset, ...] = ()
    captures: Mapping[str, str] = field(default_factory=dict)
    captures_why: str | None = None


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
class Run:
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
    trace: Trace = field(default_factory=Trace)

    @property
    def verdict(self) -> Verdict:
        """The run's verdict; never a pass where anything that a mask judges was not measured."""
        if self.aborted:
            return Verdict.ABORTED
        verdicts = [check.judged.verdict for check in self.checks]
        if self.missing or self.station_failed or any(problem.blocks for problem in self.problems):
            verdicts.append(Verdict.INVALID)
        return worst(verdicts)
