"""Reading whole records."""

from __future__ import annotations

from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, select

from linecheck.records.log.schema import PARTS, run

__all__ = ["Record", "fetch_record", "records_after"]

Row = dict[str, Any]


class Record(NamedTuple):
    """The row of a run, and the rows that belong to it, with all their columns, as they are stored."""

    run: Row
    parts: dict[str, list[Row]]


def fetch_record(connection: Connection, sequence: int) -> Record:
    """Return one record that is there."""
    row = connection.execute(select(run).where(run.c.sequence == sequence)).one()._asdict()
    parts = _parts(connection, sequence, sequence)
    return Record(row, parts.get(sequence, _no_parts()))


def records_after(connection: Connection, sequence: int | None, count: int) -> list[Record]:
    """Return the next records in the order of their numbers; from the first one where None."""
    query = select(run).order_by(run.c.sequence).limit(count)
    if sequence is not None:
        query = query.where(run.c.sequence > sequence)
    rows = [row._asdict() for row in connection.execute(query)]
    if not rows:
        return []
    parts = _parts(connection, rows[0]["sequence"], rows[-1]["sequence"])
    return [Record(row, parts.get(row["sequence"], _no_parts())) for row in rows]


def _parts(connection: Connection, first: int, last: int) -> dict[int, dict[str, list[Row]]]:
    """Return the rows that belong to a span of records, by record."""
    found: dict[int, dict[str, list[Row]]] = {}
    for name, (table, order) in PARTS.items():
        within: ColumnElement[bool] = table.c.sequence.between(first, last)
        query = select(table).where(within).order_by(table.c.sequence, *(table.c[column] for column in order))
        rows = (row._asdict() for row in connection.execute(query))
        for sequence, group in groupby(rows, key=itemgetter("sequence")):
            found.setdefault(sequence, _no_parts())[name] = list(group)
    return found


def _no_parts() -> dict[str, list[Row]]:
    return {name: [] for name in PARTS}
