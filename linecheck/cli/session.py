"""What a command does with a run: record it, write its files, show its verdict, in this order.

A verdict is shown only once its record is on the disk. A run that could not be recorded is invalid,
whatever it measured.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from linecheck.checks.base import Capture, Problem
from linecheck.cli.display import show_result
from linecheck.cli.progress import BarProgress, progress_listener
from linecheck.cli.stop_signals import StopSignals
from linecheck.errors import ExitStatus, FileError, LinecheckError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.records.files import check_can_write, write_atomically
from linecheck.records.text import visible
from linecheck.station.capture_set import INDEX_NAME, plain_file_name, write_capture_set
from linecheck.station.config import Station
from linecheck.station.executors import make_ready
from linecheck.station.interface import Interface
from linecheck.station.open_interface import open_interface
from linecheck.station.outcome import RunOutcome, SettingStep
from linecheck.station.plan import Plan, PlannedCheck
from linecheck.station.runner import HearsSettings, Listener, RunFacts, RunResult, run_unit
from linecheck.station.setup_captures import telling_settings
from linecheck.station.setup_control import Operator, SetupControl

if TYPE_CHECKING:
    from linecheck.records.log import Log

__all__ = ["ResultFiles", "ResultName", "Session", "exit_status", "record_and_show", "tell", "told_status"]

ResultName = Literal["json", "junit", "summary"]

#: What a capture set's own files end with.
READ_SUFFIXES = (".toml", ".wav", ".flac")
#: By then a check that was started sounds, and the processors have nothing else to do.
UNDER_WAY_SECONDS = 0.1

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


@dataclass(frozen=True)
class _Contents:
    """The files' bytes, made once however many of them there are."""

    outcome: RunOutcome
    strict: bool
    set_path: str = ""

    def of(self, name: ResultName) -> bytes:
        """Return a file's bytes."""
        if name == "summary":
            return self._summary
        return self._json if name == "json" else self._junit

    @cached_property
    def _json(self) -> bytes:
        from linecheck.records.result import result, to_json_bytes

        return to_json_bytes(result(self.outcome))

    @cached_property
    def _junit(self) -> bytes:
        from linecheck.records.junit import junit_bytes

        return junit_bytes([self.outcome], self.strict)

    @cached_property
    def _summary(self) -> bytes:
        from linecheck.records.overview import brief
        from linecheck.records.summary import summary_bytes
        from linecheck.station.many_sets import JudgedSet

        return summary_bytes([brief(JudgedSet(self.set_path, self.outcome))])


@dataclass(frozen=True)
class ResultFiles:
    """The files of a result: where they go, None where they are not wanted."""

    json: Path | None = None
    junit: Path | None = None
    summary: Path | None = None

    def check(self, inputs: Iterable[str | Path] = ()) -> None:
        """Find out before anything is run whether they can be written, and over nothing that is read.

        Raises
        ------
        FileError
            One cannot, or is an input or a capture set's own file, or two are the same.
        """
        read = [Path(path).resolve() for path in inputs]
        read += [path.parent for path in read if path.name == INDEX_NAME]
        taken: set[Path] = set()
        for path in (self.json, self.junit, self.summary):
            if path is None:
                continue
            check_can_write(path)
            place = path.resolve()
            if place in read or (place.parent in read and place.suffix in READ_SUFFIXES):
                raise FileError(path, "is what this command reads: write the result somewhere else")
            if place in taken:
                raise FileError(path, "is named for two results: give each a file of its own")
            taken.add(place)

    def write(self, content: Callable[[ResultName], bytes]) -> None:
        """Write them; one that cannot be written keeps none of the others from being written.

        Parameters
        ----------
        content : callable
            Gives a file's bytes; asked for those alone that are wanted.

        Raises
        ------
        RecordError
            One or more cannot be written.
        """
        refused = []
        files: tuple[tuple[Path | None, ResultName], ...] = (
            (self.json, "json"),
            (self.junit, "junit"),
            (self.summary, "summary"),
        )
        for path, name in files:
            try:
                if path is not None:
                    write_atomically(path, content(name))
                    if name == "junit":
                        from linecheck.records.set_files import remove_parts

                        remove_parts(path)
            except RecordError as error:
                refused.append(str(error))
        if refused:
            raise RecordError("\n".join(refused))


def tell(message: str) -> None:
    """Say something to the operator, on standard error."""
    click.echo(f"linecheck: {visible(message)}", err=True)


def exit_status(verdict: Verdict, *, strict: bool) -> ExitStatus:
    """Return what a verdict ends a command with."""
    if verdict in (Verdict.INVALID, Verdict.ABORTED):
        return ExitStatus.INVALID
    if verdict is Verdict.FAIL or (verdict is Verdict.MARGINAL and strict):
        return ExitStatus.FAIL
    return ExitStatus.PASS


