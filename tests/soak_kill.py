"""Kill whole runs at random moments and hold what is left to what was promised.

    python tests/soak_kill.py --kills 200 --seed 1 [--sound]

Runs of a small simulated station (or of the sound path, ``--sound``) go into one log. Each is killed with
SIGKILL in the middle of what it is doing: starting, opening the log, playing, analysing, recording, writing
its files, showing its verdict, keeping captures, ending. After each kill

- no process that the run has started is left;
- every record that was ever acknowledged (the log's own answer, or a verdict on standard output) is there
  with the same attempt and hash, ``log verify`` finds nothing, and SQLite's own check neither; all this on a
  copy, so that the next run finds the log as the killed one has left it;
- every file under its final name is whole, and is that of a run in the log with the same verdict;
- the next run, which nobody kills, works, and leaves no temporary file of the killed one where it writes.

A kill is not a power cut: what the system has taken is written. Ends with 0 if all of it held.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import os
import random
import re
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import uuid
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

import forked_linecheck
from announced_run import PHASES
from small_run import write_small_files

from linecheck.audio.file import read_audio
from linecheck.captures.capture_set import load_capture_set
from linecheck.files.durable import TEMPORARY_SUFFIX
from linecheck.log import LogReader

DRIVER = Path(__file__).with_name("announced_run.py")
DATABASE = "results/linecheck.sqlite"
OPTIONS = ("--json", "last.json", "--junit", "last.xml")
WORDS = {"PASS": "pass", "FAIL": "fail", "MARGINAL": "marginal", "INVALID": "invalid", "ABORTED": "aborted"}

#: Kills in one log; then a new one is begun, so that making a log is killed as well.
KILLS_A_LOG = 25
#: How long the processes that a run has started may take to notice that it is gone.
ORPHAN_SECONDS = 20.0


@dataclass
class Summary:
    """What the kills came to; ``faults`` is empty if all that was promised held."""

    kills: Counter[str] = field(default_factory=Counter)
    missed: int = 0
    runs: int = 0
    acknowledged: int = 0
    verdicts_shown: int = 0
    unacknowledged: int = 0
    abandoned: int = 0
    worst_orphan_seconds: float = 0.0
    faults: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        lines = [f"{sum(self.kills.values())} kills; so many fell while the run was"]
        lines += [f"  {self.kills[phase]:4d}  {phase}" for phase in PHASES]
        lines += [
            f"{self.missed} runs ended before they could be killed, {self.runs} runs were left alone",
            f"{self.acknowledged} records were acknowledged, {self.verdicts_shown} verdicts of killed runs "
            f"were shown; {self.unacknowledged} records were complete before they could be acknowledged",
            f"{self.abandoned} temporary files were abandoned",
            f"processes of a killed run were gone within {self.worst_orphan_seconds:.2f} s",
            f"{len(self.faults)} faults",
        ]
        return "\n".join(lines + [f"  {fault}" for fault in self.faults])


@dataclass
class _Ended:
    """A run that has ended, by itself or killed: what it said, and where it was."""

    phase: str
    killed: bool
    recorded: tuple[int, int, str] | None
    out: str
    err: str
    serial: str


class Soak:
    """Runs and kills.

    Parameters
    ----------
    folder : Path
        Where everything is kept.
    seed : int
    environment : mapping of str to str
        Of the runs.
    station : str, optional
        The station config; the small simulated one, if left out.
    leave_alone_every : int
        After so many kills a run is left alone.
    anew : bool
        Whether each run is a program that starts anew, and not one forked from what has imported everything.
    """

    def __init__(
        self, folder, seed, environment, *, station=None, limits=None, leave_alone_every=1, anew=True
    ):
        self.summary = Summary()
        self._top = folder
        self._random = random.Random(seed)
        self._environment = dict(environment) | {"OPENBLAS_NUM_THREADS": "1"}
        self._files = {
            name: text for name, text in (("station", station), ("limits", limits)) if text is not None
        }
        self._simulated = station is None
        self._leave_alone_every = leave_alone_every
        self._anew = anew
        self._seconds = dict.fromkeys(PHASES, 0.2)
        self._logs = 0

    def kill(self, count):
        """Kill so many runs; return the summary."""
        self._begin_log()
        self._left_alone()
        aims = []
        done = 0
        while done < count:
            if done % KILLS_A_LOG == 0 and (done == 0 or self._killed_here):
                self._everything_holds()
                self._begin_log()
            aims = aims or self._random.sample(PHASES, len(PHASES))
            ended = self._run(aims[-1])
            self._look_at(ended)
            if not ended.killed:
                self.summary.missed += 1
                continue
            aims.pop()
            self.summary.kills[ended.phase] += 1
            self._killed_here += 1
            done += 1
            if done % self._leave_alone_every == 0 or done == count:
                self._left_alone()
        self._everything_holds()
        return self.summary

    def _begin_log(self):
        """Begin in a new folder."""
        self._logs += 1
        self._folder = self._top / f"log-{self._logs}"
        self._folder.mkdir()
        self._arguments = write_small_files(self._folder, **self._files)
        self._known = {}
        self._acknowledged = {}
        self._seen = set()
        self._killed_here = 0

    def _fault(self, words):
        self.summary.faults.append(f"{self._folder.name}: {words}")

    def _left_alone(self):
        """Run without a kill: it works, whatever the runs before it have left."""
        ended = self._run(aim=None)
        self.summary.runs += 1
        if ended.phase != "ending" or ended.recorded is None:
            self._fault(f"a run that was left alone did not work: {ended.out}{ended.err}")
        self._look_at(ended)
        for folder in (self._folder, self._folder / "results"):
            for name in os.listdir(folder):
                if name.endswith(TEMPORARY_SUFFIX):
                    self._fault(f"{name} was not tidied up")

    def _command(self, serial):
        options = ["--own-process"] if self._random.random() < 0.3 else []
        options += ["run", *self._arguments, "--serial", serial, *OPTIONS, "--keep-captures"]
        if self._simulated and self._random.random() < 0.3:
            options += ["--fault", "distorting"]
        return options

    def _started(self, say, serial, mark, out, err):
        """Start a run that says on a pipe what it is doing."""
        options, environment = self._command(serial), self._environment | {"LINECHECK_SOAK": mark}
        if not self._anew:
            how = {"announced": say, "environment": environment}
            return forked_linecheck.start(self._folder, *options, stdout=out, stderr=err, **how)
        return subprocess.Popen(
            [sys.executable, str(DRIVER), str(say), *options],
            cwd=self._folder,
            env=environment,
            stdout=out,
            stderr=err,
            stdin=subprocess.DEVNULL,
            pass_fds=[say],
        )

    def _run(self, aim):
        """Run, and kill in the middle of what is aimed at (None: never)."""
        serial = f"PR3-{self._random.randrange(4):06d}"
        moment = self._random.random()
        mark = str(uuid.uuid4())
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            hear, say = os.pipe()
            process = self._started(say, serial, mark, out, err)
            os.close(say)
            with process, Heard(hear) as heard:
                if aim is not None:
                    heard.until(aim)
                    heard.until(None, seconds=moment * self._seconds[aim])
                    process.kill()
                heard.until(None)
            self._no_process_is_left(mark)
            out.seek(0)
            err.seek(0)
            said, complained = out.read().decode(), err.read().decode()
        killed = process.returncode == -signal.SIGKILL
        if not killed:
            self._seconds |= heard.seconds()
            if process.returncode not in (0, 1) or "Traceback" in complained:
                self._fault(f"a run ended with {process.returncode}: {complained}")
        return _Ended(heard.phase, killed, heard.recorded, said, complained, serial)

    def _no_process_is_left(self, mark):
        began = time.monotonic()
        while left := list(marked(mark)):
            if time.monotonic() - began > ORPHAN_SECONDS:
                self._fault(f"processes are left behind: {left}")
                for process in left:
                    with contextlib.suppress(OSError):
                        os.kill(process, signal.SIGKILL)
                break
            time.sleep(0.01)
        self.summary.worst_orphan_seconds = max(self.summary.worst_orphan_seconds, time.monotonic() - began)

    def _look_at(self, ended):
        """Hold the log and the files against what has been acknowledged."""
        if ended.recorded is not None:
            sequence, attempt, record_hash = ended.recorded
            self._acknowledged[sequence] = (ended.serial, attempt, record_hash)
            self.summary.acknowledged += 1
        if not (self._folder / DATABASE).exists():
            if self._acknowledged:
                self._fault("the log is gone")
            return
        records = self._records()
        for sequence, told in self._acknowledged.items():
            record = records.get(sequence, {})
            if tuple(record.get(name) for name in ("serial", "attempt", "record_hash")) != told:
                self._fault(f"record {sequence} was acknowledged and is not there as it was: {record}")
        new = [record for sequence, record in records.items() if sequence not in self._known]
        self._known |= records
        # Beside its own record a run leaves that of the one before it, where this was cut off.
        own = [record for record in new if record["verdict"] != "aborted"]
        if len(new) > 2 or len(own) > 1:
            self._fault(f"one run has left {len(new)} records")
        if own and ended.recorded is None:
            self.summary.unacknowledged += 1
        self._verdict_is_recorded(ended, new)
        self._files_are_whole({record["run_id"]: record["verdict"] for record in records.values()})

    def _records(self):
        """Return what a copy of the log holds, once it has been verified."""
        with tempfile.TemporaryDirectory(dir=self._top) as copies:
            copy = Path(copies) / "copy.sqlite"
            for suffix in ("", "-wal"):
                with contextlib.suppress(FileNotFoundError):
                    shutil.copyfile(f"{self._folder / DATABASE}{suffix}", f"{copy}{suffix}")
            with closing(sqlite3.connect(copy)) as connection:
                checked = connection.execute("PRAGMA integrity_check").fetchall()
                if checked != [("ok",)]:
                    self._fault(f"SQLite's check says {checked}")
                tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
                if "run" not in tables:
                    if self._acknowledged:
                        self._fault("the log is empty")
                    return {}
                connection.row_factory = sqlite3.Row
                columns = "sequence, run_id, serial, attempt, verdict, record_hash"
                rows = [dict(row) for row in connection.execute(f"SELECT {columns} FROM run")]
                (stated,) = connection.execute("SELECT count(*) FROM statement").fetchone()
            with LogReader(copy) as log:
                found = log.verify()
                if not found.intact or found.records != len(rows) + stated:
                    self._fault(f"the log does not verify: {found}")
        return {row["sequence"]: row for row in rows}

    def _verdict_is_recorded(self, ended, new):
        """A verdict on standard output is that of a record."""
        shown = re.search(r"^\S+ (PASS|FAIL|MARGINAL|INVALID|ABORTED)$", ended.out, re.MULTILINE)
        if shown is None:
            return
        if ended.killed:
            self.summary.verdicts_shown += 1
        attempt = re.search(r"attempt (\d+),", ended.out)
        for record in new:
            told = (record["serial"], record["verdict"]) == (ended.serial, WORDS[shown[1]])
            if told and (attempt is None or int(attempt[1]) == record["attempt"]):
                return
        self._fault(f"a verdict was shown that is not recorded: {ended.out}")

    def _files_are_whole(self, verdicts):
        """Every file under its final name is whole and that of a recorded run."""
        for path in self._folder.rglob("*"):
            if path in self._seen or not path.is_file():
                continue
            if path.name.endswith(TEMPORARY_SUFFIX):
                self.summary.abandoned += 1
                self._seen.add(path)
                continue
            try:
                run = _run_of(path)
            except Exception as error:
                self._fault(f"{path} is not whole: {error}")
                self._seen.add(path)
                continue
            if run is not None and verdicts.get(run[0]) != run[1]:
                self._fault(f"{path} says that run {run[0]} is {run[1]}, the log {verdicts.get(run[0])}")
            if path.parent != self._folder:
                self._seen.add(path)

    def _everything_holds(self):
        """Look once more at all that this log's runs have left, as a user would."""
        self._seen = {path for path in self._seen if path.name.endswith(TEMPORARY_SUFFIX)}
        self._files_are_whole({record["run_id"]: record["verdict"] for record in self._known.values()})
        sequence = max(self._acknowledged, default=0)
        command = ["log", "verify", "--log", str(self._folder / DATABASE)]
        if sequence:
            command += ["--head", f"{sequence}:{self._acknowledged[sequence][2]}"]
        status, out, err = forked_linecheck.run(self._folder, *command, text=True)
        verified = re.search(r"^(\d+) records verified", out, re.MULTILINE)
        if status != 0 or verified is None or int(verified[1]) < len(self._known):
            self._fault(f"log verify ended with {status}: {out}{err}")


