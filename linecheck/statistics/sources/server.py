"""The central server as columns: all logs that were sent there.

Rows come as columns, from PostgreSQL's binary COPY by ADBC's driver: one by one in Python they would take minutes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, text

from linecheck.errors import ServerError, UsageError
from linecheck.files.text import visible
from linecheck.history.repairs.statement import REPAIR
from linecheck.limits.recorded import recorded_limits
from linecheck.log.schema import limits
from linecheck.log.sync.layout import SCHEMA
from linecheck.log.sync.target import Target
from linecheck.statistics.sources.base import RUN_COLUMNS, Only, Source, reading_query

if TYPE_CHECKING:
    import duckdb

    from linecheck.limits.model import LimitFile
    from linecheck.log.queries import RunFilter

_TABLES: Final = {name: f"{SCHEMA}.{name}" for name in ("reading", "curve", "packed_curve", "run_check")}
_CAUSE: Final = "CASE WHEN causes LIKE '{{%' THEN causes::json #>> '{{ranked,0,codes,0}}' END"
_numbers = iter(range(1 << 62))


class ServerSource(Source):
    """A server with the logs of stations.

    Raises
    ------
    UsageError
        Its address is none, or a driver is missing.
    ServerError
        It cannot be reached.
    """

    has_logs = True

    def __init__(self, url: str) -> None:
        try:
            import adbc_driver_postgresql  # noqa: F401 - used below
        except ImportError as error:
            raise UsageError("a driver is missing: pip install 'linecheck[statistics,postgres]'") from error
        from linecheck.log.sync.server import connected
        from linecheck.log.sync.stored import chains

        self._target = Target.parsed(url, "--server")
        self.name = str(self._target)
        self._opened = ExitStack()
        self._connection: Connection = self._opened.enter_context(connected(self._target))
        with self._connection.begin():
            self._chains = chains(self._connection)
            found = text(
                "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = :schema"
            )
            rows = self._connection.execute(found, {"schema": SCHEMA}).all()
        self._there = {(table, column) for table, column in rows}

    def __exit__(self, *_: object) -> None:
        """Let go of the server."""
        self._opened.close()

    @contextmanager
    def runs(
        self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], wanted: RunFilter
    ) -> Iterator[str]:
        """Give the runs of all logs, of one model where that is asked for."""
        columns = ", ".join(f'{self._stored(name)} AS "{name}"' for name in names)
        where = "" if wanted.model is None else " WHERE r.model = $1"
        rows = f"{SCHEMA}.run AS r {self._logs('r')}{where}"
        query = f"SELECT r.sequence AS record, l.number AS log, {columns} FROM {rows}"
        with self._streamed(engine, query, [] if wanted.model is None else [wanted.model]) as table:
            yield table

    @contextmanager
    def readings(self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], only: Only) -> Iterator[str]:
        """Give the readings of all logs."""
        query, values = reading_query(names, only, _TABLES, ("sequence", "chain"), "${}")
        columns = "".join(f', q."{name}"' for name in names)
        numbered = (
            f"SELECT q.sequence AS record, l.number AS log{columns} FROM ({query}) AS q {self._logs('q')}"
        )
        with self._streamed(engine, numbered, values) as table:
            yield table

    def with_asset(self, engine: duckdb.DuckDBPyConnection, asset: str) -> Iterable[tuple[int, int]]:
        """Return the runs with an asset."""
        query = text(f"SELECT DISTINCT chain, sequence FROM {SCHEMA}.run_asset WHERE asset = :asset")
        number = {chain: at for at, chain in enumerate(self._chains)}
        with self._connection.begin():
            return [
                (number[chain], record) for chain, record in self._connection.execute(query, {"asset": asset})
            ]

    def repaired(self) -> Iterable[str]:
        """Return the runs that repairs refer to."""
        query = text(f"SELECT subject FROM {SCHEMA}.statement WHERE kind = :kind")
        with self._connection.begin():
            return list(self._connection.scalars(query, {"kind": REPAIR}))

    def limit_file(self, log: int, record: int) -> LimitFile | None:
        """Return the limit file of a run, from what its log has sent."""
        from linecheck.limits.model import LimitReference
        from linecheck.log.sync.stored import content

        query = text(
            f"SELECT limits_digest, limit_path, limit_sha256, limit_revision FROM {SCHEMA}.run "
            "WHERE chain = :chain AND sequence = :record"
        )
        with self._connection.begin():
            row = self._connection.execute(
                query, {"chain": self._chains[log], "record": record}
            ).one_or_none()
            found = None if row is None else content(self._connection, limits, row[0])
        if row is None or found is None:
            return None
        try:
            return recorded_limits(json.loads(found), LimitReference(row[1], row[2], row[3]))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise ServerError(
                f"{self.name}: a limit file there cannot be understood: run `linecheck sync --check`"
            ) from error

    def _stored(self, name: str) -> str:
        """Return a column of a run, which an older server lacks."""
        if name == "cause":
            return _CAUSE.format() if ("run", "causes") in self._there else "NULL::text"
        if name == "purpose":
            return "coalesce(r.purpose, 'unit')"
        kinds = {"integer": "bigint", "real": "double precision"}
        known = ("run", name) in self._there
        return f"r.{name}" if known else f"NULL::{kinds.get(RUN_COLUMNS[name], 'text')}"

    def _logs(self, table: str) -> str:
        """Return the join that numbers logs: their hashes are long."""
        rows = ", ".join(f"('{chain}', {number})" for number, chain in enumerate(self._chains)) or "('', 0)"
        return f"JOIN (VALUES {rows}) AS l (chain, number) ON l.chain = {table}.chain"

    @contextmanager
    def _streamed(
        self, engine: duckdb.DuckDBPyConnection, query: str, values: Sequence[str]
    ) -> Iterator[str]:
        import adbc_driver_postgresql.dbapi as driver
        from adbc_driver_manager import Error

        name = f"server_{next(_numbers)}"
        try:
            with driver.connect(self._target.url) as connection, connection.cursor() as cursor:
                cursor.execute(query, parameters=list(values) or None)
                engine.register(name, cursor.fetch_record_batch())
                try:
                    yield name
                finally:
                    engine.unregister(name)
        except Error as error:
            line = visible(" ".join(str(error).split()))[:300]
            raise ServerError(f"{self.name}: {line}") from error
