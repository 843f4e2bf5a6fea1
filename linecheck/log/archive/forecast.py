"""How fast an archive grows, and when its disk or its own limit is reached.

The rate is that of the last days on which anything was kept, and robust: the median of what such a day brought, times
the share of days that were such. A day on which a station was set up and one on which nothing ran so change little.
The day that is not over yet counts only where there is no other.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from statistics import median
from typing import Final

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.log.archive.entries import Entry
from linecheck.log.archive.retention import Retention, total_bytes
from linecheck.station.config.archive import KEPT_CLASSES, KeptClass

#: The rate is taken from so many days.
WINDOW_DAYS: Final = 28
#: Retention that is shorter than this shortens no window: nothing could be said from it.
_MIN_WINDOW_DAYS: Final = 7
#: Further ahead nothing is said.
HORIZON_DAYS: Final = 3650
_DAYS: Final[FloatArray] = np.arange(HORIZON_DAYS + 1, dtype=np.float64)


@dataclass(frozen=True)
class ClassTotal:
    """The runs of one class that are kept; a shared object counts for each of its runs."""

    kept_class: KeptClass
    runs: int
    size_bytes: int
    oldest: datetime
    newest: datetime


@dataclass(frozen=True)
class Forecast:
    """When something is reached, None where it is not within ten years.

    Attributes
    ----------
    bytes_per_day : float
        Of calendar days.
    active_days : int
        The days that this was taken from.
    limit_without, limit_with : date or None
        When the archive comes to ``most_gigabytes`` without anything being removed, and by age alone.
    reserve_without, reserve_with : date or None
        When the disk's reserve is reached without, and with everything that retention removes.
    """

    bytes_per_day: float
    active_days: int
    limit_without: date | None
    limit_with: date | None
    reserve_without: date | None
    reserve_with: date | None


def by_class(entries: Iterable[Entry], policy: Retention) -> tuple[ClassTotal, ...]:
    """Return what there is of each class."""
    sorted_out: dict[KeptClass, list[Entry]] = {}
    for entry in entries:
        sorted_out.setdefault(policy.class_of(entry), []).append(entry)
    return tuple(
        ClassTotal(
            kind,
            len(found),
            sum(entry.size_bytes for entry in found),
            min(entry.started for entry in found),
            max(entry.started for entry in found),
        )
        for kind in KEPT_CLASSES
        if (found := sorted_out.get(kind))
    )


def daily_bytes(
    entries: Iterable[Entry], policy: Retention, today: date
) -> tuple[Mapping[KeptClass, float], int]:
    """Return how many bytes a calendar day brings, by class, and from how many active days that was taken."""
    # Over so many days nothing has been removed yet by age.
    window = max(_MIN_WINDOW_DAYS, min([WINDOW_DAYS, *policy.keep_days.values()]))
    days: Counter[date] = Counter()
    kinds: Counter[KeptClass] = Counter()
    begun = today - timedelta(days=window)
    recent = [entry for entry in entries if begun <= entry.started.astimezone(UTC).date() <= today]
    over = [entry for entry in recent if entry.started.astimezone(UTC).date() < today]
    for entry in over or recent:
        days[entry.started.astimezone(UTC).date()] += entry.size_bytes
        kinds[policy.class_of(entry)] += entry.size_bytes
    if not days:
        return {}, 0
    span = (today - min(days)).days or 1
    rate = median(days.values()) * len(days) / span
    whole = sum(kinds.values())
    return {kind: rate * size / whole for kind, size in kinds.items()}, len(days)


def forecast(
    entries: Sequence[Entry], policy: Retention, today: date, free_bytes: int, reserve_bytes: int
) -> Forecast:
    """Return when the disk's reserve and the archive's own limit are reached.

    Parameters
    ----------
    entries : sequence of Entry
    policy : Retention
    today : date
    free_bytes, reserve_bytes : int
        What is free on the disk, and what of it must stay so.
    """
    rates, active = daily_bytes(entries, policy, today)
    now = total_bytes(entries)
    without = now + sum(rates.values()) * _DAYS
    aged = _aged(entries, policy, today, rates, now)
    limit = policy.most_bytes
    room = now + free_bytes - reserve_bytes

    def when(sizes: FloatArray, most: float | None) -> date | None:
        reached = [] if most is None else np.flatnonzero(sizes > most).tolist()
        return today + timedelta(days=reached[0]) if reached else None

    return Forecast(
        sum(rates.values()),
        active,
        when(without, limit),
        when(aged, limit),
        when(without, room),
        when(aged if limit is None else np.minimum(aged, limit), room),
    )


def _aged(
    entries: Iterable[Entry],
    policy: Retention,
    today: date,
    rates: Mapping[KeptClass, float],
    now: int,
) -> FloatArray:
    """Return what there will be on each day where only age removes anything."""
    leaves = np.zeros(HORIZON_DAYS + 2)  # the last one: later than anything is said
    for entry in entries:
        days = policy.keep_days.get(policy.class_of(entry))
        if days is not None:
            age = (today - entry.started.astimezone(UTC).date()).days
            leaves[min(max(0, days + 1 - age), HORIZON_DAYS + 1)] += entry.size_bytes
    new = np.zeros(HORIZON_DAYS + 1)
    for kind, rate in rates.items():
        new += rate * np.minimum(_DAYS, policy.keep_days.get(kind, HORIZON_DAYS))
    return np.maximum(0.0, now - np.cumsum(leaves[:-1])) + new
