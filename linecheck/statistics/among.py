"""A run among others: where each of its readings lies among units of several models, and among stated values.

=======================  ===================================================================
:func:`places_of`        the places of a run's readings
:class:`Place`           one reading, with the units of each model and the stated values
:class:`OfModel`         the units of one model, and whether they may be compared
:class:`OfStated`        one stated value, and whether it may be compared
=======================  ===================================================================

Two readings may be compared where their checks have the same parameters (stimulus and analysis) and setup in the limit
files that they were judged by; where not, what differs is said and no place is given. Each unit counts once, by its
newest run in which the reading was measured. Nothing here changes a verdict.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from linecheck.checks import kinds
from linecheck.checks.parts.declared import Better
from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.statistics.stated import StatedValue, condition_text, differing, same

if TYPE_CHECKING:
    from linecheck.checks.base import Reading
    from linecheck.limits.model import Check, LimitFile
    from linecheck.run.model import CheckOutcome, Run
    from linecheck.statistics.columns import Columns

#: The columns of the runs that this asks for.
COLUMNS: Final = ("run_id", "serial", "model", "recorded", "purpose", "limit_sha256")
#: Units of a model below which there is no place among them.
MIN_UNITS: Final = 5
#: Differences of parameters that are named.
_MAX_NAMED: Final = 4
_IS_OF: Final = 'model = ? AND "check" = ? AND metric = ? AND channel IS NOT DISTINCT FROM ?'


@dataclass(frozen=True)
class OfModel:
    """The units of one model beside a reading.

    Attributes
    ----------
    model : str
    units : int
        In which it was measured so that it may be compared; of all, where it was in none.
    others : int
        Units besides, in which it was measured otherwise.
    bounds : int
        Those of them that say no more than that or better; they stand at their bounds.
    low, median, high : float or None
        5 %, 50 % and 95 % of them; None of too few.
    worse_share : float or None
        Share of them that this reading is better than (than half of those that are equal); of a nominal metric, the
        share that lies below it. None where they may not be compared, or are too few.
    otherwise : tuple of str
        What was measured otherwise, in words; empty where they may be compared.
    """

    model: str
    units: int
    others: int
    bounds: int
    low: float | None
    median: float | None
    high: float | None
    worse_share: float | None
    otherwise: tuple[str, ...] = ()


@dataclass(frozen=True)
class OfStated:
    """A stated value beside a reading; ``difference`` is the reading less it, None where they may not be compared."""

    stated: StatedValue
    difference: float | None
    otherwise: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True)
class Place:
    """One reading of a run among others."""

    check: str
    metric: str
    channel: str | None
    value: float
    uncertainty: float | None
    unit: str
    better: Better
    models: tuple[OfModel, ...]
    stated: tuple[OfStated, ...]


def places_of(
    run: Run, columns: Columns, stated: Sequence[StatedValue] = (), metrics: Sequence[str] = ()
) -> tuple[Place, ...]:
    """Return the places of a run's measured readings.

    Parameters
    ----------
    run : Run
        With the limit file that it was judged by.
    columns : Columns
        The runs to hold it against; its own unit is left out of them.
    stated : sequence of StatedValue
    metrics : sequence of str
        Only these, as ``tone.thd_n`` or ``thd_n``; those that a mask judges, if empty.

    Raises
    ------
    FileError, RecordError, ServerError
        A source cannot be read.
    UsageError
        The run has no such metric.
    """
    checks = {check.name: check for check in run.limits.checks}
    wanted = [
        (outcome, item)
        for outcome in run.checks
        for item in outcome.judged.readings
        if item.reading.value is not None and _is_wanted(outcome.check, item, metrics)
    ]
    for name in metrics:
        if not any(_is_wanted(outcome.check, item, [name]) for outcome, item in wanted):
            raise UsageError(f"--metric {visible(name)}: the run has no such reading")
    if not wanted:
        return ()
    _lay_newest(columns, run, sorted({item.reading.metric for _, item in wanted}))
    files = _limit_files(columns)
    return tuple(
        _place(outcome, item.reading, checks.get(outcome.check), columns, files, stated)
        for outcome, item in wanted
    )


def _place(
    outcome: CheckOutcome,
    reading: Reading,
    check: Check | None,
    columns: Columns,
    files: Mapping[str, Mapping[str, LimitFile | None]],
    stated: Sequence[StatedValue],
) -> Place:
    assert reading.value is not None
    key = (outcome.check, reading.metric, reading.channel)
    better = _better(outcome.kind, reading.metric)
    models = [
        found
        for model, own in files.items()
        if (found := _of_model(columns, model, own, check, key, reading.value, better)) is not None
    ]
    said = [
        _held(value, reading.value, reading.unit, check)
        for value in stated
        if value.is_of(outcome.entry, reading.metric)
    ]
    return Place(*key, reading.value, reading.uncertainty, reading.unit, better, tuple(models), tuple(said))


def _is_wanted(check: str, item: Any, metrics: Sequence[str]) -> bool:  # noqa: ANN401 - a judged reading
    if not metrics:
        return item.verdict is not None
    return any(name in (item.reading.metric, f"{check}.{item.reading.metric}") for name in metrics)


def _better(kind: str, metric: str) -> Better:
    known = kinds().get(kind)
    specs = () if known is None else known.metrics
    return next((spec.better for spec in specs if spec.name == metric), "nominal")


def _limit_files(columns: Columns) -> Mapping[str, Mapping[str, LimitFile | None]]:
    """Return the limit files that the newest readings were judged by, by model and hash."""
    found: dict[str, dict[str, LimitFile | None]] = {}
    rows = columns.rows(
        "SELECT model, limit_sha256, arg_max(log, recorded), arg_max(record, recorded) FROM newest "
        "GROUP BY ALL ORDER BY 1"
    )
    for model, digest, log, record in rows:
        found.setdefault(model, {})[digest] = columns.limit_file_by(log, record)
    return found


def _lay_newest(columns: Columns, run: Run, metrics: Sequence[str]) -> None:
    """Lay ``newest``: of each unit but the run's own, the newest measured value of each metric."""
    with columns.over_readings(
        "check", "metric", "channel", "value", "is_bound", only={"metric": list(metrics)}
    ):
        columns.run(
            """
            CREATE OR REPLACE TEMP TABLE newest AS
            SELECT model, serial, "check", metric, channel, max(recorded) AS recorded,
                arg_max(value, recorded) AS value, arg_max(coalesce(is_bound, false), recorded) AS is_bound,
                arg_max(coalesce(limit_sha256, ''), recorded) AS limit_sha256,
                arg_max(log, recorded) AS log, arg_max(record, recorded) AS record
            FROM reading JOIN run USING (log, record)
            WHERE value IS NOT NULL AND NOT (model = ? AND serial = ?)
            GROUP BY ALL""",
            [run.model, run.serial],
        )


