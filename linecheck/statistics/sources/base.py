"""What every source of runs does."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, ClassVar, Final, Literal, Self

from linecheck.limits.verdict import Verdict
from linecheck.run.facts import FACTS

if TYPE_CHECKING:
    import duckdb

    from linecheck.limits.model import LimitFile
    from linecheck.log.queries import RunFilter
    from linecheck.log.stored import Statement

Kind = Literal["text", "integer", "real", "boolean", "time"]
#: Which values columns may have.
Only = Mapping[str, Sequence[str]]

#: Facts by which runs are picked, or counted.
_OF_RUN: Final = (*(fact.name for fact in FACTS if fact.picked_by), "reason")
#: The columns of a run, beside ``log`` (which log it is in) and ``record`` (its number there).
RUN_COLUMNS: Final[Mapping[str, Kind]] = {
    "run_id": "text",
    "serial": "text",
    "model": "text",
    "attempt": "integer",
    "purpose": "text",
    "verdict": "text",
    "released": "text",
    "recorded": "time",
    "started": "time",
    "finished": "time",
    "duration_seconds": "real",
    **dict.fromkeys(_OF_RUN, "text"),
    "limit_revision": "integer",
    "limit_sha256": "text",
    "station_config_sha256": "text",
    "cause": "text",
}
#: The columns of a reading; a curve that was judged is one as well, with its worst point's value.
READING_COLUMNS: Final[Mapping[str, Kind]] = {
    "check": "text",
    "metric": "text",
    "channel": "text",
    "value": "real",
    "unit": "text",
    "uncertainty": "real",
    "is_bound": "boolean",
    "verdict": "text",
    "margin": "real",
    "pass_limit": "real",
    "fail_limit": "real",
    "side": "text",
    "is_curve": "boolean",
}


class Source(ABC):
    """A source of runs; a context that closes it.

    What it gives is the text of a table for a question of the engine, in which times are texts, and flags 0 or 1; the
    context that gives it ends once the question is answered, and the table can be read once.

    Attributes
    ----------
    name : str
        Where it is, as people name it.
    has_logs : bool
        Whether it holds several logs: its rows then have a column ``log``.
    """

    name: str
    has_logs: ClassVar[bool] = False

    def __enter__(self) -> Self:
        """Return it."""
        return self

    def __exit__(self, *_: object) -> None:  # noqa: B027 - not all hold something
        """Let go of it."""

    @abstractmethod
    def runs(
        self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], wanted: RunFilter
    ) -> AbstractContextManager[str]:
        """Give runs, with ``record`` and these columns: at least those that are meant."""

    @abstractmethod
    def readings(
        self, engine: duckdb.DuckDBPyConnection, names: Sequence[str], only: Only
    ) -> AbstractContextManager[str]:
        """Give readings and judged curves, with ``record`` and these columns, of any runs.

        ``only`` says which values a column may have.
        """

    @abstractmethod
    def with_asset(self, engine: duckdb.DuckDBPyConnection, asset: str) -> Iterable[tuple[int, int]]:
        """Return log and record of the runs with an asset."""

    def first_run(self) -> str | None:
        """Return the id of its first run, by which it is known; None where there is none, or several logs are."""
        return None

    def repaired(self) -> Iterable[tuple[int, int]]:
        """Return log and record of the runs after which a repair was recorded; none where statements are not kept."""
        return ()

    def statements(self, kinds: Sequence[str]) -> Iterable[Sequence[Statement]]:
        """Return the statements of some kinds, log by log; none where statements are not kept."""
        return ()

    @abstractmethod
    def limit_file(self, log: int, record: int) -> LimitFile | None:
        """Return the limit file that a run was judged by; None where it is not kept here."""


def literal(text: str) -> str:
    """Return a text as the engine reads it in a question."""
    return "'" + text.replace("'", "''") + "'"


def reading_query(
    names: Sequence[str], only: Only, tables: Mapping[str, str], keys: Sequence[str], mark: str
) -> tuple[str, list[str]]:
    """Return the question for readings that the log and the server understand alike, and its values.

    Parameters
    ----------
    names, only
        As :meth:`Source.readings` has them.
    tables : mapping of str to str
        What ``reading``, ``curve``, ``packed_curve`` and ``run_check`` are called there.
    keys : sequence of str
        The columns that say of which run a row is; they come first.
    mark : str
        What stands for a value, with ``{}`` for its number from 1.
    """
    values: list[str] = []
    parts = []
    for table in ("reading", "packed_curve", "curve"):
        conditions = [
            _is_among(_stored(column, table), allowed, values, mark) for column, allowed in only.items()
        ]
        conditions += [] if table == "reading" else ["t.verdict IS NOT NULL"]
        columns = [*(f"t.{key}" for key in keys), *(f'{_stored(name, table)} AS "{name}"' for name in names)]
        source = f"{tables[table]} AS t"
        if "check" in (*names, *only):
            on = " AND ".join(f"c.{key} = t.{key}" for key in keys)
            source += f" JOIN {tables['run_check']} AS c ON {on} AND c.position = t.check_position"
        where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
        parts.append(f"SELECT {', '.join(columns)} FROM {source}{where}")
    return " UNION ALL ".join(parts), values


def _is_among(column: str, allowed: Sequence[str], values: list[str], mark: str) -> str:
    """Return the condition that a column has one of some values; add those that are bound."""
    if set(allowed) <= set(Verdict):
        # In the words of the index of fails: of a value that is bound it is not known which rows it picks.
        texts = [f"{column} = '{value}'" for value in allowed]
        return f"({' OR '.join(texts)})"
    marks = []
    for value in allowed:
        values.append(value)
        marks.append(mark.format(len(values)))
    return f"{column} IN ({', '.join(marks)})"


def _stored(name: str, table: str) -> str:
    """Return where a column of a reading stands in a table of the log."""
    if name == "check":
        return "c.name"
    if name == "is_curve":
        return "0" if table == "reading" else "1"
    if table != "reading":
        own = {"value": "t.worst_y", "uncertainty": "CAST(NULL AS REAL)", "is_bound": "CAST(NULL AS INTEGER)"}
        return own.get(name, f"t.{name}")
    return f"t.{name}"
