"""A line at a glance: yield in all and of each station, day by day, what fails, and what to look at first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from linecheck.gates.chart_signals import KINDS, ChartSignal, unanswered
from linecheck.statistics import standouts, yields
from linecheck.statistics.moved import Moved, moved_of
from linecheck.statistics.standouts import Standout, standouts_of
from linecheck.statistics.yields import Share, Yields, first_runs, yields_of

if TYPE_CHECKING:
    from linecheck.statistics.columns import Columns

#: The columns of the runs that this asks for.
COLUMNS: Final = tuple(dict.fromkeys((*yields.COLUMNS, *standouts.COLUMNS)))
#: Rows of each table: what comes after them decides nothing.
MAX_ROWS: Final = 8


@dataclass(frozen=True)
class Day:
    """First-pass yield of a day."""

    name: str
    first_pass: Share


@dataclass(frozen=True)
class StationLine:
    """A station: its runs, those of them that judge nothing, its first-pass yield in all and by day."""

    name: str
    runs: int
    void: int
    first_pass: Share
    days: tuple[Day, ...]


@dataclass(frozen=True)
class LineView:
    """What a line shows of itself.

    Attributes
    ----------
    source : str
        Where the runs were read.
    yields : Yields
    stations : tuple of StationLine
        By name.
    standouts : tuple of Standout
        The costliest first.
    moved : tuple of Moved
        Metrics of which something has moved lately.
    signals : tuple of ChartSignal
        Signals of control charts that nobody has answered.
    """

    source: str
    yields: Yields
    stations: tuple[StationLine, ...]
    standouts: tuple[Standout, ...]
    moved: tuple[Moved, ...]
    signals: tuple[ChartSignal, ...]


def line_of(columns: Columns) -> LineView:
    """Return a line at a glance, of picked runs with :data:`COLUMNS`.

    Raises
    ------
    FileError, RecordError, ServerError
        A source cannot be read.
    """
    counted = yields_of(columns, limit=MAX_ROWS)
    found = standouts_of(columns)
    signals = tuple(each for own in columns.statements(KINDS) for each in unanswered(own))
    return LineView(columns.source, counted, tuple(_stations(columns)), found, moved_of(columns), signals)


def _stations(columns: Columns) -> list[StationLine]:
    runs = columns.rows("""
        SELECT coalesce(station, ''), count(*), count(*) FILTER (state IN ('invalid', 'aborted'))
        FROM run WHERE purpose = 'unit' GROUP BY 1 ORDER BY 1""")
    days: dict[str, list[Day]] = {}
    for station, day, found, among in columns.rows(f"""
            SELECT coalesce(station, ''), strftime(recorded, '%Y-%m-%d'), count(*) FILTER (passes), count(*)
            FROM {first_runs(columns)} GROUP BY 1, 2 ORDER BY 1, 2"""):
        days.setdefault(station, []).append(Day(day, Share(found, among)))
    stations = []
    for name, number, void in runs:
        own = days.get(name, [])
        in_all = Share(sum(day.first_pass.found for day in own), sum(day.first_pass.among for day in own))
        stations.append(StationLine(name, number, void, in_all, tuple(own)))
    return stations
