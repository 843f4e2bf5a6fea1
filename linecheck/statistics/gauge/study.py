"""What a gauge study shows: its runs as a table of units, levels and repeats, and every metric's components of it.

=======================  ==================================================================
:func:`study_of`         what a study shows, from the columns of its runs
:class:`StudyResult`     all metrics, the agreement of verdicts, and what is missing
:class:`MetricStudy`     one metric: where its readings' variance comes from
=======================  ==================================================================

A unit that lacks a reading of a metric, in any of its runs, is left out of that metric, and that is said: what is left
is balanced. Readings that are bounds, or all the same, tell nothing of how they vary.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.errors import UsageError
from linecheck.limits.model import LimitFile, Mask
from linecheck.limits.verdict import Verdict
from linecheck.statistics.columns import Columns
from linecheck.statistics.gauge.agreement import Agreement, agreement
from linecheck.statistics.gauge.anova import (
    ALPHA,
    REPEAT,
    Array,
    Model,
    Source,
    mean_squares,
    model_of,
    pooled_model,
)
from linecheck.statistics.gauge.average_range import AverageRange, average_range
from linecheck.statistics.gauge.components import (
    GUARD,
    SPAN,
    Components,
    Interval,
    components,
    of_one_side,
    scaled,
)
from linecheck.statistics.gauge.plan import Entry, Plan, StudyRun, assigned

#: How surely readings must scatter by more than they state before that is said; of all metrics together.
_SURE: Final = 0.005
#: How surely one of two sources must be the larger before it is named.
_DOMINATES: Final = 0.95
RUN_NAMES: Final = ("serial", "verdict", "nest", "station", "operator", "study", "recorded", "purpose")
_READING_NAMES: Final = (
    "check",
    "metric",
    "channel",
    "value",
    "unit",
    "uncertainty",
    "is_bound",
    "margin",
    "is_curve",
)


@dataclass(frozen=True)
class MetricStudy:
    """What a study shows of one metric of one channel.

    Attributes
    ----------
    check, metric, channel, unit : str
        ``channel`` None for the pair.
    mean : float or None
        Of all readings.
    why_not : str
        Why nothing can be told; empty where it is.
    left_out : tuple of str
        Units without a reading in some run.
    found : Components or None
        Of the model that holds.
    tables : mapping of str to tuple of Source
        The table of each model, by its name.
    others : mapping of str to Components
        The components by the model that does not hold.
    by_range : AverageRange or None
    tolerance : Interval or None
        The station's span as percentage of what the mask leaves; None where no mask judges, or what it leaves is none.
    tolerance_of : str
        Of what: ``both sides``, ``one side``, or why there is none.
    stated : float or None
        Standard uncertainty that the readings state, root mean square.
    stated_says : str
        What is to be said of it beside the scatter: empty where both agree.
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    mean: float | None = None
    why_not: str = ""
    left_out: tuple[str, ...] = ()
    found: Components | None = None
    tables: Mapping[str, tuple[Source, ...]] = field(default_factory=dict)
    others: Mapping[str, Components] = field(default_factory=dict)
    by_range: AverageRange | None = None
    tolerance: Interval | None = None
    tolerance_of: str = ""
    stated: float | None = None
    stated_says: str = ""
    is_masked: bool = False

    @property
    def name(self) -> str:
        """The metric with its check and channel."""
        return f"{self.check}.{self.metric}" + (f" {self.channel}" if self.channel else "")

    @property
    def guardband(self) -> Interval | None:
        """By how much a limit is drawn in, so that the station takes no unit beyond it for a good one, with 95 %."""
        return None if self.found is None else scaled(self.found.deviation("gauge"), GUARD)

    def dominates(self, factor: str | None) -> str:
        """Return in words where most of what the station adds comes from."""
        if self.found is None or factor is None or self.found.level_exceeds_repeat is None:
            return ""
        sure = self.found.level_exceeds_repeat
        if sure >= _DOMINATES:
            return f"the {factor}s"
        return "repeats" if sure <= 1 - _DOMINATES else f"repeats or {factor}s: not to be told apart"


@dataclass(frozen=True)
class StudyResult:
    """What a study shows.

    Attributes
    ----------
    plan : Plan
    runs : int
        That count.
    repeated : int
        Invalid and aborted ones, which were made again.
    missing : tuple of Entry
        What the plan has and the log has not.
    metrics : tuple of MetricStudy
    verdicts : Agreement or None
    limits : LimitFile or None
        Whose masks the tolerances are of.
    """

    plan: Plan
    runs: int
    repeated: int
    missing: tuple[Entry, ...]
    metrics: tuple[MetricStudy, ...] = ()
    verdicts: Agreement | None = None
    limits: LimitFile | None = None


