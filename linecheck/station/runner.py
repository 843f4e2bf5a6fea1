"""One run: play each check, judge its capture while the next one plays, and account for every check.

===========================  ===================================================================
:func:`run_unit`             one unit on one interface
:class:`RunFacts`            whose run it is
===========================  ===================================================================

How it goes is told by the events of :mod:`linecheck.station.events`.

Nothing that happens in here loses what was measured: a station that fails, an operator who stops the run
and a fault in a measurement each leave a run in which every check is either measured or named as missing.
"""

from __future__ import annotations

import logging
import time
import uuid
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import InitVar, dataclass, field, replace
from datetime import UTC, datetime
from itertools import zip_longest
from typing import Protocol

from linecheck import __version__
from linecheck.checks.base import Capture, Problem
from linecheck.errors import LinecheckError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.measure.analyses import Analyses, Captured
from linecheck.measure.measure import compared
from linecheck.measure.path_part import PathParts
from linecheck.measure.silence import NO_LOOP_CHECK, LoopCheck
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.plan import Plan, PlannedCheck
from linecheck.run.voiding import voided
from linecheck.station.config.station import CalibrationConfig
from linecheck.station.events import (
    CheckStarted,
    MeasuringEnded,
    RunEvent,
    RunListener,
    RunStarted,
    UnitSet,
    ignore_event,
)
from linecheck.station.interfaces.interface import Interface, NotCaptured
from linecheck.station.setup_control import SetupControl

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


@dataclass(frozen=True)
class RunFacts:
    """Whose run it is, and where it takes place.

    ``loop`` is what is known of the station's own path, ``problems`` are known before the run begins.
    """

    serial: str
    firmware: str | None = None
    station: str | None = None
    station_config_sha256: str | None = None
    calibration: CalibrationConfig = field(default_factory=CalibrationConfig)
    problems: tuple[Problem, ...] = ()
    loop: LoopCheck = NO_LOOP_CHECK
    path: Mapping[str, PathParts] = field(default_factory=dict)


class NotBegun(RecordError):
    """The run could not be put on record before it began, so that nothing was played."""


class Journal(Protocol):
    """Where a run is known from before its first sample on."""

    def begin(self, run: Run) -> None:
        """Hear that a run begins, of which nothing is measured yet; a RecordError keeps it from beginning."""
        ...

    def keep(self, run_id: str, check: CheckOutcome) -> None:
        """Hear of a check as soon as it is judged, from any thread; raise nothing."""
        ...


@dataclass(frozen=True)
class RunResult:
    """What a run came to, and its captures by check where they are to be kept."""

    outcome: Run
    captures: Mapping[str, Capture]


def run_unit(
    plan: Plan,
    facts: RunFacts,
    interface: Interface,
    executor: Executor,
    *,
    listener: RunListener = ignore_event,
    keep_captures: bool = False,
    when: datetime | None = None,
    control: SetupControl | None = None,
    journal: Journal | None = None,
) -> RunResult:
    """Run every check of a plan on one unit.

    Parameters
    ----------
    plan : Plan
    facts : RunFacts
    interface : Interface
        Opened and closed here.
    executor : Executor
        Where captures are analysed.
    listener : callable
        Hears the run's events; what it fails at is logged and changes nothing of the run.
    keep_captures : bool
    when : datetime, optional
        The day on which the calibration must hold; now, if left out.
    control : SetupControl, optional
        Sets the unit before each check; without one the unit is as each check needs it.
    journal : Journal, optional
        Hears that the run begins, before anything is played, and each check as it is judged; captures that were
        recorded before need none: they are there, whatever befalls the program.

    Returns
    -------
    RunResult
        Also where the station failed or the operator stopped the run (KeyboardInterrupt).

    Raises
    ------
    NotBegun
        The journal would not have it: nothing was played.
    """
    running = _Running(plan, facts, interface, executor, listener, keep_captures, control, journal)
    running.problems = [*facts.calibration.problems((when or running.started).date()), *facts.problems]
    try:
        try:
            running.play_all()
        except KeyboardInterrupt:
            running.aborted = True
        try:
            running.analyses.finish()
        except KeyboardInterrupt:
            running.aborted = True
            running.analyses.give_up()
    finally:
        running.tell(MeasuringEnded(*running.whose))
    settings = () if control is None else tuple(control.steps)
    run = _with_causes(replace(running.outcome(), settings=settings), facts.path)
    return RunResult(run, running.captures)


def _with_causes(run: Run, path: Mapping[str, PathParts]) -> Run:
    """Return a run with what may have caused that it does not pass; a fault in that costs only what it would say."""
    if run.verdict is Verdict.PASS:
        return run
    try:
        from linecheck.causes import name_causes

        return replace(run, causes=name_causes(run, path).as_fact())
    except Exception:
        _log.exception("causes could not be named")
        return run


