"""What ``linecheck log export`` has written as Parquet: a folder of one log, with its tables by name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from linecheck.errors import FileError
from linecheck.files.text import visible
from linecheck.statistics.sources.base import Only, Source, literal

if TYPE_CHECKING:
    import duckdb

    from linecheck.limits.model import LimitFile
    from linecheck.log.queries import RunFilter

#: What every export of runs has.
_NEEDED: Final = ("record", "serial", "model", "verdict", "recorded")
#: What an export calls a column otherwise.
_NAMES: Final = {"run_id": "run"}
_CAUSE: Final = "CASE WHEN json_valid(causes) THEN json_extract_string(causes, '$.ranked[0].codes[0]') END"


class ParquetSource(Source):
    """A folder with ``runs.parquet`` and, for more than yield, ``readings.parquet`` and ``curves.parquet``.

    A table may be in several files, whose names begin with its own.

    Raises
    ------
    FileError
        There are no runs in it.
    """

    def __init__(self, folder: str) -> None:
        self._folder = Path(folder)
        self.name = folder
        self._files("runs")

    def _files(self, table: str) -> list[str]:
        found = sorted(str(path) for path in self._folder.glob(f"{table}*.parquet"))
        if not found and table != "curves":
            raise FileError(
                visible(str(self._folder)),
                f"has no {table}.parquet, which `linecheck log export --what {table} --to FILE` writes",
            )
        return found

    @contextmanager
    def runs(
        self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], wanted: RunFilter
    ) -> Iterator[str]:
        """Give its runs."""
        files = self._files("runs")
        there = self._columns(engine, files)
        if missing := [name for name in _NEEDED if name not in there]:
            raise FileError(
                visible(str(self._folder)),
                f"runs.parquet is no export of runs: it has no column {missing[0]}",
            )
        columns = ", ".join(f'{_stored(name, there)} AS "{name}"' for name in names)
        yield f"(SELECT record, {columns} FROM {_read(files)})"

    @contextmanager
    def readings(self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], only: Only) -> Iterator[str]:
        """Give its readings, and its judged curves where they were exported."""
        where = "".join(
            f' AND CAST("{name}" AS VARCHAR) IN ({_texts(values)})' for name, values in only.items()
        )
        own = {"is_curve": "0"}
        parts = [f"SELECT {_columns_of(names, own)} FROM {_read(self._files('readings'))} WHERE true{where}"]
        if curves := self._files("curves"):
            own = {"is_curve": "1", "value": "worst_y", "uncertainty": "NULL", "is_bound": "NULL"}
            rows = f"(SELECT * FROM {_read(curves)} WHERE verdict IS NOT NULL)"
            parts.append(f"SELECT {_columns_of(names, own)} FROM {rows} WHERE true{where}")
        yield f"({' UNION ALL '.join(parts)})"

    def with_asset(self, engine: duckdb.DuckDBPyConnection, asset: str) -> Iterable[tuple[int, int]]:
        """Return the runs with an asset."""
        query = f"SELECT DISTINCT record FROM {_read(self._files('assets'))} WHERE asset = ?"
        return [(0, record) for (record,) in engine.execute(query, [asset]).fetchall()]

    def first_run(self) -> str | None:
        """Return the id of its first run, where the export has ids."""
        import duckdb

        with duckdb.connect() as engine:
            files = self._files("runs")
            if "run" not in self._columns(engine, files):
                return None
            found = engine.execute(f"SELECT arg_min(run, record) FROM {_read(files)}").fetchone()
        return None if found is None else found[0]

    def limit_file(self, log: int, record: int) -> LimitFile | None:
        """Return None: an export has no limit files."""

    @staticmethod
    def _columns(engine: duckdb.DuckDBPyConnection, files: Sequence[str]) -> set[str]:
        return {row[0] for row in engine.execute(f"DESCRIBE SELECT * FROM {_read(files)}").fetchall()}


def _columns_of(names: Sequence[str], own: dict[str, str]) -> str:
    return ", ".join(
        ["record", *(f'{own[name]} AS "{name}"' if name in own else f'"{name}"' for name in names)]
    )


def _stored(name: str, there: set[str]) -> str:
    if name == "cause":
        return _CAUSE if "causes" in there else "NULL"
    column = _NAMES.get(name, name)
    if column not in there:
        return "NULL"
    return f'lower(CAST("{column}" AS VARCHAR))' if name == "released" else f'"{column}"'


def _read(files: Sequence[str]) -> str:
    return f"read_parquet([{_texts(files)}], union_by_name = true)"


def _texts(values: Sequence[str]) -> str:
    return ", ".join(map(literal, values))
