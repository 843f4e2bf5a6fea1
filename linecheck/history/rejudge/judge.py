"""The verdicts of many runs at once, by another limit file, from what the log has of them.

===================  ================================================================
:class:`SpanJudge`   judges spans of the runs of one model
:class:`JudgedSpan`  what that returns
===================  ================================================================
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.history.rejudge.basis import Basis
from linecheck.history.rejudge.layouts import IsVoid, Item, Layout, Layouts
from linecheck.history.rejudge.read import (
    ROWS,
    CurveRow,
    RunProblems,
    Span,
    read_checks,
    read_curves,
    read_problems,
    read_readings,
)
from linecheck.history.rejudge.select import Chosen, Reader
from linecheck.limits.bulk import LEVELS, UNJUDGED, GridMask, judge_readings, level_of
from linecheck.limits.decision import Void
from linecheck.limits.verdict import Verdict
from linecheck.run.voiding import voids

#: In place of a verdict's level: what is stored cannot tell it, because something was measured differently.
UNTOLD: Final = len(LEVELS)

#: So many curves along one axis are judged at once.
_TOGETHER = 64
#: So many curves wait for others along their axes; and so many axes are remembered with the masks on them.
_MAX_WAITING = 512
_MAX_GRIDS = 256

_INVALID = level_of(Verdict.INVALID)
_FAIL = level_of(Verdict.FAIL)
_ABORTED = level_of(Verdict.ABORTED)
#: Item, resolution bandwidth, axis.
_Axis = tuple[int, float | None, bytes]


def after_verdict(level: int) -> Verdict | None:
    """Return the verdict of a level; None for what cannot be told, or is not judged."""
    return None if level in (UNTOLD, UNJUDGED) else LEVELS[level]


@dataclass(frozen=True)
class JudgedSpan:
    """Runs of one model with the level of their verdict before and after; arrays of shape (runs,).

    ``after`` is :data:`UNTOLD` where what is stored cannot tell. ``rows`` are all readings and masked curves
    (:data:`~linecheck.history.rejudge.read.ROWS`), ``absent`` pairs of run and item: what a mask judges and a check of
    the run does not have. ``thinned`` are pairs of run and curve whose points are gone and whose mask is another one.
    """

    layouts: Layouts
    sequence: NDArray[np.int64]
    before: NDArray[np.int8]
    after: NDArray[np.int8]
    layout: NDArray[np.intp]
    rows: NDArray[Any]
    absent: tuple[tuple[int, int], ...]
    problems: Mapping[int, RunProblems]
    thinned: tuple[tuple[int, int], ...] = ()

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
        self._decision = layouts.limits.decision
        self._grids: OrderedDict[_Axis, GridMask] = OrderedDict()
        #: How many curves were read, and how many bytes of them.
        self.curves_read = np.zeros(2, dtype=np.int64)

    def judge(self, chosen: Chosen) -> JudgedSpan:
        """Judge runs; all of them are of the limit file's model."""
        span = Span(chosen.sequence)
        layout = self._layouts_of(chosen, span)
        problems = read_problems(self._reader, span)
        void = self._void(problems)
        rows = self._readings(span, layout, problems, void)
        rows = np.concatenate([rows, np.array(self._curves(span, layout, void), ROWS)])
        absent = self._absent(layout, rows)
        gone = rows["level"] == UNTOLD
        thinned = tuple(zip(rows["run"][gone].tolist(), rows["item"][gone].tolist(), strict=True))
        rows["level"][gone] = UNJUDGED
        after = self._levels(chosen, layout, rows, absent, problems, thinned)
        return JudgedSpan(
            self._layouts, chosen.sequence, chosen.before, after, layout, rows, absent, problems, thinned
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

    def _readings(
        self, span: Span, layout: NDArray[np.intp], problems: Iterable[int], is_void: IsVoid
    ) -> NDArray[Any]:
        """Return the readings of a span, judged; what a problem makes void has no value."""
        layouts = self._layouts
        rows = read_readings(self._reader, span, layouts, layout, guarded=self._decision == "guarded")
        for run in problems:
            first, last = np.searchsorted(rows["run"], [run, run + 1]).tolist()
            for row in rows[first:last]:
                if is_void(run, layouts.items[row["item"]]):
                    row["value"] = np.nan
        rows["level"] = judge_readings(
            layouts.masks, rows["item"], rows["value"], rows["uncertainty"], rows["is_bound"], self._decision
        )
        for number in np.unique(layout).tolist():
            otherwise = layouts[number].otherwise
            unheld = [at for at, item in enumerate(layouts.items) if item.check in otherwise]
            if unheld:
                rows["level"][(layout[rows["run"]] == number) & np.isin(rows["item"], unheld)] = UNJUDGED
        return rows

    def _curves(self, span: Span, layout: NDArray[np.intp], is_void: IsVoid) -> list[tuple[Any, ...]]:
        """Return the masked curves of a span, judged together where their axes are alike.

        Others are not read: points of curves are most of what a log holds.
        """
        items = self._layouts.items
        expected = [self._layouts[number].expected for number in np.unique(layout).tolist()]
        metrics = sorted({items[at].metric for at in np.concatenate(expected).tolist() if items[at].is_curve})
        found: list[tuple[Any, ...]] = []
        waiting: dict[tuple[_Axis, bool], list[CurveRow]] = {}
        count = 0
        for row in read_curves(self._reader, span, metrics, guarded=self._decision == "guarded"):
            held = self._layouts[int(layout[row.run])]
            item = held.item(row.check_position, row.metric, row.channel, is_curve=True)
            check = self._layouts.checks.get(item.check)
            if check is None or item.check in held.otherwise or item.metric not in check.masks:
                continue
            self.curves_read += (1, sum(len(part or b"") for part in (row.x, row.y, row.uncertainty)))
            number = self._layouts.number(item)
            if is_void(row.run, item):
                found.append(_curve_row(row, number, _INVALID))
                continue
            if row.x is None:
                same = (item.check, item.metric) in held.basis.same_masks
                found.append(_curve_row(row, number, row.before if same else UNTOLD))
                continue
            key = ((number, row.resolution_hz, row.x), row.uncertainty is not None)
            waiting.setdefault(key, []).append(row)
            count += 1
            if len(waiting[key]) == _TOGETHER:
                count -= _TOGETHER
                found += self._together(key[0], waiting.pop(key))
            elif count == _MAX_WAITING:
                found += (
                    judged for (axis, _), rows in waiting.items() for judged in self._together(axis, rows)
                )
                waiting, count = {}, 0
        found += (judged for (axis, _), rows in waiting.items() for judged in self._together(axis, rows))
        return found

    def _together(self, axis: _Axis, rows: Sequence[CurveRow]) -> list[tuple[Any, ...]]:
        """Judge curves of one item along one axis."""
        y = np.stack([unpacked(row.y) for row in rows if row.y is not None])
        known = [unpacked(row.uncertainty) for row in rows if row.uncertainty is not None]
        levels = self._grid(axis).judge(y, np.stack(known) if known else None, self._decision).tolist()
        return [_curve_row(row, axis[0], level) for row, level in zip(rows, levels, strict=True)]

    def _grid(self, axis: _Axis) -> GridMask:
        grid = self._grids.get(axis)
        if grid is None:
            number, resolution, x = axis
            item = self._layouts.items[number]
            check = self._layouts.checks[item.check]
            mask, log_x = check.masks[item.metric], check.is_logarithmic(item.metric)
            grid = self._grids[axis] = GridMask.of(mask, unpacked(x), log_x, resolution)
            if len(self._grids) > _MAX_GRIDS:
                self._grids.popitem(last=False)
        return grid

    def _absent(self, layout: NDArray[np.intp], rows: NDArray[Any]) -> tuple[tuple[int, int], ...]:
        there = np.zeros((len(layout), len(self._layouts.items)), dtype=bool)
        there[rows["run"], rows["item"]] = True
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
        rows: NDArray[Any],
        absent: Sequence[tuple[int, int]],
        problems: Mapping[int, RunProblems],
        thinned: Sequence[tuple[int, int]],
    ) -> NDArray[np.int8]:
        """Return the level of each run's verdict, as :attr:`~linecheck.run.model.Run.verdict` finds it."""
        levels = np.full(len(layout), UNJUDGED, dtype=np.int8)
        untold = np.zeros(len(layout), dtype=bool)
        untold[[run for run, _ in thinned]] = True
        np.maximum.at(levels, rows["run"], rows["level"])
        blocked = chosen.station_failed.copy()
        blocked[[run for run, _ in absent]] = True
        blocked[[run for run, blocking in problems.items() if blocking.whole]] = True
        for number in np.unique(layout).tolist():
            found = self._layouts[number]
            blocked[layout == number] |= bool(found.missing)
            untold[layout == number] |= bool(found.otherwise)
        blocked |= levels == UNJUDGED
        levels[blocked] = np.maximum(levels[blocked], _INVALID)
        # A fail stays one, whatever the rest would have come to.
        levels[untold & (levels != _FAIL)] = UNTOLD
        levels[chosen.before == _ABORTED] = _ABORTED
        return levels


def _curve_row(row: CurveRow, number: int, level: int) -> tuple[Any, ...]:
    """Return a curve as a row of :data:`~linecheck.history.rejudge.read.ROWS`."""
    return row.run, number, row.before, level, np.nan, np.nan, False, row.check_position, row.position


def unpacked(values: bytes) -> NDArray[np.float64]:
    """Return the points of a curve as the log stores them."""
    return np.frombuffer(values, dtype="<f8")
