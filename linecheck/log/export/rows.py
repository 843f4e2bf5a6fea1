"""The rows of an exported table, read from the log a page at a time, the oldest run first.

Each page is a short transaction, so that a station goes on adding to its log meanwhile. What it adds after the export
began is not exported.
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from linecheck.files.text import encodable
from linecheck.log.curves import plain_curves
from linecheck.log.export.tables import Column, Table

if TYPE_CHECKING:
    from linecheck.log import LogReader, RunFilter
    from linecheck.log.fetch import Record

#: In the order of the table's columns: None, text, int, float, bool, plain data, or an array of numbers.
Row = tuple[Any, ...]

#: What a table is made of, where that is more than one part of a record.
_PARTS: Final = {"curves": ("curves", "packed_curves", "curve_points")}
#: Runs that are read at once: of 60 readings, or of a few curves of 2000 points, some megabytes.
_AT_ONCE: Final = {None: 500, "problems": 500, "assets": 500, "readings": 100, "curves": 4}


def pages(log: LogReader, table: Table, wanted: RunFilter) -> Iterator[list[Row]]:
    """Yield the rows of the runs that are meant.

    Raises
    ------
    RecordError
        The log cannot be read, or a record cannot be understood.
    """
    end, after = log.head().sequence + 1, 0
    while True:
        found = log.sequences(wanted, limit=_AT_ONCE[table.part], before=end, after=after, oldest_first=True)
        if not found:
            return
        parts = () if table.part is None else ("checks", *_PARTS.get(table.part, (table.part,)))
        with log.understood():
            yield [row for record in log.stored(found, parts) for row in _rows(table, record)]
        after = found[-1]


def _rows(table: Table, record: Record) -> Iterator[Row]:
    """Yield the rows of a run; what they say of the run and of a check is read once."""
    run = record.row | {"purpose": record.row["purpose"] or "unit"}
    of_run = _read(table, "run", run)
    if table.part is None:
        yield of_run
        return
    of_check = {row["position"]: _read(table, "check", row) for row in record.parts["checks"]}
    for part in plain_curves(record.parts) if table.part == "curves" else record.parts[table.part]:
        check = of_check[part["check_position"]] if "check_position" in part else ()
        own = _read(table, "part", part)
        if len({len(values) for values in own if isinstance(values, np.ndarray)}) > 1:
            raise ValueError("a curve's axis and values have different lengths")
        yield _in_order(table, {"run": iter(of_run), "check": iter(check), "part": iter(own)})


def _read(table: Table, source: str, stored: Mapping[str, Any]) -> Row:
    """Return the values of those columns that come from a row of the log."""
    return tuple(
        _value(column, stored[column.source[1]]) for column in table.columns if column.source[0] == source
    )


def _in_order(table: Table, values: Mapping[str, Iterator[Any]]) -> Row:
    return tuple(next(values[column.source[0]]) for column in table.columns)


def _value(column: Column, stored: Any) -> Any:  # noqa: ANN401 - any column
    """Return what is stored in a column as a plain value of its type.

    Raises
    ------
    ValueError, TypeError
        It is none: somebody has changed it.
    """
    if stored is None:
        return None
    if column.kind in ("text", "time"):
        return _text(stored)
    if column.kind == "json":
        return _data(stored)
    if column.kind == "list":
        values = np.frombuffer(stored, dtype="<f8")
        if not np.isfinite(values).all():
            raise ValueError("a number is not finite")
        return values
    if column.kind == "boolean":
        return {"true": True, "false": False}[stored] if isinstance(stored, str) else bool(int(stored))
    return int(stored) if column.kind == "integer" else _finite(float(stored))


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError("a number is not finite")
    return value


@functools.lru_cache(maxsize=1024)
def _data(stored: str) -> Any:  # noqa: ANN401 - plain data
    """Return plain data from JSON; many rows say the same, and nobody changes what is returned."""
    return _encodable(json.loads(stored, parse_constant=_refused))


def _refused(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _text(stored: Any) -> str:  # noqa: ANN401 - any column
    if not isinstance(stored, str):
        raise TypeError("is no text")
    return stored if stored.isascii() else encodable(stored)


def _encodable(value: Any) -> Any:  # noqa: ANN401 - plain data
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, dict):
        return {encodable(key): _encodable(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_encodable(item) for item in value]
    return value
