"""What has changed the verdict of a run: the readings that decide it now, or decided it before."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Curve, Reading
from linecheck.history.rejudge.judge import UNTOLD, JudgedSpan, after_verdict, unpacked
from linecheck.history.rejudge.select import Reader
from linecheck.limits.bulk import level_of
from linecheck.limits.decision import judge_curve, judge_reading
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.log.curves import curves_query

Way = Literal["worse", "better"]

_INVALID = level_of(Verdict.INVALID)


class _Counted(NamedTuple):
    way: Way
    check: str
    metric: str | None


#: How many runs have changed for the worse or the better because of a metric of a check; None is the check as a whole.
CauseCounts = Counter[_Counted]

#: What stands in place of what differs where the points of a check's curves are gone.
THINNED = "the points of its curves were thinned out"


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


def cause_of(
    check: str,
    before: Verdict | None,
    after: Verdict | None,
    item: JudgedReading | JudgedCurve,
    why: str | None = None,
) -> Cause:
    """Return the cause that a reading or curve is as it is judged now; by default its own numbers say why."""
    what = item.measured
    if isinstance(item, JudgedReading):
        value, place, place_unit = item.reading.value, None, ""
    else:
        value, place, place_unit = item.worst_y, item.worst_x, item.curve.x_unit
    if why is None:
        why = "no longer judged" if after is None else "not measured" if value is None else ""
    numbers = (value, what.unit, item.limit, item.side, item.margin, place, place_unit)
    return Cause(check, what.metric, what.channel, before, after, why, *numbers)


def counted(way: Way, causes: Sequence[Cause]) -> CauseCounts:
    """Return what counts of the causes of one run: each metric once."""
    return Counter(dict.fromkeys((_Counted(way, cause.check, cause.metric) for cause in causes), 1))


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
        self._without = self._without_rows()

    def _decide(self, rows: NDArray[Any]) -> NDArray[np.bool_]:
        run, level = rows["run"], rows["level"]
        before, after = self._judged.before[run], self._judged.after[run]
        worse = self._worse[run] & (level == after) & (rows["before"] != level)
        better = self._better[run] & (rows["before"] == before) & (level < before)
        return np.asarray(worse | better)

    def counts(self) -> CauseCounts:
        """Return how many runs each metric has changed."""
        found: CauseCounts = Counter()
        rows, items = self._judged.rows[self._decisive], self._judged.layouts.items
        groups: dict[tuple[str, str], int] = {}
        of_item = np.array([groups.setdefault(item[:2], len(groups)) for item in items], dtype=np.intp)
        pairs = np.unique(np.stack([rows["run"], of_item[rows["item"]]]), axis=1)
        names = list(groups)
        for way, chosen in self._ways.items():
            numbers, counts = np.unique(pairs[1][chosen[pairs[0]]], return_counts=True)
            for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
                found[_Counted(way, *names[number])] += count
            for run, causes in self._without.items():
                if chosen[run]:
                    found.update(counted(way, causes))
        return found

    @property
    def _ways(self) -> dict[Way, NDArray[np.bool_]]:
        return {"worse": self._worse, "better": self._better}

    def of(self, run: int) -> tuple[Cause, ...]:
        """Return what has changed the verdict of one run, by its index."""
        own = self._judged.rows[self._decisive]
        return (*map(self._cause, own[own["run"] == run]), *self._without.get(run, ()))

    def _cause(self, row: np.void) -> Cause:
        layouts = self._judged.layouts
        item = layouts.items[row["item"]]
        before, after = after_verdict(int(row["before"])), after_verdict(int(row["level"]))
        check = layouts.checks.get(item.check)
        if row["place"] >= 0:
            judged = self._judged_curve(row)
            why = "" if judged.worst_x is not None else "cannot be judged by this mask"
            return cause_of(item.check, before, after, judged, why)
        value, uncertainty = (
            None if np.isnan(row[name]) else float(row[name]) for name in ("value", "uncertainty")
        )
        unit = layouts.units.get(item[:2], "")
        reading = Reading(item.metric, item.channel, value, unit, uncertainty, bool(row["is_bound"]))
        mask = None if check is None else check.masks.get(item.metric)
        better = "nominal" if check is None else check.better(item.metric)
        now = judge_reading(mask, reading, layouts.limits.decision, better)
        return cause_of(item.check, before, after, now)

    def _judged_curve(self, row: np.void) -> JudgedCurve:
        """Return a curve, which is read once more to find its worst point."""
        layouts = self._judged.layouts
        item = layouts.items[row["item"]]
        query = curves_query(
            ("x", "y", "uncertainty", "x_unit", "unit", "resolution_hz"),
            "c.sequence = :run AND c.check_position = :check AND c.position = :place",
        )
        place = {
            "run": int(self._judged.sequence[row["run"]]),
            "check": int(row["check"]),
            "place": int(row["place"]),
        }
        x, y, uncertainty, x_unit, unit, resolution = self._reader.rows(query, place).fetchone()
        curve = Curve(
            item.metric,
            item.channel,
            unpacked(x),
            Reader.text(x_unit),
            unpacked(y),
            Reader.text(unit),
            resolution,
            None if uncertainty is None else unpacked(uncertainty),
        )
        check = layouts.checks[item.check]
        log_x = check.is_logarithmic(item.metric)
        return judge_curve(check.masks.get(item.metric), curve, log_x, layouts.limits.decision)

    def _without_rows(self) -> dict[int, list[Cause]]:
        """Return what has changed runs that no row of theirs tells of."""
        judged, invalid = self._judged, Verdict.INVALID
        found: defaultdict[int, list[Cause]] = defaultdict(list)
        to_invalid = self._worse & (judged.after == _INVALID)
        for run, number in judged.absent:
            if to_invalid[run]:
                item = judged.layouts.items[number]
                found[run].append(Cause(*item[:3], None, invalid, "not measured"))
        for run in np.flatnonzero(to_invalid).tolist():
            found[run] += [
                Cause(name, None, None, None, invalid, "the check was not run")
                for name in judged.layout_of(run).missing
            ]
        for run, problems in judged.problems.items():
            if self._better[run] and judged.before[run] == _INVALID:
                found[run] += [
                    Cause(name, None, None, invalid, None, "was not run, and need not be any more")
                    for name in problems.not_run
                    if name not in judged.layouts.checks
                ]
        for run, cause in self._dropped_curves():
            found[run].append(cause)
        return found

    def _dropped_curves(self) -> Iterator[tuple[int, Cause]]:
        """Yield the curves that made runs as bad as they were and are no longer judged."""
        judged = self._judged
        runs = [
            run for run in np.flatnonzero(self._better).tolist() if judged.layout_of(run).basis.dropped_curves
        ]
        query = curves_query(
            ("sequence", "check_position", "metric", "channel", "position"),
            "c.sequence IN (SELECT value FROM json_each(:runs)) AND c.verdict IS NOT NULL AND c.verdict = "
            "(SELECT verdict FROM run WHERE run.sequence = c.sequence)",
            "ORDER BY sequence, check_position, position",
        )
        by_number = {int(judged.sequence[run]): run for run in runs}
        for sequence, *key, _ in (
            self._reader.rows(query, {"runs": json.dumps(list(by_number))}) if runs else ()
        ):
            run = by_number[sequence]
            layout = judged.layout_of(run)
            item = layout.item(*key, is_curve=True)
            if item[:2] in layout.basis.dropped_curves:
                yield run, Cause(*item[:3], after_verdict(int(judged.before[run])), None, "no longer judged")

    def lost(self) -> Mapping[tuple[str, str], int]:
        """Return how many runs cannot be told, by the check that is why, and why: what was measured differently."""
        found: Counter[tuple[str, str]] = Counter()
        numbers, counts = np.unique(self._judged.layout[self._judged.after == UNTOLD], return_counts=True)
        for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
            for check, words in self._judged.layouts[number].otherwise.items():
                found[check, words] += count
        items = self._judged.layouts.items
        for _, check in {(run, items[item].check) for run, item in self._judged.thinned}:
            found[check, THINNED] += 1
        return found
