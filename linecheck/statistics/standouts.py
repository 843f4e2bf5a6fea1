"""What to look at first: groups of units that fail more often than the others, or measure otherwise.

===========================  =======================================================================
:func:`standouts_of`         the groups of picked runs that stand out, the costliest first
:class:`Standout`            one of them, in a sentence
:func:`worse_than_rest`      how surely a group fails more often than the rest
:func:`apart_from_others`    how far a group's mean lies from the others, and how surely
===========================  =======================================================================

Units are parted by everything that their first judging run says of where, when and by whom they were made and tested.
So many groups are looked at that some lie far off by chance: a group stands out where that would happen in one of
:data:`FALSE_ALARM` of lines in which nothing is the matter, over all groups and metrics together (Bonferroni).

Lots, operators and days are never quite alike. Where there are enough groups, a group stands out only against how far
these lie apart among themselves (a robust between-groups spread), not merely against the spread of units.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from linecheck.statistics.sources.base import literal
from linecheck.statistics.yields import Share, first_runs, lay_units

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from linecheck.statistics.columns import Columns

#: One line in so many without anything the matter has a group that stands out.
FALSE_ALARM: Final = 0.01
#: Units that a group has at least.
MIN_UNITS: Final = 8
#: A mean that lies less than so many standard deviations of units apart is surely there and matters to nobody.
MIN_SIGMAS: Final = 0.3
#: From so many groups on their own spread is told from that of units.
MIN_GROUPS: Final = 6
#: The median absolute deviation times this is the standard deviation of a normal distribution, 1 / Φ⁻¹(3/4).
_MAD_TO_SIGMA: Final = 1.4826022185056018

#: What units are parted by: in words, and where their first judging run says it.
PARTED_BY: Final[Mapping[str, str]] = {
    "station": "station",
    "nest": "coalesce(station || '/', '') || nest",
    "lot": "lot",
    "operator": "operator",
    "shift": "shift",
    "firmware": "firmware",
    "variant": "variant",
    "work order": "work_order",
}
#: What stands out of these is left out where the others are looked at.
_SINGLED_OUT: Final = ("lot", "nest")
#: The columns of the runs that this asks for.
COLUMNS: Final = ("station", "nest", "lot", "operator", "shift", "firmware", "variant", "work_order")


@dataclass(frozen=True)
class Apart:
    """A metric whose mean in a group lies apart.

    Attributes
    ----------
    check, metric : str
    channel : str or None
    unit : str
    difference : float
        The group's mean less the median of all groups', or less that of the other one of two; in the metric's unit.
    sigmas : float
        The same in standard deviations of the units within groups.
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    difference: float
    sigmas: float


@dataclass(frozen=True)
class Standout:
    """A group that stands out.

    Attributes
    ----------
    parted_by, group : str
        ``lot`` and its name.
    units : int
        Units in it.
    failed : Share
        Its units that failed at first.
    rest : Share
        Those of all the others.
    excess : float
        Units that failed beyond the share of the rest; 0 where it does not fail more often.
    apart : tuple of Apart
        Metrics that lie apart, the farthest first.
    chance : float
        How often a line without anything the matter has such a group, at most.
    since, until : str
        When its first and its last unit were tested, in UTC.
    """

    parted_by: str
    group: str
    units: int
    failed: Share
    rest: Share
    excess: float
    apart: tuple[Apart, ...]
    chance: float
    since: str
    until: str


class _Group(NamedTuple):
    """What is counted of a group."""

    units: int
    failed: int
    since: str
    until: str


def standouts_of(columns: Columns) -> tuple[Standout, ...]:
    """Return the groups of picked runs that stand out: first those that cost most units, then those that lie apart.

    Raises
    ------
    FileError, RecordError, ServerError
        A source cannot be read.
    """
    lay_units(columns)
    found = _found(columns, PARTED_BY, "")
    # Whoever has made or tested the units of a bad lot, or of a bad nest, would be blamed for them.
    bad = [each for each in found if each.parted_by in _SINGLED_OUT]
    if bad:
        named = " OR ".join(f"{PARTED_BY[each.parted_by]} = {literal(each.group)}" for each in bad)
        others = {name: column for name, column in PARTED_BY.items() if name not in _SINGLED_OUT}
        found = [*bad, *_found(columns, others, f"WHERE NOT coalesce({named}, false)")]
    return tuple(
        sorted(found, key=lambda each: (-each.excess, -max((abs(a.sigmas) for a in each.apart), default=0.0)))
    )


