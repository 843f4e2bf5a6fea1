"""What units read, metric by metric, each unit once: what capability and proposals of limits are computed from.

==========================  ==============================================================================
:func:`count_units`         lay the table ``counted``: the runs by which units count
:func:`read_metrics`        the readings of each metric and channel, with what is missing told
:class:`Counted`            which units count, and what does not
:class:`MetricReadings`     one metric in one channel
==========================  ==============================================================================

A unit counts with the first run that judged it: that passed it (held back or not), found it marginal or failed it, or
was aborted after a mask had failed. Failed units are units like others. Invalid and other aborted runs judge nothing.

Of few units the readings themselves are taken; of many the engine counts them in bins so narrow (a hundredth of the
middle half of the first of them) that what is computed of the bins' means is the same to four digits.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.errors import UsageError
from linecheck.limits.decision import SIDES
from linecheck.limits.model import Check, LimitFile, Mask
from linecheck.limits.verdict import Verdict
from linecheck.statistics.capability import Tolerance, Within
from linecheck.statistics.fits import Sample
from linecheck.statistics.sources.base import literal
from linecheck.statistics.tolerances import moving_range_spread, pooled_spread
from linecheck.statistics.yields import lay_judging

if TYPE_CHECKING:
    from linecheck.statistics.columns import Columns
    from linecheck.statistics.sources.base import Only

#: By what the spread within is had, and where a run says it.
SUBGROUPS: Final[Mapping[str, str]] = {
    "day": "strftime(recorded, '%Y-%m-%d')",
    **{name: f"coalesce({name}, '')" for name in ("lot", "shift", "station", "nest", "work_order")},
}
MOVING_RANGE: Final = "moving-range"
#: Columns of the runs that this needs.
COLUMNS: Final = (
    "serial",
    "model",
    "recorded",
    "released",
    "verdict",
    "purpose",
    "limit_sha256",
    "limit_revision",
)
#: The order of the counted units, from the newest.
NEWEST_FIRST: Final = "recorded DESC, log DESC, record DESC"
#: More units than this are counted in bins.
FEW: Final = 10_000
#: So many rows say how narrow bins are.
_LOOKED_AT: Final = 200_000
_BINS_IN_MIDDLE_HALF: Final = 100.0
_JUDGED: Final = tuple(verdict.value for verdict in Verdict if verdict is not Verdict.ABORTED)
_IS_VOID: Final = "value IS NOT NULL AND verdict = 'invalid' AND NOT coalesce(is_bound, false)"
_KEY: Final = '"check", metric, channel'

Key = tuple[str, str, str | None]


@dataclass(frozen=True)
class Counted:
    """Which units count.

    Attributes
    ----------
    units : int
    unjudged : int
        Picked runs that judge nothing: invalid ones, and aborted ones that no mask had failed.
    again : int
        Picked runs that judge a unit again.
    others : int
        Picked runs of other models.
    revisions : tuple of int
        Revisions of the limit file that judged them.
    since, until : str
        When they were recorded.
    """

    units: int
    unjudged: int
    again: int
    others: int
    revisions: tuple[int, ...]
    since: str
    until: str


@dataclass(frozen=True, eq=False)
class MetricReadings:
    """What the counted units read of one metric in one channel.

    Attributes
    ----------
    check, metric, channel : str, str, str or None
    unit : str
    spec : MetricSpec or CurveSpec
    mask : Mask or None
    sample : Sample
        Of a curve how far its worst point is within the mask that judged it.
    is_curve : bool
    missing : int
        Units that have no value.
    void : int
        Units whose value nothing can be told by, as a fault of the station made it void.
    uncertainty : float or None
        Of a reading, k = 1, root mean square; None where one has none.
    within : Within or None
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    spec: MetricSpec | CurveSpec
    mask: Mask | None
    sample: Sample
    is_curve: bool
    missing: int
    void: int
    uncertainty: float | None
    within: Within | None

    @property
    def key(self) -> Key:
        """Check, metric and channel."""
        return self.check, self.metric, self.channel

    def tolerance(self, *, of_pass: bool = False) -> Tolerance:
        """Return the limits that fail a unit, or those that it passes by; of a curve, its distance from them."""
        possible = (-math.inf, math.inf) if self.is_curve else self.spec.possible
        if self.mask is None:
            return Tolerance(None, None, possible)
        if self.is_curve:
            return Tolerance(0.0, None)
        bounds = self.mask.pass_ if of_pass or self.mask.fail is None else self.mask.fail
        lower, upper = (None if isinstance(limit, tuple) else limit for limit in (bounds.min, bounds.max))
        return Tolerance(lower, upper, possible)


