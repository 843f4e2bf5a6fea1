"""Reading whole records."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, select

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.log.chain import BEGINNING, record_hash, statement_hash
from linecheck.log.connect import NOT_KEPT
from linecheck.log.curves import points_fault
from linecheck.log.schema import PARTS, run, statement
from linecheck.log.stored import Head

_AT_ONCE = 500
#: The tables whose rows are records.
_NUMBERED = (run, statement)

Row = dict[str, Any]
#: The rows that belong to records, by record and by what they are.
Parts = dict[int, dict[str, list[Row]]]


class Record(NamedTuple):
    """A row of ``run`` or ``statement``, and the rows that belong to its number, all columns as they are stored."""

    row: Row
    parts: dict[str, list[Row]]
    is_run: bool = True

    @property
    def sequence(self) -> int:
        """Its number in the log."""
        return int(self.row["sequence"])

    def computed_hash(self) -> str:
        """Return the hash that its content comes to."""
        return record_hash(self.row, self.parts) if self.is_run else statement_hash(self.row)

    def renumbered(self, sequence: int) -> Record:
        """Return it as it would be under another number."""
        parts = {name: [row | {"sequence": sequence} for row in rows] for name, rows in self.parts.items()}
        return Record(self.row | {"sequence": sequence}, parts, self.is_run)


def last_record(connection: Connection) -> Head:
    """Return the number and the hash of the last record, run or statement."""
    last = BEGINNING
    for table in _NUMBERED:
        newest = select(table.c.sequence, table.c.record_hash).order_by(table.c.sequence.desc()).limit(1)
        row = connection.execute(newest).one_or_none()
        if row is not None and row[0] > last.sequence:
            last = Head(row[0], row[1])
    return last


def last_signature(connection: Connection) -> str | None:
    """Return the signature of the last record; None where it has none."""
    number = last_record(connection).sequence
    for table in _NUMBERED:
        found = connection.scalar(select(table.c.station_signature).where(table.c.sequence == number))
        if found is not None:
            return str(found)
    return None


def run_rows(connection: Connection, sequences: Sequence[int]) -> Iterator[Row]:
    """Yield the rows of runs that are there, in the order in which their numbers are given."""
    for at in range(0, len(sequences), _AT_ONCE):
        some = sequences[at : at + _AT_ONCE]
        query = select(run).where(run.c.sequence.in_(some))
        found = {row.sequence: row._asdict() for row in connection.execute(query)}
        yield from (found[sequence] for sequence in some if sequence in found)


def fetch_record(connection: Connection, sequence: int) -> Record:
    """Return the record of one run that is there."""
    row = connection.execute(select(run).where(run.c.sequence == sequence)).one()._asdict()
    parts = _parts(connection, sequence, sequence)
    return Record(row, parts.get(sequence, _no_parts()))


def refuse_unkept(connection: Connection, head: Head) -> None:
    """Read back a record that was just added, before it is committed.

    Raises
    ------
    RecordError
        It is not there as it went in: a trigger has dropped or changed it.
    """
    found = records_after(connection, head.sequence - 1, 1)
    if [record.computed_hash() for record in found] != [head.record_hash]:
        raise unkept(connection)
    if points_fault(found[0].parts, may_lack=False) is not None:
        raise unkept(connection)


def unkept(connection: Connection) -> RecordError:
    """Return the error of what the database has taken and not kept."""
    path = connection.exec_driver_sql("PRAGMA database_list").all()[0][2]
    return RecordError(f"{visible(path)}: {NOT_KEPT}")


def records_of(connection: Connection, sequences: Sequence[int], names: Sequence[str]) -> Iterator[Record]:
    """Yield the records of runs that are there, in the order in which their numbers are given, with some parts only."""
    for at in range(0, len(sequences), _AT_ONCE):
        some = sequences[at : at + _AT_ONCE]
        parts: Parts = {}
        for name in names:
            for sequence, rows in _part(connection, name, PARTS[name][0].c.sequence.in_(some)):
                parts.setdefault(sequence, _no_parts())[name] = rows
        for row in run_rows(connection, some):
            yield Record(row, parts.get(row["sequence"], _no_parts()))


def records_after(connection: Connection, sequence: int | None, count: int) -> list[Record]:
    """Return the next records, runs and statements in the order of their numbers; from the first one where None.

    They are ``count`` or fewer, and one more where a number is there twice.
    """
    found: list[tuple[Row, bool]] = []
    for table in _NUMBERED:
        query = select(table).order_by(table.c.sequence).limit(count)
        if sequence is not None:
            query = query.where(table.c.sequence > sequence)
        found += [(row._asdict(), table is run) for row in connection.execute(query)]
    return records_from(found, count, lambda first, last: _parts(connection, first, last))


def records_from(
    found: list[tuple[Row, bool]], count: int, parts_of: Callable[[int, int], Parts]
) -> list[Record]:
    """Return the first records of some rows of runs and statements, as :func:`records_after` does.

    Parameters
    ----------
    found : list of (row, bool)
        Each with whether it is of a run.
    count : int
    parts_of : callable
        Gives the rows that belong to a span of records, by record.
    """
    if not found:
        return []
    found.sort(key=lambda item: item[0]["sequence"])
    first, last = found[0][0]["sequence"], found[min(count, len(found)) - 1][0]["sequence"]
    parts = parts_of(first, last)
    return [
        Record(row, parts.get(row["sequence"], _no_parts()), is_run)
        for row, is_run in found
        if row["sequence"] <= last
    ]


def grouped(rows: Iterable[Row]) -> Iterator[tuple[int, list[Row]]]:
    """Yield rows that are in order record by record."""
    for sequence, group in groupby(rows, key=itemgetter("sequence")):
        yield sequence, list(group)


def _parts(connection: Connection, first: int, last: int) -> Parts:
    """Return the rows that belong to a span of records, by record."""
    found: Parts = {}
    for name, (table, _) in PARTS.items():
        for sequence, rows in _part(connection, name, table.c.sequence.between(first, last)):
            found.setdefault(sequence, _no_parts())[name] = rows
    return found


def _part(connection: Connection, name: str, within: ColumnElement[bool]) -> Iterator[tuple[int, list[Row]]]:
    """Return the rows of one sort that belong to some records, record by record."""
    table, order = PARTS[name]
    query = select(table).where(within)
    query = query.order_by(table.c.sequence, *(table.c[column] for column in order))
    return grouped(row._asdict() for row in connection.execute(query))


def _no_parts() -> dict[str, list[Row]]:
    return {name: [] for name in PARTS}