def _found(columns: Columns, parted_by: Mapping[str, str], where: str) -> list[Standout]:
    """Return the groups that stand out among some of the units."""
    columns.run(f"CREATE OR REPLACE TEMP TABLE looked_at AS FROM {first_runs(columns)} {where}")
    counts = {name: _counts(columns, name) for name in parted_by}
    counts = {name: groups for name, groups in counts.items() if len(groups) > 1}
    if not counts:
        return []
    means = _means(columns, tuple(counts))
    tests = sum(len(groups) for groups in counts.values()) + sum(len(found) for found in means.values())
    allowed = FALSE_ALARM / max(tests, 1)
    return [
        standout
        for name, groups in counts.items()
        for standout in _among(name, groups, means.get(name, []), allowed, tests)
    ]


def units_judged(columns: Columns) -> int:
    """Return how many units have their first judging run among the picked ones."""
    lay_units(columns)
    return int(columns.rows(f"SELECT count(*) FROM {first_runs(columns)}")[0][0])


def worse_than_rest(failed: int, units: int, rest_failed: int, rest_units: int) -> float:
    """Return the chance that so many or more units of a group fail where it is as good as the rest (Fisher, exact).

    Parameters
    ----------
    failed, units : int
        Of the group.
    rest_failed, rest_units : int
        Of the others.
    """
    from scipy.stats import hypergeom

    return float(hypergeom.sf(failed - 1, units + rest_units, failed + rest_failed, units))