class Heard:
    """What a run says on its pipe, and when."""

    def __init__(self, descriptor):
        self._descriptor = descriptor
        self._rest = b""
        self._times = [("starting", time.monotonic())]
        self._ended = False
        self.recorded = None

    def __enter__(self):
        return self

    def __exit__(self, *_):
        os.close(self._descriptor)

    @property
    def phase(self):
        """What the run was doing when it was last heard."""
        return self._times[-1][0]

    def seconds(self):
        """Return how long a run that has ended took for what it did."""
        times = [*self._times, ("", time.monotonic())]
        took = Counter()
        for (phase, begun), (_, ended) in itertools.pairwise(times):
            took[phase] = max(took[phase], ended - begun)
        return dict(took)

    def until(self, phase, *, seconds=120.0):
        """Listen until a phase begins, the run has ended or the time is over."""
        end = time.monotonic() + seconds
        while self.phase != phase and not self._ended and (left := end - time.monotonic()) > 0.0:
            if select.select([self._descriptor], [], [], left)[0]:
                self._hear()

    def _hear(self):
        block = os.read(self._descriptor, 65536)
        self._ended = not block
        *lines, self._rest = (self._rest + block).split(b"\n")
        for line in lines:
            word, *numbers = line.decode().split(" ")
            if word == "recorded":
                self.recorded = (int(numbers[0]), int(numbers[1]), numbers[2])
            elif line.decode() != self.phase:
                self._times.append((line.decode(), time.monotonic()))


