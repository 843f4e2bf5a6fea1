"""A station's log as columns.

Its rows go through Python's own SQLite: a second copy of that library in this process would let go of the first one's
locks (https://sqlite.org/howtocorrupt.html, 2.2.1).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from linecheck.history.repairs.statement import REPAIR
from linecheck.log import LogReader
from linecheck.log.schema import FIRST_CAUSE, run, run_asset, statement
from linecheck.statistics.sources.arrow import streamed
from linecheck.statistics.sources.base import READING_COLUMNS, RUN_COLUMNS, Only, Source, reading_query

if TYPE_CHECKING:
    import sqlite3

    import duckdb

    from linecheck.limits.model import LimitFile
    from linecheck.log.queries import RunFilter
    from linecheck.log.stored import Statement

_TABLES = {name: name for name in ("reading", "curve", "packed_curve", "run_check")}


class LogSource(Source):
    """A log.

    Raises
    ------
    FileError, RecordError
        It cannot be read.
    """

    def __init__(self, location: str) -> None:
        self._log = LogReader(location)
        self.name = str(self._log.path)

    def __exit__(self, *_: object) -> None:
        """Let go of the database."""
        self._log.close()

    @contextmanager
    def runs(
        self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], wanted: RunFilter
    ) -> Iterator[str]:
        """Give its runs, of one model where that is asked for."""
        columns = ", ".join(f'{_stored(name)} AS "{name}"' for name in names)
        where, values = ("", []) if wanted.model is None else (" WHERE +run.model = ?", [wanted.model])
        kinds = [("record", "integer"), *((name, RUN_COLUMNS[name]) for name in names)]
        query = f"SELECT run.sequence, {columns} FROM run{where}"
        with self._rows(query, values) as cursor, streamed(engine, cursor, kinds) as table:
            yield table

    @contextmanager
    def readings(self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], only: Only) -> Iterator[str]:
        """Give its readings."""
        query, values = reading_query(names, only, _TABLES, ("sequence",), "?")
        kinds = [("record", "integer"), *((name, READING_COLUMNS[name]) for name in names)]
        with self._rows(query, values) as cursor, streamed(engine, cursor, kinds) as table:
            yield table

    def with_asset(self, engine: duckdb.DuckDBPyConnection, asset: str) -> Iterable[tuple[int, int]]:
        """Return the runs with an asset."""
        with self._log.reading() as connection:
            found = connection.scalars(select(run_asset.c.sequence).where(run_asset.c.asset == asset))
            return [(0, record) for record in dict.fromkeys(found)]

    def first_run(self) -> str | None:
        """Return the id of its first run."""
        with self._log.reading() as connection:
            return connection.scalar(select(run.c.run_id).order_by(run.c.sequence).limit(1))

    def repaired(self) -> Iterable[tuple[int, int]]:
        """Return the runs that repairs refer to."""
        query = select(run.c.sequence).join(statement, statement.c.subject == run.c.run_id)
        with self._log.reading() as connection:
            return [(0, record) for record in connection.scalars(query.where(statement.c.kind == REPAIR))]

    def statements(self, kinds: Sequence[str]) -> Iterable[Sequence[Statement]]:
        """Return its statements."""
        return [self._log.statements(*kinds)]

    def limit_file(self, log: int, record: int) -> LimitFile | None:
        """Return the limit file of a run, from its record."""
        limits = self._log.record(record).limits
        return limits if hasattr(limits, "checks") else None

    @contextmanager
    def _rows(self, query: str, values: Sequence[str]) -> Iterator[sqlite3.Cursor]:
        with self._log.reading() as connection:
            driver: Any = connection.connection.driver_connection
            usual = driver.text_factory
            # Decoding texts one by one costs more than all the rest.
            driver.text_factory = bytes
            try:
                yield driver.execute(query, values)
            finally:
                driver.text_factory = usual


def _stored(name: str) -> str:
    if name == "cause":
        return FIRST_CAUSE.format("run.causes")
    return "coalesce(run.purpose, 'unit')" if name == "purpose" else f"run.{name}"
