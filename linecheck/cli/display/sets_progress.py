"""How the judging of many sets is going, on standard error: a bar on a terminal, a line for each set elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from linecheck.captures.many_sets import JudgedSet, SetBegunAgain, SetJudged, SetsStarted
from linecheck.cli.display.banner import mark
from linecheck.cli.display.progress import shows_bars
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.line.events import Event, SetsEnded, SetsSummed

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

__all__ = ["SetsProgress"]


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
        self.write(f"{total} set{'' if total == 1 else 's'}")

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
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )

        columns = (BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())
        self._bar: Progress | None = Progress(*columns, console=Console(stderr=True), transient=True)
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
    text = f"{judged.path}{serial}: {judged.verdict.value}"
    if judged.verdict is Verdict.INVALID and judged.why:
        text += f": {judged.why}"
    return visible(text).replace("\n", " ")
