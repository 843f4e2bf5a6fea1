"""The verdicts of many runs at once, by another limit file, from what the log has of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck.history.rejudge.basis import Basis
from linecheck.history.rejudge.curves import CurveJudge
from linecheck.history.rejudge.layouts import IsVoid, Item, Layout, Layouts
from linecheck.history.rejudge.read import (
    Readings,
    RunProblems,
    Span,
    read_checks,
    read_problems,
    read_readings,
)
from linecheck.history.rejudge.select import Chosen, Reader
from linecheck.limits.bulk import LEVELS, UNJUDGED, judge_readings, level_of
from linecheck.limits.decision import Void
from linecheck.limits.verdict import Verdict
from linecheck.run.voiding import voids

__all__ = ["UNTOLD", "JudgedSpan", "Rows", "SpanJudge", "after_verdict"]

#: In place of a verdict's level: what is stored cannot tell it, because something was measured otherwise.
UNTOLD: Final = len(LEVELS)

_INVALID = level_of(Verdict.INVALID)
_FAIL = level_of(Verdict.FAIL)
_ABORTED = level_of(Verdict.ABORTED)


def after_verdict(level: int) -> Verdict | None:
    """Return the verdict of a level; None for what cannot be told, or is not judged."""
    return None if level in (UNTOLD, UNJUDGED) else LEVELS[level]


@dataclass(frozen=True)
class Rows:
    """Readings and curves of a span with what they come to; arrays of shape (rows,).

    ``place`` is the position of a curve among those of its check, -1 for readings; ``check`` is that of its check.
    """

    run: NDArray[np.intp]
    item: NDArray[np.intp]
    before: NDArray[np.int8]
    level: NDArray[np.int8]
    value: NDArray[np.float64]
    uncertainty: NDArray[np.float64]
    is_bound: NDArray[np.bool_]
    check: NDArray[np.intp]
    place: NDArray[np.intp]

    def followed_by(self, other: Rows) -> Rows:
        """Return both."""
        names = self.__dataclass_fields__
        return Rows(*(np.concatenate([getattr(self, name), getattr(other, name)]) for name in names))


@dataclass(frozen=True)
class JudgedSpan:
    """Runs of one model with the level of their verdict before and after; arrays of shape (runs,).

    ``after`` is :data:`UNTOLD` where what is stored cannot tell. ``absent`` are pairs of run and item: what a mask
    judges and a check of the run does not have.
    """

    layouts: Layouts
    sequence: NDArray[np.int64]
    before: NDArray[np.int8]
    after: NDArray[np.int8]
    layout: NDArray[np.intp]
    rows: Rows
    absent: tuple[tuple[int, int], ...]
    problems: Mapping[int, RunProblems]

    @property
    def changed(self) -> NDArray[np.bool_]:
        """Which runs come to another verdict."""
        return np.asarray((self.after != self.before) & (self.after != UNTOLD))

    def layout_of(self, run: int) -> Layout:
        """Return the layout of a run, by its index."""
        return self.layouts[int(self.layout[run])]


class SpanJudge:
    """Judges spans of the runs of one model.

    Parameters
    ----------
    reader : Reader
    layouts : Layouts
        With the limit file that is to judge them.
    bases : sequence of Basis
        How that relates to what each run was measured with, by the index of its digest.
    """

    def __init__(self, reader: Reader, layouts: Layouts, bases: Sequence[Basis]) -> None:
        self._reader = reader
        self._layouts = layouts
        self._bases = bases
        self._tells_bounds = reader.has("reading", "is_bound")
        self._curves = CurveJudge(reader, layouts)
        #: How many curves were read, and how many bytes of them.
        self.curves_read = (0, 0)

    def judge(self, chosen: Chosen) -> JudgedSpan:
        """Judge runs; all of them are of the limit file's model."""
        span = Span(chosen.sequence)
        layout = self._layouts_of(chosen, span)
        problems = read_problems(self._reader, span)
        void = self._void(problems)
        rows = self._reading_rows(span, layout, problems, void)
        curves = self._curves.judged(span, layout, void)
        self.curves_read = self._curves.read
        if curves:
            rows = rows.followed_by(_curve_rows(curves))
        absent = self._absent(layout, rows)
        after = self._levels(chosen, layout, rows, absent, problems)
        return JudgedSpan(
            self._layouts, chosen.sequence, chosen.before, after, layout, rows, absent, problems
        )

    def _layouts_of(self, chosen: Chosen, span: Span) -> NDArray[np.intp]:
        names = read_checks(self._reader, span)
        found = [
            self._layouts.layout(chosen.digests[digest], run_names, self._bases[digest]).number
            for digest, run_names in zip(chosen.digest.tolist(), names, strict=True)
        ]
        return np.array(found, dtype=np.intp)

    def _void(self, problems: Mapping[int, RunProblems]) -> IsVoid:
        """Return whether something of a run is void, by the problems of its check and of the run."""
        channels, units = self._layouts.limits.channels, self._layouts.units
        by_check = {
            (run, check): Void.of(found, channels)
            for run, blocking in problems.items()
            for check, found in blocking.by_check.items()
        }

        def is_void(run: int, item: Item) -> bool:
            own = by_check.get((run, item.check))
            if own is not None and own.covers(item.channel):
                return True
            whole = problems[run].whole if run in problems else ()
            unit = units.get((item.check, item.metric), "")
            return any(voids(problem, item.metric, unit, item.channel) for problem in whole)

        return is_void

    def _reading_rows(
        self, span: Span, layout: NDArray[np.intp], problems: Iterable[int], is_void: IsVoid
    ) -> Rows:
        found = read_readings(
            self._reader,
            span,
            self._layouts.keys,
            tells_bounds=self._tells_bounds,
            guarded=self._layouts.limits.decision == "guarded",
        )
        item, held = self._layouts.items_of(layout[found.run], found.key)
        value = self._unvoided(found, item, problems, is_void)
        level, _ = judge_readings(
            self._layouts.masks,
            item,
            value,
            found.uncertainty,
            found.is_bound,
            self._layouts.limits.decision,
        )
        level[~held] = UNJUDGED
        nowhere = np.full(len(item), -1, dtype=np.intp)
        return Rows(
            found.run,
            item,
            found.before,
            level,
            value,
            found.uncertainty,
            found.is_bound,
            nowhere,
            nowhere,
        )

    def _unvoided(
        self, found: Readings, item: NDArray[np.intp], problems: Iterable[int], is_void: IsVoid
    ) -> NDArray[np.float64]:
        """Return the values, without those that a problem makes void; only runs with problems are looked through."""
        value = found.value.copy()
        for run in problems:
            first, last = np.searchsorted(found.run, [run, run + 1]).tolist()
            for at in range(first, last):
                if is_void(run, self._layouts.items[item[at]]):
                    value[at] = np.nan
        return value

    def _absent(self, layout: NDArray[np.intp], rows: Rows) -> tuple[tuple[int, int], ...]:
        there = np.zeros((len(layout), len(self._layouts.items)), dtype=bool)
        there[rows.run, rows.item] = True
        found = []
        for number in np.unique(layout).tolist():
            runs, expected = np.flatnonzero(layout == number), self._layouts[number].expected
            lacking = np.argwhere(~there[np.ix_(runs, expected)])
            found += [(int(runs[run]), int(expected[item])) for run, item in lacking.tolist()]
        return tuple(found)

    def _levels(
        self,
        chosen: Chosen,
        layout: NDArray[np.intp],
        rows: Rows,
        absent: Sequence[tuple[int, int]],
        problems: Mapping[int, RunProblems],
    ) -> NDArray[np.int8]:
        """Return the level of each run's verdict, as :attr:`~linecheck.run.model.Run.verdict` finds it."""
        levels = np.full(len(layout), UNJUDGED, dtype=np.int8)
        np.maximum.at(levels, rows.run, rows.level)
        blocked = chosen.station_failed.copy()
        blocked[[run for run, _ in absent]] = True
        blocked[[run for run, blocking in problems.items() if blocking.whole]] = True
        untold = np.zeros(len(layout), dtype=bool)
        for number in np.unique(layout).tolist():
            found = self._layouts[number]
            blocked[layout == number] |= bool(found.missing)
            untold[layout == number] = bool(found.otherwise)
        blocked |= levels == UNJUDGED
        levels[blocked] = np.maximum(levels[blocked], _INVALID)
        # A fail stays one, whatever the rest would have come to.
        levels[untold & (levels != _FAIL)] = UNTOLD
        levels[chosen.before == _ABORTED] = _ABORTED
        return levels


def _curve_rows(curves: Sequence[tuple[int, int, int, int, int, int]]) -> Rows:
    run, item, before, level, check, place = zip(*curves, strict=True)
    nothing = np.full(len(run), np.nan)
    return Rows(
        np.array(run, dtype=np.intp),
        np.array(item, dtype=np.intp),
        np.array(before, dtype=np.int8),
        np.array(level, dtype=np.int8),
        nothing,
        nothing,
        np.zeros(len(run), dtype=bool),
        np.array(check, dtype=np.intp),
        np.array(place, dtype=np.intp),
    )
