"""Yield by unit: first-pass, final and rolled; what fails most; what retests hid.

==========================  ========================================================================
:func:`yields_of`           the yields of picked runs, in all and by a property of runs
:class:`Yields`             all of it
:class:`Share`              so many of so many, with its exact interval
==========================  ========================================================================

A run judges its unit where it passed (held back or not), was marginal or failed, or was aborted after a mask had
failed, as the retest rule counts it (:mod:`linecheck.limits.retest`). Invalid and other aborted runs judge nothing and
are counted apart. Golden and challenge units are never counted.

- *First-pass*: units whose first run that judged them passed, of the units judged. What is first is told by time, over
  all logs, whatever else the runs are picked by: a unit that was judged before a span of time has no first run in it.
- *Final*: units that are released by the retest rule after their last run.
- *Rolled*: the product over the checks of the share of first judging runs in which none of the check's masks failed.
  It is what would pass if checks failed independently of each other; where they fail together it is below first-pass.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from linecheck.limits.verdict import Verdict
from linecheck.run.model import HOLD
from linecheck.statistics.intervals import binomial_interval

if TYPE_CHECKING:
    from linecheck.statistics.columns import Columns

#: What yields are told by: the name, and where the first judging run of a unit says it.
GROUPS: Final[Mapping[str, str]] = {
    "day": "strftime(recorded, '%Y-%m-%d')",
    "week": "strftime(recorded, '%G-W%V')",
    "month": "strftime(recorded, '%Y-%m')",
    **{
        name: name
        for name in (
            "shift",
            "lot",
            "station",
            "nest",
            "operator",
            "firmware",
            "variant",
            "model",
            "work_order",
        )
    },
}
#: Columns of the runs that yields are counted from.
COLUMNS: Final = (
    "serial",
    "model",
    "recorded",
    "reason",
    "cause",
    "released",
    "verdict",
    "purpose",
)
_PASSES: Final = (Verdict.PASS.value, Verdict.MARGINAL.value, HOLD)


@dataclass(frozen=True)
class Share:
    """So many of so many, with the exact interval of the share at 95 %."""

    found: int
    among: int

    @property
    def value(self) -> float | None:
        """The share, 0 to 1; None of none."""
        return self.found / self.among if self.among else None

    @property
    def interval(self) -> tuple[float, float]:
        """What it lies between."""
        return binomial_interval(self.found, self.among)

    def plain(self) -> dict[str, Any]:
        """Return it as plain data."""
        low, high = self.interval
        return {"found": self.found, "among": self.among, "share": self.value, "low": low, "high": high}


@dataclass(frozen=True)
class Group:
    """The yields of the units of one group; ``name`` is empty where their runs do not say."""

    name: str
    first_pass: Share
    final: Share


@dataclass(frozen=True)
class Row:
    """A row of a Pareto table: a cause by its code, or a metric, and of how many units' first judging runs."""

    name: str
    units: Share


@dataclass(frozen=True)
class Yields:
    """What was counted.

    Attributes
    ----------
    runs, units : int
        Picked runs of units, and the units in them.
    first_pass, final : Share
    rolled : float or None
        None where no run says what its checks came to.
    checks : tuple of Row
        By check the units that failed in it, most first.
    invalid, aborted, held : int
        Runs that judged nothing, and units that passed and are not released.
    unjudged : int
        Units that no run has judged.
    hidden : int
        Units that failed first and are released now, without a repair in between.
    repaired : int
        Units that failed first and are released now after one.
    first_seen_before : int
        Units in the picked runs whose first judging run is not among them.
    groups : tuple of Group
    causes, metrics : tuple of Row
        Most first, of the units that failed at first.
    since, until : str
        When the first and the last of these runs were recorded; empty where there are none.
    """

    runs: int
    units: int
    first_pass: Share
    final: Share
    rolled: float | None
    checks: tuple[Row, ...]
    invalid: int
    aborted: int
    held: int
    unjudged: int
    hidden: int
    repaired: int
    first_seen_before: int
    groups: tuple[Group, ...]
    causes: tuple[Row, ...]
    metrics: tuple[Row, ...]
    since: str
    until: str


def yields_of(columns: Columns, by: str | None = None, *, limit: int | None = None) -> Yields:
    """Return the yields of picked runs.

    Parameters
    ----------
    columns : Columns
        With :data:`COLUMNS` and what ``by`` needs.
    by : str, optional
        A name of :data:`GROUPS`.
    limit : int, optional
        At most so many groups, causes and metrics: the worst, or the latest where they are spans of time.

    Raises
    ------
    FileError, RecordError, ServerError
        A source cannot be read.
    """
    lay_units(columns)
    counted = _counts(columns)
    judged, failed_first = counted["judged"], counted["judged"] - counted["first_passed"]
    checks = tuple(_failed_by(columns, '"check"', judged, None))
    return Yields(
        runs=counted["runs"],
        units=counted["units"],
        first_pass=Share(counted["first_passed"], judged),
        final=Share(counted["released"], counted["finally_judged"]),
        rolled=math.prod(1.0 - (row.units.value or 0.0) for row in checks) if judged else None,
        checks=checks,
        **{name: counted[name] for name in ("invalid", "aborted", "held", "unjudged", "hidden", "repaired")},
        first_seen_before=counted["first_seen_before"],
        groups=tuple(_groups(columns, by, limit)) if by is not None else (),
        causes=tuple(_causes(columns, failed_first, limit)),
        metrics=tuple(_failed_by(columns, "\"check\" || '.' || metric", judged, limit)),
        since=counted["since"],
        until=counted["until"],
    )


