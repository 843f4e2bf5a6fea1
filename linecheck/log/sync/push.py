"""Sending a log: what the server has is asked of it, and what follows is sent in order, a batch in a transaction.

What was sent twice is there once: a batch is added behind the last record that the server has, under a lock on the
chain, and what it has already is left out once its hash is seen to be the same. A log that is no continuation of what
the server has is refused, and nothing is overwritten.
"""

from __future__ import annotations

import platform
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection

from linecheck.errors import RecordError, ServerError
from linecheck.files.text import visible
from linecheck.log.fetch import Record, column_at, last_record, records_after
from linecheck.log.stored import Head
from linecheck.log.sync.batches import Batch, batches
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.migrate import migrate
from linecheck.log.sync.names import NameConflict, name_conflicts
from linecheck.log.sync.packed import pack
from linecheck.log.sync.server import Watchdog, connected
from linecheck.log.sync.stored import at_server
from linecheck.log.sync.target import Target
from linecheck.log.sync.write import add_contents, add_records, lock_chain, note_head, other_owner

#: A batch that is not acknowledged by then is given up, and sent again the next time: 8 MB at 110 kbit/s.
MAX_SILENCE_SECONDS = 600.0


@dataclass(frozen=True)
class Pushed:
    """What came of sending a log.

    ``runs`` and ``statements`` count what was sent now, ``head`` is the last record that the server has acknowledged,
    ``again`` counts records that it had acknowledged before and no longer had. ``namesakes`` are logs that name the
    same station at the same time.
    """

    chain: str | None
    head: Head
    runs: int = 0
    statements: int = 0
    again: int = 0
    namesakes: tuple[NameConflict, ...] = ()


def push(
    log: LocalLog,
    target: Target,
    *,
    progress: Callable[[Head], None] = lambda head: None,
) -> Pushed:
    """Send what the server does not have.

    Parameters
    ----------
    log : LocalLog
    target : Target
    progress : callable, optional
        Called with the last record that was acknowledged, once a batch.

    Raises
    ------
    ServerError
        The server cannot be reached or does not take it; what was acknowledged until then is noted in the log.
    RecordError
        The log does not verify, or is no continuation of what the server has.
    """
    # In this order: what was acknowledged before it is asked, the server has, unless it has lost it.
    chain, noted = log.chain(), log.acknowledged(target)
    with connected(target) as connection, Watchdog(connection, MAX_SILENCE_SECONDS) as watchdog:
        migrate(connection)
        if chain is None:
            return Pushed(None, log.head())
        with connection.begin():
            head = agreed(log, connection, chain)

        if noted != head:
            log.note(target, head)
        again = max(0, noted.sequence - head.sequence)
        runs = statements = 0
        for batch in batches(log, head):
            added = _add(log, target, connection, chain, batch)
            head = added.head
            # Only now is the batch committed, and may be noted as sent.
            log.note(target, head)
            runs += sum(record.is_run for record in added.records)
            statements += sum(not record.is_run for record in added.records)
            watchdog.restart()
            progress(head)
        with connection.begin():
            namesakes = name_conflicts(connection, chain)
        return Pushed(chain, head, runs, statements, again, namesakes)


def agreed(log: LocalLog, connection: Connection, chain: str) -> Head:
    """Return the last record that the server has, once it is seen to be the one of that number in the log.

    Raises
    ------
    RecordError
        It is another, has been changed in the log, or the log ends before it.
    """
    there = at_server(connection, chain)
    head = last_record(connection, there)
    if not head.sequence:
        return head
    name = visible(str(log.path))
    last = log.head()
    if last.sequence < head.sequence:
        if column_at(connection, last.sequence, "record_hash", there) == last.record_hash:
            raise RecordError(
                f"{name}: ends with record {last.sequence}, but the server has {head.sequence} records of this log: "
                "this is an older copy of it, or records were cut off at its end. Nothing was sent; find the log that "
                "went on"
            )
        raise _diverged(log, connection, chain, last.sequence)
    own = log.stored_record(head.sequence)
    if own is None or own.row["record_hash"] != head.record_hash:
        raise _diverged(log, connection, chain, head.sequence)
    if own.computed_hash() != head.record_hash:
        raise RecordError(
            f"{name}: record {head.sequence} has been changed since it was sent: nothing more is sent. Find out who "
            "changed the log (linecheck log verify), and keep the file"
        )
    return head


