"""Runs that are under way: stated in the chain before anything plays, and what is known of them until then.

A statement ``run_begun`` says whose run it is, and stays. What would make a record of a run that is cut off stands in
the table ``begun``, which is no record: its first row is the run as it began, each further one a check as it was
judged; they go in the transaction that records the run. A lock beside the log, held as long as the run goes on, tells
one that was cut off from one that still plays in another program. Its one byte says whether a value has failed: that
can be written where the disk has no room left for the check.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, delete, func, insert, select

from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.files.durable import lock_file, make_folder
from linecheck.files.text import visible
from linecheck.log.chain import digest
from linecheck.log.rows import RecordRows, check_rows, stored_check, stored_run
from linecheck.log.schema import begun
from linecheck.run.facts import DOCUMENTS
from linecheck.run.model import UNKEPT_FAIL, CheckOutcome, Run
from linecheck.run.voiding import voided

#: The kind of the statement that a run is begun; its subject is the run's id.
RUN_BEGUN: Final = "run_begun"
#: Code of the problem of a run that was cut off.
CUT_OFF: Final = "cut_off"

#: What the lock of a run holds.
_GOES_ON, _FAILED = b".", b"F"

#: What a record has of the log itself; a run that is in none has none of it.
_UNNUMBERED: Final[Mapping[str, Any]] = {"sequence": 0, "attempt": 1, "recorded": "", "record_hash": ""}


class BegunRun(NamedTuple):
    """A run that is not recorded yet."""

    run_id: str
    serial: str
    model: str


class Hold:
    """The lock of a run that is under way; ``stays`` says that its file outlives it."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self.is_failed = False
        self.stays = False

    def note_fail(self) -> None:
        """Note that a value has failed; in place, which needs no room on the disk."""
        if not self.is_failed:
            self.is_failed = True
            with contextlib.suppress(OSError):
                os.pwrite(self._descriptor, _FAILED, 0)
                os.fsync(self._descriptor)


@contextlib.contextmanager
def held(log: Path, run_id: str) -> Iterator[Hold]:
    """Hold the lock that says that a run is under way in this program.

    Parameters
    ----------
    log : Path
        The log's file.
    run_id : str

    Raises
    ------
    RecordError
        It cannot be made: the disk is full, or knows no locks.
    """
    path = _lock_path(log, run_id)
    with contextlib.ExitStack() as stack:
        try:
            make_folder(path.parent)
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
            # Somebody who looks whether it is free holds it for that moment.
            lock_file(stack.enter_context(open(descriptor, "r+b")))
            os.pwrite(descriptor, _GOES_ON, 0)
        except OSError as error:
            forget_lock(log, run_id)
            raise RecordError(
                f"{visible(str(path))}: cannot be locked ({error.strerror or error}), so that a run that is cut off "
                "could not be told from one that goes on: free some space, or use a disk of this machine"
            ) from error
        hold = Hold(descriptor)
        try:
            yield hold
        finally:
            if not hold.stays:
                forget_lock(log, run_id)


def is_cut_off(log: Path, run_id: str) -> bool:
    """Return whether no program is at a run any longer."""
    try:
        with open(_lock_path(log, run_id), "rb") as stream:
            return lock_file(stream, wait=False)
    except FileNotFoundError:  # the log was moved without it, or its owner has just recorded the run
        return True
    except OSError:
        return False


def has_failed(log: Path, run_id: str) -> bool:
    """Return whether the lock of a run says that a value had failed."""
    try:
        return _lock_path(log, run_id).read_bytes()[:1] == _FAILED
    except OSError:
        return False


def left_runs(log: Path) -> tuple[str, ...]:
    """Return the ids of runs whose programs were ended before they had finished with them, recorded or not."""
    try:
        names = sorted(entry.name for entry in os.scandir(_lock_path(log, "").parent))
    except OSError:
        return ()
    return tuple(name for name in names if is_cut_off(log, name))


def forget_lock(log: Path, run_id: str) -> None:
    """Remove the lock of a run that has ended."""
    with contextlib.suppress(OSError):
        os.unlink(_lock_path(log, run_id))


def _lock_path(log: Path, run_id: str) -> Path:
    return log.with_name(f"{log.name}.begun") / run_id


