"""What has moved lately: every judged metric of the newest runs, weighed as :mod:`linecheck.statistics.drift` does.

So many metrics are looked at that some seem to move by chance: what has moved is told where that would happen in one of
:data:`~linecheck.statistics.standouts.FALSE_ALARM` of lines in which nothing moves, over all metrics together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from linecheck.limits.verdict import Verdict
from linecheck.statistics.drift import MIN_VALUES, Hypothesis, Runs, Suspect, weigh
from linecheck.statistics.drift_runs import drift_runs
from linecheck.statistics.series import MetricName, Series
from linecheck.statistics.standouts import FALSE_ALARM, MIN_SIGMAS
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


def moved_of(columns: Columns) -> tuple[Moved, ...]:
    """Return what has moved in the newest of the picked units and in the golden units beside them, the farthest first.

    Raises
    ------
    FileError, RecordError, ServerError
        A source cannot be read.
    """
    _lay_recent(columns)
    runs = columns.arrays("""
        SELECT log, record, CAST(recorded AS TIMESTAMP) AS moment, serial, model, purpose,
            coalesce(station, '') AS station, coalesce(nest, '') AS nest, coalesce(lot, '') AS lot
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


def _lay_recent(columns: Columns) -> None:
    """Lay ``recent``, the newest runs in order of time, and ``recent_reading``, what they measured."""
    lay_units(columns)
    names = "log, record, recorded, serial, model, purpose, station, nest, lot"
    columns.run(f"""
        CREATE OR REPLACE TEMP TABLE recent AS
        SELECT *, row_number() OVER (ORDER BY recorded, log, record) - 1 AS place FROM (
            SELECT {names} FROM {first_runs(columns)}
            UNION ALL
            SELECT {names} FROM every_run
            WHERE purpose = 'golden' AND model IN (SELECT DISTINCT model FROM run)
                AND recorded BETWEEN (SELECT min(recorded) FROM run) AND (SELECT max(recorded) FROM run)
                AND coalesce(station, '') IN (SELECT DISTINCT coalesce(station, '') FROM run)
            ORDER BY recorded DESC LIMIT {MAX_RUNS})""")
    asked = ("check", "metric", "channel", "unit", "value", "is_bound", "verdict", "is_curve")
    with columns.over_readings(*asked, only={"verdict": _JUDGING}, of_all=True):
        columns.run("""
            CREATE OR REPLACE TEMP TABLE recent_reading AS
            SELECT model, "check", metric, channel, unit, place, value,
                dense_rank() OVER (ORDER BY model, "check", metric, channel NULLS FIRST) AS metric_number
            FROM reading JOIN recent USING (log, record)
            WHERE value IS NOT NULL AND NOT coalesce(is_bound, false) AND NOT coalesce(is_curve, false)""")


def _moved(model: str, series: Series, metrics: int) -> Iterator[Moved]:
    runs, kept, _ = drift_runs(series)
    weighed = weigh(runs)
    first = weighed.hypotheses[0] if weighed.hypotheses else None
    sigma = weighed.sigma or weighed.golden_sigma
    if first is None or not sigma or first.suspects[0].what == "nothing":
        return
    allowed = FALSE_ALARM / metrics
    if first.probability < 1.0 - allowed or abs(first.size) < MIN_SIGMAS * sigma:
        return
    if _rank_chance(runs, first) <= allowed:
        moment = series.moment[kept]
        since = _minute(moment[first.since])
        trend = _trend(runs, moment, first)
        yield Moved(model, series.name, series.unit, first, since, first.size / sigma, trend)


def _rank_chance(runs: Runs, what: Hypothesis) -> float:
    """Return the chance that so many values after a move lie beyond those before it (Mann and Whitney).

    A few broken units at the end are far off, and are few: by their ranks they are no move.
    """
    from scipy.stats import mannwhitneyu

    mine = _cells_of(runs, what.suspects[0])
    order = np.arange(len(runs.values))
    # Each kind of unit in each nest has a level of its own.
    values = runs.values.astype(float)
    for cell in np.unique(np.column_stack([runs.nest, runs.golden])[mine], axis=0):
        of_cell = (runs.nest == cell[0]) & (runs.golden == cell[1])
        values[of_cell] -= np.median(values[of_cell])
    before, after = values[mine & (order < what.since)], values[mine & (order >= what.since)]
    return float(mannwhitneyu(before, after).pvalue) if len(before) and len(after) else 1.0


def _cells_of(runs: Runs, suspect: Suspect) -> NDArray[np.bool_]:
    """Return which runs something that has moved takes along."""
    if suspect.what == "product":
        return runs.golden < 0
    names, number = {
        "station": (runs.stations, runs.station),
        "golden": (runs.goldens, runs.golden),
    }.get(suspect.what, (runs.nests, runs.nest))
    return np.asarray(number == list(names).index(suspect.name))


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