def count_units(columns: Columns, limits: LimitFile, *, every_run: bool = False) -> Counted:
    """Lay the table ``counted``, and return which units are in it.

    Parameters
    ----------
    columns : Columns
        With :data:`COLUMNS` and what the spread within is had by.
    limits : LimitFile
        Of the model that is meant.
    every_run : bool
        Whether each run that judges a unit counts, in place of each unit once.
    """
    lay_judging(columns, f"model = {literal(limits.model)}")
    again = "judging SEMI JOIN several USING (purpose, model, serial)"
    if not every_run:
        again = f"""(FROM {again} QUALIFY 1 = row_number()
            OVER (PARTITION BY purpose, model, serial ORDER BY recorded, log, record))"""
    unread = "serial, model, purpose, verdict, released, state, passes"
    columns.run(f"""
        CREATE OR REPLACE TEMP TABLE counted AS
        SELECT * EXCLUDE ({unread}) FROM (
            FROM judging ANTI JOIN several USING (purpose, model, serial) UNION ALL BY NAME FROM {again})
        {columns.picked}""")
    (judged, others, runs) = columns.rows(
        f"""SELECT (SELECT count(*) FROM judging {columns.picked}), count(*) FILTER (model <> ?), count(*) FROM run""",
        [limits.model],
    )[0]
    (units, since, until) = columns.rows(
        "SELECT count(*), strftime(min(recorded), '%Y-%m-%d %H:%M'), strftime(max(recorded), '%Y-%m-%d %H:%M') "
        "FROM counted"
    )[0]
    revisions = columns.rows("SELECT DISTINCT limit_revision FROM counted ORDER BY 1")
    return Counted(
        units,
        runs - judged - others,
        judged - units,
        others,
        tuple(revision for (revision,) in revisions if revision is not None),
        since or "",
        until or "",
    )


def read_metrics(
    columns: Columns,
    limits: LimitFile,
    units: int,
    *,
    within: str | None = None,
    of_pass: bool = False,
    wanted: Collection[str] = (),
) -> list[MetricReadings]:
    """Return what the counted units read of every metric that a mask judges, and of those that are wanted.

    Parameters
    ----------
    columns : Columns
        After :func:`count_units`.
    limits : LimitFile
    units : int
        How many count.
    within : str, optional
        By what the spread within is had: :data:`MOVING_RANGE` (of few units; the usual) or a name of
        :data:`SUBGROUPS` (of many by day).
    of_pass : bool
        Whether curves are held against the pass mask, in place of the one that fails units.
    wanted : collection of str
        ``CHECK.METRIC``: these alone, also without a mask.

    Raises
    ------
    UsageError
        No unit has one that is wanted; there are too many units for moving ranges.
    """
    is_few = units <= FEW
    if within == MOVING_RANGE and not is_few:
        raise UsageError(
            f"--within {MOVING_RANGE} is for up to {FEW} units, and there are {units}: give a subgroup"
        )
    by = within or (MOVING_RANGE if is_few else "day")
    for name in wanted:
        if not any(
            _is_named(name, check.name, spec.name) for check in limits.checks for spec in specs_of(check)
        ):
            raise UsageError(f"--metric {name}: the limit file has no such check, or its kind no such metric")
    source = _Source(columns, limits, of_pass, wanted)
    groups = _of_few(source, by) if is_few else _of_many(source, by, units)
    found = [_metric(limits, key, rows, units, by) for key, rows in groups.items()]
    for name in wanted:
        if not any(_is_named(name, item.check, item.metric) for item in found):
            raise UsageError(f"--metric {name}: no unit has such a reading")
    return sorted(found, key=lambda item: _place(limits, item))


