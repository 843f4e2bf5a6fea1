"""Finding a serial number in a log of a million runs (20,000 with ``--quick``), over a bare look-up by sqlite3.

Times are of calls of the library on a log that is open, without the start of a process. The floor asks the same file by
the same index for the same rows, on a connection that is open already.
"""

import contextlib
import random
import sqlite3
import tempfile
import time
from pathlib import Path

from large_log import make_large_log

from linecheck.log import LogReader, RunFilter
from linecheck.log.schema import PARTS

TARGET_MS = 10.0
RUNS, QUICK_RUNS = 1_000_000, 20_000
READINGS = 4
REPEATS = 5
_PARTS = tuple(table.name for table, _ in PARTS.values())


def rows(quick):
    """Return the table's lines."""
    runs = QUICK_RUNS if quick else RUNS
    with tempfile.TemporaryDirectory(prefix="linecheck-benchmark-") as folder:
        path = make_large_log(Path(folder) / "log.sqlite", runs, readings=READINGS)
        with LogReader(path) as log, contextlib.closing(sqlite3.connect(path)) as bare:
            return [
                _row(f"{what}, {runs} runs", asked, floor, _serials(bare, 20 if quick else 100))
                for what, asked, floor in _questions(log, bare)
            ]


def _questions(log, bare):
    """Return what is asked: its name, the library's call and the bare look-up, each given a serial number."""

    def attempts(serial):
        return bare.execute("SELECT * FROM run WHERE serial = ? ORDER BY sequence DESC", (serial,)).fetchall()

    def whole(serial):
        found = attempts(serial)
        for row in found:
            for table in _PARTS:
                bare.execute(f"SELECT * FROM {table} WHERE sequence = ?", row[:1]).fetchall()
        return found

    return (
        ("log list --serial", lambda serial: log.runs(RunFilter(serial=serial, purpose="unit")), attempts),
        ("finding a serial's newest run", log.find, attempts),
        ("log show SERIAL", lambda serial: list(log.show(serial)), whole),
    )


def _serials(bare, count):
    """Return serial numbers from all over the log."""
    (last,) = bare.execute("SELECT max(sequence) FROM run").fetchone()
    chosen = random.Random(1).sample(range(1, last + 1), count)
    return [bare.execute("SELECT serial FROM run WHERE sequence = ?", (at,)).fetchone()[0] for at in chosen]


def _row(what, asked, floor, serials):
    for serial in serials[:3]:
        assert asked(serial)
        assert floor(serial)
    took, bare = (sorted(_milliseconds(call, serial) for serial in serials) for call in (asked, floor))
    middle = len(serials) // 2
    return (
        what,
        f"median {took[middle]:.2f} ms, worst {took[-1]:.2f} ms",
        f"bare sqlite3 {bare[middle]:.3f} ms",
        f"{took[middle] / bare[middle]:.0f}",
        f"below {TARGET_MS:g} ms",
    )


def _milliseconds(call, serial):
    """Return how long a call takes, the best of several."""
    walls = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        call(serial)
        walls.append(time.perf_counter() - begun)
    return 1e3 * min(walls)
