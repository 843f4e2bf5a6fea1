"""A station at work: unit after unit is admitted, tested, and recorded before anyone sees its verdict."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, Protocol, Self

from linecheck.checks.base import Problem
from linecheck.errors import ExitStatus, LinecheckError, RecordError, StationError
from linecheck.files.durable import remove_abandoned
from linecheck.files.text import visible
from linecheck.files.write import check_can_write
from linecheck.gates.gatekeeper import Admission, Gatekeeper
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.limits.retest import Attempt
from linecheck.limits.verdict import Verdict
from linecheck.line.events import Listener, RunCutOff, UnitAdmitted, UnitRefused
from linecheck.line.kept_captures import CaptureKeeper
from linecheck.line.nest_switch import Watched, require_unit
from linecheck.line.recording import Recorded, record_and_report, written
from linecheck.line.stop_signals import StopSignals
from linecheck.line.unit_trace import (
    AskedConditions,
    UnitFacts,
    admitted,
    identified,
    may_be_retested,
    permitted,
    traced,
    with_release,
)
from linecheck.log import Log, RunFilter, StoredRun
from linecheck.log.begun import Hold, held
from linecheck.measure.executors import analysis_executor, make_ready
from linecheck.results.files import ResultFiles, run_files, run_folder
from linecheck.run.facts import Purpose
from linecheck.run.model import CheckOutcome, Run, RunHeader
from linecheck.run.plan import Plan, check_serial
from linecheck.station import environment
from linecheck.station.config.station import Station, StationConfig
from linecheck.station.events import ignore_event
from linecheck.station.interfaces import interface_of, open_interface
from linecheck.station.interfaces.interface import Interface
from linecheck.station.planning import station_plan
from linecheck.station.runner import NotBegun, RunFacts, RunResult, run_unit
from linecheck.station.setup_control import Operator, SetupControl

if TYPE_CHECKING:
    from linecheck.line.study import StudyAtLine

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


#: The kind of the statement that somebody has scanned something after a run that was not ended; its subject is the run.
ACKNOWLEDGED: Final = "aborted_acknowledged"
_MAX_SCANNED: Final = 64


class People(Operator, Protocol):
    """The people at the station, who can be asked."""

    def choose(self, request: str, codes: Sequence[str]) -> str | None:
        """Ask for one of some codes, in one sentence, and wait; return it, None if none was given."""
        ...


@dataclass(frozen=True)
class Tested:
    """The exit status after a unit, and its run; None if the unit was refused."""

    status: ExitStatus
    run: Run | None = None


@dataclass(frozen=True)
class _Admission:
    """What is known before a run begins; ``attempts`` counts all earlier runs of its serial number."""

    history: Sequence[Attempt]
    attempts: int
    override: Mapping[str, str]
    before: Mapping[str, str]
    identity: Mapping[str, str]
    problems: tuple[Problem, ...]
    station: Admission


@dataclass(frozen=True)
class Session:
    """A station at work: everything that stays the same from one unit to the next.

    ``keep`` says which captures are kept, ``folder`` where the files of every run go, ``files`` where they go besides.
    ``people`` are asked for settings of the unit that nothing else can make. ``listener`` hears of everything.
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
    people: People | None = None
    listener: Listener = ignore_event
    #: The gauge study that units are measured for; None where they are tested.
    study: StudyAtLine | None = None

    @property
    def model(self) -> str:
        """The model that is tested."""
        return self.plan.limits.model

    @cached_property
    def gatekeeper(self) -> Gatekeeper:
        """Decides whether the station may judge units."""
        return Gatekeeper(self.log, self.station, self.plan.limits)

    @cached_property
    def keeper(self) -> CaptureKeeper:
        """What keeps captures."""
        return CaptureKeeper(self.station, self.plan, self.log, self.keep)

    def was_tested(self, serial: str) -> bool:
        """Return whether a unit has a run in the log."""
        return bool(self.log.history(self.model, serial))

    def test(
        self, serial: str, facts: UnitFacts, scanned: str | None = None, purpose: Purpose = "unit"
    ) -> Tested:
        """Test one unit, to judge it or (another purpose) to judge or study the station by it.

        It is refused where what is said of it cannot be, where it may not be tested now, and where it is not the one
        that was scanned: then nothing is run.
        """
        try:
            admission = self._admitted(serial, facts, purpose)
            interface = open_interface(
                self.station.config, serial=serial, attempt=admission.attempts + 1, faults=self.faults
            )
        except LinecheckError as error:
            self.listener(UnitRefused(serial, str(error), error.act))
            return Tested(error.exit_status)
        tested_before = len(admission.history) if purpose == "unit" else 0
        self.listener(UnitAdmitted(serial, admission.attempts + 1, tested_before, facts.reason))
        conditions = AskedConditions(self.station.config.conditions)
        complete = partial(
            traced,
            config=self.station.config,
            plan=self.plan,
            facts=facts,
            purpose=purpose,
            study=self.study.plan.id if self.study is not None and purpose == "study" else None,
            scanned=scanned,
            override=admission.override,
            identity=admission.identity,
            before=admission.before,
            gates=admission.station.gates,
        )
        with (
            StopSignals() as stop,
            _Journal(self.log, complete) as journal,
            Watched(self.station.config.screen.unit_present) as nest,
        ):
            try:
                run = self._run(serial, facts, admission, interface, journal)
            except NotBegun as error:
                self.listener(UnitRefused(serial, f"{error}. Nothing was run.", error.act))
                return Tested(error.exit_status)
            stop.hold()
            outcome = nest.judged(run.outcome)
            found, troubles = conditions.answer()
            outcome = replace(outcome, problems=(*outcome.problems, *troubles))
            outcome = complete(outcome, conditions=found)
            if purpose == "unit":
                outcome = with_release(self.plan.limits.retest, admission.history, outcome, facts.reason)
            status = self._record(replace(run, outcome=outcome))
        self.follow_charts()
        return Tested(status, outcome)

    def follow_charts(self) -> None:
        """Put what is new in the log on the station's control charts, and tell of signals; nothing without charts."""
        charts = self.station.config.charts
        if charts is not None:
            from linecheck.line.charts import followed

            for event in followed(self.log, self.station.config.station, locks=charts.lock):
                self.listener(event)

    def measure(self, serial: str, facts: UnitFacts, scanned: str | None = None) -> Tested:
        """Measure one unit for the gauge study: whatever its verdict, the run is in order once it is no invalid one."""
        tested = self.test(serial, facts.with_reason(None), scanned, "study")
        if tested.run is None or tested.status is ExitStatus.INVALID:
            return tested
        return replace(tested, status=ExitStatus.PASS)

    def end_cut_off(self) -> None:
        """Record what was cut off before as aborted, and tell of this nest's; write the files that a kill left out.

        Raises
        ------
        RecordError
            It could not be recorded.
        """
        for stored in self.log.end_cut_off():
            run = self.log.record(stored.sequence)
            self._finish(run)
            self._tell_cut_off(run)
        for run in self.log.unfinished():
            self._finish(run)

    def tell_aborted(self) -> str:
        """Tell of this nest's newest run where it was not ended and nobody has scanned anything since; return its id.

        Its unit may still be there. Empty where there is nothing to tell.
        """
        newest = self._newest()
        if newest is None or newest.verdict is not Verdict.ABORTED or newest.purpose != "unit":
            return ""
        if self.log.statements(ACKNOWLEDGED, subject=newest.run_id, limit=1):
            return ""
        self._tell_cut_off(self.log.record(newest.logged.sequence))
        return newest.run_id

    def acknowledge(self, run_id: str, scanned: str) -> None:
        """State that something was scanned at the nest after a run that was not ended: it is told no more."""
        try:
            self.log.state(
                ACKNOWLEDGED, run_id, {"run_id": run_id, "scanned": visible(scanned[:_MAX_SCANNED])}
            )
        except RecordError:
            _log.exception("run %s is told once more", run_id)

    def expected_seconds(self) -> float | None:
        """Return how long a run takes, by the newest one of this nest and these limits; None where there is none."""
        newest = self._newest()
        if (
            newest is None
            or newest.verdict is Verdict.ABORTED
            or newest.limits.sha256 != self.plan.limits.sha256
        ):
            return None
        return newest.duration_seconds

    def _newest(self) -> RunHeader | None:
        """Return the newest run of this nest, whichever nest of the log has recorded it."""
        config = self.station.config
        here = {"station": config.station} | ({} if config.nest is None else {"nest": config.nest})
        newest = next(iter(self.log.runs(RunFilter(facts=here), limit=1)), None)
        return newest if newest is not None and newest.nest == config.nest else None

    def _tell_cut_off(self, run: Run) -> None:
        if (run.station, run.nest) == (self.station.config.station, self.station.config.nest):
            self.listener(RunCutOff(run.run_id, run.serial, run, run.logged.attempt))

    def _finish(self, run: Run) -> None:
        """Remove what a program that was ended has left in a run's folder, and write the files that are missing."""
        folder = self._folder_of(run)
        for each in (folder, folder / "captures"):
            remove_abandoned(each)
        record = run.logged
        stored = StoredRun(record.sequence, record.attempt, record.record_hash)
        own = run_files(folder)
        missing = {name: path for name, path in own.by_format.items() if not path.exists()}
        for trouble in written(Recorded(run, stored), [ResultFiles(missing)], strict=self.strict)[1]:
            self.listener(trouble)

    def _folder_of(self, run: Run) -> Path:
        return self.folder / run_folder(run.serial, run.started, run.run_id)

    def refuse_if_shut(self, serial: str) -> None:
        """Refuse a unit for what no answer of the operator can change, so that nobody is asked in vain.

        Raises
        ------
        LinecheckError
            It cannot be tested, whatever is said of it.
        """
        self._shut(serial, "unit")
        may_be_retested(self.plan.limits.retest, self.log.history(self.model, serial), serial)

    def _shut(
        self, serial: str, purpose: Purpose, operator: str | None = None
    ) -> tuple[Admission, tuple[Problem, ...]]:
        """Refuse a unit that the station cannot test now; return what its run must say of the station."""
        self.end_cut_off()
        no_room = self.keeper.refusal()
        if no_room is not None:
            raise StationError(f"{no_room}. Nothing was run.")
        if purpose == "study" and self.study is not None:
            self.study.refuse_other(self.log, serial, operator)
        gate = self._gate(serial, purpose)
        overdue = self._overdue(serial)
        require_unit(self.station.config.screen.unit_present, serial)
        return gate, overdue

    def _admitted(self, serial: str, facts: UnitFacts, purpose: Purpose) -> _Admission:
        """Decide whether a unit may be tested now, before anything is opened."""
        config = self.station.config
        gate, overdue = self._shut(serial, purpose, facts.said.get("operator"))
        history = self.log.history(self.model, serial)
        override: Mapping[str, str] = {}
        attempts = self.log.attempts(self.model, serial)
        if purpose == "unit":
            override = admitted(self.plan.limits.retest, history, serial, facts)
        before, unanswered = permitted(config.before if purpose == "unit" else None, serial)
        identity, problems = identified(config, self.plan.limits, serial, facts.firmware)
        marks = (*gate.problems, *overdue, *unanswered, *problems)
        return _Admission(history, attempts, override, before, identity, marks, gate)

    def _gate(self, serial: str, purpose: Purpose) -> Admission:
        """Return what the station's gates say; only units are refused, and what is studied."""
        if purpose not in ("unit", "study"):
            standing = self.gatekeeper.standing()
            return Admission(None, (), standing.record(), standing.loop)
        admission = self.gatekeeper.admission(serial, of_study=purpose == "study")
        if admission.refusal is not None:
            raise StationError(f"{admission.refusal}. Nothing was run.")
        return admission

    def _overdue(self, serial: str) -> tuple[Problem, ...]:
        """Return the notes on overdue assets; refuse the unit if one that must not be overdue is."""
        config, today = self.station.config, datetime.now(UTC).date()
        assets = tuple(
            problem for role, asset in config.assets.items() for problem in asset.problems(role, today)
        )
        why = [
            problem.message for problem in (*config.calibration.problems(today), *assets) if problem.blocks
        ]
        if why and config.gate.outside == "refuse":
            raise StationError(
                f"{serial} is not tested: {'; '.join(why)} (refuse_when_overdue). Have it calibrated, or use another "
                "that is calibrated and name it in the station config. Nothing was run."
            )
        return assets

    def _run(
        self, serial: str, facts: UnitFacts, admission: _Admission, interface: Interface, journal: _Journal
    ) -> RunResult:
        config = self.station.config
        checks = [planned.check for planned in self.plan.checks]
        return run_unit(
            self.plan,
            RunFacts(
                serial,
                facts.firmware if facts.firmware is not None else admission.identity.get("firmware"),
                config.station,
                self.station.sha256,
                config.calibration,
                admission.problems,
                admission.station.loop,
                admission.station.path,
            ),
            interface,
            self.executor,
            listener=self.listener,
            keep_captures=self.keeper.needs_captures,
            control=SetupControl(checks, serial, config.setup, self.people),
            journal=journal,
        )

    def _record(self, run: RunResult) -> ExitStatus:
        outcome, told = self.keeper.archived(run.outcome, run.captures)
        folder = self._folder_of(outcome)
        return record_and_report(
            outcome,
            self.log,
            [run_files(folder), self.files],
            self.listener,
            strict=self.strict,
            captures=told,
            keep_beside=lambda: self.keeper.beside_files(folder / "captures", outcome, run.captures),
        )


