"""Three nests of a station test unit after unit into one log that is sent to a server, and everything fails.

    python tests/soak_log.py --runs 20000 --seed 1 [--folder DIR]

Three processes run small simulated units into one log at once, sign and state things now and then, and note each
record on a pipe once the log has acknowledged it. A fourth process sends the log to a PostgreSQL server. At random

- any of the four is ended with SIGKILL, wherever it is, and started anew;
- the wall clock of a process is set back or forth, by up to a day;
- the server is killed as in a crash, stays away for some seconds, and comes back.

In the end the log is sent once more in peace. Then

- every record that was acknowledged is in the log, with the run, number and hash that were acknowledged;
- no run is there twice, numbers and attempts of each unit have no gap, and attempts count up;
- ``log verify`` and SQLite's own check find nothing;
- the server verifies the chain, and has every row of every table as the log has it, and not one more.

A kill is no power cut: what the system has taken is written. Ends with 0 if all of it held.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import selectors
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
from postgres_server import PostgresServer

from linecheck.log import LogReader

WORKER = Path(__file__).with_name("soak_log_worker.py")
NESTS = 3
#: Mean time between events, in seconds.
KILL_SECONDS, SYNC_KILL_SECONDS, OUTAGE_SECONDS = 4.0, 15.0, 25.0
MAX_OUTAGE_SECONDS = 8.0
#: Nothing was acknowledged for so long: something hangs.
PATIENCE_SECONDS = 120.0

TABLES = ("run", "run_check", "reading", "curve", "problem", "run_asset", "statement", "limits", "document")
SHARED = ("limits", "document")


@dataclass
class Summary:
    """What a soak has seen."""

    acknowledged: int = 0
    statements: int = 0
    records: int = 0
    kills: Counter[str] = field(default_factory=Counter)
    by_nest: Counter[int] = field(default_factory=Counter)
    commit_ms: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


@dataclass
class _Process:
    """A process that is started anew whenever it was killed."""

    name: str
    command: list[str]
    started: int = 0
    popen: subprocess.Popen[bytes] | None = None
    rest: bytes = b""

    def start(self) -> None:
        self.started += 1
        self.rest = b""
        command = [*self.command, str(self.started)] if self.name.startswith("nest") else self.command
        output = subprocess.PIPE if self.name.startswith("nest") else subprocess.DEVNULL
        self.popen = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=output, stderr=sys.stderr, start_new_session=True
        )

    def kill(self) -> None:
        assert self.popen is not None
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.popen.pid, signal.SIGKILL)
        self.popen.wait()
        assert self.popen.stdin is not None
        self.popen.stdin.close()


class Soak:
    """One soak in one folder."""

    def __init__(self, folder: Path, runs: int, seed: int, server: PostgresServer, pace: float = 1.0) -> None:
        self.folder, self.runs, self.server, self.pace = folder, runs, server, pace
        self.random = random.Random(seed)
        self.log = folder / "log.sqlite"
        self.url = server.database()
        self.summary = Summary()
        self.acknowledged: dict[int, tuple[str, str]] = {}
        python = sys.executable
        self.nests = [
            _Process(f"nest {at}", [python, str(WORKER), str(self.log), str(at), str(seed)])
            for at in range(NESTS)
        ]
        self.sync = _Process(
            "sync", [python, "-m", "linecheck.log.sync.worker", str(self.log), self.url, "0.5"]
        )

    def run(self) -> Summary:
        """Do it, and return what was seen."""
        self.nests[0].start()
        self._until(lambda: self.acknowledged)  # so that there is a log to send
        for process in (*self.nests[1:], self.sync):
            process.start()
        self._disturb()
        for process in (*self.nests, self.sync):
            process.kill()
        self._drain()
        self.server.start()
        self._send_in_peace()
        self.summary.faults += faults_of_the_log(self.log, self.acknowledged)
        self.summary.faults += faults_of_the_server(self.log, self.url)
        self.summary.acknowledged = len(self.acknowledged)
        with closing(sqlite3.connect(self.log)) as connection:
            self.summary.records = connection.execute("SELECT count(*) FROM run").fetchone()[0]
            self.summary.statements = connection.execute("SELECT count(*) FROM statement").fetchone()[0]
        return self.summary

    def _disturb(self) -> None:
        """Let it go on, with one calamity after the other, until there are enough runs."""
        due = {"nest": self._after(KILL_SECONDS), "sync": self._after(SYNC_KILL_SECONDS)}
        due["outage"] = self._after(OUTAGE_SECONDS)
        back = 0.0
        while not self._has_seen_enough():
            self._drain(0.05)
            now = time.monotonic()
            if back and now >= back:
                self.server.start()
                back = 0.0
            for what in [name for name, moment in due.items() if now >= moment]:
                if what == "outage":
                    self.server.kill()
                    self.summary.kills["server"] += 1
                    back = now + self.random.uniform(0.5, MAX_OUTAGE_SECONDS / self.pace)
                    due[what] = self._after(OUTAGE_SECONDS) + MAX_OUTAGE_SECONDS / self.pace
                    continue
                process = self.sync if what == "sync" else self.random.choice(self.nests)
                process.kill()
                self._drain()
                process.start()
                self.summary.kills[what] += 1
                due[what] = self._after(SYNC_KILL_SECONDS if what == "sync" else KILL_SECONDS)

    def _has_seen_enough(self) -> bool:
        """Return whether there are enough runs, of each nest some, and something of every sort has died."""
        died = self.summary.kills["nest"] and self.summary.kills["sync"] + self.summary.kills["server"]
        return len(self.acknowledged) >= self.runs and len(self.summary.by_nest) == NESTS and bool(died)

    def _after(self, mean_seconds: float) -> float:
        return time.monotonic() + self.random.expovariate(self.pace / mean_seconds)

    def _until(self, reached) -> None:
        began = time.monotonic()
        while not reached():
            self._drain(0.1)
            if time.monotonic() - began > PATIENCE_SECONDS:
                raise RuntimeError("nothing was recorded")

    def _drain(self, wait_seconds: float = 0.0) -> None:
        """Read what was acknowledged; what a killed process had not said to its end was not."""
        with selectors.DefaultSelector() as waiting:
            for process in self.nests:
                if (
                    process.popen is not None
                    and process.popen.stdout is not None
                    and not process.popen.stdout.closed
                ):
                    waiting.register(process.popen.stdout, selectors.EVENT_READ, process)
            while found := waiting.select(wait_seconds):
                wait_seconds = 0.0
                for key, _ in found:
                    block = os.read(key.fd, 65536)
                    if not block:
                        waiting.unregister(key.fileobj)
                        key.fileobj.close()
                        continue
                    *lines, key.data.rest = (key.data.rest + block).split(b"\n")
                    for line in lines:
                        self._heard(json.loads(line))

    def _heard(self, said: dict[str, object]) -> None:
        number = int(said["sequence"])
        if number in self.acknowledged:
            self.summary.faults.append(f"record {number} was acknowledged twice")
        self.acknowledged[number] = (str(said["run"]), str(said["hash"]))
        self.summary.by_nest[int(said["nest"])] += 1
        self.summary.commit_ms.append(float(said["commit_ms"]))

    def _send_in_peace(self) -> None:
        command = [sys.executable, "-m", "linecheck", "sync", "--to", self.url, "--log", str(self.log)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=1800, check=False)
        if done.returncode:
            self.summary.faults.append(f"sync in peace ends with {done.returncode}: {done.stderr.strip()}")


def faults_of_the_log(path: Path, acknowledged: dict[int, tuple[str, str]]) -> list[str]:
    """Hold a log against what was acknowledged, and against itself."""
    faults = []
    with LogReader(path) as log:
        found = log.verify()
        if not found.intact:
            faults.append(f"verify: {found.fault}")
    with closing(sqlite3.connect(path)) as connection:
        if (said := connection.execute("PRAGMA integrity_check").fetchall()) != [("ok",)]:
            faults.append(f"integrity_check: {said[:3]}")
        if said := connection.execute("PRAGMA foreign_key_check").fetchall():
            faults.append(f"foreign_key_check: {said[:3]}")
        stored = {
            row[0]: row[1:] for row in connection.execute("SELECT sequence, run_id, record_hash FROM run")
        }
        faults += [
            f"record {number} was acknowledged as {said} and is {stored.get(number)}"
            for number, said in acknowledged.items()
            if stored.get(number) != said
        ]
        if len({run_id for run_id, _ in stored.values()}) != len(stored):
            faults.append("a run is there twice")
        others = [row[0] for row in connection.execute("SELECT sequence FROM statement")]
        if sorted([*stored, *others]) != list(range(1, len(stored) + len(others) + 1)):
            faults.append("numbers are missing or there twice")
        gaps = connection.execute(
            "SELECT serial FROM run GROUP BY serial, model HAVING min(attempt) != 1 OR max(attempt) != count(*)"
        ).fetchall()
        if gaps:
            faults.append(f"attempts have gaps: {gaps[:3]}")
        back = connection.execute(
            "SELECT count(*) FROM run a JOIN run b ON b.sequence = a.sequence + 1 WHERE b.recorded < a.recorded"
        ).fetchone()[0]
        if not back:
            faults.append("the clock never went back: the soak has not tried what it should")
    return faults


def faults_of_the_server(path: Path, url: str) -> list[str]:
    """Hold every row that the server has against the log's."""
    command = [sys.executable, "-m", "linecheck", "sync", "--check", "--to", url, "--log", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=1800, check=False)
    faults = (
        [] if done.returncode == 0 else [f"the server's check: {done.stdout.strip()} {done.stderr.strip()}"]
    )
    with closing(sqlite3.connect(path)) as log, psycopg.connect(url) as server:
        for table in TABLES:
            columns = [row[1] for row in log.execute(f"PRAGMA table_info({table})")]
            order = "digest" if table in SHARED else ", ".join(_key(log, table))
            query = f"SELECT {', '.join(columns)} FROM {{}} ORDER BY {order}"
            own = log.execute(query.format(table))
            with server.cursor(name=f"soak_{table}") as cursor:
                # Texts sort by their bytes, as they do in SQLite.
                cursor.execute(query.format(f"linecheck.{table}").replace("digest,", 'digest COLLATE "C",'))
                faults += _difference(table, columns, own, cursor)
    return faults


