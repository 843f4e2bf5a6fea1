"""The central server as columns: all logs that were sent there.

Rows come as columns, from PostgreSQL's binary COPY by ADBC's driver: one by one in Python they would take minutes.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from itertools import groupby
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection, text

from linecheck.errors import ServerError, UsageError
from linecheck.files.text import visible
from linecheck.history.repairs.statement import REPAIR
from linecheck.limits.recorded import recorded_limits
from linecheck.limits.verdict import Verdict
from linecheck.log.schema import limits
from linecheck.log.stored import Statement
from linecheck.log.sync.layout import SCHEMA
from linecheck.log.sync.packed import NOTHING, RUN_FACTS, SEPARATOR
from linecheck.log.sync.target import Target
from linecheck.statistics.sources.arrow import registered, with_times
from linecheck.statistics.sources.base import RUN_COLUMNS, Only, Source, reading_query
from linecheck.statistics.sources.packed import Layout, schema_of, stored_columns, unpacked

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa
    from adbc_driver_manager.dbapi import Cursor

    from linecheck.limits.model import LimitFile
    from linecheck.log.queries import RunFilter

_TABLES: Final = {name: f"{SCHEMA}.{name}" for name in ("reading", "curve", "packed_curve", "run_check")}


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
        """Give the runs of all logs, from the text of their facts where that has all that is asked for."""
        if ("run", "facts") in self._there and RUN_FACTS.keys() >= set(names):
            query = f"SELECT r.sequence AS record, l.number AS log, r.facts FROM {SCHEMA}.run AS r {self._logs('r')}"
            with self._streamed(engine, query, []) as table:
                yield _split(table, names)
            return
        columns = ", ".join(f'{self._stored(name)} AS "{name}"' for name in names)
        where = "" if wanted.model is None else " WHERE r.model = $1"
        rows = f"{SCHEMA}.run AS r {self._logs('r')}{where}"
        query = f"SELECT r.sequence AS record, l.number AS log, {columns} FROM {rows}"
        times = [name for name in names if RUN_COLUMNS[name] == "time"]
        with self._streamed(engine, query, [] if wanted.model is None else [wanted.model], times) as table:
            yield table

    @contextmanager
    def readings(self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], only: Only) -> Iterator[str]:
        """Give the readings of all logs, from their packed rows where there are any.

        Fails are few, and have an index.
        """
        is_packed = ("packed_reading", "value") in self._there and only.get("verdict") != [Verdict.FAIL.value]
        if is_packed:
            with self._cursor() as cursor, registered(engine, self._packed(cursor, names, only)) as table:
                yield table
        else:
            query, values = self._reading_rows(names, only)
            with self._streamed(engine, query, values) as table:
                yield table

    def _reading_rows(self, names: Sequence[str], only: Only, where: str = "") -> tuple[str, list[str]]:
        """Return the question for readings, row by row, and its values."""
        query, values = reading_query(names, only, _TABLES, ("sequence", "chain"), "${}")
        columns = "".join(f', q."{name}"' for name in names)
        rows = f"({query}) AS q {self._logs('q')}"
        return f"SELECT q.sequence AS record, l.number AS log{columns} FROM {rows} {where}", values

    def _packed(self, cursor: Cursor, names: Sequence[str], only: Only) -> pa.RecordBatchReader:
        """Return the readings of packed rows, and then those of runs that have none."""
        import pyarrow as pa

        # A run that is packed meanwhile is neither lost nor there twice.
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        cursor.execute(f"SELECT digest, content FROM {SCHEMA}.reading_layout ORDER BY digest")
        told = cursor.fetchall()
        layouts = {number: Layout.parsed(content) for number, (_, content) in enumerate(told)}
        numbered = (
            ", ".join(f"('{digest}', {number})" for number, (digest, _) in enumerate(told)) or "('', 0)"
        )
        packed = f"{SCHEMA}.packed_reading AS p JOIN (VALUES {numbered}) AS y (digest, number) ON y.digest = p.layout"
        columns = "".join(f", p.{name}" for name in stored_columns(names, only))
        schema = schema_of(names)

        def batches() -> Iterator[pa.RecordBatch]:
            left = self._counted(cursor)
            cursor.execute(
                f"SELECT p.sequence AS record, l.number AS log, y.number AS layout{columns} "
                f"FROM {packed} {self._logs('p')}"
            )
            for batch in cursor.fetch_record_batch():
                left.subtract(batch.column("log").to_pylist())
                yield from unpacked(batch, layouts, names, only)
            if any(left.values()):
                has_none = (
                    f"NOT EXISTS (SELECT 1 FROM {packed} WHERE (p.chain, p.sequence) = (q.chain, q.sequence))"
                )
                query, values = self._reading_rows(names, only, f"WHERE {has_none}")
                cursor.execute(query, parameters=values or None)
                for batch in cursor.fetch_record_batch():
                    yield from pa.Table.from_batches([batch]).cast(schema).to_batches()

        return pa.RecordBatchReader.from_batches(schema, batches())

    def _counted(self, cursor: Cursor) -> Counter[int]:
        """Return how many runs each log has."""
        cursor.execute(f"SELECT chain, count(*) FROM {SCHEMA}.run GROUP BY chain")
        number = {chain: at for at, chain in enumerate(self._chains)}
        return Counter({number[chain]: count for chain, count in cursor.fetchall() if chain in number})

    def with_asset(self, engine: duckdb.DuckDBPyConnection, asset: str) -> Iterable[tuple[int, int]]:
        """Return the runs with an asset."""
        query = f"SELECT DISTINCT chain, sequence FROM {SCHEMA}.run_asset WHERE asset = :asset"
        return self._numbered(query, {"asset": asset})

    def repaired(self) -> Iterable[tuple[int, int]]:
        """Return the runs that repairs refer to."""
        query = (
            f"SELECT r.chain, r.sequence FROM {SCHEMA}.statement AS s JOIN {SCHEMA}.run AS r ON r.run_id = s.subject "
            "WHERE s.kind = :kind"
        )
        return self._numbered(query, {"kind": REPAIR})

    def _numbered(self, query: str, values: Mapping[str, str]) -> list[tuple[int, int]]:
        """Return the runs that a question finds by chain and record, by the numbers of their logs."""
        number = {chain: at for at, chain in enumerate(self._chains)}
        with self._connection.begin():
            return [
                (number[chain], record) for chain, record in self._connection.execute(text(query), values)
            ]

    def statements(self, kinds: Sequence[str]) -> Iterable[Sequence[Statement]]:
        """Return the statements of all logs."""
        query = text(
            f"SELECT chain, sequence, record_hash, recorded, kind, subject, content FROM {SCHEMA}.statement "
            "WHERE kind = ANY(:kinds) ORDER BY chain, sequence"
        )
        with self._connection.begin():
            rows = self._connection.execute(query, {"kinds": list(kinds)}).all()
        return [
            [
                Statement(sequence, record_hash, recorded, kind, subject, json.loads(content))
                for _, sequence, record_hash, recorded, kind, subject, content in own
            ]
            for _, own in groupby(rows, key=lambda row: row[0])
        ]

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
            return RUN_FACTS["cause"] if ("run", "causes") in self._there else "NULL::text"
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
        self, engine: duckdb.DuckDBPyConnection, query: str, values: Sequence[str], times: Sequence[str] = ()
    ) -> Iterator[str]:
        with self._cursor() as cursor:
            cursor.execute(query, parameters=list(values) or None)
            with registered(engine, with_times(cursor.fetch_record_batch(), times)) as table:
                yield table

    @contextmanager
    def _cursor(self) -> Iterator[Cursor]:
        import adbc_driver_postgresql.dbapi as driver
        from adbc_driver_manager import Error

        try:
            with driver.connect(self._target.url) as connection, connection.cursor() as cursor:
                # To compile such questions takes longer than to answer them.
                cursor.execute("SET jit = off")
                yield cursor
        except Error as error:
            line = visible(" ".join(str(error).split()))[:300]
            raise ServerError(f"{self.name}: {line}") from error


def _split(table: str, names: Sequence[str]) -> str:
    """Return the text of a table: facts, out of the text that they stand in."""
    place = {name: number for number, name in enumerate(RUN_FACTS, 1)}
    nothing, separator = (f"chr({ord(mark)})" for mark in (NOTHING, SEPARATOR))
    facts = "".join(f', nullif(facts[{place[name]}], {nothing}) AS "{name}"' for name in names)
    split = f"SELECT record, log, string_split(facts, {separator}) AS facts FROM {table}"
    return f"(SELECT record, log{facts} FROM ({split}))"