class _Journal:
    """Keeps a run in the log from before its first sample, so a run that is cut off is known.

    Parameters
    ----------
    log : Log
    completed : callable
        Gives a run the facts that its record has beside what was measured.
    """

    def __init__(self, log: Log, completed: Callable[[Run], Run]) -> None:
        self._log = log
        self._completed = completed
        self._held = ExitStack()
        self._hold: Hold | None = None
        self._run_id = ""

    def __enter__(self) -> Self:
        """Return the journal."""
        return self

    def __exit__(self, *_: object) -> None:
        """Release the run: it is recorded, was cut off, or could not be recorded."""
        if self._hold is not None and self._hold.is_failed:
            try:
                self._hold.stays = not self._log.is_recorded(self._run_id)
            except LinecheckError:
                self._hold.stays = True
        self._held.close()

    def begin(self, run: Run) -> None:
        """State that a run begins.

        Raises
        ------
        RecordError
            It could not be stated: the run must not begin.
        """
        self._hold = self._held.enter_context(held(self._log.path, run.run_id))
        self._run_id = run.run_id
        self._log.begin(self._completed(run))

    def keep(self, run_id: str, check: CheckOutcome) -> None:
        """Keep a check; a failure to do so does not stop the run."""
        if self._hold is not None and check.judged.verdict is Verdict.FAIL:
            self._hold.note_fail()
        try:
            self._log.keep(run_id, check)
        except LinecheckError:
            _log.exception("check %s could not be kept before its run is recorded", check.check)