def _key(log: sqlite3.Connection, table: str) -> list[str]:
    keys = [(row[5], row[1]) for row in log.execute(f"PRAGMA table_info({table})") if row[5]]
    return [name for _, name in sorted(keys)]


def _difference(table: str, columns: list[str], own, theirs) -> list[str]:
    at = 0
    other = iter(theirs)
    for at, row in enumerate(own, start=1):
        found = next(other, None)
        if found is None:
            return [f"the server lacks row {at} and all after it of {table}"]
        plain = tuple(bytes(value) if isinstance(value, memoryview) else value for value in found)
        if plain != tuple(row):
            differ = [name for name, one, two in zip(columns, row, plain, strict=True) if one != two]
            return [f"row {at} of {table} differs at the server in {', '.join(differ)}"]
    return (
        []
        if next(other, None) is None
        else [f"the server has more rows of {table} than the log, which has {at}"]
    )


def main() -> int:
    """Run the soak from the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where the log stays; a temporary folder if left out")
    options = parser.parse_args()
    began = time.monotonic()
    with contextlib.ExitStack() as stack:
        folder = options.folder
        if folder is None:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="linecheck-soak-")))
        folder.mkdir(parents=True, exist_ok=True)
        server = stack.enter_context(PostgresServer())
        summary = Soak(folder, options.runs, options.seed, server).run()
    kills = ", ".join(f"{count} of {what}" for what, count in sorted(summary.kills.items()))
    ordered = sorted(summary.commit_ms)
    print(f"{summary.records} runs and {summary.statements} statements in {time.monotonic() - began:.0f} s")
    print(f"{summary.acknowledged} runs acknowledged; killed: {kills}")
    print(
        f"commit: median {statistics.median(ordered):.1f} ms, 95 % {ordered[int(0.95 * len(ordered))]:.1f} ms"
    )
    for fault in summary.faults[:50]:
        print(f"FAULT: {fault}")
    print("all of it held" if not summary.faults else f"{len(summary.faults)} faults")
    return 1 if summary.faults else 0


if __name__ == "__main__":
    sys.exit(main())
