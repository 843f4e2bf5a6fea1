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
    from rich.progress import Progress, TaskID

__all__ = ["SetsProgress", "counting_bar", "run_progress", "shows_bars"]


def shows_bars() -> bool:
    """Return whether standard error is a terminal that can show bars."""
    return sys.stderr.isatty() and os.environ.get("TERM", "") != "dumb"


def counting_bar() -> Progress:
    """Return a bar on standard error that counts, and vanishes at the end."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeElapsedColumn, TimeRemainingColumn

    columns = (BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())
    return Progress(*columns, console=Console(stderr=True), transient=True)


def run_progress(step: str = "playing") -> LineProgress | BarProgress:
    """Return what suits standard error; ``step`` says what is being done with a check."""
    return BarProgress() if shows_bars() else LineProgress(step)


def _setting_line(step: SettingStep) -> str:
    """Return what is said of a setting: one line."""
    made = f"set {step.setting} to {step.value}"
    if step.done:
        return visible(made if step.how == "interface" else f"{made} ({step.how}, {step.seconds:.1f} s)")
    lines = [line.strip() for line in step.output.splitlines() if line.strip()]
    return visible(f"could not {made} ({step.how})" + (f": {lines[-1][:200]}" if lines else ""))


class LineProgress:
    """A line for each step, which a build log keeps."""

    def __init__(self, step: str = "playing") -> None:
        self._step = step
        #: Of each run that goes on: the check that plays, and how many there are.
        self._places: dict[str, tuple[int, int]] = {}

    def __call__(self, event: Event) -> None:
        """Say what happens in a run."""
        match event:
            case RunStarted():
                self._start(event.run_id, event.plan)
            case CheckStarted():
                number, total = self._places[event.run_id]
                self._places[event.run_id] = (number + 1, total)
                name = event.planned.check.name
                click.echo(f"[{number + 1}/{total}] {name}: {self._step}", err=True)
            case UnitSet():
                click.echo(_setting_line(event.step), err=True)
            case MeasuringEnded():
                self._places.pop(event.run_id, None)

    def _start(self, run_id: str, plan: Plan) -> None:
        total = len(plan.checks)
        self._places[run_id] = (0, total)
        click.echo(f"{counted(total, 'check')}, {plan.seconds:.1f} s of audio", err=True)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Do nothing: lines write over no answer."""
        yield


@dataclass
class _Task:
    """A run's bar, and the check that plays."""

    task: TaskID
    playing: PlannedCheck | None = None


class BarProgress:
    """A bar for each run that knows the playing time of every check, and vanishes at the end."""

    def __init__(self) -> None:
        self._bars: Progress | None = None
        self._tasks: dict[str, _Task] = {}

    def __call__(self, event: Event) -> None:
        """Show what happens in a run."""
        match event:
            case RunStarted():
                self._start(event.run_id, event.plan)
            case CheckStarted():
                self._advance(event.run_id, event.planned)
            case UnitSet():
                self._write(_setting_line(event.step))
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
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        if self._bars is None:
            columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
            self._bars = Progress(*columns, console=Console(stderr=True), transient=True)
            self._bars.start()
        self._tasks[run_id] = _Task(self._bars.add_task("", total=plan.seconds))

    def _advance(self, run_id: str, planned: PlannedCheck) -> None:
        """Name what plays; what played before is done."""
        run = self._tasks.get(run_id)
        if self._bars is not None and run is not None:
            done = run.playing.stimulus.seconds if run.playing is not None else 0.0
            run.playing = planned
            self._bars.update(run.task, description=planned.check.name, advance=done)

    def _write(self, text: str) -> None:
        """Write a line above the bars."""
        if self._bars is not None:
            self._bars.console.print(text, markup=False, highlight=False)

    def _end(self, run_id: str) -> None:
        run = self._tasks.pop(run_id, None)
        if self._bars is None or run is None:
            return
        if self._tasks:
            self._bars.remove_task(run.task)
        else:
            self._bars.stop()
            self._bars = None


class SetsProgress:
    """What suits standard error, once it is known how many sets there are."""

    def __init__(self) -> None:
        self._shown: _BarSets | _LineSets | None = None

    def __call__(self, event: Event) -> None:
        """Show what becomes of the sets."""
        if isinstance(event, SetsStarted):
            self._shown = (
                _BarSets(event.total) if shows_bars() and event.total > 1 else _LineSets(event.total)
            )
        elif self._shown is None:
            return
        elif isinstance(event, SetJudged):
            self._shown.judged(event.judged)
        elif isinstance(event, SetBegunAgain):
            self._shown.write(visible(f"{event.path}: {event.why}; it is judged again").replace("\n", " "))
        elif isinstance(event, SetsEnded | SetsSummed):
            self._shown.end()


class _LineSets:
    """A line for each set, which a build log keeps."""

    def __init__(self, total: int) -> None:
        self._total = total
        self._number = 0
        self.write(counted(total, "set"))

    def judged(self, judged: JudgedSet) -> None:
        """Say what a set came to."""
        self._number += 1
        self.write(f"[{self._number}/{self._total}] {_told(judged)}")

    def write(self, text: str) -> None:
        """Write a line."""
        click.echo(text, err=True)

    def end(self) -> None:
        """Do nothing: lines stay."""


class _BarSets:
    """A bar that counts sets and vanishes at the end; what does not pass is written above it."""

    def __init__(self, total: int) -> None:
        self._bar: Progress | None = counting_bar()
        self._task: TaskID = self._bar.add_task("", total=total)
        self._bar.start()

    def judged(self, judged: JudgedSet) -> None:
        """Count a set."""
        if self._bar is None:
            return
        if judged.verdict is not Verdict.PASS:
            self.write(f"{mark(judged.verdict)} {_told(judged)}")
        self._bar.advance(self._task)

    def write(self, text: str) -> None:
        """Write a line above the bar."""
        if self._bar is not None:
            self._bar.console.print(text, markup=False, highlight=False)

    def end(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None


def _told(judged: JudgedSet) -> str:
    serial = f" {judged.outcome.serial}" if judged.outcome is not None else ""
    why = f": {judged.why}" if judged.verdict is Verdict.INVALID and judged.why else ""
    return visible(f"{judged.path}{serial}: {judged.verdict.value}{why}").replace("\n", " ")
