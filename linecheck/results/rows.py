"""What a run measured, a metric a row: all its channels, the one that comes off worst, and how near its limit that is.

========================  =============================================================
:class:`Row`              one metric of one check
:func:`rows_of`           every row of a run, in the order of its checks
:func:`by_verdict`        rows that a mask judges, those of the worst verdict first
:func:`unjudged_counts`   how many values no mask judges
========================  =============================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from linecheck.checks import kinds
from linecheck.limits.masks import limit_at
from linecheck.limits.model import Mask, Side
from linecheck.limits.verdict import WORST_FIRST, JudgedCurve, JudgedReading, Verdict, worst
from linecheck.run.model import Run

Judged = JudgedReading | JudgedCurve
#: Ranks of verdicts; last comes what no mask judges.
RANKS: Final = (*WORST_FIRST, None)
_OPPOSITE: Final[dict[str, Side]] = {"min": "max", "max": "min"}


@dataclass(frozen=True)
class Row:
    """One metric (or curve) of one check of a kind, in all channels."""

    check: str
    kind: str
    metric: str
    items: dict[str | None, Judged]
    mask: Mask | None

    @property
    def is_measured(self) -> bool:
        """Whether there is any value to show."""
        return any(
            item.reading.value is not None if isinstance(item, JudgedReading) else item.worst_y is not None
            for item in self.items.values()
        )

    @cached_property
    def worst(self) -> tuple[str | None, Judged]:
        """The channel that comes off worst, and what was judged there."""

        def badness(entry: tuple[str | None, Judged]) -> tuple[int, float]:
            item = entry[1]
            return RANKS.index(item.verdict), math.inf if item.margin is None else item.margin

        return min(self.items.items(), key=badness)

    @property
    def verdict(self) -> Verdict | None:
        """The worst verdict of its channels; None where no mask judges."""
        verdicts = [item.verdict for item in self.items.values() if item.verdict is not None]
        return worst(verdicts) if verdicts else None

    @property
    def unit(self) -> str:
        """The unit of its values."""
        return self.worst[1].measured.unit

    @property
    def is_count(self) -> bool:
        """Whether its values are no quantities, and right or wrong: the order of channels."""
        return not self.unit

    @cached_property
    def nearness(self) -> float:
        """The margin of the worst channel, in widths of its mask; infinite where there is none."""
        return self.widths(self.worst[1])

    def widths(self, item: Judged) -> float:
        """Return the margin of one of its channels in widths of the mask, negative outside; infinite without one.

        A metric's own unit says nothing beside another's: 0.1 V of a level and 3 dB of a noise are compared by how far
        each mask lets its metric go. That is from one pass limit to the other where there are two; of a one-sided mask
        the marginal zone, or the limit itself where there is none.
        """
        if item.margin is None or item.limit is None:
            return math.inf
        return item.margin / self.width(item, item.limit)

    def width(self, item: Judged, limit: float) -> float:
        """Return how wide the mask is beside a limit of one of its channels, in its unit; greater than zero."""
        side = _OPPOSITE.get(item.side or "")
        other = None if self.mask is None or side is None else getattr(self.mask.pass_, side)
        place = np.array([getattr(item, "worst_x", None) or 1.0])
        across = abs(float(limit_at(other, place, self._log_x)[0]) - limit)
        if math.isfinite(across) and across > 0.0:
            return across
        zone = 0.0 if item.fail_limit is None else abs(limit - item.fail_limit)
        return zone or abs(limit) or 1.0

    @property
    def _log_x(self) -> bool:
        kind = kinds().get(self.kind)
        return any(spec.name == self.metric and spec.log_x for spec in (kind.curves if kind else ()))


def rows_of(run: Run) -> list[Row]:
    """Return every metric and curve of a run, in the order of its checks."""
    masks = {entry.name: entry.masks for entry in run.limits.checks}
    rows = []
    for check in run.checks:
        found: dict[str, dict[str | None, Judged]] = {}
        for item in check.judged.items:
            found.setdefault(item.measured.metric, {})[item.measured.channel] = item
        own = masks.get(check.check, {})
        rows += [Row(check.check, check.kind, name, items, own.get(name)) for name, items in found.items()]
    return rows


def by_verdict(rows: Iterable[Row]) -> list[Row]:
    """Return the rows that a mask judges: those of the worst verdict first, else in their own order."""
    return sorted((row for row in rows if row.verdict is not None), key=lambda row: RANKS.index(row.verdict))


def unjudged_counts(rows: Iterable[Row]) -> tuple[int, int]:
    """Return how many values and curves without a mask there are, and how many more could not be measured."""
    unjudged = [item for row in rows if row.verdict is None for item in row.items.values()]
    missing = sum(isinstance(item, JudgedReading) and item.reading.value is None for item in unjudged)
    return len(unjudged) - missing, missing
