"""A shift as one page, and its runs as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from typing import Final

from linecheck import __version__
from linecheck.files.cells import csv_text
from linecheck.history.shift import ShiftRun, ShiftSummary
from linecheck.report.parts import Part

#: In the order of the file.
_COLUMNS: Final = tuple(field.name for field in fields(ShiftRun))


def local_time(moment: datetime) -> str:
    """Return a time as this computer's clock shows it, with its zone."""
    here = moment.astimezone()
    return f"{here:%Y-%m-%d %H:%M:%S} {here.tzname()}"


def shift_page_of(counted: ShiftSummary, station: str, shift: str, since: datetime, until: datetime) -> Part:
    """Return what the page of a shift shows."""
    name = f"Shift {shift}" if shift else "Shift"
    headline = f"{name} at {station}: {counted.units} unit{'s' if counted.units != 1 else ''}"
    return {
        "title": headline,
        "running_head": f"{headline}, {since.astimezone():%Y-%m-%d}",
        "software": f"linecheck {__version__}",
        "headline": headline,
        "span": f"{local_time(since)} to {local_time(until)}",
        "counts": tuple(count_texts(counted)),
        "tables": tuple(table for table in _tables(counted) if table[2]),
    }


def count_texts(counted: ShiftSummary) -> list[tuple[str, str]]:
    """Return what is counted, as names and texts."""
    share = counted.first_pass_yield
    told = "none judged" if share is None else f"{100.0 * share:.1f} %"
    return [
        ("units tested", f"{counted.units} in {counted.runs} runs"),
        (
            "first-pass yield",
            f"{told} ({counted.first_passed} of {counted.first_judged} judged for the first time)",
        ),
        ("takt, median", _seconds(counted.takt_median)),
        ("takt, last", _seconds(counted.takt_last)),
    ]


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} s"


def _tables(counted: ShiftSummary) -> list[tuple[str, tuple[str, ...], list[tuple[str, ...]]]]:
    return [
        (
            "Runs by verdict",
            ("verdict", "runs"),
            [(word, str(runs)) for word, runs in counted.states.items()],
        ),
        (
            "Causes named of runs that do not pass",
            ("cause", "runs"),
            [(text, str(runs)) for text, runs in counted.causes],
        ),
        (
            "Units by operator",
            ("operator", "units"),
            [(name or "nobody named", str(units)) for name, units in counted.operators.items()],
        ),
        (
            "Last units",
            ("serial number", "verdict", "attempt", "cause", "ended"),
            [
                (run.serial, run.state, str(run.attempt), run.cause or "–", local_time(run.finished))
                for run in counted.last
            ],
        ),
    ]


def shift_csv(runs: Sequence[ShiftRun]) -> str:
    """Return the runs of a shift as CSV."""
    return csv_text(_COLUMNS, ([getattr(run, name) for name in _COLUMNS] for run in runs))