def told_status(verdict: Verdict, troubles: Iterable[str], *, strict: bool) -> ExitStatus:
    """Say what went wrong beside a verdict; return what both end a command with."""
    listed = list(troubles)
    for trouble in listed:
        tell(trouble)
    status = exit_status(verdict, strict=strict)
    return ExitStatus.INVALID if listed and status is ExitStatus.PASS else status


def record_and_show(
    outcome: RunOutcome,
    log: Log | None,
    files: list[ResultFiles],
    *,
    strict: bool,
    before: list[str] | None = None,
    set_path: str = "",
) -> ExitStatus:
    """Record a run, write its files and show its verdict.

    Parameters
    ----------
    outcome : RunOutcome
    log : Log or None
    files : list of ResultFiles
    strict : bool
    before : list of str, optional
        What went wrong before, which must be said below the verdict.
    set_path : str
        The capture set, where the run is one that was recorded.
    """
    troubles = list(before or ())
    attempt, verdict = None, outcome.verdict
    if log is not None:
        try:
            attempt = log.append(outcome).attempt
        except Exception as error:
            if not isinstance(error, LinecheckError):
                _log.exception("the log failed")
            reason = str(error) if isinstance(error, LinecheckError) else f"{type(error).__name__}: {error}"
            unrecorded = Problem("not_recorded", f"the run could not be recorded in the log: {reason}")
            outcome = replace(outcome, problems=(unrecorded, *outcome.problems), station_failed=True)
            verdict = Verdict.INVALID
    contents = _Contents(outcome, strict, set_path)
    for entry in files:
        try:
            entry.write(contents.of)
        except RecordError as error:
            troubles.append(str(error))
    show_result(outcome, attempt=attempt, verdict=verdict)
    return told_status(verdict, troubles, strict=strict)


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

    def test(self, serial: str, firmware: str | None, operator: str | None) -> ExitStatus:
        """Test one unit."""
        config = self.station.config
        earlier = self.log.attempts(self.model, serial)
        if earlier:
            times = "once" if earlier == 1 else f"{earlier} times"
            tell(f"{serial} was tested {times} before: this is attempt {earlier + 1}")
        interface, self.prepared = self.prepared, None
        if interface is None:
            interface = open_interface(config, serial=serial, attempt=earlier + 1, faults=self.faults)
        facts = RunFacts(serial, firmware, operator, config.station, self.station.sha256, config.calibration)
        checks = [planned.check for planned in self.plan.checks]
        listener = progress_listener()
        asked = None if self.operator is None else _Asking(self.operator, listener)
        control = SetupControl(checks, serial, config.setup, asked)
        with StopSignals() as stop:
            run = run_unit(
                self.plan,
                facts,
                interface,
                self.executor,
                listener=_OncePlaying(listener, self._make_ready),
                keep_captures=self.keep != "none",
                control=control,
            )
            stop.hold()
            if self.one_unit:
                self.executor.shutdown(wait=False)
            return self._record(run)

    def _make_ready(self) -> None:
        """Start and load what will be needed once the first check has been captured."""
        make_ready(self.executor)
        import linecheck.records.junit
        import linecheck.records.result  # noqa: F401

    def _record(self, run: RunResult) -> ExitStatus:
        outcome = run.outcome
        name = f"{outcome.started:%Y%m%dT%H%M%SZ}-{outcome.run_id[:8]}"
        folder = self.folder / plain_file_name(outcome.serial) / name
        own = ResultFiles(folder / "result.json", folder / "junit.xml")
        status = record_and_show(outcome, self.log, [own, self.files], strict=self.strict)
        if self.keep == "all" or (self.keep == "failed" and outcome.verdict is not Verdict.PASS):
            try:
                self._keep(folder / "captures", outcome, run.captures)
            except LinecheckError as error:
                tell(f"the captures were not kept: {error}")
                return ExitStatus.INVALID if status is ExitStatus.PASS else status
        return status

    def _keep(self, folder: Path, outcome: RunOutcome, captures: Mapping[str, Capture]) -> None:
        config = self.station.config
        if not any(capture.frames for capture in captures.values()):
            return
        played = {planned.check.name: planned.stimulus_sha256 for planned in self.plan.checks}
        write_capture_set(
            folder,
            captures,
            model=outcome.model,
            serial=outcome.serial,
            firmware=outcome.firmware,
            station=outcome.station,
            recorded=outcome.started,
            software=outcome.software,
            calibration=config.calibration,
            ramp_seconds=config.protection.ramp_seconds,
            stimulus_hashes={name: digest for name, digest in played.items() if digest is not None},
            setups=telling_settings(self.plan.limits),
        )
        tell(f"captures kept in {folder}")
