"""Runs as columns: those of logs, of exports as Parquet, or of the central server, for the very same questions.

=======================  =====================================================================
:class:`Place`           which logs, exports or server are meant
:func:`open_columns`     the picked runs of a place, as tables of a columnar engine
:class:`Columns`         those tables, to ask in SQL
=======================  =====================================================================

The engine is DuckDB, in memory; what does not fit goes to a folder among the system's temporary ones (``TMPDIR``). Its
table ``run`` has a row for each picked run (:data:`RUN_COLUMNS`), ``every_run`` also those that are not. Readings are
many: they are not kept but streamed through a question (:meth:`Columns.over_readings`), or kept where several are asked
(:meth:`Columns.keep_readings`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final

from linecheck.errors import RecordError, UsageError
from linecheck.files.durable import temporary_folder
from linecheck.files.text import visible
from linecheck.limits.model import SETUP_MARK
from linecheck.limits.verdict import RELEASING, Verdict
from linecheck.log.queries import RunFilter
from linecheck.run.model import HOLD
from linecheck.statistics.sources.base import READING_COLUMNS, RUN_COLUMNS, Only, Source

if TYPE_CHECKING:
    import duckdb
    from numpy.typing import NDArray

    from linecheck.limits.model import LimitFile
    from linecheck.log.stored import Statement

__all__ = ["READING_COLUMNS", "RUN_COLUMNS", "Columns", "Place", "open_columns"]

#: What the engine may take of the computer's memory; the rest goes beside it on disk.
MEMORY_LIMIT: Final = "512MB"
THREADS: Final = 2
_FOLDER_PREFIX: Final = "linecheck-statistics-"


@dataclass(frozen=True)
class Place:
    """Where runs are read: logs, folders of exports as Parquet, or a central server; one of the three.

    ``limits`` is a limit file whose masks are meant, in place of those that the newest run was judged by.
    """

    logs: tuple[str, ...] = ()
    parquet: tuple[str, ...] = ()
    server: str | None = None
    limits: str | None = None

    def sources(self) -> list[Source]:
        """Return what is read, one for each log.

        Raises
        ------
        UsageError
            None is named, or more than one sort of them.
        """
        if bool(self.logs) + bool(self.parquet) + (self.server is not None) != 1:
            raise UsageError("give --log, --parquet or --server, one of the three")
        if self.server is not None:
            from linecheck.statistics.sources.server import ServerSource

            return [ServerSource(self.server)]
        if self.parquet:
            from linecheck.statistics.sources.parquet import ParquetSource

            return [ParquetSource(folder) for folder in self.parquet]
        from linecheck.statistics.sources.log import LogSource

        return [LogSource(path) for path in self.logs]


@dataclass
class Columns:
    """The picked runs of a place, in the tables of a columnar engine.

    Attributes
    ----------
    place : Place
    wanted : RunFilter
        How the runs are picked.
    """

    place: Place
    wanted: RunFilter
    _engine: duckdb.DuckDBPyConnection = field(repr=False)
    _sources: Sequence[Source] = field(repr=False)

    @property
    def runs(self) -> int:
        """How many runs are picked."""
        return int(self.rows("SELECT count(*) FROM run")[0][0])

    @property
    def source(self) -> str:
        """Where they are, in words."""
        return ", ".join(visible(each.name) for each in self._sources)

    @property
    def picked(self) -> str:
        """What leaves the picked runs of a table with ``log`` and ``record``; nothing where all are picked."""
        return "SEMI JOIN run USING (log, record)" if self.has("run") else ""

    def rows(self, query: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a question."""
        with _engine_errors():
            return self._engine.execute(query, list(parameters)).fetchall()

    def arrays(self, query: str, parameters: Sequence[Any] = ()) -> dict[str, NDArray[Any]]:
        """Return the columns of a question's answer; what is NULL is masked, or NaN in a column of numbers."""
        with _engine_errors():
            found = self._engine.execute(query, list(parameters)).fetchnumpy()
        return {name: _filled(column) for name, column in found.items()}

    def run(self, command: str, parameters: Sequence[Any] = ()) -> None:
        """Run a command of the engine's, as one that lays a temporary table."""
        with _engine_errors():
            self._engine.execute(command, list(parameters))

    def has(self, table: str) -> bool:
        """Return whether a table was laid, and not a view."""
        return bool(self.rows("SELECT 1 FROM duckdb_tables() WHERE table_name = ?", [table]))

    def statements(self, kinds: Sequence[str]) -> list[Sequence[Statement]]:
        """Return the statements of some kinds, log by log."""
        return [own for source in self._sources for own in source.statements(kinds)]

    def lay_repaired(self) -> None:
        """Lay a table ``repaired``: the runs after which a repair of their unit was recorded."""
        self._lay_runs("repaired", self._by_log(source.repaired() for source in self._sources))

    def with_asset(self, asset: str) -> list[tuple[int, int]]:
        """Return log and record of all runs with an asset, also of those that are not picked."""
        return self._by_log(source.with_asset(self._engine, asset) for source in self._sources)

    def _by_log(self, found: Iterable[Iterable[tuple[int, int]]]) -> list[tuple[int, int]]:
        """Return what each source has found, with the numbers of logs over all sources."""
        return [
            (log if source.has_logs else number, record)
            for number, (source, runs) in enumerate(zip(self._sources, found, strict=True))
            for log, record in runs
        ]

    def _lay_runs(self, table: str, runs: Sequence[tuple[int, int]]) -> None:
        self.run(f"CREATE OR REPLACE TEMP TABLE {table} (log BIGINT, record BIGINT)")
        if runs:
            self._engine.executemany(f"INSERT INTO {table} VALUES (?, ?)", list(map(list, runs)))

    @contextmanager
    def over_readings(self, *names: str, only: Only | None = None, of_all: bool = False) -> Iterator[None]:
        """Give the next question, and that one alone, a table ``reading``, whose rows stream through it.

        Parameters
        ----------
        *names : str
            The columns that it asks for, of :data:`READING_COLUMNS`; ``log`` and ``record`` are always there.
        only : mapping of str to sequence of str, optional
            Rows with one of these values in a column: ``{"verdict": ["fail"]}``.
        of_all : bool
            Also those of runs that are not picked.

        Raises
        ------
        ValueError
            There is no such column.
        """
        with ExitStack() as streams, _engine_errors():
            parts = []
            for number, source in enumerate(self._sources):
                table = streams.enter_context(source.readings(self._engine, names, only or {}))
                log = "log" if source.has_logs else f"{number} AS log"
                columns = "".join(f", {_read_as(name, READING_COLUMNS[name])}" for name in names)
                parts.append(f"SELECT {log}, record{columns} FROM {table}")
            union = " UNION ALL ".join(parts)
            picked = "" if of_all else self.picked
            self._engine.execute(f"CREATE OR REPLACE TEMP VIEW reading AS SELECT * FROM ({union}) {picked}")
            streams.callback(self._engine.execute, "DROP VIEW IF EXISTS reading")
            yield

    def keep_readings(
        self, *names: str, only: Only | None = None, of_all: bool = False, table: str = "kept"
    ) -> None:
        """Keep readings of the picked runs in a table, for several questions.

        Parameters
        ----------
        *names, only, of_all
            As in :meth:`over_readings`.
        table : str
            Its name.
        """
        with self.over_readings(*names, only=only, of_all=of_all), _engine_errors():
            self._engine.execute(f'CREATE OR REPLACE TEMP TABLE "{table}" AS SELECT * FROM reading')

    @cached_property
    def limit_file(self) -> LimitFile | None:
        """The limit file whose masks are meant: the one that is named, or that of the newest picked run.

        None where neither is there, as in an export.
        """
        if self.place.limits is not None:
            from linecheck.limits.loading.load import load_limits

            return load_limits(self.place.limits)
        newest = self.rows("SELECT log, record FROM run ORDER BY recorded DESC, record DESC LIMIT 1")
        return self.limit_file_by(*newest[0]) if newest else None

    def limit_file_by(self, log: int, record: int) -> LimitFile | None:
        """Return the limit file that a run was judged by; None where none is kept."""
        source = self._sources[0] if self._sources[0].has_logs else self._sources[log]
        return source.limit_file(log, record)


