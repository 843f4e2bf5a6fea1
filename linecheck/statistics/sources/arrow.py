"""Rows of Python's database drivers as a stream of columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from linecheck.files.text import encodable

if TYPE_CHECKING:
    import sqlite3

    import duckdb
    import pyarrow as pa

    from linecheck.statistics.sources.base import Kind

#: Rows that are taken from a driver at a time: some megabytes.
_AT_ONCE: Final = 50_000
_numbers = iter(range(1 << 62))


@contextmanager
def streamed(
    engine: duckdb.DuckDBPyConnection, cursor: sqlite3.Cursor, columns: Sequence[tuple[str, Kind]]
) -> Iterator[str]:
    """Give the rows of a cursor, whose texts are bytes, as a table that the engine reads once."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "time": pa.string(),
        "integer": pa.int64(),
        "real": pa.float64(),
        "boolean": pa.int8(),
    }
    schema = pa.schema([(name, types[kind]) for name, kind in columns])

    def batches() -> Iterator[Any]:
        while rows := cursor.fetchmany(_AT_ONCE):
            arrays = [
                _array(values, field.type)
                for values, field in zip(zip(*rows, strict=True), schema, strict=True)
            ]
            yield pa.RecordBatch.from_arrays(arrays, schema=schema)

    with registered(engine, pa.RecordBatchReader.from_batches(schema, batches())) as table:
        yield table


@contextmanager
def registered(engine: duckdb.DuckDBPyConnection, rows: pa.RecordBatchReader) -> Iterator[str]:
    """Give a stream of columns as a table that the engine reads once."""
    name = f"stream_{next(_numbers)}"
    engine.register(name, rows)
    try:
        yield name
    finally:
        engine.unregister(name)


def with_times(rows: pa.RecordBatchReader, times: Sequence[str]) -> pa.RecordBatchReader:
    """Return a stream with some of its columns, which are texts, as times: the engine takes ten times as long for that.

    Raises
    ------
    pyarrow.ArrowInvalid
        While it is read: a text is no time.
    """
    import pyarrow as pa

    schema = rows.schema
    for name in times:
        schema = schema.set(schema.get_field_index(name), pa.field(name, pa.timestamp("us", "UTC")))
    batches = (pa.Table.from_batches([batch]).cast(schema).to_batches() for batch in rows)
    return pa.RecordBatchReader.from_batches(schema, (each for some in batches for each in some))


def _array(values: Sequence[Any], kind: Any) -> Any:  # noqa: ANN401 - of pyarrow
    import pyarrow as pa

    if kind != pa.string():
        return pa.array(values, type=kind)
    found = pa.array(values, type=pa.binary())
    try:
        return found.cast(pa.string())
    except pa.ArrowInvalid:
        # Somebody has changed the log: such a text need not be UTF-8.
        texts = [
            None if value is None else encodable(value.decode("utf-8", "surrogateescape")) for value in values
        ]
        return pa.array(texts, type=pa.string())