def study_of(columns: Columns, plan: Plan, *, alpha: float = ALPHA) -> StudyResult:
    """Return what a study shows; with nothing but what is missing where it is not done.

    Raises
    ------
    UsageError
        A run is not what the plan had next, or there are none.
    """
    rows = _runs(columns, plan)
    found = assigned(plan, [run for _, run in rows])
    missing = tuple(entry for entry in plan.entries if entry not in found)
    repeated = sum(not run.measured for _, run in rows)
    if missing:
        return StudyResult(plan, len(found), repeated, missing)
    keys = {id(run): key for key, run in rows}
    cells = {entry: keys[id(run)] for entry, run in found.items()}
    limits = columns.limit_file
    metrics = tuple(_metrics(columns, plan, cells, limits, alpha))
    verdicts = _verdicts(plan, {entry: run.verdict for entry, run in found.items()})
    return StudyResult(plan, len(found), repeated, (), metrics, verdicts, limits)


_Key = tuple[int, int]


def _runs(columns: Columns, plan: Plan) -> list[tuple[_Key, StudyRun]]:
    """Return the study's runs in the order in which they took place: by number in each log."""
    logs = columns.rows("SELECT count(DISTINCT log) FROM run")[0][0]
    order = "log, record" if logs < 2 or plan.is_by_place else "recorded, record"
    rows = columns.rows(
        "SELECT log, record, serial, verdict, nest, station, operator FROM run "
        f"WHERE study = ? ORDER BY {order}",
        [plan.id],
    )
    if not rows:
        raise UsageError(f"there are no runs of the plan {plan.id} in {columns.source}")
    return [
        ((log, record), StudyRun(record, serial, verdict, {"nest": nest, "station": station}, operator))
        for log, record, serial, verdict, nest, station, operator in rows
    ]


def _shape(plan: Plan) -> tuple[int, int, int]:
    levels = plan.levels or ("",)
    return len(plan.units) // (len(levels) if plan.nested else 1), len(levels), plan.repeats


def _places(plan: Plan) -> dict[Entry, int]:
    """Return where in the flat table of units, levels and repeats each run of the plan stands."""
    _, levels, repeats = _shape(plan)
    names = list(plan.levels or ("",))
    units = {level: {unit: at for at, unit in enumerate(plan.units_of(level))} for level in plan.levels}
    units[""] = {unit: at for at, unit in enumerate(plan.units)}
    return {
        entry: (units[entry.level][entry.unit] * levels + names.index(entry.level)) * repeats
        + entry.repeat
        - 1
        for entry in plan.entries
    }


@dataclass(frozen=True)
class _Readings:
    """All readings of one metric in the flat table; NaN where there is none."""

    value: Array
    stated: Array
    margin: Array
    is_bound: NDArray[np.bool_]


def _metrics(
    columns: Columns, plan: Plan, cells: Mapping[Entry, _Key], limits: LimitFile | None, alpha: float
) -> Iterator[MetricStudy]:
    places = _places(plan)
    at = {key: places[entry] for entry, key in cells.items()}
    with columns.over_readings(*_READING_NAMES):
        rows = columns.rows(
            f"SELECT log, record, {', '.join(chr(34) + name + chr(34) for name in _READING_NAMES)} FROM reading"
        )
    tables: dict[tuple[str, str, str | None], tuple[str, _Readings]] = {}
    for log, record, check, metric, channel, value, unit, stated, is_bound, margin, _ in rows:
        place = at.get((log, record))
        if place is None:
            continue
        key = (check, metric, channel)
        if key not in tables:
            value_of, stated_of, margin_of = np.full((3, len(places)), np.nan)
            none = np.zeros(len(places), dtype=bool)
            tables[key] = unit, _Readings(value_of, stated_of, margin_of, none)
        table = tables[key][1]
        for column, number in ((table.value, value), (table.stated, stated), (table.margin, margin)):
            if number is not None:
                column[place] = number
        table.is_bound[place] = bool(is_bound)
    masks = {} if limits is None else {check.name: check.masks for check in limits.checks}
    for (check, metric, channel), (unit, table) in sorted(
        tables.items(), key=lambda item: tuple(map(str, item[0]))
    ):
        mask = masks.get(check, {}).get(metric)
        one = MetricStudy(check, metric, channel, unit, is_masked=mask is not None)
        yield _told(one, table, plan, mask, alpha, len(tables))