def _filled(column: NDArray[Any]) -> NDArray[Any]:
    import numpy as np

    if isinstance(column, np.ma.MaskedArray) and np.issubdtype(column.dtype, np.floating):
        return column.filled(np.nan)
    return column


@contextmanager
def open_columns(
    place: Place, wanted: RunFilter, *, columns: Sequence[str] | None = None
) -> Iterator[Columns]:
    """Open the picked runs of a place.

    Parameters
    ----------
    place : Place
    wanted : RunFilter
        Picks runs as in a list of the log; ``purpose`` None stands for all.
    columns : sequence of str, optional
        Those of :data:`RUN_COLUMNS` that are asked for, where that is known: fewer are read faster.

    Raises
    ------
    FileError, RecordError, ServerError, UsageError
        A source cannot be read; a library is missing.
    """
    try:
        import duckdb
        import pyarrow  # noqa: F401 - what streams are made of
    except ImportError as error:
        raise UsageError(
            "statistics need the extra of that name: pip install 'linecheck[statistics]'"
        ) from error
    config: dict[str, str | bool | int | float | list[str]] = {
        "memory_limit": MEMORY_LIMIT,
        "threads": THREADS,
        "TimeZone": "UTC",
        # Nothing is fetched from anywhere.
        "autoinstall_known_extensions": False,
    }
    with ExitStack() as opened:
        sources = [opened.enter_context(source) for source in place.sources()]
        config["temp_directory"] = str(opened.enter_context(temporary_folder(_FOLDER_PREFIX)))
        _refuse_same(sources)
        engine = opened.enter_context(duckdb.connect(config=config))
        found = Columns(place, wanted, engine, sources)
        _load_runs(found, _asked(wanted, columns))
        yield found


