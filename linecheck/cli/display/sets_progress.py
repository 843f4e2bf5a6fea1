"""How the judging of many sets is going, on standard error: a bar on a terminal, a line for each set elsewhere."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Protocol

import click

from linecheck.captures.many_sets import JudgedSet, SetsListener
from linecheck.cli.display.banner import mark
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

__all__ = ["sets_listener"]


class _Shown(SetsListener, Protocol):
    def sets_finished(self) -> None:
        """Take away what must not stay; may be called more than once."""


def sets_listener(several: bool = True) -> _Shown:
    """Return what suits standard error."""
    terminal = sys.stderr.isatty() and os.environ.get("TERM", "") != "dumb"
    return BarSets() if terminal and several else LineSets()


class LineSets:
    """A line for each set, which a build log keeps."""

    def __init__(self) -> None:
        self._total = 0
        self._number = 0

    def sets_started(self, total: int) -> None:
        """Say how many there are."""
        self._total = total
        click.echo(f"{total} set{'' if total == 1 else 's'}", err=True)

    def set_judged(self, judged: JudgedSet) -> None:
        """Say what a set came to."""
        self._number += 1
        click.echo(f"[{self._number}/{self._total}] {_told(judged)}", err=True)

    def worker_died(self, path: str, message: str) -> None:
        """Say that a set is judged again."""
        click.echo(_again(path, message), err=True)

    def sets_finished(self) -> None:
        """Do nothing."""


class BarSets:
    """A bar that counts sets and vanishes at the end; what does not pass is written above it."""

    def __init__(self) -> None:
        self._bar: Progress | None = None
        self._task: TaskID | None = None

    def sets_started(self, total: int) -> None:
        """Show the bar."""
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TimeElapsedColumn,
            TimeRemainingColumn,
        )

        columns = (BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), TimeRemainingColumn())
        self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
        self._task = self._bar.add_task("", total=total)
        self._bar.start()

    def set_judged(self, judged: JudgedSet) -> None:
        """Count a set."""
        if self._bar is None or self._task is None:
            return
        if judged.verdict is not Verdict.PASS:
            self._write(f"{mark(judged.verdict)} {_told(judged)}")
        self._bar.advance(self._task)

    def worker_died(self, path: str, message: str) -> None:
        """Write that a set is judged again."""
        self._write(_again(path, message))

    def sets_finished(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def _write(self, text: str) -> None:
        if self._bar is not None:
            self._bar.console.print(text, markup=False, highlight=False)


def _told(judged: JudgedSet) -> str:
    serial = f" {judged.outcome.serial}" if judged.outcome is not None else ""
    text = f"{judged.path}{serial}: {judged.verdict.value}"
    if judged.verdict is Verdict.INVALID and judged.why:
        text += f": {judged.why}"
    return visible(text).replace("\n", " ")


def _again(path: str, message: str) -> str:
    return visible(f"{path}: {message}; it is judged again").replace("\n", " ")
