"""The records of a log that are to be sent: verified, in order, in bounded batches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.log.fetch import Record
from linecheck.log.stored import Head
from linecheck.log.sync.local import Contents, LocalLog
from linecheck.log.verification.verify import Chain

#: A batch ends where it holds so many rows or bytes; a record that is larger goes alone.
MAX_ROWS = 10_000
MAX_BYTES = 8_000_000

#: Records that are read at once: more would only take memory.
_MAX_READ = 64
#: What a row takes besides its curves, roughly.
_ROW_BYTES = 200


@dataclass(frozen=True)
class Batch:
    """Records that follow a record, and the contents that came to the log with them, or before."""

    before: Head
    records: tuple[Record, ...]
    contents: Contents

    @property
    def head(self) -> Head:
        """The last record of the batch, or the one before where it is empty."""
        return _head(self.records[-1]) if self.records else self.before

    def after(self, head: Head) -> Batch:
        """Return what is left of it after a record."""
        return Batch(head, tuple(r for r in self.records if r.sequence > head.sequence), self.contents)

    def until(self, sequence: int) -> Batch:
        """Return the part of it that comes before a record."""
        return Batch(self.before, tuple(r for r in self.records if r.sequence < sequence), self.contents)


def batches(
    log: LocalLog, head: Head, most_rows: int = MAX_ROWS, most_bytes: int = MAX_BYTES
) -> Iterator[Batch]:
    """Yield what the log has after a record, until there is no more.

    Raises
    ------
    RecordError
        A record does not verify; what comes before it was yielded.
    """
    verified = Chain(log.content, head=head, rules=log.rules)
    before, pending, contents = head, list[Record](), Contents()
    yielded: set[str] = set()
    rows = size = 0
    reading = 1
    while True:
        found, newer = log.read(verified.head.sequence, reading, yielded)
        for table, entries in newer.items():
            contents.setdefault(table, {}).update(entries)
            yielded.update(entries)
        for record in found:
            fault = verified.add(record)
            if fault is not None:
                if pending:
                    yield Batch(before, tuple(pending), contents)
                raise _unverified(log, fault, verified.head)
            pending.append(record)
            own_rows, long_values = record.measured()
            own_size = long_values + _ROW_BYTES * own_rows
            rows, size = rows + own_rows, size + own_size
            if rows >= most_rows or size >= most_bytes:
                yield Batch(before, tuple(pending), contents)
                before, pending, contents = verified.head, [], {}
                rows = size = 0
            reading = max(1, min(_MAX_READ, most_bytes // max(own_size, 1)))
        if not found:
            break
    if pending:
        yield Batch(before, tuple(pending), contents)


def _unverified(log: LocalLog, fault: str, head: Head) -> RecordError:
    return RecordError(
        f"{visible(str(log.path))}: does not verify: {fault}. Nothing from record {head.sequence + 1} on is sent: "
        "find out who changed the log (linecheck log verify), and keep the file"
    )


def _head(record: Record) -> Head:
    return Head(record.sequence, record.row["record_hash"])
