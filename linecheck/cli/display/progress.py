"""How runs and the judging of sets are going, on standard error: a bar on a terminal, lines elsewhere."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from linecheck.captures.many_sets import JudgedSet, SetBegunAgain, SetJudged, SetsStarted
from linecheck.cli.display.banner import mark
from linecheck.cli.display.messages import counted
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.line.events import Event, SetsEnded, SetsSummed
from linecheck.run.model import SettingStep
from linecheck.run.plan import Plan, PlannedCheck
from linecheck.station.events import CheckStarted, MeasuringEnded, RunStarted, UnitSet

if TYPE_CHECKING:
    from rich.progress import Progress, ProgressColumn, TaskID


def shows_bars() -> bool:
    """Return whether standard error is a terminal that can show bars."""
    return sys.stderr.isatty() and os.environ.get("TERM", "") != "dumb"


def counting_bar() -> Progress:
    """Return a bar on standard error that counts, and vanishes at the end."""
    from rich.progress import BarColumn, MofNCompleteColumn, TimeElapsedColumn, TimeRemainingColumn

    return _bars(BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())


def _bars(*columns: ProgressColumn) -> Progress:
    from rich.console import Console
    from rich.progress import Progress

    return Progress(*columns, console=Console(stderr=True), transient=True)


def _write(text: str, bars: Progress | None) -> None:
    """Write a line above the bars, or where there are none."""
    if bars is None:
        click.echo(text, err=True)
    else:
        bars.console.print(text, markup=False, highlight=False)


def _setting_line(step: SettingStep) -> str:
    """Return what is said of a setting: one line."""
    made = f"set {step.setting} to {step.value}"
    if step.done:
        return visible(made if step.how == "interface" else f"{made} ({step.how}, {step.seconds:.1f} s)")
    lines = [line.strip() for line in step.output.splitlines() if line.strip()]
    return visible(f"could not {made} ({step.how})" + (f": {lines[-1][:200]}" if lines else ""))


@dataclass
class _Going:
    """A run that goes on: how many checks it has, which one plays, for how long, and the run's bar."""

    total: int
    number: int = 0
    seconds: float = 0.0
    task: TaskID | None = None


class RunProgress:
    """A bar for each run, which knows the playing time of every check; ``step`` says what is done with a check."""

    def __init__(self, step: str = "playing") -> None:
        self._step = step
        self._bars: Progress | None = None
        self._runs: dict[str, _Going] = {}

    def __call__(self, event: Event) -> None:
        """Show what happens in a run."""
        match event:
            case RunStarted():
                self._start(event.run_id, event.plan)
            case CheckStarted(planned=planned):
                self._play(self._runs[event.run_id], planned)
            case UnitSet():
                _write(_setting_line(event.step), self._bars)
            case MeasuringEnded():
                self._end(event.run_id)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Take the bars away while someone is asked, so that they do not write over the answer."""
        bars = self._bars
        if bars is None:
            yield
            return
        bars.stop()
        try:
            yield
        finally:
            bars.start()

    def _start(self, run_id: str, plan: Plan) -> None:
        run = self._runs[run_id] = _Going(len(plan.checks))
        if not shows_bars():
            _write(f"{counted(run.total, 'check')}, {plan.seconds:.1f} s of audio", None)
            return
        from rich.progress import BarColumn, TextColumn, TimeElapsedColumn

        if self._bars is None:
            self._bars = _bars(TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
            self._bars.start()
        run.task = self._bars.add_task("", total=plan.seconds)

    def _play(self, run: _Going, planned: PlannedCheck) -> None:
        """Name what plays; what played before is done."""
        run.number += 1
        if self._bars is None or run.task is None:
            _write(f"[{run.number}/{run.total}] {planned.check.name}: {self._step}", None)
            return
        self._bars.update(run.task, description=planned.check.name, advance=run.seconds)
        run.seconds = planned.stimulus.seconds

    def _end(self, run_id: str) -> None:
        run = self._runs.pop(run_id, None)
        if self._bars is None or run is None or run.task is None:
            return
        self._bars.remove_task(run.task)
        if not self._runs:
            self._bars.stop()
            self._bars = None


class SetsProgress:
    """A bar that counts sets where there are several, with what does not pass above it."""

    def __init__(self) -> None:
        self._bar: Progress | None = None
        self._total, self._number = 0, 0

    def __call__(self, event: Event) -> None:
        """Show what becomes of the sets."""
        match event:
            case SetsStarted(total=total):
                self._start(total)
            case SetJudged(judged=judged):
                self._judged(judged)
            case SetBegunAgain(path=path, why=why):
                _write(visible(f"{path}: {why}; it is judged again").replace("\n", " "), self._bar)
            case SetsEnded() | SetsSummed() if self._bar is not None:
                self._bar.stop()
                self._bar = None

    def _start(self, total: int) -> None:
        self._total, self._number = total, 0
        if total > 1 and shows_bars():
            self._bar = counting_bar()
            self._bar.add_task("", total=total)
            self._bar.start()
        else:
            _write(counted(total, "set"), None)

    def _judged(self, judged: JudgedSet) -> None:
        self._number += 1
        serial = f" {judged.outcome.serial}" if judged.outcome is not None else ""
        why = f": {judged.why}" if judged.verdict is Verdict.INVALID and judged.why else ""
        told = visible(f"{judged.path}{serial}: {judged.verdict.value}{why}").replace("\n", " ")
        if self._bar is None:
            _write(f"[{self._number}/{self._total}] {told}", None)
            return
        if judged.verdict is not Verdict.PASS:
            _write(f"{mark(judged.verdict)} {told}", self._bar)
        self._bar.advance(self._bar.task_ids[0])
