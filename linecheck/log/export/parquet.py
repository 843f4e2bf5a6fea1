"""Rows as Parquet: typed columns, dictionaries for texts, null for what is not there, row groups one after the other.

Times are timestamps in UTC to the microsecond; plain data (setups, the computer) are JSON texts; a curve is a row with
lists of numbers.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any, ClassVar, Final

from linecheck.errors import RecordError
from linecheck.log.export.base import ExportFormat, Sink

if TYPE_CHECKING:
    import pyarrow as pa

    from linecheck.log.export.rows import Row
    from linecheck.log.export.tables import Kind, Table

#: A row group is closed once it has so many rows, or so many bytes before they are packed.
_ROWS: Final = 65_536
_BYTES: Final = 32 * 1024 * 1024


class ParquetFormat(ExportFormat):
    """Parquet."""

    name: ClassVar[str] = "parquet"
    text: ClassVar[str] = "Parquet"
    module: ClassVar[str] = "pyarrow.parquet"
    extra: ClassVar[str] = "parquet"

    def write(self, sink: Sink, table: Table, pages: Iterable[list[Row]]) -> None:
        """Write a whole file, row group after row group."""
        import pyarrow as pa
        from pyarrow import parquet

        schema = _schema(table)
        waiting: list[pa.RecordBatch] = []
        with parquet.ParquetWriter(_Stream(sink), schema, compression="zstd") as writer:
            for page in pages:
                waiting.append(_batch(table, schema, page))
                if _is_enough(waiting):
                    writer.write_table(pa.Table.from_batches(waiting, schema).unify_dictionaries())
                    waiting.clear()
            if waiting:
                writer.write_table(pa.Table.from_batches(waiting, schema).unify_dictionaries())


EXPORT_FORMAT = ParquetFormat()


def _is_enough(batches: list[pa.RecordBatch]) -> bool:
    rows, size = (sum(getattr(batch, name) for batch in batches) for name in ("num_rows", "nbytes"))
    return bool(rows >= _ROWS or size >= _BYTES)


def _schema(table: Table) -> pa.Schema:
    import pyarrow as pa

    types: dict[Kind, Any] = {
        "text": pa.dictionary(pa.int32(), pa.string()),
        "json": pa.dictionary(pa.int32(), pa.string()),
        "integer": pa.int64(),
        "real": pa.float64(),
        "boolean": pa.bool_(),
        "time": pa.timestamp("us", tz="UTC"),
        "list": pa.list_(pa.float64()),
    }
    return pa.schema(
        [
            pa.field(column.name, types[column.kind], metadata={"description": column.text})
            for column in table.columns
        ]
    )


def _batch(table: Table, schema: pa.Schema, page: list[Row]) -> pa.RecordBatch:
    import pyarrow as pa

    columns = list(zip(*page, strict=True)) or [()] * len(table.columns)
    arrays = [
        pa.array([_typed(column.kind, value) for value in values], type=field.type)
        for column, field, values in zip(table.columns, schema, columns, strict=True)
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _typed(kind: Kind, value: Any) -> Any:  # noqa: ANN401 - any column
    if value is None:
        return None
    if kind == "json":
        return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
    if kind == "time":
        try:
            return datetime.fromisoformat(value)
        except ValueError as error:
            raise RecordError(
                f"{value[:40]!a} is no time: a record has been changed since it was stored: run `linecheck log verify`"
            ) from error
    return value


class _Stream:
    """What pyarrow takes for a file."""

    closed = False

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._written = 0

    def write(self, content: Any) -> int:  # noqa: ANN401 - any buffer
        self._sink.write(bytes(content))
        self._written += len(content)
        return len(content)

    def tell(self) -> int:
        return self._written

    def flush(self) -> None:
        """Everything is handed on at once."""

    def close(self) -> None:
        """Whoever gave the sink closes it."""