def _told(
    one: MetricStudy, table: _Readings, plan: Plan, mask: Mask | None, alpha: float, among: int
) -> MetricStudy:
    """Return what one metric's readings show."""
    bounds, count = int(table.is_bound.sum()), len(table.value)
    if bounds:
        return replace(one, why_not=f"{bounds} of {count} readings are bounds: how they vary cannot be told")
    shape = _shape(plan)
    values = table.value.reshape(shape)
    whole: NDArray[np.bool_] = np.logical_not(np.isnan(values).any(axis=2))
    keep = np.all(whole, axis=1)
    one = replace(one, left_out=tuple(_left_out(plan, whole)))
    if one.left_out and plan.nested:
        lacking = ", ".join(one.left_out)
        why = f"readings of {lacking} are missing, so that not all levels have as many units"
        return replace(one, why_not=why)
    if keep.sum() < 2:
        return replace(
            one, why_not=f"{int((~whole).sum())} of {whole.size} cells lack a reading: too few units are left"
        )
    values = values[keep]
    one = replace(one, mean=float(values.mean()))
    if np.ptp(values) == 0.0:
        return replace(one, why_not="every reading is the same")
    full, (ms,) = mean_squares(values[None], plan.layout)
    model, own = model_of(full, ms, alpha)
    pooled = pooled_model(full, ms)
    models = [(full, ms), *([] if pooled is None else [pooled])]
    found = components(model, own)
    tolerance, tolerance_of = _tolerance(found, own, mask, table.margin.reshape(shape)[keep])
    stated = _stated(table.stated.reshape(shape)[keep])
    return replace(
        one,
        found=found,
        tables={each.name: each.table(squares) for each, squares in models},
        others={each.name: components(each, squares) for each, squares in models if each.name != model.name},
        by_range=average_range(values) if plan.layout == "crossed" else None,
        tolerance=tolerance,
        tolerance_of=tolerance_of,
        stated=stated,
        stated_says=_held_beside(found, model, own, stated, plan.factor, among),
    )


def _left_out(plan: Plan, whole: NDArray[np.bool_]) -> Iterator[str]:
    for at, level in np.argwhere(~whole):
        units = plan.units_of(plan.levels[level]) if plan.nested else plan.units
        if plan.nested or level == np.argmin(whole[at]):
            yield units[at]


def _tolerance(found: Components, ms: Array, mask: Mask | None, margin: Array) -> tuple[Interval | None, str]:
    """Return the station's span as percentage of what a mask leaves: its width, or one side from the units' mean on."""
    if mask is None:
        return None, "no mask"
    low, high = mask.pass_.min, mask.pass_.max
    if isinstance(low, float | int) and isinstance(high, float | int):
        if high <= low:
            return None, "the mask has no width"
        return scaled(found.deviation("gauge"), 100 * SPAN / (high - low)), "both sides"
    left = float(np.nanmean(margin)) if not np.isnan(margin).all() else math.nan
    if not left > 0:
        return None, "the units' mean is outside the mask"
    return of_one_side(found.model, ms, left), "one side"


def _stated(stated: Array) -> float | None:
    if np.isnan(stated).any():
        return None
    return float(np.sqrt(np.mean(stated**2)))


def _held_beside(
    found: Components, model: Model, ms: Array, stated: float | None, factor: str | None, among: int
) -> str:
    """Return what the uncertainty that readings state lacks, or has beyond what a study can show."""
    from scipy.stats import chi2

    if stated is None:
        return ""
    repeat, gauge = found.deviation(REPEAT), found.deviation("gauge")
    sure = 1 - _SURE / among
    error, df = float(ms[-1]), model.df[-1]
    if error * df > stated**2 * float(chi2.ppf(sure, df)):
        return (
            f"repeats scatter by {repeat.value:.3g}, the readings state {stated:.3g}: they state too little"
        )
    level = next((row for row in model.table(ms) if row.name == "level"), None)
    if level is not None and level.p is not None and level.p < _SURE / among and gauge.value > stated:
        return (
            f"with the {factor}s readings scatter by {gauge.value:.3g}, they state {stated:.3g}: what the {factor}s "
            "add is not in it"
        )
    if gauge.high is not None and gauge.high < stated:
        return (
            f"readings state {stated:.3g}, more than the {gauge.value:.3g} seen: the rest is what all runs of the "
            "study share, as a calibration"
        )
    return ""


def _verdicts(plan: Plan, verdicts: Mapping[Entry, str]) -> Agreement:
    """Return how the runs' verdicts agree: a marginal one accepts its unit."""
    places = _places(plan)
    flat = np.zeros(len(places), dtype=bool)
    for entry, verdict in verdicts.items():
        flat[places[entry]] = verdict == Verdict.FAIL
    table = flat.reshape(_shape(plan))
    levels = plan.levels or ("",)
    references = None
    if plan.reference:
        references = [_reference(plan, plan.units_of(level) if level else plan.units) for level in levels]
    return agreement([table[:, at, :] for at in range(len(levels))], levels, references, nested=plan.nested)


def _reference(plan: Plan, units: Sequence[str]) -> NDArray[np.bool_]:
    return np.array([plan.reference[unit] == "fail" for unit in units])


def plain_interval(interval: Interval | None) -> dict[str, Any] | None:
    """Return a figure and its interval as plain data."""
    return None if interval is None else {"value": interval.value, "low": interval.low, "high": interval.high}