def apart_from_others(
    counts: NDArray[np.int64], means: NDArray[np.float64], variances: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return how far each group's mean lies from the others, and the chance of that.

    Parameters
    ----------
    counts, means, variances : ndarray, shape (groups,)
        Of the units in each group; the variance of one unit is NaN.

    Returns
    -------
    differences, sigmas, chances : ndarray, shape (groups,)
        In the metric's unit, and in standard deviations of the units within groups, from the median of all groups'
        means: one that lies far off does not make the others stand out. Of two groups it is from each other. The chance
        is two-sided, of a t distribution. Where groups are many, the spread between them is part of what is expected:
        the robust spread of their means, less what units alone make of it.
    """
    from scipy.stats import t

    freedom = counts - 1
    pooled = float(np.nansum(freedom * variances)) / max(int(np.sum(freedom)), 1)
    centre = means[::-1] if counts.size == 2 else np.full(means.shape, np.median(means))
    differences = means - centre
    if pooled <= 0.0:
        # All units of each group measure the same: of a metric that counts steps. Nothing tells chance from cause.
        return differences, np.zeros_like(means), np.ones_like(means)
    others = np.maximum(np.sum(counts) - counts, 1)
    # A median scatters more than a mean, by pi / 2 in variance (of many, normal).
    expected = pooled / counts + (np.pi / 2.0 if counts.size > 2 else 1.0) * pooled / others
    degrees = float(np.sum(freedom))
    if counts.size >= MIN_GROUPS:
        spread = (_MAD_TO_SIGMA * float(np.median(np.abs(differences)))) ** 2
        expected = expected + max(0.0, spread - pooled * float(np.median(1.0 / counts)))
        degrees = min(degrees, counts.size - 1.0)
    return (
        differences,
        differences / np.sqrt(pooled),
        2.0 * t.sf(np.abs(differences) / np.sqrt(expected), degrees),
    )


def _counts(columns: Columns, name: str) -> dict[str, _Group]:
    """Return units and failed units of each group, and when they were tested."""
    rows = columns.rows(
        f"SELECT {PARTED_BY[name]}, count(*), count(*) FILTER (NOT passes), "
        "strftime(min(recorded), '%Y-%m-%d %H:%M'), strftime(max(recorded), '%Y-%m-%d %H:%M') FROM looked_at "
        f"WHERE {PARTED_BY[name]} IS NOT NULL GROUP BY 1 HAVING count(*) >= {MIN_UNITS}"
    )
    return {group: _Group(*told) for group, *told in rows}


def _means(columns: Columns, names: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    """Return count, mean and variance of each metric in each group, by what parts them."""
    keys = ", ".join(f'{PARTED_BY[name]} AS "{name}"' for name in names)
    columns.run(f"CREATE OR REPLACE TEMP TABLE grouped AS SELECT log, record, {keys} FROM looked_at")
    sets = ", ".join(f'("check", metric, channel, unit, "{name}")' for name in names)
    quoted = ", ".join(f'"{name}"' for name in names)
    marks = ", ".join(f'grouping("{name}")' for name in names)
    with columns.over_readings("check", "metric", "channel", "unit", "value", "is_bound"):
        rows = columns.rows(f"""
            SELECT "check", metric, channel, unit, [{quoted}], [{marks}], count(*), avg(value), var_samp(value)
            FROM reading JOIN grouped USING (log, record)
            WHERE value IS NOT NULL AND is_bound IS DISTINCT FROM true
            GROUP BY GROUPING SETS ({sets}) HAVING count(*) >= {MIN_UNITS}""")
    found: dict[str, list[dict[str, Any]]] = {}
    for check, metric, channel, unit, groups, marked, count, mean, variance in rows:
        at = marked.index(0)
        if groups[at] is not None:
            row = {
                "key": (check, metric, channel, unit),
                "group": groups[at],
                "n": count,
                "mean": mean,
                "var": variance,
            }
            found.setdefault(names[at], []).append(row)
    return found


def _among(
    name: str, groups: dict[str, _Group], means: list[dict[str, Any]], allowed: float, tests: int
) -> Iterator[Standout]:
    """Yield the groups of one parting that stand out."""
    units_in_all = sum(each.units for each in groups.values())
    failed_in_all = sum(each.failed for each in groups.values())
    apart: dict[str, list[tuple[Apart, float]]] = {}
    for metric, rows in _by_metric(means).items():
        if len(rows) > 1:
            for group, found, chance in _apart(metric, rows):
                if chance <= allowed and abs(found.sigmas) >= MIN_SIGMAS:
                    apart.setdefault(group, []).append((found, chance))
    for group, (units, failed, since, until) in groups.items():
        rest = Share(failed_in_all - failed, units_in_all - units)
        chance = worse_than_rest(failed, units, rest.found, rest.among)
        is_worse = chance <= allowed
        metrics = sorted(apart.get(group, []), key=lambda each: -abs(each[0].sigmas))
        if is_worse or metrics:
            least = min([chance] * is_worse + [each for _, each in metrics])
            excess = failed - units * (rest.value or 0.0) if is_worse else 0.0
            told = tuple(found for found, _ in metrics)
            yield Standout(
                name,
                group,
                units,
                Share(failed, units),
                rest,
                excess,
                told,
                min(1.0, least * tests),
                since,
                until,
            )


def _by_metric(means: list[dict[str, Any]]) -> dict[tuple[Any, ...], list[dict[str, Any]]]:
    found: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in means:
        found.setdefault(row["key"], []).append(row)
    return found


def _apart(key: tuple[Any, ...], rows: list[dict[str, Any]]) -> Iterator[tuple[str, Apart, float]]:
    counts = np.array([row["n"] for row in rows])
    means = np.array([row["mean"] for row in rows])
    variances = np.array([np.nan if row["var"] is None else row["var"] for row in rows])
    differences, sigmas, chances = apart_from_others(counts, means, variances)
    check, metric, channel, unit = key
    # Two groups lie apart from each other: it is told of the smaller one.
    told = [int(np.argmin(counts))] if len(rows) == 2 else range(len(rows))
    for at in told:
        found = Apart(check, metric, channel, unit, float(differences[at]), float(sigmas[at]))
        yield rows[at]["group"], found, float(chances[at])
