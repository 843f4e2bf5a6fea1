"""What is removed from an archive, by age and to make room: a rule on what is there, which removes nothing itself.

By age goes what is older than ``keep_days`` of its class. To come to ``most_bytes`` or fewer, the oldest passes go
first, then aborted and invalid runs, then marginals, then fails, the oldest of each first. Runs of golden and challenge
units, and what a sign-off or a baseline names, never go to make room. What is named goes by age only where
``keep_days`` says so of ``named``, whatever its verdict. To have the reserve of the disk free again (which something
else may have filled), nothing but passes goes.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from linecheck.log.archive.entries import Entry
from linecheck.station.config.archive import ArchiveConfig, KeptClass

GIGABYTE: Final = 10**9

#: What goes to make room, in this order.
GOES_FOR_ROOM: Final[tuple[KeptClass, ...]] = ("pass", "aborted", "invalid", "marginal", "fail")
_GOES_FOR_RESERVE: Final[tuple[KeptClass, ...]] = ("pass",)


@dataclass(frozen=True)
class Retention:
    """What stays how long, in how much room.

    Attributes
    ----------
    keep_days : mapping of str to int
        By class; what is not named here stays.
    most_bytes : int or None
        What the archive may come to.
    missing_bytes : int
        How much more of the disk ought to be free.
    named : collection of str
        Runs that a sign-off or a baseline names.
    """

    keep_days: Mapping[KeptClass, int] = field(default_factory=dict)
    most_bytes: int | None = None
    missing_bytes: int = 0
    named: Collection[str] = frozenset()

    def class_of(self, entry: Entry) -> KeptClass:
        """Return what decides how long a run stays."""
        return "named" if entry.run_id in self.named else entry.kept_class


def retention(config: ArchiveConfig, named: Collection[str] = (), free_bytes: int | None = None) -> Retention:
    """Return what a station's config says; ``free_bytes`` is what is free on the archive's disk."""
    reserve = round(config.reserve_gigabytes * GIGABYTE)
    return Retention(
        config.keep_days,
        None if config.most_gigabytes is None else round(config.most_gigabytes * GIGABYTE),
        0 if free_bytes is None else max(0, reserve - free_bytes),
        frozenset(named),
    )


@dataclass(frozen=True)
class Removal:
    """A run whose captures go, and why."""

    entry: Entry
    why: str


def total_bytes(entries: Iterable[Entry]) -> int:
    """Return what runs take together."""
    return sum(entry.size_bytes for entry in entries)


def removals(entries: Iterable[Entry], policy: Retention, now: datetime) -> list[Removal]:
    """Return what goes, in the order in which it goes.

    Parameters
    ----------
    entries : iterable of Entry
        All runs of the archive.
    policy : Retention
    now : datetime
        Aware. Nothing that is not yet ``keep_days`` old goes by age, so a clock that is behind removes less.
    """
    ordered = sorted(entries, key=lambda entry: (entry.started, entry.run_id))
    gone = [Removal(entry, why) for entry, why in _too_old(ordered, policy, now)]
    freed = total_bytes(removal.entry for removal in gone)
    left = total_bytes(ordered) - freed
    old = {removal.entry.path for removal in gone}
    stays = [entry for entry in ordered if entry.path not in old]
    limit = "to make room (archive.most_gigabytes)"
    reserve = "for the disk's reserve (archive.reserve_gigabytes)"
    for entry in _by_class(stays, policy):
        room = policy.most_bytes is not None and left > policy.most_bytes
        if room or (freed < policy.missing_bytes and policy.class_of(entry) in _GOES_FOR_RESERVE):
            gone.append(Removal(entry, limit if room else reserve))
            freed += entry.size_bytes
            left -= entry.size_bytes
    return gone


def _too_old(entries: Iterable[Entry], policy: Retention, now: datetime) -> Iterator[tuple[Entry, str]]:
    for entry in entries:
        kind = policy.class_of(entry)
        days = policy.keep_days.get(kind)
        if days is not None and now - entry.started > timedelta(days=days):
            yield entry, f"older than {days} days (archive.keep_days.{kind})"


def _by_class(entries: Iterable[Entry], policy: Retention) -> list[Entry]:
    """Return those that may go to make room, in the order of their classes and the oldest of each first."""
    found = [entry for entry in entries if policy.class_of(entry) in GOES_FOR_ROOM]
    rank = GOES_FOR_ROOM.index
    return sorted(found, key=lambda entry: (rank(policy.class_of(entry)), entry.started, entry.run_id))
