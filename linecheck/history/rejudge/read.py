"""Rows of many runs at once, as arrays."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Problem
from linecheck.history.rejudge.select import Reader, level_of_initial
from linecheck.run.settle import NOT_RUN

__all__ = [
    "CurveRow",
    "Readings",
    "RunProblems",
    "Span",
    "read_checks",
    "read_curves",
    "read_problems",
    "read_readings",
]

Known = TypeVar("Known")

#: A row's check position, metric and channel, as they are stored.
RowKey = tuple[int, bytes, bytes | None]

#: Between the parts of what one row is, and between rows.
_PART, _ROW = "\x1f", "\x1e"
#: What all rows of a run are, in one text each: most runs have the same, which is then looked at once.
_WHAT = f"""
SELECT sequence, count(*),
    group_concat(
        check_position || '{_PART}' || position || '{_PART}' || metric || coalesce('{_PART}' || channel, ''), '{_ROW}'
    ),
    group_concat(coalesce(verdict, '-') || {{bound}}, ' ')
FROM reading WHERE {{span}} GROUP BY sequence ORDER BY sequence
"""
_BOUND = "CASE WHEN is_bound THEN '+' ELSE '' END"
#: The values alone, in the same order; one that is missing is infinite here, which no stored value is.
_VALUES = "SELECT {columns} FROM reading WHERE {span} ORDER BY sequence, check_position, position"
#: So many texts are remembered.
_MAX_TEXTS = 10_000


class Span:
    """Some runs by their numbers, ascending, and how rows of them are asked for."""

    def __init__(self, sequences: NDArray[np.int64]) -> None:
        self.sequences = sequences
        first, last = int(sequences[0]), int(sequences[-1])
        # Rows that are not wanted cost less than numbers that are looked up one by one, if they are few.
        self.dense = last - first + 1 <= 1.2 * len(sequences) + 1
        self._parameters: tuple[object, ...] = (first, last)
        if not self.dense:
            self._parameters = (json.dumps(sequences.tolist()),)

    def asked(self) -> tuple[str, tuple[object, ...]]:
        """Return the condition and its parameters."""
        if self.dense:
            return "sequence BETWEEN ? AND ?", self._parameters
        return "sequence IN (SELECT value FROM json_each(?))", self._parameters

    def runs(self, sequences: Sequence[int]) -> NDArray[np.intp]:
        """Return to which of the runs rows belong, by their numbers; -1 for those of other runs."""
        wanted = np.array(sequences, dtype=np.int64)
        place = np.minimum(np.searchsorted(self.sequences, wanted), len(self.sequences) - 1)
        return np.where(self.sequences[place] == wanted, place, -1)


@dataclass(frozen=True)
class Readings:
    """The readings of a span; arrays of shape (rows,).

    ``run`` is the index of the run, ``key`` that of check position, metric and channel; a value or uncertainty that is
    not there is NaN; ``before`` is the level of the stored verdict.
    """

    run: NDArray[np.intp]
    key: NDArray[np.intp]
    value: NDArray[np.float64]
    uncertainty: NDArray[np.float64]
    is_bound: NDArray[np.bool_]
    before: NDArray[np.int8]


class Keys:
    """Numbers for what rows are of, given as they come."""

    def __init__(self) -> None:
        self.known: dict[RowKey, int] = {}
        self._rows: dict[bytes, NDArray[np.intp]] = {}
        self._verdicts: dict[bytes, tuple[NDArray[np.int8], NDArray[np.bool_]]] = {}

    def of_rows(self, text: bytes) -> NDArray[np.intp]:
        """Return the keys of all rows of a run.

        Raises
        ------
        ValueError
            They are not in the order in which their values are read.
        """
        found = self._rows.get(text)
        if found is None:
            parts = [row.split(_PART.encode()) for row in text.split(_ROW.encode())]
            places = [(int(part[0]), int(part[1])) for part in parts]
            if places != sorted(places) or any(len(part) not in (3, 4) for part in parts):
                raise ValueError("the readings of a run are not in order")
            keys = [(int(part[0]), part[2], part[3] if len(part) == 4 else None) for part in parts]
            numbers = [self.known.setdefault(key, len(self.known)) for key in keys]
            found = _remember(self._rows, text, np.array(numbers, dtype=np.intp))
        return found

    def of_verdicts(self, text: bytes) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
        """Return the levels of the stored verdicts of a run, and which of its values are bounds."""
        found = self._verdicts.get(text)
        if found is None:
            words = text.split(b" ")
            levels = level_of_initial([0 if word[:1] == b"-" else word[0] for word in words])
            bounds = np.array([word.endswith(b"+") for word in words], dtype=bool)
            found = _remember(self._verdicts, text, (levels, bounds))
        return found


def _remember(known: dict[bytes, Known], text: bytes, value: Known) -> Known:
    if len(known) >= _MAX_TEXTS:
        known.clear()
    known[text] = value
    return value


def read_readings(reader: Reader, span: Span, keys: Keys, *, tells_bounds: bool, guarded: bool) -> Readings:
    """Read all readings of a span; new keys are numbered.

    Parameters
    ----------
    reader : Reader
    span : Span
    keys : Keys
    tells_bounds : bool
        Whether the log says which values are bounds.
    guarded : bool
        Whether uncertainties are needed; NaN, if they are not.

    Raises
    ------
    ValueError
        What is stored is in no order.
    """
    condition, parameters = span.asked()
    what = _WHAT.format(bound=_BOUND if tells_bounds else "''", span=condition)
    runs = reader.rows(what, parameters).fetchall()
    columns = "coalesce(value, 9e999)" + ", coalesce(uncertainty, 9e999)" * guarded
    rows = reader.rows(_VALUES.format(columns=columns, span=condition), parameters).fetchall()
    width = 2 if guarded else 1
    values = np.fromiter(chain.from_iterable(rows), np.float64, width * len(rows)).reshape(-1, width)
    values[np.isinf(values)] = np.nan
    run = np.repeat(span.runs([row[0] for row in runs]), [row[1] for row in runs])
    verdicts = [keys.of_verdicts(row[3]) for row in runs]
    found = Readings(
        run.astype(np.intp),
        np.concatenate([np.empty(0, np.intp), *(keys.of_rows(row[2]) for row in runs)]),
        values[:, 0],
        values[:, 1] if guarded else np.full(len(values), np.nan),
        np.concatenate([np.empty(0, bool), *(bounds for _, bounds in verdicts)]),
        np.concatenate([np.empty(0, np.int8), *(levels for levels, _ in verdicts)]),
    )
    if len({len(getattr(found, name)) for name in Readings.__dataclass_fields__}) != 1:
        raise ValueError("the readings of a run cannot be told apart")
    if bool(np.all(found.run >= 0)):
        return found
    wanted = found.run >= 0
    return Readings(*(getattr(found, name)[wanted] for name in Readings.__dataclass_fields__))


def read_checks(reader: Reader, span: Span) -> list[tuple[str, ...]]:
    """Return the names of each run's checks, by position.

    Raises
    ------
    ValueError
        The positions of a run's checks are not 0, 1, 2, …
    """
    condition, parameters = span.asked()
    query = (
        f"SELECT sequence, group_concat(position || '{_PART}' || name, '{_ROW}') "
        f"FROM run_check WHERE {condition} GROUP BY sequence ORDER BY sequence"
    )
    rows = reader.rows(query, parameters).fetchall()
    known = {text: _check_names(text) for text in {row[1] for row in rows}}
    names: list[tuple[str, ...]] = [() for _ in span.sequences]
    for run, (_, text) in zip(span.runs([row[0] for row in rows]).tolist(), rows, strict=True):
        if run >= 0:
            names[run] = known[text]
    return names


def _check_names(text: bytes) -> tuple[str, ...]:
    parts = [row.split(_PART.encode()) for row in text.split(_ROW.encode())]
    if [(str(at).encode(), 2) for at in range(len(parts))] != [(part[0], len(part)) for part in parts]:
        raise ValueError("the checks of a run are not numbered one after the other")
    return tuple(Reader.text(part[1]) for part in parts)


@dataclass(frozen=True)
class RunProblems:
    """What blocks a run: problems of the run as a whole, those of each check, and checks that were not run."""

    whole: Sequence[Problem]
    by_check: Mapping[str, Sequence[Problem]]
    not_run: tuple[str, ...]


def read_problems(reader: Reader, span: Span) -> dict[int, RunProblems]:
    """Return what blocks runs, by their index; only of those of which something does."""
    condition, parameters = span.asked()
    query = (
        "SELECT sequence, check_name, channel, code FROM problem "
        f"WHERE {condition} AND (blocks OR code = ?) ORDER BY sequence, position"
    )
    rows = reader.rows(query, (*parameters, NOT_RUN)).fetchall()
    found: dict[int, tuple[list[Problem], dict[str, list[Problem]], list[str]]] = {}
    for run, (_, check, channel, code) in zip(
        span.runs([row[0] for row in rows]).tolist(), rows, strict=True
    ):
        if run < 0:
            continue
        whole, by_check, not_run = found.setdefault(run, ([], {}, []))
        problem = Problem(reader.text(code), "", None if channel is None else reader.text(channel))
        if check is None:
            whole.append(problem)
        elif problem.code == NOT_RUN:
            not_run.append(reader.text(check))
        else:
            by_check.setdefault(reader.text(check), []).append(problem)
    return {
        run: RunProblems(tuple(whole), by_check, tuple(not_run))
        for run, (whole, by_check, not_run) in found.items()
    }


@dataclass(frozen=True)
class CurveRow:
    """A curve as it is stored; its points are bytes still."""

    run: int
    check_position: int
    position: int
    metric: bytes
    channel: bytes | None
    before: int
    resolution_hz: float | None
    x: bytes
    y: bytes
    uncertainty: bytes | None

    @property
    def key(self) -> RowKey:
        """What it is of."""
        return self.check_position, self.metric, self.channel


def read_curves(reader: Reader, span: Span, metrics: Sequence[str], *, guarded: bool) -> Iterator[CurveRow]:
    """Yield the curves of these metrics; their uncertainty only where it is needed."""
    condition, parameters = span.asked()
    uncertainty = "uncertainty" if guarded else "NULL"
    query = (
        "SELECT sequence, check_position, position, metric, channel, coalesce(unicode(verdict), 0), resolution_hz, "
        f"x, y, {uncertainty} FROM curve WHERE {condition} AND metric IN (SELECT value FROM json_each(?)) "
        "ORDER BY sequence, check_position, position"
    )
    for sequence, *row in reader.rows(query, (*parameters, json.dumps(list(metrics)))):
        run = int(span.runs([sequence])[0])
        if run >= 0:
            check, position, metric, channel, verdict, *rest = row
            before = int(level_of_initial([verdict])[0])
            yield CurveRow(run, check, position, metric, channel, before, *rest)