@dataclass
class _Running:
    """A run on its way: plays check after check; what is captured goes to analysis at once."""

    plan: Plan
    facts: RunFacts
    interface: Interface
    executor: InitVar[Executor]
    listener: RunListener
    keep_captures: bool
    control: SetupControl | None
    journal: Journal | None
    started: datetime = field(default_factory=lambda: datetime.now(UTC))
    began: float = field(default_factory=time.monotonic)
    run_id: str = field(default_factory=lambda: str(uuid.uuid4()))
    problems: list[Problem] = field(default_factory=list)
    captures: dict[str, Capture] = field(default_factory=dict)
    identity: dict[str, str] = field(default_factory=dict)
    station_failed: bool = False
    aborted: bool = False
    sounded: bool = False

    def __post_init__(self, executor: Executor) -> None:
        self.whose = (self.run_id, self.facts.serial)
        self.analyses = Analyses(
            executor,
            self.plan.limits,
            self._keep,
            volts_uncertainty=self.facts.calibration.volts_uncertainty,
            expected={planned.check.name for planned in self.plan.checks},
            path=self.facts.path,
            loop=self.facts.loop,
        )

    def _keep(self, outcome: CheckOutcome) -> None:
        if self.journal is not None:
            self.journal.keep(self.run_id, outcome)

    def tell(self, event: RunEvent) -> None:
        """Tell the listener; who only looks on must not cost what is measured."""
        try:
            self.listener(event)
        except Exception:
            _log.exception("a listener failed at %s", type(event).__name__)

    def play_all(self) -> None:
        """Play every check. A station that fails ends it."""
        try:
            with self.interface:
                self.identity = dict(self.interface.identity)
                self.analyses.loop = self.analyses.loop.with_interface(self.identity)
                self._begin()
                self.tell(RunStarted(*self.whose, self.plan))
                for planned, after in zip_longest(self.plan.checks, self.plan.checks[1:]):
                    if self._is_set(planned):
                        self._play(planned, after)
        except NotBegun:
            raise
        except LinecheckError as error:
            self._fail(str(error))
        except Exception as error:
            _log.exception("the interface failed")
            self._fail(f"the interface failed unexpectedly ({type(error).__name__}: {error})")

    def _fail(self, message: str) -> None:
        self.station_failed = True
        self.problems.append(Problem("station_failed", message))

    def _begin(self) -> None:
        if self.journal is not None:
            try:
                self.journal.begin(self.outcome())
            except RecordError as error:
                raise NotBegun(str(error)) from error

    def _is_set(self, planned: PlannedCheck) -> bool:
        """Set the unit for a check; return whether that was done."""
        control = self.control
        if control is None or control.is_set(planned.check, self.interface):
            return True
        if self.sounded:
            self.interface.unit_changed()
        made = len(control.steps)
        try:
            problem = control.make(planned.check, self.interface)
        finally:
            for step in control.steps[made:]:
                if control.is_worth_saying(step):
                    self.tell(UnitSet(*self.whose, step))
        if problem is not None:
            self.analyses.leave_out(planned, problem)
            if not planned.check.masks and problem not in self.problems:
                # Nothing judges the check, so that its own problem would not keep the run from a pass.
                self.problems.append(problem)
        return problem is None

    def _play(self, planned: PlannedCheck, after: PlannedCheck | None) -> None:
        # Only a check that the unit is set for already can follow without a pause.
        follows = after is not None and (
            self.control is None or self.control.is_set(after.check, self.interface)
        )
        self.interface.announce(after.stimulus if after is not None and follows else None)
        self.tell(CheckStarted(*self.whose, planned))
        self.sounded = True
        began = time.monotonic()
        try:
            capture = self.interface.play(planned.check.name, planned.stimulus)
        except NotCaptured as error:
            self.problems.append(Problem("not_captured", str(error)))
            self.analyses.leave_out(planned)
            return
        if self.keep_captures:
            self.captures[planned.check.name] = capture
        self.analyses.add(Captured(planned, capture, time.monotonic() - began))

    def outcome(self) -> Run:
        """Return what the run has come to so far."""
        limits, facts, done = self.plan.limits, self.facts, self.analyses.outcomes
        names = [check.name for check in limits.checks]
        notes = compared(limits, done)
        run = Run(
            run_id=self.run_id,
            serial=facts.serial,
            model=limits.model,
            firmware=facts.firmware,
            station=facts.station,
            limits=limits,
            software=f"linecheck {__version__}",
            started=self.started,
            finished=datetime.now(UTC),
            duration_seconds=time.monotonic() - self.began,
            checks=tuple(done[name] for name in names if name in done),
            missing=tuple(name for name in names if name not in done),
            problems=(*self.problems, *notes),
            aborted=self.aborted,
            station_config_sha256=facts.station_config_sha256,
            calibration=facts.calibration.record(),
            interface=self.identity,
            station_failed=self.station_failed,
            loop=self.analyses.loop.text or None,
        )
        return voided(run, self.analyses.loop.text, path_in_doubt=self.analyses.loop.doubts_fails)