def note(connection: Connection, record: RecordRows, recorded: str, *, hand_over: bool) -> None:
    """Note a run as it begins, which has no checks yet, and whether it is to be handed over once it is recorded."""
    content = {
        "hand_over": hand_over,
        "run": record.run,
        "parts": record.parts,
        "limits": record.limits.decode(),
        "documents": [document.decode() for document in record.documents],
    }
    _note(connection, record.run["run_id"], 0, recorded, content)


def keep(connection: Connection, run_id: str, check: CheckOutcome, recorded: str) -> None:
    """Keep a check of a run that is under way; nothing is kept where the run has been recorded meanwhile."""
    newest = connection.scalar(select(func.max(begun.c.position)).where(begun.c.run_id == run_id))
    if newest is not None:
        _note(connection, run_id, newest + 1, recorded, check_rows(check))


def _note(connection: Connection, run_id: str, position: int, recorded: str, content: object) -> None:
    text = json.dumps(content, default=lambda blob: {"base64": base64.b64encode(blob).decode()})
    connection.execute(
        insert(begun).values(run_id=run_id, position=position, recorded=recorded, content=text)
    )


def forget(connection: Connection, run_id: str) -> None:
    """Forget what was kept of a run: it is recorded."""
    connection.execute(delete(begun).where(begun.c.run_id == run_id))


def begun_runs(connection: Connection) -> tuple[BegunRun, ...]:
    """Return the runs that are begun and not recorded, the oldest first.

    Raises
    ------
    RecordError
        Somebody has changed what is kept of one.
    """
    query = select(begun.c.content).where(begun.c.position == 0).order_by(begun.c.recorded)
    return tuple(map(_begun_run, connection.scalars(query)))


def _begun_run(content: str) -> BegunRun:
    try:
        row = json.loads(content)["run"]
        return BegunRun(row["run_id"], row["serial"], row["model"])
    except (ValueError, TypeError, KeyError) as error:
        raise RecordError(
            "the log's table begun holds what linecheck never writes: somebody has changed it. Find out who, and "
            "remove that row; no unit is tested until then"
        ) from error


def is_handed_over(connection: Connection, run_id: str) -> bool:
    """Return whether a run that was begun is to be handed over: whoever ends it, that is as its own station said."""
    query = select(begun.c.content).where(begun.c.run_id == run_id, begun.c.position == 0)
    return bool(json.loads(connection.scalar(query) or "{}").get("hand_over"))


def cut_off_run(connection: Connection, run_id: str, *, failed: bool = False) -> Run | None:
    """Return a run that was cut off as an aborted one, with all that is known of it; None where it is recorded.

    ``failed`` says that a value of it had failed, whether that was kept or not.
    """
    query = select(begun.c.recorded, begun.c.content).where(begun.c.run_id == run_id)
    rows = connection.execute(query.order_by(begun.c.position)).all()
    if not rows:
        return None
    first, *kept = (json.loads(content, object_hook=_with_blobs) for _, content in rows)
    by_digest = {digest(text.encode()): text for text in first["documents"]}
    documents = {fact.name: by_digest[row] for fact in DOCUMENTS if (row := first["run"][fact.column])}
    run = stored_run(first["run"] | _UNNUMBERED, first["parts"], first["limits"], documents)
    checks = {check.check: check for check in map(stored_check, kept)}
    names = [check.name for check in run.limits.checks]
    finished = max(run.started, datetime.fromisoformat(rows[-1].recorded)) if kept else run.started
    why = (
        f"the run was cut off after {len(checks)} of {len(names)} checks were judged: the program was ended, or the "
        "power failed"
    )
    ended = replace(
        run,
        record=None,
        aborted=True,
        checks=tuple(checks[name] for name in names if name in checks),
        missing=tuple(name for name in names if name not in checks),
        problems=(*run.problems, Problem(CUT_OFF, why)),
        finished=finished,
        duration_seconds=(finished - run.started).total_seconds(),
    )
    ended = voided(ended, run.loop or "")
    if not failed or ended.stopped_after_fail:
        return ended
    unkept = Problem(
        UNKEPT_FAIL, "a value had failed before, which could not be kept: the disk was full or failing"
    )
    return replace(ended, problems=(*ended.problems, unkept))


def _with_blobs(content: dict[str, Any]) -> Any:  # noqa: ANN401 - whatever JSON holds
    return base64.b64decode(content["base64"]) if content.keys() == {"base64"} else content
