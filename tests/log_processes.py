"""What processes of the log's tests do: they are killed, find the disk full, or are nobody who may write."""

import json
import os
import resource
import signal
import sys
import time
from pathlib import Path

from made_archive import NOW, Disk, add_run, kept_run, made_capture, run_number
from made_comparisons import made_comparison
from made_runs import large_run, made_run

from linecheck.cli.display.console import Console
from linecheck.errors import LinecheckError
from linecheck.history.comparison.file import sign
from linecheck.line.recording import record_and_report
from linecheck.log import Log, LogReader
from linecheck.log.archive import Archive
from linecheck.log.archive.removal import remove
from linecheck.log.archive.retention import Retention, removals
from linecheck.log.signoff import signature
from linecheck.log.sync.background import BackgroundSync
from linecheck.results.files import run_files

ARCHIVED = {"tone": made_capture(1), "quiet": made_capture(2)}
ARCHIVED_NEXT = {"tone": made_capture(1), "noise": made_capture(3)}


def no_file_beyond(size_bytes):
    """Let no file of this process grow beyond a size, as on a full disk."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))


def become_nobody():
    """Give up the rights of root, who may write anywhere."""
    if os.geteuid() == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)


def what_it_says(action):
    """Return what an action returns, or its exit status and the error in its words."""
    try:
        return action()
    except LinecheckError as error:
        return int(error.exit_status), str(error)


def append_for_ever(path, said):
    """Append runs, and note each in a file once the log has acknowledged it."""
    with Log(path) as log, open(said, "ab", buffering=0) as noted:
        while True:
            run = made_run()
            stored = log.append(run)
            noted.write(
                json.dumps([run.run_id, stored.sequence, stored.attempt, stored.record_hash]).encode() + b"\n"
            )


def append_until_full(path, said, size_bytes):
    """Append runs until no file may grow further; return what is said then."""
    no_file_beyond(size_bytes)
    return what_it_says(lambda: append_for_ever(path, said))


def sign_for_ever(path, said, mine, count=10_000):
    """Record runs, sign a comparison and countersign it, each noted once the log has acknowledged it."""
    with Log(path, busy_seconds=60) as log, open(said, "ab", buffering=0) as noted:

        def note(sequence, own_hash):
            noted.write(json.dumps([sequence, own_hash]).encode() + b"\n")

        for at in range(count):
            signer, other = (
                signature(by=f"{who} {mine}-{at}", role="QA", decision="accept", reason="-")
                for who in ("Signer", "Other")
            )
            stored = log.append(made_run(serial=f"PR3-{mine}"))
            note(stored.sequence, stored.record_hash)
            head = sign(log, made_comparison(), signer)
            note(*head)
            note(*log.countersign(head.sequence, other))


def use_as_nobody(path, warm):
    """Open a log to add to, and verify it; by somebody who may write nothing."""
    with Log(warm) as log:
        log.append(made_run())
        log.verify()
    become_nobody()
    return what_it_says(lambda: Log(path)), what_it_says(lambda: LogReader(path).verify().records)


def read_as_nobody(path, warm):
    """Return what is read of a log by somebody who may write nothing."""
    LogReader(warm).verify()
    become_nobody()
    with LogReader(path) as log:
        return log.head(), log.verify().records, len(log.signoffs())


def open_log(path, begun=None):
    """Open a log to add to, which migrates it; say first that it begins."""
    if begun is not None:
        Path(begun).touch()
    Log(path, busy_seconds=60).close()


def open_on_full_disk(path, size_bytes):
    """Open a log to add to where no file may grow beyond a size; return what is said."""
    no_file_beyond(size_bytes)
    return what_it_says(lambda: Log(path))


def record_on_full_disk(place, size_bytes):
    """Record a run and write its files, as a station does, where no file may grow beyond a size.

    Returns the run's id, the exit status, what was shown, and what the log said where it refused.
    """
    run = large_run(checks=6, points=400)
    heard, shown = os.pipe()  # no file: it could not grow either
    os.dup2(shown, 1)
    os.dup2(shown, 2)
    os.close(shown)
    no_file_beyond(size_bytes)
    status, refused = None, ""
    try:
        with Log(place / "log.sqlite") as log:
            status = int(record_and_report(run, log, [run_files(place)], Console(), strict=False))
            log.state("self_check", "bench", {"met": True})
    except LinecheckError as error:
        refused = str(error)
    sys.stdout.flush()
    os.close(1)
    os.close(2)
    with open(heard) as told:
        return run.run_id, status, told.read(), refused


def send_beside(path, url, process):
    """Send a log beside this session; say in a file which process does."""
    beside = BackgroundSync(path, url, 0.1)
    beside.start()
    Path(process).write_text(str(beside._process.pid))
    time.sleep(600)


def archive_killed_at(folder, number, what):
    """Add a run to an archive, or remove one, and be killed at the change of the disk of that number."""
    archive = Archive(folder)
    with Disk(number, lambda _: os.kill(os.getpid(), signal.SIGKILL), room_only=False):
        if what == "add":
            add_run(archive, ARCHIVED_NEXT, kept_run(captures=ARCHIVED_NEXT, run_id=run_number(2)))
        else:
            scan, policy = archive.scan(), Retention({"pass": 5})
            remove(archive, scan, removals(scan.entries, policy, NOW), policy, lambda content: None)