def _refuse_same(sources: Sequence[Source]) -> None:
    """Refuse a log that is given twice: its units would count twice."""
    if len(sources) < 2:
        return
    known: dict[str, Source] = {}
    for source in sources:
        with _engine_errors():
            first = source.first_run()
        if first is not None and first in known:
            both = f"{visible(known[first].name)} and {visible(source.name)}"
            raise UsageError(f"{both} are one log, or a copy of it: give one of them")
        if first is not None:
            known[first] = source


def _asked(wanted: RunFilter, columns: Sequence[str] | None) -> list[str]:
    """Return the columns that are read of the runs."""
    if columns is None:
        return list(RUN_COLUMNS)
    filtered = {"purpose", "verdict", "released", *wanted.facts}
    filtered |= {"recorded"} if wanted.since or wanted.until else set()
    filtered |= {name for name in ("serial", "model", "cause") if getattr(wanted, name) is not None}
    filtered |= {"attempt", "serial", "model"} if wanted.attempt else set()
    return [name for name in RUN_COLUMNS if name in filtered or name in columns]


def _load_runs(columns: Columns, names: Sequence[str]) -> None:
    engine, sources, wanted = columns._engine, columns._sources, columns.wanted
    parts = []
    with ExitStack() as streams, _engine_errors():
        for number, source in enumerate(sources):
            table = streams.enter_context(source.runs(engine, names, wanted))
            log = "log" if source.has_logs else f"{number} AS log"
            read = ", ".join(_read_as(name, RUN_COLUMNS[name]) for name in names)
            parts.append(f"SELECT {log}, record, {read} FROM {table}")
        held = f"(released = 'false' AND verdict IN ({_quoted(RELEASING)}))"
        state = f"CASE WHEN {held} THEN '{HOLD}' ELSE verdict END AS state"
        engine.execute(f"CREATE TEMP TABLE every_run AS SELECT *, {state} FROM ({' UNION ALL '.join(parts)})")
    _pick(columns)