def _place(limits: LimitFile, item: MetricReadings) -> tuple[int, int, int]:
    """Return where a metric stands in its limit file."""
    checks = [check.name for check in limits.checks]
    check = checks.index(item.check)
    metrics = [spec.name for spec in specs_of(limits.checks[check])]
    channels = [None, *limits.channels]
    return (
        check,
        metrics.index(item.metric),
        channels.index(item.channel) if item.channel in channels else len(channels),
    )


def _is_named(name: str, check: str, metric: str) -> bool:
    return name in (f"{check}.{metric}", f"{check.partition('@')[0]}.{metric}")


@dataclass
class _Rows:
    """What was counted of one metric in one channel."""

    is_curve: bool
    values: list[tuple[float, int, bool]]
    missing: int = 0
    void: int = 0
    present: int = 0
    square: float = 0.0
    unknown: int = 0
    within: tuple[float, float] | None = None


class _Source:
    """The readings that are meant, as the engine is asked for them."""

    def __init__(self, columns: Columns, limits: LimitFile, of_pass: bool, wanted: Collection[str]) -> None:
        self.columns = columns
        self._of_pass = of_pass
        self.channels = len(limits.channels)
        self.meant = [
            (check.name, spec.name)
            for check in limits.checks
            for spec in specs_of(check)
            if (
                any(_is_named(name, check.name, spec.name) for name in wanted)
                if wanted
                else spec.name in check.masks
            )
        ]
        curves = {
            (check.name, spec.name) for check in limits.checks for spec in specs_of(check) if _is_curve(spec)
        }
        self._with_curves = not curves.isdisjoint(self.meant)
        # What is not asked for is not read.
        self.only: Only = {"verdict": _JUDGED}
        if wanted:
            self.only = {"metric": sorted({metric for _, metric in self.meant})}

    @property
    def names(self) -> tuple[str, ...]:
        """The columns that are asked for."""
        plain = ("check", "metric", "channel", "value", "uncertainty", "is_bound", "verdict")
        return (*plain, *(("is_curve", "side", *self._limits) if self._with_curves else ()))

    @property
    def _limits(self) -> tuple[str, ...]:
        return ("margin",) if self._of_pass else ("pass_limit", "fail_limit")

    def rows(self, table: str) -> str:
        """Return the text of a table: the readings that are meant, of the units that count."""
        limit = "coalesce(fail_limit, pass_limit)"
        distance = f"CASE side WHEN 'max' THEN {limit} - value WHEN 'min' THEN value - {limit} END"
        if self._of_pass:
            distance = "margin"
        is_curve = "is_curve" if self._with_curves else "false"
        value = f"CASE WHEN is_curve THEN {distance} ELSE value END" if self._with_curves else "value"
        return f"""(
            SELECT {_KEY}, meant.number AS meant, {is_curve} AS is_curve, coalesce(is_bound, false) AS is_bound,
                uncertainty, recorded, log, record, subgroup, {_IS_VOID} AS is_void,
                {value} AS value
            FROM {table} JOIN unit_order USING (log, record) JOIN meant USING ("check", metric))"""

    def lay(self, by: str) -> None:
        """Lay the tables that say which readings are meant, and in which order and subgroup units are."""
        subgroup = SUBGROUPS.get(by, "''")
        self.columns.run(
            "CREATE OR REPLACE TEMP TABLE unit_order AS "
            f"SELECT log, record, recorded, dense_rank() OVER (ORDER BY {subgroup}) AS subgroup FROM counted"
        )
        _lay_meant(self.columns, self.meant)


#: What is counted of each value, or bin.
_TOTALS: Final = """
    any_value(is_curve) AS is_curve, count(*) AS present,
    count(*) FILTER (value IS NULL) AS missing, count(*) FILTER (is_void) AS void,
    count(*) FILTER (value IS NOT NULL AND uncertainty IS NULL) AS unknown,
    sum(uncertainty * uncertainty) FILTER (value IS NOT NULL) AS square,
    avg(value) FILTER (NOT is_void) AS mean, count(value) FILTER (NOT is_void) AS units"""


