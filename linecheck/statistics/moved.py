"""What has moved lately: every judged metric of the newest runs, weighed as :mod:`linecheck.statistics.drift` does.

So many metrics are looked at that some seem to move by chance: what has moved is told where that would happen in one of
:data:`~linecheck.statistics.standouts.FALSE_ALARM` of lines in which nothing moves, over all metrics together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from linecheck.limits.verdict import Verdict
from linecheck.statistics.drift import MIN_VALUES, Hypothesis, Runs, weigh
from linecheck.statistics.drift_runs import drift_runs
from linecheck.statistics.series import MetricName, Series
from linecheck.statistics.standouts import FALSE_ALARM, MIN_SIGMAS, Standout
from linecheck.statistics.yields import first_runs, lay_units

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from linecheck.statistics.columns import Columns

#: The newest runs that are weighed; what moved before them is old.
MAX_RUNS: Final = 20_000
#: A trend has so many means, over as long spans of time.
_SPANS: Final = 24
_JUDGING: Final = tuple(verdict.value for verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL))


@dataclass(frozen=True, eq=False)
class Trend:
    """Means over time of units in each nest or station, and of golden units.

    Attributes
    ----------
    since : str
        When it begins, in UTC.
    days : ndarray, shape (spans,)
        The middle of each span, from then on.
    means : mapping of str to ndarray, shape (spans,)
        By what was measured; NaN where nothing was.
    moved : str
        Which of them has moved; empty where it is all.
    """

    since: str
    days: NDArray[np.float64]
    means: Mapping[str, NDArray[np.float64]]
    moved: str


@dataclass(frozen=True, eq=False)
class Moved:
    """A metric that has moved.

    Attributes
    ----------
    model : str
    name : MetricName
    unit : str
    what : Hypothesis
        Which thing has moved, or which that cannot be told apart.
    since : str
        When, in UTC.
    sigmas : float
        How far, in standard deviations of units, or of golden units where there are no others.
    trend : Trend
    """

    model: str
    name: MetricName
    unit: str
    what: Hypothesis
    since: str
    sigmas: float
    trend: Trend


def moved_of(columns: Columns, standouts: Sequence[Standout]) -> tuple[Moved, ...]:
    """Return what has moved in the newest of the picked units and in the golden units beside them, the farthest first.

    Parameters
    ----------
    columns : Columns
    standouts : sequence of Standout
        What stands out by lot is no move: its units are left out where they lie apart.

    Raises
    ------
    FileError, RecordError, ServerError
        A source cannot be read.
    """
    _lay_recent(columns, [each for each in standouts if each.parted_by == "lot"])
    runs = columns.arrays("""
        SELECT log, record, CAST(recorded AS TIMESTAMP) AS moment, serial, model, purpose,
            coalesce(station, '') AS station, coalesce(nest, '') AS nest
        FROM recent ORDER BY place""")
    found = columns.arrays(
        "SELECT metric_number, place, value FROM recent_reading ORDER BY metric_number, place"
    )
    keys = columns.rows("""
        SELECT metric_number, any_value(model), any_value("check"), any_value(metric), any_value(channel),
            any_value(unit), count(DISTINCT unit) FROM recent_reading GROUP BY 1 ORDER BY 1""")
    begins = np.searchsorted(found["metric_number"], [key[0] for key in keys] + [np.inf])
    moved: list[Moved] = []
    for at, (_, model, check, metric, channel, unit, units) in enumerate(keys):
        mine = slice(begins[at], begins[at + 1])
        if units == 1 and begins[at + 1] - begins[at] >= MIN_VALUES:
            own = {name: column[found["place"][mine]] for name, column in runs.items()}
            values = found["value"][mine]
            is_bound = np.zeros(len(values), dtype=bool)
            name = MetricName(check, metric, channel)
            series = Series(name=name, unit=unit, value=values, is_bound=is_bound, backdated=0, **own)
            moved += _moved(model, series, len(keys))
    return tuple(sorted(moved, key=lambda each: -abs(each.sigmas)))


def _lay_recent(columns: Columns, lots: Sequence[Standout]) -> None:
    """Lay ``recent``, the newest runs in order of time, and ``recent_reading``, what they measured."""
    lay_units(columns)
    names = "log, record, recorded, serial, model, purpose, station, nest, lot"
    columns.run(
        'CREATE OR REPLACE TEMP TABLE apart (lot VARCHAR, "check" VARCHAR, metric VARCHAR, channel VARCHAR)'
    )
    for lot in lots:
        for each in lot.apart:
            columns.run(
                "INSERT INTO apart VALUES (?, ?, ?, ?)", (lot.group, each.check, each.metric, each.channel)
            )
    columns.run(f"""
        CREATE OR REPLACE TEMP TABLE recent AS
        SELECT *, row_number() OVER (ORDER BY recorded, log, record) - 1 AS place FROM (
            SELECT {names} FROM {first_runs(columns)}
            UNION ALL
            SELECT {names} FROM every_run
            WHERE purpose = 'golden' AND recorded >= (SELECT min(recorded) FROM run)
                AND model IN (SELECT DISTINCT model FROM run)
            ORDER BY recorded DESC LIMIT {MAX_RUNS})""")
    asked = ("check", "metric", "channel", "unit", "value", "is_bound", "verdict", "is_curve")
    with columns.over_readings(*asked, only={"verdict": _JUDGING}, of_all=True):
        columns.run("""
            CREATE OR REPLACE TEMP TABLE recent_reading AS
            SELECT model, "check", metric, channel, unit, place, value,
                dense_rank() OVER (ORDER BY model, "check", metric, channel NULLS FIRST) AS metric_number
            FROM (FROM reading JOIN recent USING (log, record)) AS r ANTI JOIN apart AS a
            ON a.lot = r.lot AND a."check" = r."check" AND a.metric = r.metric
                AND a.channel IS NOT DISTINCT FROM r.channel
            WHERE value IS NOT NULL AND NOT coalesce(is_bound, false) AND NOT coalesce(is_curve, false)""")


def _moved(model: str, series: Series, metrics: int) -> Iterator[Moved]:
    runs, _ = drift_runs(series)
    weighed = weigh(runs)
    first = weighed.hypotheses[0] if weighed.hypotheses else None
    sigma = weighed.sigma or weighed.golden_sigma
    if first is None or not sigma or first.suspects[0].what == "nothing":
        return
    if first.probability >= 1.0 - FALSE_ALARM / metrics and abs(first.size) >= MIN_SIGMAS * sigma:
        since = _minute(series.moment[first.since])
        trend = _trend(runs, series.moment, first)
        yield Moved(model, series.name, series.unit, first, since, first.size / sigma, trend)


def _trend(runs: Runs, moment: NDArray[np.datetime64], what: Hypothesis) -> Trend:
    """Return means over spans of time, by station or by nest as what has moved asks for."""
    suspect = what.suspects[0]
    by_nest = suspect.what in ("nest", "wear") or len(runs.stations) == 1
    names, number = (runs.nests, runs.nest) if by_nest else (runs.stations, runs.station)
    days = (moment - moment[0]) / np.timedelta64(1, "D")
    edges = np.linspace(0.0, max(float(days[-1]), 1e-6), _SPANS + 1)
    span = np.clip(np.searchsorted(edges, days, "right") - 1, 0, _SPANS - 1)
    groups = {name: (number == at) & (runs.golden < 0) for at, name in enumerate(names)}
    groups |= {f"golden {name}": runs.golden == at for at, name in enumerate(runs.goldens)}
    means = {}
    for name, mine in groups.items():
        count = np.bincount(span[mine], minlength=_SPANS)
        total = np.bincount(span[mine], weights=runs.values[mine], minlength=_SPANS)
        means[name] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    moved = f"golden {suspect.name}" if suspect.what == "golden" else suspect.name
    return Trend(_minute(moment[0]), 0.5 * (edges[:-1] + edges[1:]), means, moved)


def _minute(moment: np.datetime64) -> str:
    return str(moment)[:16].replace("T", " ")
