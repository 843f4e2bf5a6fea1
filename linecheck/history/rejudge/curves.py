"""The curves of many runs, judged together where their axes are alike.

Only curves that a mask judges are read: their points are most of what a log holds.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from linecheck.history.rejudge.layouts import IsVoid, Item, Layouts
from linecheck.history.rejudge.read import CurveRow, Span, read_curves
from linecheck.history.rejudge.select import Reader
from linecheck.limits.bulk import GridMask, level_of
from linecheck.limits.verdict import Verdict

__all__ = ["CurveJudge"]

#: So many curves along one axis are judged at once.
_TOGETHER = 64
#: So many curves wait for others along their axes; and so many axes are remembered with the masks on them.
_MAX_WAITING = 512
_MAX_GRIDS = 256

#: Run, item, level before, level after, position of the check, position among its curves.
JudgedCurveRow = tuple[int, int, int, int, int, int]
_Group = tuple[int, float | None, bytes, bool]


class CurveJudge:
    """Judges the masked curves of spans.

    Parameters
    ----------
    reader : Reader
    layouts : Layouts
    """

    def __init__(self, reader: Reader, layouts: Layouts) -> None:
        self._reader = reader
        self._layouts = layouts
        self._grids: OrderedDict[tuple[int, float | None, bytes], GridMask] = OrderedDict()
        self._log_x = {
            (check.name, spec.name): spec.log_x
            for check in layouts.limits.checks
            for spec in check.kind.curves
        }
        #: How many curves were read, and how many bytes of them.
        self.read = (0, 0)

    def judged(self, span: Span, layout: NDArray[np.intp], is_void: IsVoid) -> list[JudgedCurveRow]:
        """Return what the masked curves of a span come to."""
        found: list[JudgedCurveRow] = []
        waiting: dict[_Group, list[CurveRow]] = {}
        count = 0
        for row in read_curves(self._reader, span, self._metrics_of(layout), guarded=self._guarded):
            item = self._layouts.item(self._layouts[int(layout[row.run])], row.key, is_curve=True)
            if not self._is_judged(item, layout, row):
                continue
            size = len(row.x) + len(row.y) + len(row.uncertainty or b"")
            self.read = (self.read[0] + 1, self.read[1] + size)
            number = self._layouts.number(item)
            if is_void(row.run, item):
                found.append(_told(row, number, level_of(Verdict.INVALID)))
                continue
            key = (number, row.resolution_hz, row.x, row.uncertainty is not None)
            group = waiting.setdefault(key, [])
            group.append(row)
            count += 1
            if len(group) == _TOGETHER:
                found += self._group(key, waiting.pop(key))
                count -= _TOGETHER
            elif count == _MAX_WAITING:
                found += self._all(waiting)
                count = 0
        return found + self._all(waiting)

    @property
    def _guarded(self) -> bool:
        return self._layouts.limits.decision == "guarded"

    def _metrics_of(self, layout: NDArray[np.intp]) -> Sequence[str]:
        """Return which curves have to be read; none where every check that has them was measured otherwise."""
        layouts = [self._layouts[number] for number in np.unique(layout).tolist()]
        items = {number for found in layouts for number in found.expected.tolist()}
        return sorted(
            {self._layouts.items[number].metric for number in items if self._layouts.items[number].is_curve}
        )

    def _is_judged(self, item: Item, layout: NDArray[np.intp], row: CurveRow) -> bool:
        check = self._layouts.checks.get(item.check)
        held = item.check not in self._layouts[int(layout[row.run])].otherwise
        return check is not None and held and item.metric in check.masks

    def _all(self, waiting: dict[_Group, list[CurveRow]]) -> list[JudgedCurveRow]:
        found = [judged for key, rows in waiting.items() for judged in self._group(key, rows)]
        waiting.clear()
        return found

    def _group(self, key: _Group, rows: Sequence[CurveRow]) -> list[JudgedCurveRow]:
        """Judge curves of one item along one axis."""
        number, resolution, x, has_uncertainty = key
        grid = self._grid(number, resolution, x)
        y = np.stack([_unpacked(row.y) for row in rows])
        uncertainty = None
        if has_uncertainty:
            uncertainty = np.stack([_unpacked(row.uncertainty or b"") for row in rows])
        levels = grid.judge(y, uncertainty, self._layouts.limits.decision).tolist()
        return [_told(row, number, level) for row, level in zip(rows, levels, strict=True)]

    def _grid(self, number: int, resolution: float | None, x: bytes) -> GridMask:
        key = (number, resolution, x)
        grid = self._grids.get(key)
        if grid is None:
            item = self._layouts.items[number]
            mask = self._layouts.checks[item.check].masks[item.metric]
            log_x = self._log_x.get((item.check, item.metric), True)
            grid = self._grids[key] = GridMask.of(mask, _unpacked(x), log_x, resolution)
            if len(self._grids) > _MAX_GRIDS:
                self._grids.popitem(last=False)
        return grid


def _told(row: CurveRow, number: int, level: int) -> JudgedCurveRow:
    return row.run, number, row.before, level, row.check_position, row.position


def _unpacked(values: bytes) -> NDArray[np.float64]:
    return np.frombuffer(values, dtype="<f8")