def _of_few(source: _Source, by: str) -> dict[Key, _Rows]:
    columns = source.columns
    source.lay(by)
    columns.keep_readings(*source.names, only=source.only, table="kept")
    rows = source.rows("kept")
    found = _collected(
        columns.rows(f"SELECT {_KEY}, is_bound, {_TOTALS} FROM {rows} GROUP BY {_KEY}, is_bound, value")
    )
    if by == MOVING_RANGE:
        ranges = columns.rows(f"""
            SELECT {_KEY}, avg(abs(value - before)), count(value) FROM (
                SELECT {_KEY}, value, lag(value) OVER (PARTITION BY {_KEY} ORDER BY recorded, log, record) AS before
                FROM {rows} WHERE value IS NOT NULL AND NOT is_void)
            GROUP BY {_KEY}""")
        for *key, mean_range, units in ranges:
            if mean_range is not None and units > 2:
                found[_key(key)].within = moving_range_spread(mean_range, units)
    else:
        _pooled(
            found,
            columns.rows(
                f"SELECT {_KEY}, count(value), coalesce(var_samp(value), 0) FROM {rows} WHERE NOT is_void "
                f"GROUP BY {_KEY}, subgroup"
            ),
        )
    return found


def _of_many(source: _Source, by: str, units: int) -> dict[Key, _Rows]:
    columns = source.columns
    source.lay(by)
    _lay_bin_widths(source, units)
    width = "CASE WHEN middle > 0 THEN middle WHEN rest > 0 THEN rest END"
    # Numbers for names: to group many millions of rows by texts takes twice as long.
    with columns.over_readings(*source.names, only=source.only):
        counted = columns.rows(f"""
            WITH r AS (
                SELECT r.*, CASE WHEN {width} IS NULL THEN r.value ELSE floor(r.value / {width}) END AS bin
                FROM {source.rows("reading")} AS r LEFT JOIN bin_width AS w
                ON r.meant = w.meant AND r.channel IS NOT DISTINCT FROM w.channel)
            SELECT meant, channel, is_bound, {_TOTALS}, GROUPING(bin) AS is_subgroup,
                var_samp(value) FILTER (NOT is_void)
            FROM r GROUP BY GROUPING SETS ((meant, channel, is_bound, bin), (meant, channel, subgroup))""")
    named = [(*source.meant[row[0]], *row[1:]) for row in counted]
    found = _collected([row[:-2] for row in named if not row[-2]])
    _pooled(found, ((*row[:3], row[-3], row[-1] or 0.0) for row in named if row[-2]))
    return found


def _lay_bin_widths(source: _Source, units: int) -> None:
    """Lay how wide the bins of each metric are, as its first readings say; of what is not among them, as some say."""
    columns = source.columns
    columns.run(
        "CREATE OR REPLACE TEMP TABLE bin_width (meant INTEGER, channel VARCHAR, middle DOUBLE, rest DOUBLE)"
    )
    share = 100.0 * _LOOKED_AT / (units * len(source.meant))
    # Mostly the readings of a run stand together, but an export may have been put in another order.
    for some in (f"LIMIT {_LOOKED_AT}", f"USING SAMPLE {min(share, 100.0):.6f} PERCENT (bernoulli, 1)"):
        known = columns.rows(
            "SELECT meant FROM bin_width GROUP BY meant HAVING any_value(channel) IS NULL OR count(*) >= ?",
            [source.channels],
        )
        found = {number for (number,) in known}
        left = [pair for number, pair in enumerate(source.meant) if number not in found]
        if not left:
            return
        only = {**source.only, "metric": sorted({metric for _, metric in left})}
        with columns.over_readings(*source.names, only=only):
            columns.run(f"""
                INSERT INTO bin_width
                SELECT meant, channel,
                    (quantile_cont(value, 0.75) - quantile_cont(value, 0.25)) / {_BINS_IN_MIDDLE_HALF} AS middle,
                    stddev_samp(value) / {_BINS_IN_MIDDLE_HALF} AS rest
                FROM {source.rows(f"(FROM reading {some})")} AS r ANTI JOIN bin_width AS w
                ON w.meant = r.meant AND w.channel IS NOT DISTINCT FROM r.channel
                GROUP BY meant, channel""")


