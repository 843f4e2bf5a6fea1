"""Recording a run of 60 readings and 6 curves, over the same bytes written to a bare database and committed.

Everything is on the disk when either returns (synchronous FULL).
"""

import contextlib
import os
import sqlite3
import statistics
import tempfile
import time
import uuid
from dataclasses import replace
from pathlib import Path

from made_runs import large_run

from linecheck.log import Log

TARGET_MS = 10.0
RUNS, QUICK_RUNS = 300, 60


def rows(quick):
    """Return the table's line."""
    count = QUICK_RUNS if quick else RUNS
    run = large_run()
    # Beside this file: a temporary folder may lie in memory, and a log does not.
    with tempfile.TemporaryDirectory(prefix="linecheck-benchmark-", dir=Path.cwd()) as folder:
        path = Path(folder) / "log.sqlite"
        took = []
        with Log(path) as log:
            for at in range(count):
                outcome = replace(run, run_id=str(uuid.uuid4()), serial=f"PR3-{at:06d}")
                begun = time.perf_counter()
                log.append(outcome)
                took.append(1e3 * (time.perf_counter() - begun))
        size = os.path.getsize(path) // count
        floor = _bare(Path(folder) / "bare.sqlite", size, count)
    median, worst = statistics.median(took), sorted(took)[int(0.95 * count)]
    return [
        (
            f"recording a run, {size // 1024} kB",
            f"median {median:.1f} ms, 95 % below {worst:.1f} ms",
            f"a bare commit {floor:.1f} ms",
            f"{median / floor:.1f}",
            f"below {TARGET_MS:g} ms",
        )
    ]


def _bare(path, size, count):
    """Return the median time that writing so many bytes and committing them takes."""
    took = []
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as bare:
        bare.execute("PRAGMA journal_mode=WAL").fetchall()
        bare.execute("PRAGMA synchronous=FULL")
        bare.execute("CREATE TABLE bytes (content BLOB)")
        for _ in range(count):
            content = os.urandom(size)
            begun = time.perf_counter()
            bare.execute("BEGIN IMMEDIATE")
            bare.execute("INSERT INTO bytes VALUES (?)", (content,))
            bare.execute("COMMIT")
            took.append(1e3 * (time.perf_counter() - begun))
    return statistics.median(took)
