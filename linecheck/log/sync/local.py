"""The log on the station: what is to be sent, and what a server has acknowledged.

Reading takes short transactions that hold nobody up. What was acknowledged is noted in a transaction of its own,
between those with the server: the log is never locked while the network is waited for. That note need not survive a
power cut, because the server is asked anyway; so it is written without waiting for the disk, and without tidying up
the log's journal, which whoever adds records does.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.log.chain import BEGINNING, digest
from linecheck.log.connect import open_writer, plain_errors
from linecheck.log.fetch import Record, content_of, records_after
from linecheck.log.reader import BUSY_SECONDS, LogReader
from linecheck.log.schema import SHARED, sent
from linecheck.log.stored import Head
from linecheck.log.sync.target import Target

#: Contents that records refer to, by table and digest.
Contents = dict[str, dict[str, str]]

#: A record that has waited for less is on its way.
UNSENT_FOR_LONG = timedelta(hours=1)


class LocalLog(LogReader):
    """A station's log.

    Parameters
    ----------
    location : str or Path
        An SQLite file, or ``sqlite:///PATH``.
    only_read : bool
        Nothing is to be noted; otherwise the log is brought to the newest schema when it is opened.

    Raises
    ------
    FileError
        It is not there, is no log, cannot be written to, or was written by a newer linecheck.
    RecordError
        It is locked or damaged, or the disk is full or failing.
    """

    def __init__(self, location: str | Path, *, only_read: bool = False) -> None:
        # In this order: a log that is not there is not made by sending it.
        super().__init__(location)
        self._writer = None if only_read else open_writer(self.path, BUSY_SECONDS)

    def close(self) -> None:
        """Let go of the database."""
        super().close()
        if self._writer is not None:
            self._writer.dispose()

    def chain(self) -> str | None:
        """Return the hash of the first record, which says whose log it is; None where there is no record."""
        first = self.stored_record(1)
        return None if first is None else str(first.row["record_hash"])

    def stored_record(self, sequence: int) -> Record | None:
        """Return one record; None where it is not there."""
        with self.reading() as connection:
            found = records_after(connection, sequence - 1, 1)
        return found[0] if found and found[0].sequence == sequence else None

    def read(self, after: int, count: int, known: Collection[str]) -> tuple[list[Record], Contents]:
        """Return the next records, and the contents that these may refer to, but for the known ones."""
        with self.reading() as connection:
            return records_after(connection, after, count), _contents(connection, known)

    def acknowledged(self, target: Target) -> Head:
        """Return the last record that a server has acknowledged, as far as is noted here."""
        with self.reading() as connection:
            query = select(sent.c.sequence, sent.c.record_hash).where(sent.c.target == target.name)
            found = connection.execute(query).one_or_none()
        return BEGINNING if found is None else Head(*found)

    def note(self, target: Target, head: Head) -> None:
        """Note that a server has all records up to this one, committed; not in a log that is only read."""
        if self._writer is None:
            return
        values: dict[str, Any] = {
            "sequence": head.sequence,
            "record_hash": head.record_hash,
            "acknowledged": utc_text(datetime.now(UTC)),
        }
        query = insert(sent).values(target=target.name, **values)
        query = query.on_conflict_do_update(index_elements=[sent.c.target], set_=values)
        with plain_errors(self.path), self._writer.connect() as connection:
            for setting in ("synchronous=NORMAL", "wal_autocheckpoint=0"):
                connection.connection.cursor().execute(f"PRAGMA {setting}")
            with connection.begin():
                connection.execute(query)


def _contents(connection: Connection, known: Collection[str]) -> Contents:
    found: Contents = {}
    for shared in SHARED:
        digests = connection.scalars(select(shared.c.digest)).all()
        for noted in digests:
            if noted in known:
                continue
            content = content_of(connection, shared, noted)
            # What does not match its digest is no content of that name; a record that refers to it does not verify.
            if digest(str(content).encode("utf-8", "surrogateescape")) == noted:
                found.setdefault(shared.name, {})[noted] = str(content)
    return found


def unsent_for_long(location: str | Path, url: str, now: datetime) -> str | None:
    """Return a warning where records wait for longer than they should; None where none does. Asks no server."""
    target = Target.parsed(url, "[sync] to")
    with LocalLog(location, only_read=True) as log:
        there, last = log.acknowledged(target), log.head()
        oldest = log.stored_record(there.sequence + 1)
    if oldest is None:
        return None
    recorded = str(oldest.row["recorded"])
    try:
        since = datetime.fromisoformat(recorded)
    except ValueError:
        return None
    if now.astimezone(UTC) - since.astimezone(UTC) < UNSENT_FOR_LONG:
        return None
    count = last.sequence - there.sequence
    records = "record waits" if count == 1 else "records wait"
    return (
        f"warning: {count} {records} to be sent to {target}, since {visible(recorded[:16])}Z: `linecheck sync` says "
        "why; nothing is lost, the log keeps them"
    )