def lay_judging(columns: Columns, which: str, *, failures: Sequence[str] = ()) -> None:
    """Lay ``judging``: the runs that judged a unit, each with whether it ``passes``; and the units of ``several`` runs.

    Most units are run once. What puts runs in order is asked of the others alone, and nothing is copied.

    Parameters
    ----------
    columns : Columns
    which : str
        A condition on runs.
    failures : sequence of str
        Columns of what failed in which run, to lay as ``failure`` too: few readings of very many.
    """
    aborted = "false"
    if failures or columns.rows("SELECT 1 FROM every_run WHERE state = 'aborted' LIMIT 1"):
        columns.keep_readings(*failures, only={"verdict": [Verdict.FAIL.value]}, table="failure", of_all=True)
        aborted = "state = 'aborted' AND (log, record) IN (SELECT (log, record) FROM failure)"
    passes = ", ".join(f"'{state}'" for state in _PASSES)
    columns.run(f"""
        CREATE OR REPLACE TEMP VIEW judging AS
        SELECT *, state IN ({passes}) AS passes FROM every_run
        WHERE {which} AND (state IN ({passes}, 'fail') OR ({aborted}))""")
    columns.run(f"""
        CREATE OR REPLACE TEMP TABLE several AS
        SELECT purpose, model, serial FROM every_run WHERE {which} GROUP BY ALL HAVING count(*) > 1""")


def lay_units(columns: Columns) -> None:
    """Lay ``unit``: what became of each unit, of all its runs in time; and ``failure``: what failed in which run."""
    if columns.has("unit_again"):
        return
    lay_judging(columns, "purpose = 'unit'", failures=("check", "metric"))
    fresh, needed = _retest_rule(columns)
    columns.lay_repaired()
    columns.run("""
        CREATE OR REPLACE TEMP TABLE again AS
        SELECT *, row_number() OVER (PARTITION BY model, serial ORDER BY recorded, log, record) AS nth
        FROM judging SEMI JOIN several USING (model, serial)""")
    columns.run(f"""
        CREATE OR REPLACE TEMP TABLE judged_again AS
        WITH told AS (
            SELECT *, coalesce(reason IN ({fresh}), false) AS is_fresh,
                (log, record) IN (SELECT (log, record) FROM repaired) AS led_to_repair
            FROM again
        ), marked AS (
            SELECT *,
                max(nth) FILTER (is_fresh) OVER unit AS began,
                max(nth) FILTER (NOT passes) OVER unit AS last_failed
            FROM told WINDOW unit AS (PARTITION BY model, serial)
        )
        SELECT model, serial,
            arg_max(passes, nth) AND arg_max(state, nth) <> '{HOLD}' AND
                count(*) FILTER (passes AND nth > coalesce(last_failed, 0) AND nth >= coalesce(began, 1)) >=
                CASE WHEN any_value(last_failed) >= coalesce(any_value(began), 1) THEN {needed} ELSE 1 END AS released,
            arg_max(state, nth) AS last_state,
            bool_or(is_fresh OR (led_to_repair AND NOT passes)) AS repaired
        FROM marked GROUP BY ALL""")
    columns.run("""
        CREATE OR REPLACE TEMP TABLE unit_again AS
        SELECT f.*, a.released AS is_released, a.last_state, a.repaired AS is_repaired
        FROM again AS f JOIN judged_again AS a USING (model, serial) WHERE f.nth = 1""")
    columns.run(f"""
        CREATE OR REPLACE TEMP VIEW unit AS
        FROM unit_again
        UNION ALL BY NAME
        SELECT *, 1 AS nth, passes AND state <> '{HOLD}' AS is_released, state AS last_state, false AS is_repaired
        FROM judging ANTI JOIN several USING (model, serial)""")


def _retest_rule(columns: Columns) -> tuple[str, int]:
    """Return the codes that begin counting anew, and how many passes release a unit that has failed."""
    limits = columns.limit_file
    policy = None if limits is None else limits.retest
    if policy is None:
        return "NULL", 1
    return ", ".join(f"'{code}'" for code in policy.fresh_start) or "NULL", policy.passes_after_fail


#: What is counted of the units with picked runs ``p``, whose row in ``unit`` is ``u`` and whose first judging run is
#: ``is_picked``.
_COUNTED: Final[Mapping[str, str]] = {
    "runs": "sum(p.runs)",
    "units": "count(*)",
    "invalid": "sum(p.invalid)",
    "aborted": "sum(p.aborted)",
    "unjudged": "count(*) FILTER (u.serial IS NULL)",
    "first_seen_before": "count(*) FILTER (u.serial IS NOT NULL AND NOT is_picked)",
    "judged": "count(*) FILTER (is_picked)",
    "first_passed": "count(*) FILTER (is_picked AND u.passes)",
    "released": "count(*) FILTER (u.is_released)",
    "held": f"count(*) FILTER (u.last_state = '{HOLD}')",
    "hidden": "count(*) FILTER (is_picked AND NOT u.passes AND u.is_released AND NOT u.is_repaired)",
    "repaired": "count(*) FILTER (is_picked AND NOT u.passes AND u.is_released AND u.is_repaired)",
}