def _of_model(
    columns: Columns,
    model: str,
    files: Mapping[str, LimitFile | None],
    check: Check | None,
    key: tuple[str, str, str | None],
    value: float,
    better: Better,
) -> OfModel | None:
    """Return the units of a model beside a value; None where it was measured in none of them."""
    reasons = {digest: _otherwise(check, limits, key[0]) for digest, limits in files.items()}
    alike = [digest for digest, otherwise in reasons.items() if not otherwise]
    ((measured, among),) = columns.rows(
        f"SELECT count(*), count(*) FILTER (list_contains(?, limit_sha256)) FROM newest WHERE {_IS_OF}",
        [alike, model, *key],
    )
    if not measured:
        return None
    counted = alike if among else list(files)
    ((units, bounds, quantiles, below),) = columns.rows(
        f"""
        SELECT count(*), count(*) FILTER (is_bound), quantile_cont(value, [0.05, 0.5, 0.95]),
            (count(*) FILTER (value < ?) + 0.5 * count(*) FILTER (value = ?)) / count(*)
        FROM newest WHERE list_contains(?, limit_sha256) AND {_IS_OF}""",
        [value, value, counted, model, *key],
    )
    low, median, high = quantiles if units >= MIN_UNITS else (None, None, None)
    share = (1.0 - below if better == "less" else below) if among >= MIN_UNITS else None
    otherwise = () if among else next(iter(reasons.values()))
    return OfModel(model, units, measured - units, bounds, low, median, high, share, otherwise)


def _otherwise(here: Check | None, limits: LimitFile | None, name: str) -> tuple[str, ...]:
    """Return what a model's check has otherwise than the run's own, in words."""
    if here is None or limits is None:
        return ("how it was measured is not recorded here",)
    other = next((check for check in limits.checks if check.name == name), None)
    if other is None or other.kind.name != here.kind.name:
        return ("its limit file has no such check any longer",)
    found = []
    for what in ("stimulus_values", "analysis_values", "setup"):
        mine, theirs = dict(getattr(here, what)), dict(getattr(other, what))
        for key in sorted(mine.keys() | theirs.keys()):
            if not same(mine.get(key), theirs.get(key)):
                found.append(f"{key} {condition_text(theirs.get(key))}, here {condition_text(mine.get(key))}")
    return tuple(found[:_MAX_NAMED])


def _held(stated: StatedValue, value: float, unit: str, check: Check | None) -> OfStated:
    if stated.unit != unit:
        return OfStated(stated, None, (f"stated in {stated.unit or 'no unit'}, here {unit or 'no unit'}",))
    here = {} if check is None else {**check.setup, **check.stimulus_values, **check.analysis_values}
    other, unknown = differing(dict(stated.under), here)
    if not stated.under:
        unknown = ["how it was measured"]
    return OfStated(stated, None if other else value - stated.value, tuple(other), tuple(unknown))
