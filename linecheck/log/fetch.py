"""Reading whole records, of a log or of what a server has of one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from operator import itemgetter, methodcaller
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, FromClause, Select, Table, func, select

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.log.chain import BEGINNING, record_hash, statement_hash
from linecheck.log.connect import NOT_KEPT
from linecheck.log.curves import Row, points_fault
from linecheck.log.schema import PARTS, run, statement
from linecheck.log.stored import Head

_AT_ONCE = 500
#: Shorter values stand for nothing beside their row.
_LONG = 64
#: The tables whose rows are records.
_NUMBERED = (run, statement)

#: The rows that belong to records, by record and by what they are.
Parts = dict[int, dict[str, list[Row]]]
#: Gives the rows of one log, as one of its tables has them.
Tables = Callable[[Table], FromClause]


class Record(NamedTuple):
    """A row of ``run`` or ``statement``, and the rows that belong to its number, all columns as they are stored."""

    row: Row
    parts: dict[str, list[Row]]
    is_run: bool = True

    @property
    def sequence(self) -> int:
        """Its number in the log."""
        return int(self.row["sequence"])

    def measured(self) -> tuple[int, int]:
        """Return how many rows it has, and how many bytes and characters their long values."""
        rows = [self.row, *(row for part in self.parts.values() for row in part)]
        values = (value for row in rows for value in row.values() if isinstance(value, str | bytes))
        return len(rows), sum(len(value) for value in values if len(value) > _LONG)

    def computed_hash(self) -> str:
        """Return the hash that its content comes to."""
        return record_hash(self.row, self.parts) if self.is_run else statement_hash(self.row)

    def renumbered(self, sequence: int) -> Record:
        """Return it as it would be under another number."""
        parts = {name: [row | {"sequence": sequence} for row in rows] for name, rows in self.parts.items()}
        return Record(self.row | {"sequence": sequence}, parts, self.is_run)


def own(table: Table) -> FromClause:
    """Return a log's own table: all of its rows are those of the log."""
    return table


def last_record(connection: Connection, tables: Tables = own) -> Head:
    """Return the number and the hash of the last record, run or statement."""
    last = BEGINNING
    for table in map(tables, _NUMBERED):
        newest = select(table.c.sequence, table.c.record_hash).order_by(table.c.sequence.desc()).limit(1)
        row = connection.execute(newest).one_or_none()
        if row is not None and row[0] > last.sequence:
            last = Head(row[0], row[1])
    return last


def column_at(connection: Connection, sequence: int, column: str, tables: Tables = own) -> str | None:
    """Return a column of the record that has a number, run or statement; None where there is nothing."""
    for table in map(tables, _NUMBERED):
        found: str | None = connection.scalar(select(table.c[column]).where(table.c.sequence == sequence))
        if found is not None:
            return found
    return None


def content_of(connection: Connection, table: Table, noted: str | None) -> str | None:
    """Return what a record refers to by its digest; None where it refers to nothing, or it is not there."""
    content: str | None = connection.scalar(select(table.c.content).where(table.c.digest == noted))
    return content


def run_rows(connection: Connection, sequences: Sequence[int]) -> Iterator[Row]:
    """Yield the rows of runs that are there, in the order in which their numbers are given."""
    for at in range(0, len(sequences), _AT_ONCE):
        some = sequences[at : at + _AT_ONCE]
        query = select(run).where(run.c.sequence.in_(some))
        found = {row["sequence"]: row for row in _rows(connection, query)}
        yield from (found[sequence] for sequence in some if sequence in found)


def refuse_unkept(connection: Connection, head: Head) -> None:
    """Read back a record that was just added, before it is committed.

    Raises
    ------
    RecordError
        It is not there as it went in: a trigger has dropped or changed it.
    """
    found = records_after(connection, head.sequence - 1, 1)
    is_there = [record.computed_hash() for record in found] == [head.record_hash]
    if not is_there or points_fault(found[0].parts, may_lack=False) is not None:
        raise unkept(connection)


def unkept(connection: Connection) -> RecordError:
    """Return the error of what the database has taken and not kept."""
    path = connection.exec_driver_sql("PRAGMA database_list").all()[0][2]
    return RecordError(f"{visible(path)}: {NOT_KEPT}")


def records_of(
    connection: Connection, sequences: Sequence[int], names: Sequence[str] = tuple(PARTS)
) -> Iterator[Record]:
    """Yield the records of runs that are there, in the order in which their numbers are given; ``names`` are parts."""
    for at in range(0, len(sequences), _AT_ONCE):
        some = sequences[at : at + _AT_ONCE]
        parts = _parts(connection, own, methodcaller("in_", some), names)
        for row in run_rows(connection, some):
            yield Record(row, parts.get(row["sequence"], _no_parts()))


def records_after(
    connection: Connection, sequence: int | None, count: int, tables: Tables = own
) -> list[Record]:
    """Return the next records, runs and statements in the order of their numbers; from the first one where None.

    They are ``count`` or fewer, and one more where a number is there twice.
    """
    found: list[tuple[Row, bool]] = []
    for table in _NUMBERED:
        rows = tables(table)
        query = select(rows).order_by(rows.c.sequence).limit(count)
        if sequence is not None:
            query = query.where(rows.c.sequence > sequence)
        found += [(row, table is run) for row in _rows(connection, query)]
    if not found:
        return []
    found.sort(key=lambda item: item[0]["sequence"])
    first, last = found[0][0]["sequence"], found[min(count, len(found)) - 1][0]["sequence"]
    parts = _parts(connection, tables, methodcaller("between", first, last), PARTS)
    return [
        Record(row, parts.get(row["sequence"], _no_parts()), is_run)
        for row, is_run in found
        if row["sequence"] <= last
    ]


def stray_part(connection: Connection, tables: Tables = own) -> tuple[str, int] | None:
    """Return where rows belong to a record that is not there: what they are, and the record's number."""
    newest = last_record(connection, tables).sequence
    for name, (table, _) in PARTS.items():
        number = tables(table).c.sequence
        for outside in (number < 1, number > newest):
            found = connection.scalar(select(func.min(number)).where(outside))
            if found is not None:
                return name, int(found)
    return None


def _parts(
    connection: Connection,
    tables: Tables,
    within: Callable[[ColumnElement[int]], ColumnElement[bool]],
    names: Iterable[str],
) -> Parts:
    """Return the rows that belong to some records, by record; ``within`` picks these by their number."""
    found: Parts = {}
    for name in names:
        table, order = PARTS[name]
        rows = tables(table)
        query = select(rows).where(within(rows.c.sequence))
        query = query.order_by(rows.c.sequence, *(rows.c[column] for column in order))
        for sequence, group in groupby(_rows(connection, query), key=itemgetter("sequence")):
            found.setdefault(sequence, _no_parts())[name] = list(group)
    return found


def _rows(connection: Connection, query: Select[Any]) -> Iterator[Row]:
    """Yield rows with the names of their columns, all fetched at once: each row by itself takes twice as long."""
    found = connection.execute(query)
    names = tuple(found.keys())
    return (dict(zip(names, row, strict=True)) for row in found.all())


def _no_parts() -> dict[str, list[Row]]:
    return {name: [] for name in PARTS}