def _counts(columns: Columns) -> dict[str, Any]:
    """Return what is counted of the picked runs and their units."""
    counted = ", ".join(_COUNTED.values())
    invalid, aborted = (f"count(*) FILTER (state = '{state}') AS {state}" for state in ("invalid", "aborted"))
    (again,) = columns.rows(f"""
        WITH p AS (
            SELECT model, serial, count(*) AS runs, {invalid}, {aborted}
            FROM run SEMI JOIN several USING (purpose, model, serial) WHERE purpose = 'unit' GROUP BY model, serial
        )
        SELECT {counted} FROM (
            SELECT p, u, r.record IS NOT NULL AS is_picked FROM p
            LEFT JOIN unit_again AS u USING (model, serial)
            LEFT JOIN run AS r ON r.log = u.log AND r.record = u.record)""")
    # The only run of a unit is the unit.
    passes = ", ".join(f"'{state}'" for state in _PASSES)
    failed = "(state = 'aborted' AND (log, record) IN (SELECT (log, record) FROM failure))"
    (once,) = columns.rows(f"""
        WITH alone AS (
            SELECT state, serial, state IN ({passes}) AS passes, state IN ({passes}, 'fail') OR {failed} AS judges
            FROM run ANTI JOIN several USING (purpose, model, serial) WHERE purpose = 'unit'
        )
        SELECT {counted} FROM (
            SELECT judges AS is_picked,
                {{'runs': 1, 'invalid': (state = 'invalid')::INT, 'aborted': (state = 'aborted')::INT}} AS p,
                {{'serial': CASE WHEN judges THEN serial END, 'passes': judges AND passes, 'last_state': state,
                  'is_released': judges AND passes AND state <> '{HOLD}', 'is_repaired': false}} AS u
            FROM alone)""")
    found = {name: int(a or 0) + int(b or 0) for name, a, b in zip(_COUNTED, again, once, strict=True)}
    found["finally_judged"] = found["units"] - found["unjudged"]
    ((since, until),) = columns.rows(
        "SELECT strftime(min(recorded), '%Y-%m-%d %H:%M'), strftime(max(recorded), '%Y-%m-%d %H:%M') "
        "FROM run WHERE purpose = 'unit'"
    )
    return found | {"since": since or "", "until": until or ""}


def first_runs(columns: Columns) -> str:
    """Return the text of a table: the first judging runs that are picked."""
    return f"(FROM unit {columns.picked})"


def _groups(columns: Columns, by: str, limit: int | None) -> Iterator[Group]:
    in_time = by in ("day", "week", "month")
    order = "1 DESC" if in_time else "found / among, among DESC, 1"
    rows = columns.rows(f"""
        SELECT coalesce({GROUPS[by]}, '') AS name, count(*) FILTER (passes) AS found, count(*) AS among,
            count(*) FILTER (is_released) AS released
        FROM {first_runs(columns)} GROUP BY 1 ORDER BY {order} LIMIT {limit or 1_000_000}""")
    for name, found, among, released in reversed(rows) if in_time else rows:
        yield Group(name, Share(found, among), Share(released, among))


def _causes(columns: Columns, failed: int, limit: int | None) -> Iterator[Row]:
    rows = columns.rows(f"""
        SELECT coalesce(cause, ''), count(*) FROM {first_runs(columns)} WHERE NOT passes
        GROUP BY 1 ORDER BY 2 DESC, 1 LIMIT {limit or 1_000_000}""")
    yield from (Row(name, Share(units, failed)) for name, units in rows)


def _failed_by(columns: Columns, name: str, judged: int, limit: int | None) -> Iterator[Row]:
    """Yield what failed in the first judging runs, each once a unit."""
    # Few runs failed: it is they that are looked for among the first, not the first among them.
    columns.run(f"""
        CREATE TEMP TABLE IF NOT EXISTS failed_first AS
        WITH first AS (SELECT log, record FROM {first_runs(columns)} SEMI JOIN failure USING (log, record))
        FROM failure SEMI JOIN first USING (log, record)""")
    rows = columns.rows(f"""
        SELECT name, count(*) FROM (SELECT DISTINCT log, record, {name} AS name FROM failed_first)
        GROUP BY 1 ORDER BY 2 DESC, 1 LIMIT {limit or 1_000_000}""")
    yield from (Row(found, Share(units, judged)) for found, units in rows)


def cumulated(rows: Sequence[Row]) -> Iterator[float]:
    """Yield the cumulated share of each row of a Pareto table, of all that its rows count."""
    total, so_far = sum(row.units.found for row in rows), 0
    for row in rows:
        so_far += row.units.found
        yield so_far / total
