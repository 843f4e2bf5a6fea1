"""How a run is going, on standard error: a bar on a terminal, a line for each step elsewhere."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from linecheck.cli.display.banner import mark
from linecheck.files.text import visible
from linecheck.run.model import CheckOutcome, SettingStep
from linecheck.run.plan import Plan, PlannedCheck
from linecheck.station.runner import Listener

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

__all__ = ["BarProgress", "LineProgress", "progress_listener"]


def progress_listener(step: str = "playing") -> Listener:
    """Return what suits standard error; ``step`` says what is being done with a check."""
    terminal = sys.stderr.isatty() and os.environ.get("TERM", "") != "dumb"
    return BarProgress() if terminal else LineProgress(step)


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
        self._total = 0
        self._number = 0

    def run_started(self, plan: Plan) -> None:
        """Say how long it will take."""
        self._total = len(plan.checks)
        checks = "1 check" if self._total == 1 else f"{self._total} checks"
        click.echo(f"{checks}, {plan.seconds:.1f} s of audio", err=True)

    def check_started(self, planned: PlannedCheck) -> None:
        """Say what plays."""
        self._number += 1
        click.echo(f"[{self._number}/{self._total}] {planned.check.name}: {self._step}", err=True)

    def unit_set(self, step: SettingStep) -> None:
        """Say how the unit was set."""
        click.echo(_setting_line(step), err=True)

    def check_judged(self, outcome: CheckOutcome) -> None:
        """Say what a check came to."""
        verdict = outcome.judged.verdict
        click.echo(f"{outcome.check}: {verdict.value if verdict else 'measured'}", err=True)

    def run_finished(self) -> None:
        """Do nothing."""


class BarProgress:
    """A bar that knows the playing time of every check, and vanishes at the end."""

    def __init__(self) -> None:
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        self._playing: PlannedCheck | None = None

    def run_started(self, plan: Plan) -> None:
        """Show the bar."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
        self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
        self._task = self._bar.add_task("", total=plan.seconds)
        self._bar.start()

    def check_started(self, planned: PlannedCheck) -> None:
        """Name what plays; what played before is done."""
        if self._bar is None or self._task is None:
            return
        done = self._playing.stimulus.seconds if self._playing is not None else 0.0
        self._playing = planned
        self._bar.update(self._task, description=planned.check.name, advance=done)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Take the bar away while someone is asked, so that it does not write over the answer."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        try:
            yield
        finally:
            self._bar.start()

    def unit_set(self, step: SettingStep) -> None:
        """Write how the unit was set above the bar."""
        if self._bar is not None:
            self._bar.console.print(_setting_line(step), markup=False, highlight=False)

    def check_judged(self, outcome: CheckOutcome) -> None:
        """Write what a check came to above the bar."""
        if self._bar is not None:
            verdict = outcome.judged.verdict
            word = verdict.value if verdict else "measured"
            self._bar.console.print(f"{mark(verdict)} {outcome.check}: {word}", markup=False, highlight=False)

    def run_finished(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
