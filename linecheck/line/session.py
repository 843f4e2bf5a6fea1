"""A station at work: unit after unit is admitted, tested, and recorded before anyone sees its verdict."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from linecheck.checks.base import Problem
from linecheck.cli.display.progress import BarProgress, progress_listener
from linecheck.cli.result_files import record_and_show
from linecheck.cli.telling import tell
from linecheck.cli.unit_facts import UnitFacts
from linecheck.errors import ExitStatus, StationError
from linecheck.limits.retest import Attempt
from linecheck.line.kept_captures import CaptureKeeper
from linecheck.line.stop_signals import StopSignals
from linecheck.line.unit_trace import (
    AskedConditions,
    admitted,
    asset_problems,
    identified,
    judged_standing,
    traced,
)
from linecheck.measure.executors import make_ready
from linecheck.results.files import ResultFiles, run_files
from linecheck.results.run_folder import run_folder
from linecheck.run.model import Purpose, Run, SettingStep
from linecheck.run.plan import Plan, PlannedCheck
from linecheck.station import circumstances
from linecheck.station.config.station import Station
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.open import open_interface
from linecheck.station.runner import HearsSettings, Listener, RunFacts, RunResult, run_unit
from linecheck.station.setup_control import Operator, SetupControl

if TYPE_CHECKING:
    from linecheck.gates.gatekeeper import Gatekeeper
    from linecheck.log import Log

__all__ = ["Session", "Tested"]

#: By then a check that was started sounds, and the processors have nothing else to do.
UNDER_WAY_SECONDS = 0.1


@dataclass(frozen=True)
class Tested:
    """A run that has taken place, and what a command ends with after it."""

    outcome: Run
    status: ExitStatus


@dataclass(frozen=True)
class _Admission:
    """What is known of a run before it begins; ``attempts`` counts all earlier runs of its serial number."""

    attempts: int
    override: Mapping[str, str]
    identity: Mapping[str, str]
    gates: Mapping[str, Any]
    problems: tuple[Problem, ...]


class _OncePlaying:
    """A listener that, once the first check plays, has something else done beside it."""

    def __init__(self, listener: Listener, prepare: Callable[[], None]) -> None:
        self._listener = listener
        self._prepare: Callable[[], None] | None = prepare
        self.run_started = listener.run_started
        self.check_judged = listener.check_judged
        self.run_finished = listener.run_finished

    def unit_set(self, step: SettingStep) -> None:
        """Hear that a setting of the unit was made, or was not."""
        if isinstance(self._listener, HearsSettings):
            self._listener.unit_set(step)

    def check_started(self, planned: PlannedCheck) -> None:
        """Hear that a check begins to play."""
        self._listener.check_started(planned)
        if self._prepare is not None:
            timer = threading.Timer(UNDER_WAY_SECONDS, self._prepare)
            timer.daemon = True
            timer.start()
            self._prepare = None


@dataclass(frozen=True)
class _Asking:
    """Asks an operator with the progress out of the way."""

    operator: Operator
    listener: Listener

    def confirm(self, request: str) -> str | None:
        """Ask for a setting to be made; return why it was not."""
        if isinstance(self.listener, BarProgress):
            with self.listener.paused():
                return self.operator.confirm(request)
        return self.operator.confirm(request)


@dataclass
class Session:
    """A station at work: everything that stays the same from one unit to the next.

    ``keep`` says which captures are kept, ``folder`` where the files of every run go.
    ``prepared`` is an interface that is being opened already, for the first unit. With
    ``one_unit`` the executor ends while the run is recorded. ``operator`` is asked for settings of the unit that
    nothing else can make.
    """

    station: Station
    plan: Plan
    log: Log
    executor: Executor
    folder: Path
    faults: tuple[str, ...] = ()
    strict: bool = False
    keep: Literal["none", "failed", "all"] = "none"
    files: ResultFiles = field(default_factory=ResultFiles)
    prepared: Interface | None = None
    one_unit: bool = False
    operator: Operator | None = None

    @property
    def model(self) -> str:
        """The model that is tested."""
        return self.plan.limits.model

    @cached_property
    def gatekeeper(self) -> Gatekeeper:
        """Who knows whether the station may judge units."""
        from linecheck.gates.gatekeeper import Gatekeeper

        return Gatekeeper(self.log, self.station, self.plan.limits)

    @cached_property
    def keeper(self) -> CaptureKeeper:
        """What keeps captures."""
        return CaptureKeeper(self.station, self.plan, self.log, self.keep)

    def was_tested(self, serial: str) -> bool:
        """Return whether a unit has a run in the log."""
        return bool(self.log.history(self.model, serial))

    def test(self, serial: str, facts: UnitFacts, scanned: str | None = None) -> ExitStatus:
        """Test one unit."""
        return self.tested(serial, facts, scanned).status

    def tested(
        self, serial: str, facts: UnitFacts, scanned: str | None = None, purpose: Purpose = "unit"
    ) -> Tested:
        """Test one unit, to judge it or (another purpose) to judge the station by it.

        Raises
        ------
        UsageError
            What is said of it cannot be.
        StationError
            It may not be tested now, or is not the one that was scanned; nothing was run.
        """
        history = self.log.history(self.model, serial)
        admission = self._admitted(serial, facts, history, purpose)
        conditions = AskedConditions(self.station.config.conditions)
        with StopSignals() as stop:
            run = self._run(serial, facts, admission)
            stop.hold()
            if self.one_unit:
                self.executor.shutdown(wait=False)
            found, troubles = conditions.answer()
            outcome = traced(
                replace(run.outcome, problems=(*run.outcome.problems, *troubles)),
                self.station.config,
                self.plan,
                facts,
                purpose=purpose,
                scanned=scanned,
                override=admission.override,
                identity=admission.identity,
                conditions=found,
                gates=admission.gates,
            )
            if purpose == "unit":
                outcome = judged_standing(self.plan.limits.retest, history, outcome, facts.reason)
            return Tested(outcome, self._record(replace(run, outcome=outcome)))

    def _admitted(
        self, serial: str, facts: UnitFacts, history: Sequence[Attempt], purpose: Purpose
    ) -> _Admission:
        """Find out whether a unit may be tested now, before anything is opened."""
        config = self.station.config
        no_room = self.keeper.refusal()
        if no_room is not None:
            raise StationError(f"{no_room}. Nothing was run.")
        gates, marked = self._gates(serial, purpose)
        override: Mapping[str, str] = {}
        attempts = self.log.attempts(self.model, serial)
        if purpose == "unit":
            override = admitted(self.plan.limits.retest, history, serial, facts)
            if history:
                times = "once" if len(history) == 1 else f"{len(history)} times"
                tell(f"{serial} was tested {times} before: this is attempt {attempts + 1}")
        identity, problems = identified(config, self.plan.limits, serial, facts.firmware)
        overdue = asset_problems(config, datetime.now(UTC).date())
        return _Admission(attempts, override, identity, gates, (*marked, *overdue, *problems))

    def _gates(self, serial: str, purpose: Purpose) -> tuple[Mapping[str, Any], tuple[Problem, ...]]:
        """Return what the record says of the station's gates, and what marks the run; only units are refused."""
        if purpose != "unit":
            return self.gatekeeper.standing().record(), ()
        admission = self.gatekeeper.admission(serial)
        if admission.refusal is not None:
            raise StationError(f"{admission.refusal}. Nothing was run.")
        return admission.gates, admission.problems

    def _run(self, serial: str, facts: UnitFacts, admission: _Admission) -> RunResult:
        config = self.station.config
        interface, self.prepared = self.prepared, None
        if interface is None:
            attempt = admission.attempts + 1
            interface = open_interface(config, serial=serial, attempt=attempt, faults=self.faults)
        checks = [planned.check for planned in self.plan.checks]
        listener = progress_listener()
        asked = None if self.operator is None else _Asking(self.operator, listener)
        return run_unit(
            self.plan,
            RunFacts(
                serial,
                facts.firmware if facts.firmware is not None else admission.identity.get("firmware"),
                facts.operator,
                config.station,
                self.station.sha256,
                config.calibration,
                admission.problems,
            ),
            interface,
            self.executor,
            listener=_OncePlaying(listener, self._make_ready),
            keep_captures=self.keeper.needs_captures,
            control=SetupControl(checks, serial, config.setup, asked),
        )

    def _make_ready(self) -> None:
        """Start and load what will be needed once the first check has been captured."""
        make_ready(self.executor)
        circumstances.packages()
        circumstances.source_commit()

    def _record(self, run: RunResult) -> ExitStatus:
        archived = self.keeper.archived(run.outcome, run.captures)
        outcome = archived.outcome
        folder = self.folder / run_folder(outcome.serial, outcome.started, outcome.run_id)
        own = run_files(folder)
        status = record_and_show(
            outcome, self.log, [own, self.files], strict=self.strict, before=list(archived.troubles)
        )
        trouble = self.keeper.beside_files(folder / "captures", outcome, run.captures)
        if trouble is not None:
            tell(trouble)
            return ExitStatus.INVALID if status is ExitStatus.PASS else status
        return status
