"""Rows of many runs at once, as arrays."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Problem
from linecheck.records.rejudge.select import Reader, level_of_initial
from linecheck.records.settle import NOT_RUN

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

#: A row's check position, metric and channel, as they are stored.
RowKey = tuple[int, bytes, bytes | None]

_READINGS = """
SELECT sequence, check_position, metric, channel, value, uncertainty, {is_bound}, coalesce(unicode(verdict), 0)
FROM reading WHERE {span} ORDER BY sequence, check_position, position
"""


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


class Keys(dict[RowKey, int]):
    """Numbers for what rows are of, given as they come."""

    def __missing__(self, key: RowKey) -> int:
        """Give the next number."""
        self[key] = len(self)
        return self[key]


def read_readings(reader: Reader, span: Span, keys: Keys, *, tells_bounds: bool) -> Readings:
    """Read all readings of a span; new keys are numbered."""
    condition, parameters = span.asked()
    is_bound = "coalesce(is_bound, 0)" if tells_bounds else "0"
    rows = reader.rows(_READINGS.format(is_bound=is_bound, span=condition), parameters).fetchall()
    if not rows:
        nothing = np.empty(0)
        return Readings(
            np.empty(0, np.intp),
            np.empty(0, np.intp),
            nothing,
            nothing,
            np.empty(0, bool),
            np.empty(0, np.int8),
        )
    sequence, position, metric, channel, value, uncertainty, bound, verdict = zip(*rows, strict=True)
    found = Readings(
        span.runs(sequence),
        np.fromiter(map(keys.__getitem__, zip(position, metric, channel, strict=True)), np.intp, len(rows)),
        np.array(value, dtype=np.float64),
        np.array(uncertainty, dtype=np.float64),
        np.array(bound, dtype=bool),
        level_of_initial(verdict),
    )
    if span.dense and not bool(np.all(found.run >= 0)):
        wanted = found.run >= 0
        return Readings(*(getattr(found, name)[wanted] for name in Readings.__dataclass_fields__))
    return found


def read_checks(reader: Reader, span: Span) -> list[tuple[str, ...]]:
    """Return the names of each run's checks, by position.

    Raises
    ------
    ValueError
        The positions of a run's checks are not 0, 1, 2, …
    """
    condition, parameters = span.asked()
    query = f"SELECT sequence, position, name FROM run_check WHERE {condition} ORDER BY sequence, position"
    names: list[list[bytes]] = [[] for _ in span.sequences]
    rows = reader.rows(query, parameters).fetchall()
    for run, (_, position, name) in zip(span.runs([row[0] for row in rows]).tolist(), rows, strict=True):
        if run >= 0:
            if position != len(names[run]):
                raise ValueError("the checks of a run are not numbered one after the other")
            names[run].append(name)
    known: dict[tuple[bytes, ...], tuple[str, ...]] = {}
    for run_names in names:
        key = tuple(run_names)
        if key not in known:
            known[key] = tuple(map(Reader.text, key))
    return [known[tuple(run_names)] for run_names in names]


@dataclass(frozen=True)
class RunProblems:
    """What blocks a run: problems of the run as a whole, those of each check, and checks that were not run."""

    whole: bool
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
    found: dict[int, tuple[list[bool], dict[str, list[Problem]], list[str]]] = {}
    for run, (_, check, channel, code) in zip(
        span.runs([row[0] for row in rows]).tolist(), rows, strict=True
    ):
        if run < 0:
            continue
        whole, by_check, not_run = found.setdefault(run, ([], {}, []))
        if check is None:
            whole.append(True)
        elif reader.text(code) == NOT_RUN:
            not_run.append(reader.text(check))
        else:
            named = None if channel is None else reader.text(channel)
            by_check.setdefault(reader.text(check), []).append(Problem(reader.text(code), "", named))
    return {
        run: RunProblems(bool(whole), by_check, tuple(not_run))
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
