"""The log on the station: what is to be sent, and what a server has acknowledged.

Reading takes short transactions that hold nobody up. What was acknowledged is noted in a transaction of its own,
between those with the server: the log is never locked while the network is waited for. That note need not survive a
power cut, because the server is asked anyway; so it is written without waiting for the disk, and without tidying up
the log's journal, which whoever adds records does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Table, select
from sqlalchemy.dialects.sqlite import insert

from linecheck.files.times import utc_text
from linecheck.log.chain import BEGINNING, digest
from linecheck.log.connect import database_path, open_reader, open_writer, plain_errors
from linecheck.log.fetch import Record, last_record, records_after
from linecheck.log.schema import SHARED, sent
from linecheck.log.stored import Head
from linecheck.log.sync.target import Target
from linecheck.log.verification.verify import stored_content

__all__ = ["Contents", "LocalLog"]

#: Contents that records refer to, by table and digest.
Contents = dict[str, dict[str, str]]

BUSY_SECONDS = 10.0


class LocalLog:
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
        self.path = database_path(location)
        # In this order: a log that is not there is not made by sending it.
        self._reader = open_reader(self.path, BUSY_SECONDS)
        self._writer = None if only_read else open_writer(self.path, BUSY_SECONDS)

    def close(self) -> None:
        """Let go of the database."""
        self._reader.dispose()
        if self._writer is not None:
            self._writer.dispose()

    def __enter__(self) -> Self:
        """Return the log."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the database."""
        self.close()

    def head(self) -> Head:
        """Return the last record's number and hash."""
        with self._reading() as connection:
            return last_record(connection)

    def chain(self) -> str | None:
        """Return the hash of the first record, which says whose log it is; None where there is no record."""
        first = self.record(1)
        return None if first is None else str(first.row["record_hash"])

    def record(self, sequence: int) -> Record | None:
        """Return one record; None where it is not there."""
        with self._reading() as connection:
            found = records_after(connection, sequence - 1, 1)
        return found[0] if found and found[0].sequence == sequence else None

    def read(self, after: int, count: int, known: Collection[str]) -> tuple[list[Record], Contents]:
        """Return the next records, and the contents that these may refer to, but for the known ones."""
        with self._reading() as connection:
            return records_after(connection, after, count), _contents(connection, known)

    def content(self, shared: Table, noted: str) -> str | None:
        """Return what a record refers to by its digest; None where it is not there."""
        return stored_content(self._reader, shared, noted)

    def acknowledged(self, target: Target) -> Head:
        """Return the last record that a server has acknowledged, as far as is noted here."""
        with self._reading() as connection:
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

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with plain_errors(self.path), self._reader.connect() as connection, connection.begin():
            yield connection


def _contents(connection: Connection, known: Collection[str]) -> Contents:
    found: Contents = {}
    for shared in SHARED:
        digests = connection.scalars(select(shared.c.digest)).all()
        for noted in digests:
            if noted in known:
                continue
            content = connection.scalar(select(shared.c.content).where(shared.c.digest == noted))
            # What does not match its digest is no content of that name; a record that refers to it does not verify.
            if digest(str(content).encode("utf-8", "surrogateescape")) == noted:
                found.setdefault(shared.name, {})[noted] = str(content)
    return found