@contextmanager
def opened_session(
    station: Station,
    limits_path: str,
    serial: str | None = None,
    *,
    files: ResultFiles | None = None,
    out: Path | None = None,
    faults: tuple[str, ...] = (),
    strict: bool = False,
    keep_captures: bool = False,
    people: People | None = None,
    listener: Listener = ignore_event,
    study: str | None = None,
) -> Iterator[Session]:
    """Make a station ready for units, or for a single one if its serial number is given.

    ``study`` is the file of a gauge study's plan, for whose runs units are measured.

    Raises
    ------
    LinecheckError
        Something is wrong with what is asked for: nothing was opened or run.
    """
    config = station.config
    if faults:
        open_interface(config, serial="", faults=faults)
    limits = load_limits(limits_path)
    if serial is not None:
        check_serial(serial, limits)
    plan = station_plan(limits, config)
    studied = None if study is None else _studied(study, limits, config)
    folder = out if out is not None else Path(config.records.folder)
    wanted = files if files is not None else ResultFiles()
    wanted.check((limits_path,))
    check_can_write(folder / "result.json")
    with (
        Log.of_station(config) as log,
        # Ends before the log does: its threads keep in the log what they have judged.
        analysis_executor(own_process=interface_of(config).own_process) as executor,
    ):
        # What takes a moment the first time is done before a unit waits for it.
        make_ready(executor)
        environment.packages()
        environment.source_commit()
        session = Session(
            station=station,
            plan=plan,
            log=log,
            executor=executor,
            folder=folder,
            faults=faults,
            strict=strict,
            keep="all" if keep_captures else config.records.captures,
            files=wanted,
            people=people,
            listener=listener,
            study=studied,
        )
        if studied is not None:
            studied.state(log)
        session.end_cut_off()
        yield session


def _studied(path: str, limits: LimitFile, config: StationConfig) -> StudyAtLine:
    # What it imports of statistics only a study needs.
    from linecheck.line.study import StudyAtLine

    return StudyAtLine.of(path, limits, config)