def marked(mark):
    """Yield the processes that carry a mark in their environment and are alive."""
    for entry in os.scandir("/proc"):
        if entry.name.isdecimal():
            with contextlib.suppress(OSError), open(f"/proc/{entry.name}/environ", "rb") as stream:
                if mark.encode() in stream.read():
                    yield int(entry.name)


def _run_of(path):
    """Read a file that a run has left; return the run and the verdict that it speaks of, if it does."""
    if path.suffix == ".json":
        result = json.loads(path.read_text(encoding="utf-8"))
        return result["run"], result["verdict"]
    if path.suffix == ".xml":
        root = ElementTree.parse(path).getroot()
        properties = {item.get("name"): item.get("value") for item in root.iter("property")}
        return properties["run"], properties["verdict"]
    if path.name == "captures.toml":
        load_capture_set(path)
    elif path.suffix == ".wav":
        read_audio(path)
    return None


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sound", action="store_true", help="on the sound path, over a null sink")
    parser.add_argument("--keep", action="store_true", help="keep the folder of the runs")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="linecheck-soak-"))
    began = time.monotonic()
    with contextlib.ExitStack() as stack:
        facts = {"environment": os.environ}
        if options.sound:
            from cli.test_run_sound import LIMITS, STATION
            from station.pulse import PulseServer

            server = stack.enter_context(PulseServer())
            facts = {"environment": server.environment, "station": STATION, "limits": LIMITS}
        summary = Soak(folder, options.seed, **facts).kill(options.kills)
    print(summary)
    print(f"seed {options.seed}, {time.monotonic() - began:.0f} s")
    if options.keep or summary.faults:
        print(f"what the runs have left: {folder}")
    else:
        shutil.rmtree(folder)
    return 1 if summary.faults else 0


if __name__ == "__main__":
    sys.exit(main())
