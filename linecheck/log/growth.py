"""How fast a log grows, and when its disk is full.

The rate is that of the last days on which anything was recorded: the median of what such a day brought, times the share
of days that were such, as for captures (:mod:`linecheck.log.archive.forecast`). What a run takes is taken from the
newest ones.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from statistics import mean, median
from typing import Final

from sqlalchemy import Connection, func, select

from linecheck.log.archive.forecast import HORIZON_DAYS, WINDOW_DAYS
from linecheck.log.fetch import Record, records_of
from linecheck.log.schema import curve_points, packed_curve, run

#: Runs that are looked at for what one takes.
_NEWEST: Final = 50
#: What a row takes beside its long texts and BLOBs, with its share of indexes and half-filled pages: measured, where
#: a run of 250 rows came to 25 kB.
_ROW_BYTES: Final = 100


@dataclass(frozen=True)
class Growth:
    """What a log takes, and will.

    Attributes
    ----------
    runs, thinned : int
        How many runs are in it, and how many of them have lost the points of their curves.
    oldest, newest : str or None
        When the first and the last of them were recorded, UTC.
    file_bytes : int
        What the file and its journal take.
    run_bytes, day_bytes : float
        What a run and a calendar day bring.
    active_days : int
        The days that the rate was taken from; 0 where nothing was recorded lately.
    full_on : date or None
        When nothing is free on the disk any more; None where that is not within ten years.
    """

    runs: int
    thinned: int
    oldest: str | None
    newest: str | None
    file_bytes: int
    run_bytes: float
    day_bytes: float
    active_days: int
    full_on: date | None


def growth(connection: Connection, path: Path, today: date, free_bytes: int) -> Growth:
    """Return what a log takes and how it grows, given what is free on its disk."""
    runs, oldest, newest = connection.execute(
        select(func.count(), func.min(run.c.recorded), func.max(run.c.recorded)).select_from(run)
    ).one()
    run_bytes = _run_bytes(connection)
    per_day, active = _runs_per_day(connection, today)
    day_bytes = run_bytes * per_day
    days = free_bytes / day_bytes if day_bytes > 0.0 else HORIZON_DAYS
    return Growth(
        runs,
        _thinned(connection),
        oldest,
        newest,
        sum(file.stat().st_size for file in (path, path.with_name(f"{path.name}-wal")) if file.exists()),
        run_bytes,
        day_bytes,
        active,
        None if days >= HORIZON_DAYS else today + timedelta(days=int(days)),
    )


def _thinned(connection: Connection) -> int:
    without = (
        ~select(curve_points.c.sequence).where(curve_points.c.sequence == packed_curve.c.sequence).exists()
    )
    return connection.scalar(select(func.count(packed_curve.c.sequence.distinct())).where(without)) or 0


def _run_bytes(connection: Connection) -> float:
    # One that was thinned says nothing of what comes, unless all were.
    for number in (curve_points.c.sequence, run.c.sequence):
        newest = connection.scalars(select(number).order_by(number.desc()).limit(_NEWEST)).all()
        if newest:
            return mean(map(_size, records_of(connection, newest)))
    return 0.0


def _size(record: Record) -> float:
    rows, long_values = record.measured()
    return _ROW_BYTES * rows + long_values


def _runs_per_day(connection: Connection, today: date) -> tuple[float, int]:
    """Return how many runs a calendar day brings, and from how many active days that was taken."""
    begun = today - timedelta(days=WINDOW_DAYS)
    days: Counter[date] = Counter()
    for recorded in connection.scalars(select(run.c.recorded).where(run.c.recorded >= begun.isoformat())):
        days[datetime.fromisoformat(recorded).astimezone(UTC).date()] += 1
    # The day that is not over yet counts only where there is no other.
    counted = {day: count for day, count in days.items() if day < today} or dict(days)
    if not counted:
        return 0.0, 0
    span = (today - min(counted)).days or 1
    return median(counted.values()) * len(counted) / span, len(counted)
