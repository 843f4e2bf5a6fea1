"""How runs are going, on standard error: a bar on a terminal, a line for each step elsewhere."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from linecheck.files.text import visible
from linecheck.line.events import Event
from linecheck.run.model import SettingStep
from linecheck.run.plan import Plan, PlannedCheck
from linecheck.station.events import CheckStarted, MeasuringEnded, RunStarted, UnitSet

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

__all__ = ["BarProgress", "LineProgress", "run_progress", "shows_bars"]


def shows_bars() -> bool:
    """Return whether standard error is a terminal that can show bars."""
    return sys.stderr.isatty() and os.environ.get("TERM", "") != "dumb"


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
        checks = "1 check" if total == 1 else f"{total} checks"
        click.echo(f"{checks}, {plan.seconds:.1f} s of audio", err=True)

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