def _add(log: LocalLog, target: Target, connection: Connection, chain: str, batch: Batch) -> Batch:
    """Add what of a batch the server does not have by now, in one transaction, and return it."""
    refused, host = None, platform.node() or "unknown"
    with connection.begin():
        lock_chain(connection, chain, host)
        rest = _rest(log, target, connection, chain, batch)
        owner = other_owner(connection, chain, rest.records)
        if owner is not None:
            refused = _owned(log, owner, rest.records)
            rest = rest.until(owner[0])
        # Also where somebody else has sent the records: what later ones refer to may be among them.
        add_contents(connection, batch.contents)
        if rest.records:
            add_records(connection, chain, rest)
            pack(connection, chain, rest.records[0].sequence, rest.head.sequence)
            note_head(connection, chain, host, rest.records, rest.head)
    if refused is not None:
        log.note(target, rest.head)
        raise refused
    return rest


def _rest(log: LocalLog, target: Target, connection: Connection, chain: str, batch: Batch) -> Batch:
    """Return what of a batch the server does not have by now."""
    stored = at_server(connection, chain)
    there = last_record(connection, stored)
    if there == batch.before:
        return batch
    if there.sequence <= batch.before.sequence:
        raise ServerError(
            f"{target}: the server has lost records since it acknowledged them: is it being restored? "
            "What is missing there is sent again"
        )
    # Somebody else sends the same log.
    at = min(there.sequence, batch.head.sequence)
    own = next(record for record in batch.records if record.sequence == at)
    if column_at(connection, at, "record_hash", stored) != own.row["record_hash"]:
        raise _diverged(log, connection, chain, at)
    return batch.after(Head(at, own.row["record_hash"]))


def _owned(log: LocalLog, owner: tuple[int, str, int], records: tuple[Record, ...]) -> RecordError:
    sequence, other, number = owner
    run_id = next(record.row["run_id"] for record in records if record.sequence == sequence)
    return RecordError(
        f"{visible(str(log.path))}: run {visible(str(run_id))} (record {sequence}) is at the server already, "
        f"as record {number} of another log ({other[:12]}): a run belongs to one log. Nothing from record "
        f"{sequence} on is sent: find out how it came into both"
    )


def _diverged(log: LocalLog, connection: Connection, chain: str, upto: int) -> RecordError:
    """Say where a log and what the server has of it part."""
    stored = at_server(connection, chain)
    same, other = 1, upto
    while other - same > 1:
        middle = (same + other) // 2
        own = log.stored_record(middle)
        if own is not None and column_at(connection, middle, "record_hash", stored) == own.row["record_hash"]:
            same = middle
        else:
            other = middle
    here = log.stored_record(other)
    there = records_after(connection, other - 1, 1, stored)
    return RecordError(
        f"{visible(str(log.path))}: is no continuation of what the server has of this log: record {other} is another "
        f"there. Here: {_described(here)}; at the server: {_described(there[0] if there else None)}. The log was "
        "copied and both went on, or it was written anew. Nothing was sent and nothing overwritten: let each station "
        "begin a log of its own, and keep both files"
    )


def _described(record: Record | None) -> str:
    if record is None:
        return "nothing"
    row = record.row
    about = (
        f"run of {row['serial']} at {row['station'] or 'no station'}" if record.is_run else str(row["kind"])
    )
    return visible(f"{about}, recorded {row['recorded']}")