def _read_as(name: str, kind: str) -> str:
    """Return how a column is read from a source, whose times are texts and whose flags are numbers."""
    types = {
        "time": "TIMESTAMPTZ",
        "boolean": "BOOLEAN",
        "real": "DOUBLE",
        "integer": "BIGINT",
        "text": "VARCHAR",
    }
    return f'CAST("{name}" AS {types[kind]}) AS "{name}"'


def _pick(columns: Columns) -> None:
    """Leave the runs that are meant."""
    wanted = columns.wanted
    conditions: list[tuple[str, list[Any]]] = []
    for name in ("serial", "model", "cause", "purpose"):
        value = getattr(wanted, name)
        if value is not None:
            conditions.append((f"{name} = ?", [value]))
    conditions += [(f'"{name}" = ?', [value]) for name, value in wanted.facts.items()]
    if wanted.verdicts:
        conditions.append(
            (f"state IN ({', '.join('?' * len(wanted.verdicts))})", list(map(str, wanted.verdicts)))
        )
    if wanted.since is not None:
        conditions.append(("recorded >= CAST(? AS TIMESTAMPTZ)", [wanted.since]))
    if wanted.until is not None:
        conditions.append(("recorded < CAST(? AS TIMESTAMPTZ)", [wanted.until]))
    if wanted.attempt is not None:
        # A unit may be in a gauge study before it is tested, and after.
        columns_of_unit = ("log", "serial", "model", "purpose")
        unit = " AND ".join(f"other.{name} = run.{name}" for name in columns_of_unit)
        side = "<" if wanted.attempt == "first" else ">"
        conditions.append(
            (f"NOT EXISTS (FROM every_run AS other WHERE {unit} AND other.attempt {side} run.attempt)", [])
        )
    if wanted.asset is not None:
        columns._lay_runs("with_asset", columns.with_asset(wanted.asset))
        conditions.append(
            ("EXISTS (FROM with_asset AS a WHERE a.log = run.log AND a.record = run.record)", [])
        )
    if not conditions and not wanted.failed:
        columns.run("CREATE TEMP VIEW run AS FROM every_run")
    else:
        text = " AND ".join(["true", *(condition for condition, _ in conditions)])
        values = [value for _, given in conditions for value in given]
        columns.run(f"CREATE TEMP TABLE run AS SELECT * FROM every_run AS run WHERE {text}", values)
    for name in wanted.failed:
        _pick_failed(columns, name)


def _pick_failed(columns: Columns, name: str) -> None:
    """Leave the runs in which a check, or a metric of one, failed; a check's name stands for it under each setup."""
    check, _, metric = name.rpartition(".")
    is_check = f'("check" = ? OR starts_with("check", ? || \'{SETUP_MARK}\'))'
    with columns.over_readings("check", "metric", only={"verdict": [Verdict.FAIL.value]}), _engine_errors():
        columns._engine.execute(
            "CREATE OR REPLACE TEMP TABLE run AS SELECT * FROM run SEMI JOIN ("
            f"SELECT log, record FROM reading WHERE {is_check} OR ({is_check} AND metric = ?)) USING (log, record)",
            [name, name, check, check, metric],
        )


def _quoted(values: Sequence[Verdict]) -> str:
    return ", ".join(f"'{value.value}'" for value in values)


@contextmanager
def _engine_errors() -> Iterator[None]:
    """Turn the engine's errors into messages.

    Raises
    ------
    RecordError
    """
    import duckdb

    try:
        yield
    except duckdb.OutOfMemoryException as error:
        raise RecordError(
            f"there is too little memory, or room on the disk, for so many runs: {_line(error)}"
        ) from error
    except duckdb.Error as error:
        raise RecordError(f"the runs cannot be read: {_line(error)}") from error


def _line(error: Exception) -> str:
    # After its first words it shows the question, which is no user's.
    return visible(re.sub(r"\s+", " ", re.split(r"\n\s*\n|LINE \d+:", str(error))[0])).strip()[:300]
