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
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import zip_longest
from typing import Final, Protocol

from linecheck import __version__
from linecheck.checks.base import Capture, Problem
from linecheck.errors import LinecheckError, RecordError
from linecheck.measure.analyses import Analyses, Captured
from linecheck.measure.compare import compared
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
    unheard,
)
from linecheck.station.interfaces.interface import Announced, HearsChanges, Interface, NotCaptured
from linecheck.station.setup_control import SetupControl

__all__ = ["Journal", "NotBegun", "RunFacts", "RunResult", "run_unit"]

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


class _NoJournal:
    """Of captures that were recorded before: they are there, whatever befalls the program."""

    def begin(self, run: Run) -> None:
        """Note nothing."""

    def keep(self, run_id: str, check: CheckOutcome) -> None:
        """Keep nothing."""


NO_JOURNAL: Final[Journal] = _NoJournal()


@dataclass(frozen=True)
class RunResult:
    """What a run came to, and its captures by check where they are to be kept."""

    outcome: Run
    captures: Mapping[str, Capture]


@dataclass
class _Course:
    """How a run has gone so far."""

    problems: list[Problem] = field(default_factory=list)
    captures: dict[str, Capture] = field(default_factory=dict)
    identity: dict[str, str] = field(default_factory=dict)
    station_failed: bool = False
    aborted: bool = False


def run_unit(
    plan: Plan,
    facts: RunFacts,
    interface: Interface,
    executor: Executor,
    *,
    listener: RunListener = unheard,
    keep_captures: bool = False,
    when: datetime | None = None,
    control: SetupControl | None = None,
    journal: Journal = NO_JOURNAL,
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
        Hears that the run begins, before anything is played, and each check as it is judged.

    Returns
    -------
    RunResult
        Also where the station failed or the operator stopped the run (KeyboardInterrupt).

    Raises
    ------
    NotBegun
        The journal would not have it: nothing was played.
    """
    whose = (str(uuid.uuid4()), facts.serial)
    tell = _forgiving(listener)
    started, began = datetime.now(UTC), time.monotonic()
    overdue = facts.calibration.problems((when or started).date())
    course = _Course(problems=[*overdue, *facts.problems])
    names = [planned.check.name for planned in plan.checks]
    analyses = Analyses(
        executor,
        plan.limits,
        lambda outcome: journal.keep(whose[0], outcome),
        volts_uncertainty=facts.calibration.volts_uncertainty,
        expected=names,
        path=facts.path,
        loop=facts.loop,
    )
    start = (started, began)

    def begin() -> None:
        journal.begin(_outcome(plan, facts, course, analyses, whose[0], start))

    playing = _Playing(interface, analyses, tell, whose, course, control, keep_captures, begin)
    try:
        try:
            playing.play_all(plan)
        except KeyboardInterrupt:
            course.aborted = True
        try:
            analyses.finish()
        except KeyboardInterrupt:
            course.aborted = True
            analyses.give_up()
    finally:
        tell(MeasuringEnded(*whose))
    outcome = _outcome(plan, facts, course, analyses, whose[0], start)
    settings = () if control is None else tuple(control.steps)
    return RunResult(replace(outcome, settings=settings), course.captures)


def _forgiving(listener: RunListener) -> RunListener:
    """Return a listener that raises nothing: who only looks on must not cost what is measured."""

    def tell(event: RunEvent) -> None:
        try:
            listener(event)
        except Exception:
            _log.exception("a listener failed at %s", type(event).__name__)

    return tell


@dataclass
class _Playing:
    """Plays check after check; what is captured goes to analysis at once."""

    interface: Interface
    analyses: Analyses
    listener: RunListener
    #: The run's id and the unit's serial number.
    whose: tuple[str, str]
    course: _Course
    control: SetupControl | None
    keep_captures: bool
    begin: Callable[[], None]
    sounded: bool = False

    def play_all(self, plan: Plan) -> None:
        """Play every check. A station that fails ends it."""
        try:
            with self.interface:
                self.course.identity = dict(self.interface.identity)
                self.analyses.loop = self.analyses.loop.with_interface(self.course.identity)
                self._begin()
                self.listener(RunStarted(*self.whose, plan))
                for planned, after in zip_longest(plan.checks, plan.checks[1:]):
                    if self._is_set(planned):
                        self._play(planned, after)
        except NotBegun:
            raise
        except LinecheckError as error:
            _station_failed(self.course, str(error))
        except Exception as error:
            _log.exception("the interface failed")
            _station_failed(
                self.course, f"the interface failed unexpectedly ({type(error).__name__}: {error})"
            )

    def _begin(self) -> None:
        try:
            self.begin()
        except RecordError as error:
            raise NotBegun(str(error)) from error

    def _is_set(self, planned: PlannedCheck) -> bool:
        """Set the unit for a check; return whether that was done."""
        control = self.control
        if control is None or control.is_set(planned.check, self.interface):
            return True
        if self.sounded and isinstance(self.interface, HearsChanges):
            self.interface.unit_changed()
        made = len(control.steps)
        try:
            problem = control.make(planned.check, self.interface)
        finally:
            for step in control.steps[made:]:
                if control.is_worth_saying(step):
                    self.listener(UnitSet(*self.whose, step))
        if problem is not None:
            self.analyses.leave_out(planned, problem)
            if not planned.check.masks and problem not in self.course.problems:
                # Nothing judges the check, so that its own problem would not keep the run from a pass.
                self.course.problems.append(problem)
        return problem is None

    def _play(self, planned: PlannedCheck, after: PlannedCheck | None) -> None:
        if isinstance(self.interface, Announced):
            self.interface.announce(after.stimulus if after is not None and self._can_follow(after) else None)
        self.listener(CheckStarted(*self.whose, planned))
        self.sounded = True
        began = time.monotonic()
        try:
            capture = self.interface.play(planned.check.name, planned.stimulus)
        except NotCaptured as error:
            self.course.problems.append(Problem("not_captured", str(error)))
            self.analyses.leave_out(planned)
            return
        if self.keep_captures:
            self.course.captures[planned.check.name] = capture
        self.analyses.add(Captured(planned, capture, time.monotonic() - began))

    def _can_follow(self, after: PlannedCheck) -> bool:
        """Return whether the next check can begin at once, the unit being set for it already."""
        return self.control is None or self.control.is_set(after.check, self.interface)


def _station_failed(course: _Course, message: str) -> None:
    course.station_failed = True
    course.problems.append(Problem("station_failed", message))


def _outcome(
    plan: Plan,
    facts: RunFacts,
    course: _Course,
    analyses: Analyses,
    run_id: str,
    start: tuple[datetime, float],
) -> Run:
    names = [check.name for check in plan.limits.checks]
    done = analyses.outcomes
    notes = compared(plan.limits, done)
    run = Run(
        run_id=run_id,
        serial=facts.serial,
        model=plan.limits.model,
        firmware=facts.firmware,
        station=facts.station,
        limits=plan.limits,
        software=f"linecheck {__version__}",
        started=start[0],
        finished=datetime.now(UTC),
        duration_seconds=time.monotonic() - start[1],
        checks=tuple(done[name] for name in names if name in done),
        missing=tuple(name for name in names if name not in done),
        problems=(*course.problems, *notes),
        aborted=course.aborted,
        station_config_sha256=facts.station_config_sha256,
        calibration=facts.calibration.record(),
        interface=course.identity,
        station_failed=course.station_failed,
        loop=analyses.loop.text or None,
    )
    return voided(run, analyses.loop.text, path_in_doubt=analyses.loop.doubts_fails)
