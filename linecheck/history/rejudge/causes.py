"""What has changed the verdict of a run: the readings that decide it now, or decided it before."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Curve, Reading
from linecheck.history.rejudge.judge import UNTOLD, JudgedSpan, Rows, after_verdict
from linecheck.history.rejudge.layouts import Item
from linecheck.history.rejudge.select import Reader
from linecheck.limits.bulk import UNJUDGED, level_of
from linecheck.limits.decision import judge_curve, judge_reading
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict

__all__ = ["Cause", "CauseCounts", "Causes", "Way", "counted"]

Way = Literal["worse", "better"]

_INVALID = level_of(Verdict.INVALID)


class _Counted(NamedTuple):
    way: Way
    check: str
    metric: str | None


#: How many runs have changed for the worse or the better because of a metric of a check; None is the check as a whole.
CauseCounts = Counter[_Counted]


@dataclass(frozen=True)
class Cause:
    """One thing that has changed a run's verdict.

    ``metric`` is None where it is the check as a whole; ``why`` says in words what is not told by numbers. ``value`` is
    a reading's, or that of a curve's worst point, which lies at ``place``; ``limit`` is that of the pass mask, on the
    side ``side``, and ``margin`` the distance to it.
    """

    check: str
    metric: str | None
    channel: str | None
    before: Verdict | None
    after: Verdict | None
    why: str = ""
    value: float | None = None
    unit: str = ""
    limit: float | None = None
    side: str | None = None
    margin: float | None = None
    place: float | None = None
    place_unit: str = ""


def counted(way: Way, causes: Sequence[Cause]) -> CauseCounts:
    """Return what counts of the causes of one run: each metric once."""
    return Counter({_Counted(way, cause.check, cause.metric) for cause in causes})


class Causes:
    """What has changed the verdicts of the runs of a span.

    A verdict that has become worse has done so because of what is as bad now, and was not before; one that has become
    better because of what was as bad before, and no longer is.

    Parameters
    ----------
    reader : Reader
    judged : JudgedSpan
    """

    def __init__(self, reader: Reader, judged: JudgedSpan) -> None:
        self._reader = reader
        self._judged = judged
        self._worse = judged.changed & (judged.after > judged.before)
        self._better = judged.changed & (judged.after < judged.before)
        self._decisive = np.flatnonzero(self._decide(judged.rows))
        self._dropped = self._dropped_curves()
        self._without = self._without_rows()

    def _decide(self, rows: Rows) -> NDArray[np.bool_]:
        before, after = self._judged.before[rows.run], self._judged.after[rows.run]
        worse = self._worse[rows.run] & (rows.level == after) & (rows.before != rows.level)
        better = self._better[rows.run] & (rows.before == before) & (rows.level < before)
        return np.asarray(worse | better)

    def counts(self) -> CauseCounts:
        """Return how many runs each metric has changed."""
        found: CauseCounts = Counter()
        rows, items = self._judged.rows, self._judged.layouts.items
        groups: dict[tuple[str, str], int] = {}
        of_item = np.array([groups.setdefault(item[:2], len(groups)) for item in items], dtype=np.intp)
        run, group = rows.run[self._decisive], of_item[rows.item[self._decisive]] if items else rows.item[:0]
        pairs = np.unique(np.stack([run, group]), axis=1)
        names = list(groups)
        for way, chosen in (("worse", self._worse), ("better", self._better)):
            numbers, counts = np.unique(pairs[1][chosen[pairs[0]]], return_counts=True)
            for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
                found[_Counted("worse" if way == "worse" else "better", *names[number])] += count
        for run_index, causes in self._without.items():
            worse: Way = "worse" if self._worse[run_index] else "better"
            found.update(counted(worse, causes))
        return found

    def of(self, run: int) -> tuple[Cause, ...]:
        """Return what has changed the verdict of one run, by its index."""
        rows = self._judged.rows
        own = self._decisive[rows.run[self._decisive] == run]
        return (*(self._cause(int(at)) for at in own), *self._without.get(run, ()))

    def _cause(self, at: int) -> Cause:
        rows, layouts = self._judged.rows, self._judged.layouts
        item = layouts.items[rows.item[at]]
        before, after = after_verdict(int(rows.before[at])), after_verdict(int(rows.level[at]))
        plain = Cause(item.check, item.metric, item.channel, before, after)
        if rows.place[at] >= 0:
            return self._curve_cause(plain, at)
        value = None if np.isnan(rows.value[at]) else float(rows.value[at])
        check = layouts.checks.get(item.check)
        specs = {} if check is None else {spec.name: spec for spec in check.kind.metrics}
        spec = specs.get(item.metric)
        unit = "" if spec is None else spec.unit
        why = ""
        if rows.level[at] == UNJUDGED:
            why = "no longer judged"
        elif value is None:
            why = "not measured"
        uncertainty = None if np.isnan(rows.uncertainty[at]) else float(rows.uncertainty[at])
        reading = Reading(item.metric, item.channel, value, unit, uncertainty, bool(rows.is_bound[at]))
        mask = None if check is None else check.masks.get(item.metric)
        better = "nominal" if spec is None else spec.better
        judged = judge_reading(mask, reading, layouts.limits.decision, better)
        return _told(plain, judged, value, unit, why)

    def _curve_cause(self, plain: Cause, at: int) -> Cause:
        """Return what a curve has changed: it is read once more, to find its worst point."""
        rows, layouts = self._judged.rows, self._judged.layouts
        query = (
            "SELECT x, y, uncertainty, x_unit, unit, resolution_hz FROM curve "
            "WHERE sequence = ? AND check_position = ? AND position = ?"
        )
        place = (int(self._judged.sequence[rows.run[at]]), int(rows.check[at]), int(rows.place[at]))
        x, y, uncertainty, x_unit, unit, resolution = self._reader.rows(query, place).fetchone()
        check = layouts.checks[plain.check]
        log_x = {spec.name: spec.log_x for spec in check.kind.curves}.get(plain.metric or "", True)
        curve = Curve(
            plain.metric or "",
            plain.channel,
            np.frombuffer(x, dtype="<f8"),
            Reader.text(x_unit),
            np.frombuffer(y, dtype="<f8"),
            Reader.text(unit),
            resolution,
            None if uncertainty is None else np.frombuffer(uncertainty, dtype="<f8"),
        )
        judged = judge_curve(check.masks.get(plain.metric or ""), curve, log_x, layouts.limits.decision)
        why = "" if judged.worst_x is not None else "cannot be judged by this mask"
        told = _told(plain, judged, judged.worst_y, curve.unit, why)
        return Cause(**{**vars(told), "place": judged.worst_x, "place_unit": curve.x_unit})

    def _without_rows(self) -> dict[int, list[Cause]]:
        """Return what has changed runs that no row of theirs tells of."""
        judged, found = self._judged, dict[int, list[Cause]]()
        invalid = Verdict.INVALID
        to_invalid = self._worse & (judged.after == _INVALID)
        for run, number in judged.absent:
            if to_invalid[run]:
                item: Item = judged.layouts.items[number]
                cause = Cause(item.check, item.metric, item.channel, None, invalid, "not measured")
                found.setdefault(run, []).append(cause)
        for run in np.flatnonzero(to_invalid).tolist():
            for name in judged.layout_of(run).missing:
                found.setdefault(run, []).append(
                    Cause(name, None, None, None, invalid, "the check was not run")
                )
        for run, problems in judged.problems.items():
            if self._better[run] and judged.before[run] == _INVALID:
                for name in problems.not_run:
                    if name not in judged.layouts.checks:
                        cause = Cause(
                            name, None, None, invalid, None, "was not run, and need not be any more"
                        )
                        found.setdefault(run, []).append(cause)
        for run, causes in self._dropped.items():
            found.setdefault(run, []).extend(causes)
        return found

    def _dropped_curves(self) -> dict[int, list[Cause]]:
        """Return the curves that made runs as bad as they were and are no longer judged."""
        judged, found = self._judged, dict[int, list[Cause]]()
        runs = [
            run for run in np.flatnonzero(self._better).tolist() if judged.layout_of(run).basis.dropped_curves
        ]
        if not runs:
            return found
        query = (
            "SELECT sequence, check_position, metric, channel FROM curve "
            "WHERE sequence IN (SELECT value FROM json_each(?)) AND verdict IS NOT NULL AND verdict = "
            "(SELECT verdict FROM run WHERE run.sequence = curve.sequence) "
            "ORDER BY sequence, check_position, position"
        )
        by_number = {int(judged.sequence[run]): run for run in runs}
        for sequence, *key in self._reader.rows(query, (json.dumps(list(by_number)),)):
            run = by_number[sequence]
            layout = judged.layout_of(run)
            item = judged.layouts.item(layout, (key[0], key[1], key[2]), is_curve=True)
            if item[:2] in layout.basis.dropped_curves:
                before = after_verdict(int(judged.before[run]))
                cause = Cause(*item[:3], before, None, "no longer judged")
                found.setdefault(run, []).append(cause)
        return found

    def lost(self) -> Mapping[tuple[str, str], int]:
        """Return how many runs cannot be told because a check was measured otherwise, by check and what differs."""
        found: Counter[tuple[str, str]] = Counter()
        numbers, counts = np.unique(self._judged.layout[self._judged.after == UNTOLD], return_counts=True)
        for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
            for check, words in self._judged.layouts[number].otherwise.items():
                found[check, words] += count
        return found


def _told(
    plain: Cause, judged: JudgedReading | JudgedCurve, value: float | None, unit: str, why: str
) -> Cause:
    numbers = {
        "value": value,
        "unit": unit,
        "limit": judged.limit,
        "side": judged.side,
        "margin": judged.margin,
    }
    return Cause(**{**vars(plain), **numbers, "why": why})
