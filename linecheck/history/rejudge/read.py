"""Rows of many runs at once, as arrays."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Problem
from linecheck.history.rejudge.layouts import PART, ROW, Layouts
from linecheck.history.rejudge.select import LEVEL_OF_INITIAL, Reader
from linecheck.log.curves import curves_query
from linecheck.run.settle import NOT_RUN

#: Readings and curves of a span with what they come to: index of the run, item, level of the stored verdict and of the
#: new one; a value or uncertainty that is not there is NaN. ``check`` is the position of a curve's check, ``place``
#: that of the curve in it; -1 for readings.
ROWS: Final = np.dtype(
    [
        ("run", np.intp),
        ("item", np.intp),
        ("before", np.int8),
        ("level", np.int8),
        ("value", np.float64),
        ("uncertainty", np.float64),
        ("is_bound", np.bool_),
        ("check", np.intp),
        ("place", np.intp),
    ]
)

_CURVE: Final = (
    "sequence", "check_position", "position", "metric", "channel", "verdict", "resolution_hz",
)  # fmt: skip
_POINTS: Final = ("x", "y", "uncertainty")
_PART, _ROW = PART.decode(), ROW.decode()
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


class Span:
    """Some runs by their numbers, ascending, and how rows of them are asked for."""

    condition: Final = "sequence IN (SELECT value FROM json_each(?))"

    def __init__(self, sequences: NDArray[np.int64]) -> None:
        self.sequences = sequences
        self.parameter = json.dumps(sequences.tolist())

    def runs(self, sequences: Sequence[int]) -> NDArray[np.intp]:
        """Return to which of the runs rows belong, by their numbers."""
        return np.searchsorted(self.sequences, np.array(sequences, dtype=np.int64))


def read_readings(
    reader: Reader, span: Span, layouts: Layouts, layout: NDArray[np.intp], *, guarded: bool
) -> NDArray[Any]:
    """Read all readings of a span, as :data:`ROWS`; new items are numbered.

    Parameters
    ----------
    reader : Reader
    span : Span
    layouts : Layouts
    layout : int array, shape (runs,)
        The number of each run's layout.
    guarded : bool
        Whether uncertainties are needed; NaN, if they are not.

    Raises
    ------
    ValueError
        What is stored is in no order.
    """
    bound = _BOUND if reader.has("reading", "is_bound") else "''"
    runs = reader.rows(_WHAT.format(bound=bound, span=span.condition), (span.parameter,)).fetchall()
    columns = "coalesce(value, 9e999)" + ", coalesce(uncertainty, 9e999)" * guarded
    rows = reader.rows(_VALUES.format(columns=columns, span=span.condition), (span.parameter,)).fetchall()
    width = 2 if guarded else 1
    values = np.fromiter(chain.from_iterable(rows), np.float64, width * len(rows)).reshape(-1, width)
    values[np.isinf(values)] = np.nan
    index = span.runs([row[0] for row in runs])
    verdicts = [_verdicts(row[3]) for row in runs]
    found = np.empty(len(values), ROWS)
    found["value"] = values[:, 0]
    found["uncertainty"] = values[:, 1] if guarded else np.nan
    found["check"] = found["place"] = -1
    items = [
        layouts.items_of(layouts[int(layout[at])], row[2])
        for at, row in zip(index.tolist(), runs, strict=True)
    ]
    for name, column in (
        ("run", np.repeat(index, [row[1] for row in runs])),
        ("item", np.concatenate([np.empty(0, np.intp), *items])),
        ("before", np.concatenate([np.empty(0, np.int8), *(levels for levels, _ in verdicts)])),
        ("is_bound", np.concatenate([np.empty(0, np.bool_), *(bounds for _, bounds in verdicts)])),
    ):
        if len(column) != len(values):
            raise ValueError("the readings of a run cannot be told apart")
        found[name] = column
    return found


@lru_cache(maxsize=10_000)
def _verdicts(text: bytes) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """Return the levels of the stored verdicts of a run, and which of its values are bounds."""
    words = text.split(b" ")
    levels = [LEVEL_OF_INITIAL[0 if word[:1] == b"-" else word[0]] for word in words]
    return np.array(levels, np.int8), np.array([word.endswith(b"+") for word in words], np.bool_)


def read_checks(reader: Reader, span: Span) -> list[tuple[str, ...]]:
    """Return the names of each run's checks, by position.

    Raises
    ------
    ValueError
        The positions of a run's checks are not 0, 1, 2, …
    """
    query = (
        f"SELECT sequence, group_concat(position || '{_PART}' || name, '{_ROW}') "
        f"FROM run_check WHERE {span.condition} GROUP BY sequence ORDER BY sequence"
    )
    rows = reader.rows(query, (span.parameter,)).fetchall()
    known = {text: _check_names(text) for text in {row[1] for row in rows}}
    names: list[tuple[str, ...]] = [() for _ in span.sequences]
    for run, (_, text) in zip(span.runs([row[0] for row in rows]).tolist(), rows, strict=True):
        names[run] = known[text]
    return names


def _check_names(text: bytes) -> tuple[str, ...]:
    parts = [row.split(PART) for row in text.split(ROW)]
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
    query = (
        "SELECT sequence, check_name, channel, code FROM problem "
        f"WHERE {span.condition} AND (blocks OR code = ?) ORDER BY sequence, position"
    )
    rows = reader.rows(query, (span.parameter, NOT_RUN)).fetchall()
    found: dict[int, tuple[list[Problem], dict[str, list[Problem]], list[str]]] = {}
    for run, (_, check, channel, code) in zip(
        span.runs([row[0] for row in rows]).tolist(), rows, strict=True
    ):
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
    """A curve as it is stored; its points are plain numbers as bytes, None where they were thinned out."""

    run: int
    check_position: int
    position: int
    metric: bytes
    channel: bytes | None
    before: int
    resolution_hz: float | None
    x: bytes | None
    y: bytes | None
    uncertainty: bytes | None


def read_curves(reader: Reader, span: Span, metrics: Sequence[str], *, guarded: bool) -> Iterator[CurveRow]:
    """Yield the curves of these metrics; their uncertainty only where it is needed."""
    query = curves_query(
        _CURVE + _POINTS[: 3 if guarded else 2],
        "c.sequence IN (SELECT value FROM json_each(:runs)) AND c.metric IN (SELECT value FROM json_each(:metrics))",
        "ORDER BY sequence, check_position, position",
    )
    for sequence, *row in reader.rows(query, {"runs": span.parameter, "metrics": json.dumps(list(metrics))}):
        check, position, metric, channel, verdict, resolution, x, y, *uncertainty = row
        run, level = int(span.runs([sequence])[0]), LEVEL_OF_INITIAL[verdict[0] if verdict else 0]
        yield CurveRow(
            run, check, position, metric, channel, level, resolution, x, y, *uncertainty or (None,)
        )
