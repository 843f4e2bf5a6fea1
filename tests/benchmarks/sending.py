"""Sending a log to a PostgreSQL server on this machine: a run of 60 readings and 14 curves of 200 points.

The floor of sending and of verifying there is verifying the log here, which reads and hashes the same; that of a unit's
commit while a backlog is sent beside it is the same commit with nothing beside it.
"""

import statistics
import tempfile
import time
from pathlib import Path

from made_runs import made_check, made_curve, made_reading, made_run
from postgres_server import PostgresServer, find_programs

from linecheck.log import Log, LogReader
from linecheck.log.sync.background import BackgroundSync
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.migrate import migrate
from linecheck.log.sync.push import push
from linecheck.log.sync.server import connected
from linecheck.log.sync.stored import check_chain
from linecheck.log.sync.target import Target

SENDING_TARGET = 4.0
VERIFYING_TARGET = 2.0
COMMIT_TARGET = 1.2


def _checks():
    checks = []
    for at in range(12):
        items = [made_reading(metric=f"harmonic_{n}", value=113.0 + n / 7.0 + at / 3.0) for n in range(5)]
        items += [made_curve(points=200) for _ in range(2 if at < 2 else 1)]
        checks.append(made_check(*items, name=f"check_{at}"))
    return checks


def _timed(function):
    begun = time.perf_counter()
    result = function()
    return time.perf_counter() - begun, result


def _commits(path, runs):
    """Return the median and the longest time of a commit, in seconds."""
    walls = []
    checks = _checks()
    with Log(path) as log:
        for _ in range(runs):
            run = made_run(*checks)
            wall, _ = _timed(lambda run=run: log.append(run))
            walls.append(wall)
            time.sleep(0.02)
    return statistics.median(walls), max(walls)


def rows(quick):
    """Return the table's lines."""
    if find_programs() is None:
        return [("a run sent to a server", "not measured: needs PostgreSQL", "", "", "")]
    runs = 60 if quick else 600
    with tempfile.TemporaryDirectory() as folder, PostgresServer() as server:
        path, url = Path(folder) / "log.sqlite", server.database()
        target, checks = Target.parsed(url), _checks()
        with Log(path) as log:
            for _ in range(runs):
                log.append(made_run(*checks))
        with LogReader(path) as reader:
            floor, _ = _timed(reader.verify)
        with connected(target) as connection:
            migrate(connection)
        with LocalLog(path) as log:
            sending, sent = _timed(lambda: push(log, target))
        with connected(target) as connection:
            verifying, _ = _timed(lambda: check_chain(connection, sent.chain))
        alone, longest_alone = _commits(path, runs // 6)
        with BackgroundSync(path, server.database(), every_seconds=0.1) as beside:
            busy, longest_busy = _commits(path, runs // 6)
            beside.stop(wait_seconds=60.0)
    per_run = 1e3 / runs
    here = f"verifying it here {floor * per_run:.1f} ms"
    return [
        (
            "a run sent to a server",
            f"{sending * per_run:.1f} ms",
            here,
            f"{sending / floor:.1f}",
            f"at most {SENDING_TARGET:g}",
        ),
        (
            "a run verified at a server",
            f"{verifying * per_run:.1f} ms",
            here,
            f"{verifying / floor:.1f}",
            f"at most {VERIFYING_TARGET:g}",
        ),
        (
            "a run committed while others are sent",
            f"{1e3 * busy:.1f} ms, longest {1e3 * longest_busy:.0f}",
            f"nothing is sent {1e3 * alone:.1f} ms, longest {1e3 * longest_alone:.0f}",
            f"{busy / alone:.2f}",
            f"at most {COMMIT_TARGET:g}",
        ),
    ]