def judged_columns(columns: Columns, limits: LimitFile, most: int) -> dict[str, Any]:
    """Return every judged reading of the newest of the counted units, as columns; curves by their worst point.

    ``channel`` is empty for the pair.
    """
    _lay_meant(columns, [(check.name, metric) for check in limits.checks for metric in check.masks])
    columns.run(f"""
        CREATE OR REPLACE TEMP TABLE newest AS
        SELECT log, record, row_number() OVER (ORDER BY recorded, log, record) AS nth
        FROM (FROM counted ORDER BY {NEWEST_FIRST} LIMIT {most})""")
    names = ("check", "metric", "channel", "value", "uncertainty", "is_bound", "verdict", "is_curve")
    with columns.over_readings(*names, only={"verdict": _JUDGED}):
        return columns.arrays(f"""
            SELECT nth, "check", metric, coalesce(channel, '') AS channel, value, uncertainty, verdict,
                coalesce(is_bound, false) AS is_bound,
                coalesce(is_curve, false) AS is_curve, {_IS_VOID} AS is_void
            FROM reading JOIN newest USING (log, record) SEMI JOIN meant USING ("check", metric)""")


def _lay_meant(columns: Columns, pairs: Iterable[tuple[str, str]]) -> None:
    """Lay the table of the checks and metrics that are meant, each once, with their numbers."""
    # A stream says not how long it is, and the engine would keep it whole to look the units up in.
    columns.run("SET disabled_optimizers = 'join_order,build_side_probe_side'")
    columns.run('CREATE OR REPLACE TEMP TABLE meant ("check" VARCHAR, metric VARCHAR, number INTEGER)')
    for number, pair in enumerate(pairs):
        columns.run("INSERT INTO meant VALUES (?, ?, ?)", (*pair, number))


def _key(parts: Any) -> Key:  # noqa: ANN401 - the columns of a row
    check, metric, channel = parts
    return check, metric, channel


def _collected(rows: Any) -> dict[Key, _Rows]:  # noqa: ANN401 - rows of the engine
    """Put the values, or bins, of each metric together."""
    found: dict[Key, _Rows] = {}
    for (
        check,
        metric,
        channel,
        is_bound,
        is_curve,
        present,
        missing,
        void,
        unknown,
        square,
        mean,
        units,
    ) in rows:
        of = found.setdefault((check, metric, channel), _Rows(bool(is_curve), []))
        of.present += present
        of.missing += missing
        of.void += void
        of.unknown += unknown
        of.square += square or 0.0
        if units:
            of.values.append((mean, units, is_bound))
    return found


def _pooled(found: dict[Key, _Rows], rows: Any) -> None:  # noqa: ANN401 - rows of the engine
    groups: dict[Key, list[tuple[float, float]]] = {}
    for *key, units, variance in rows:
        if units:
            groups.setdefault(_key(key), []).append((variance, units))
    for one, pairs in groups.items():
        variances, units = np.array(pairs, dtype=np.float64).T
        spread, dof = pooled_spread(variances, units)
        if dof > 0.0:
            found[one].within = spread, dof


def _metric(limits: LimitFile, key: Key, rows: _Rows, units: int, by: str) -> MetricReadings:
    check, metric, channel = key
    entry = next(entry for entry in limits.checks if entry.name == check)
    spec = next(spec for spec in specs_of(entry) if spec.name == metric)
    told = np.array(sorted(rows.values), dtype=np.float64).reshape(-1, 3)
    is_bound = told[:, 2] > 0.0
    side = SIDES[spec.better]
    sample = Sample(
        np.ascontiguousarray(told[~is_bound, 0]),
        np.ascontiguousarray(told[~is_bound, 1]),
        np.ascontiguousarray(told[is_bound, 0]),
        np.ascontiguousarray(told[is_bound, 1]),
        side,
    )
    with_value = rows.present - rows.missing
    known = with_value and not rows.unknown and not rows.is_curve
    return MetricReadings(
        check,
        metric,
        channel,
        spec.unit,
        spec,
        entry.masks.get(metric),
        sample,
        rows.is_curve,
        max(units - with_value, 0),
        rows.void,
        math.sqrt(rows.square / with_value) if known else None,
        None if rows.within is None else Within(*rows.within, by.replace("-", " "), by == MOVING_RANGE),
    )


def specs_of(check: Check) -> tuple[MetricSpec | CurveSpec, ...]:
    """Return what the kind of a check declares; a check of a record only names its kind."""
    kind = kinds().get(check.kind.name)
    return () if kind is None else kind.specs


def _is_curve(spec: MetricSpec | CurveSpec) -> bool:
    return isinstance(spec, CurveSpec)
