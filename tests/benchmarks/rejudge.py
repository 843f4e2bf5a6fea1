"""Judging stored runs by another limit file, over reading the same rows from SQLite and doing nothing with them."""

import contextlib
import resource
import sqlite3
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from large_log import large_limits, make_large_log

from linecheck.history.rejudge.what_if import Wanted, what_if
from linecheck.limits.model import Bounds, Mask
from linecheck.log import RunFilter

#: Judging and counting cost no more than reading once more does.
TARGET = 2.5
CURVE_POINTS = 2000

_ROWS = (
    "SELECT sequence, check_position, metric, channel, value, uncertainty, is_bound, verdict FROM reading "
    "WHERE sequence BETWEEN ? AND ? ORDER BY sequence, check_position, position"
)
_CURVES = "SELECT sequence, content FROM curve_points WHERE sequence BETWEEN ? AND ?"


def rows(quick):
    """Return the table's lines: readings alone, and with a masked curve in each channel."""
    table = []
    for runs, points in ((10_000, 0), (500, CURVE_POINTS)) if quick else ((100_000, 0), (5000, CURVE_POINTS)):
        with tempfile.TemporaryDirectory() as folder:
            path = make_large_log(Path(folder) / "log.sqlite", runs, curve_points=points)
            repeats = 1 if quick else 2
            floor = min(_floor(path, runs, points) for _ in range(repeats))
            wall = min(_wall(path, points) for _ in range(repeats))
        what = f" and {2 * runs} curves" if points else ""
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        table.append(
            (
                f"log rejudge, {runs} runs of 60 readings{what}",
                f"{wall:.1f} s, {runs / wall:.0f} runs a second, at most {memory:.0f} MB in this process",
                f"reading the rows {floor:.1f} s",
                f"{wall / floor:.1f}",
                f"at most {TARGET:g}",
            )
        )
    return table


def _floor(path, runs, points):
    begun = time.perf_counter()
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for first in range(1, runs + 1, 500):
            span = (first, min(first + 499, runs))
            connection.execute(_ROWS, span).fetchall()
            if points:
                connection.execute(_CURVES, span).fetchall()
    return time.perf_counter() - begun


def _wall(path, points):
    limits = large_limits(curves=bool(points))
    tone = next(check for check in limits.checks if check.name == "tone")
    tighter = replace(tone, masks={**tone.masks, "sinad": Mask(Bounds(114.0), Bounds(110.0))})
    checks = tuple(tighter if check is tone else check for check in limits.checks)
    begun = time.perf_counter()
    tally = what_if(
        path, [replace(limits, checks=checks)], RunFilter(purpose="unit"), Wanted(lambda run: False)
    )
    wall = time.perf_counter() - begun
    if not tally.changed or tally.judged != tally.runs:
        raise RuntimeError("a log for measuring does not come to what it should")
    return wall
