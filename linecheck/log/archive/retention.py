"""What is removed from an archive, by age and to make room: a rule on what is there, which removes nothing itself.

By age goes what is older than ``keep_days`` of its class. To come to ``most_bytes`` or fewer, the oldest passes go
first, then aborted and invalid runs, then marginals, then fails, the oldest of each first. Runs of golden and challenge
units, and what a sign-off or a baseline names, never go to make room. What is named goes by age only where
``keep_days`` says so of ``named``, whatever its verdict. To have the reserve of the disk free again (which something
else may have filled), nothing but passes goes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from linecheck.log.archive.entries import Entry
from linecheck.station.config.archive import ArchiveConfig, KeptClass

__all__ = ["GIGABYTE", "GOES_FOR_ROOM", "Removal", "Retention", "removals", "retention", "total_bytes"]

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
    """A run whose captures go, why, and which objects go with it: what no run that stays has."""

    entry: Entry
    why: str
    objects: tuple[str, ...]
    freed_bytes: int


class _Books:
    """What is there and how often, as runs go one after the other."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self.references: Counter[str] = Counter()
        self.total_bytes = 0
        self.freed_bytes = 0
        for entry in entries:
            self.total_bytes += entry.copied_bytes
            for name, size in entry.objects.items():
                self.total_bytes += 0 if self.references[name] else size
                self.references[name] += 1

    def remove(self, entry: Entry, why: str) -> Removal:
        """Take a run out of the books."""
        gone, freed = [], entry.copied_bytes
        for name, size in entry.objects.items():
            self.references[name] -= 1
            if not self.references[name]:
                gone.append(name)
                freed += size
        self.total_bytes -= freed
        self.freed_bytes += freed
        return Removal(entry, why, tuple(gone), freed)


def total_bytes(entries: Iterable[Entry]) -> int:
    """Return what runs take together, an object that several have counted once."""
    return _Books(entries).total_bytes


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
    books = _Books(ordered)
    gone = [books.remove(entry, why) for entry, why in _too_old(ordered, policy, now)]
    left = {entry.path: entry for entry in ordered}
    for removal in gone:
        del left[removal.entry.path]
    if policy.most_bytes is not None:
        why = "to make room (archive.most_gigabytes)"
        for entry in _by_class(left.values(), policy, GOES_FOR_ROOM):
            if books.total_bytes <= policy.most_bytes:
                break
            gone.append(books.remove(entry, why))
            del left[entry.path]
    why = "for the disk's reserve (archive.reserve_gigabytes)"
    for entry in _by_class(left.values(), policy, _GOES_FOR_RESERVE):
        if books.freed_bytes >= policy.missing_bytes:
            break
        gone.append(books.remove(entry, why))
    return gone


def _too_old(entries: Iterable[Entry], policy: Retention, now: datetime) -> Iterator[tuple[Entry, str]]:
    for entry in entries:
        kind = policy.class_of(entry)
        days = policy.keep_days.get(kind)
        if days is not None and now - entry.started > timedelta(days=days):
            yield entry, f"older than {days} days (archive.keep_days.{kind})"


def _by_class(entries: Iterable[Entry], policy: Retention, order: tuple[KeptClass, ...]) -> list[Entry]:
    """Return those that may go, in the order of their classes and the oldest of each first."""
    rank = {kind: at for at, kind in enumerate(order)}
    found = [entry for entry in entries if policy.class_of(entry) in rank]
    return sorted(found, key=lambda entry: (rank[policy.class_of(entry)], entry.started, entry.run_id))
