"""Removing what retention has found: each batch is stated in the log first, and a run goes whole or not at all.

A run is moved below ``staging`` with one rename, then its objects go that no other run has, then the rest. Whatever is
killed in between is finished by the next that writes to the archive. A run that was added meanwhile is looked at before
any object goes.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from linecheck.errors import RecordError, listed
from linecheck.files.durable import make_folder, sync_folder
from linecheck.files.text import visible
from linecheck.log.archive.entries import Entry, read_entry
from linecheck.log.archive.lock import exclusive
from linecheck.log.archive.retention import Removal, Retention
from linecheck.log.archive.store import Archive, Scan

__all__ = ["CAPTURES_REMOVED", "Removed", "refuse_damaged", "remove"]

#: The kind of the statements that say what was removed.
CAPTURES_REMOVED: Final = "captures_removed"

#: Runs that are stated at a time.
BATCH_RUNS: Final = 200
#: Runs that are removed while the archive is held: a station that archives waits for a moment.
_HELD_RUNS: Final = 20
#: Between one hold and the next: long enough for whoever waits to see that the archive is free.
_PAUSE_SECONDS: Final = 0.05
#: So many objects that no run has are removed at a time.
_BATCH_OBJECTS: Final = 10_000

#: Records a statement, given its content; nothing of it is removed where that raises.
State = Callable[[Mapping[str, Any]], object]


@dataclass
class Removed:
    """What was removed; runs whose folder was gone already do not count."""

    runs: int = 0
    objects: int = 0
    size_bytes: int = 0
    failed: list[str] = field(default_factory=list)


def refuse_damaged(scan: Scan) -> None:
    """Refuse to remove anything while nobody knows which objects some run has.

    Raises
    ------
    RecordError
        A run of the archive cannot be read.
    """
    if scan.damaged:
        raise RecordError(
            "nothing is removed, since it is not known which objects these runs have: move their folders out of the "
            "archive, or put them right\n" + "\n".join(listed(scan.damaged))
        )


def remove(
    archive: Archive, scan: Scan, found: Sequence[Removal], policy: Retention, state: State
) -> Removed:
    """Remove runs from an archive, and objects that no run has.

    Parameters
    ----------
    archive : Archive
    scan : Scan
        All its runs, as they were when it was found out what goes.
    found : sequence of Removal
    policy : Retention
        Which it was found by; it stands in the statements.
    state : callable
        Records a statement.

    Raises
    ------
    RecordError
        A run cannot be read, or the log does not take the statement; batches before have been removed.
    """
    refuse_damaged(scan)
    removed = Removed()
    references = _References(archive, scan.entries)
    for first in range(0, len(found), BATCH_RUNS):
        batch = found[first : first + BATCH_RUNS]
        state(_said(batch, policy))
        for held in range(0, len(batch), _HELD_RUNS):
            with _changing(archive):
                references.refresh()
                some = [removal.entry for removal in batch[held : held + _HELD_RUNS]]
                _remove_runs(archive, some, references, removed)
            time.sleep(_PAUSE_SECONDS)
    _remove_unreferenced(archive, references, removed, policy, state)
    return removed


@contextlib.contextmanager
def _changing(archive: Archive) -> Iterator[None]:
    """Hold the archive."""
    with _plain_errors(archive), exclusive(archive.folder):
        yield


@contextlib.contextmanager
def _plain_errors(archive: Archive) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordError(
            f"{visible(str(archive.folder))}: cannot be changed: {error.strerror or error}"
        ) from error


class _References:
    """Which objects the runs of an archive have, as it changes."""

    def __init__(self, archive: Archive, entries: Iterable[Entry]) -> None:
        self._archive = archive
        self._entries = {archive.place_of(entry.path): entry for entry in entries}
        self._counts: Counter[str] = Counter()
        for entry in self._entries.values():
            self._counts.update(entry.objects.keys())

    def refresh(self) -> None:
        """Look for what was added or removed meanwhile; the archive is held.

        Raises
        ------
        RecordError
            A run that was added cannot be read.
        """
        there = self._archive.places()
        for place in self._entries.keys() - there:
            self._forget(place)
        for place in there - self._entries.keys():
            entry = read_entry(self._archive.runs / place)
            self._entries[place] = entry
            self._counts.update(entry.objects.keys())

    def has(self, entry: Entry) -> bool:
        """Return whether a run is there."""
        return self._archive.place_of(entry.path) in self._entries

    def forget(self, entry: Entry) -> None:
        """Take a run out."""
        self._forget(self._archive.place_of(entry.path))

    def _forget(self, place: str) -> None:
        for name in self._entries.pop(place).objects:
            self._counts[name] -= 1
            if not self._counts[name]:
                del self._counts[name]

    @property
    def names(self) -> Counter[str]:
        """The objects that runs have."""
        return self._counts


def _remove_runs(
    archive: Archive, entries: Iterable[Entry], references: _References, removed: Removed
) -> None:
    """Remove runs that are still there, and the objects that only they have; the archive is held."""
    moved = []
    for entry in entries:
        if references.has(entry):
            try:
                moved.append((_moved(archive, entry), entry))
            except OSError as error:
                removed.failed.append(
                    f"{visible(str(entry.path))}: cannot be removed: {error.strerror or error}"
                )
                continue
            references.forget(entry)
    # Only once it is sure that the runs are gone may their objects go.
    for parent in {entry.path.parent for _, entry in moved}:
        sync_folder(parent)
    for leftover, entry in moved:
        removed.runs += 1
        removed.size_bytes += entry.copied_bytes
        gone = archive.drop(leftover, references.names, entry)
        removed.objects += len(gone)
        removed.size_bytes += sum(entry.objects[name] for name in gone)


def _moved(archive: Archive, entry: Entry) -> Path:
    """Move a run out of the way with one rename; return the temporary folder that it is in."""
    make_folder(archive.staging.root)
    leftover = Path(tempfile.mkdtemp(dir=archive.staging.root))
    try:
        entry.path.rename(leftover / "set")
    except OSError:
        leftover.rmdir()
        raise
    return leftover


def _remove_unreferenced(
    archive: Archive, references: _References, removed: Removed, policy: Retention, state: State
) -> None:
    """Remove the objects that no run has, which a program that was killed may have left."""
    # Looked for while others may go on; what somebody has begun to use meanwhile is left out below.
    with _plain_errors(archive):
        strays = sorted(
            (name, size) for name, size in archive.objects.names() if name not in references.names
        )
    with _changing(archive):
        references.refresh()
        for leftover in archive.staging.abandoned():
            archive.drop(leftover, references.names)
        unused = [(name, size) for name, size in strays if name not in references.names]
        for first in range(0, len(unused), _BATCH_OBJECTS):
            batch = unused[first : first + _BATCH_OBJECTS]
            freed = sum(size for _, size in batch)
            state(_content([], [name for name, _ in batch], freed, policy, {}))
            for name, size in batch:
                archive.objects.path(name).unlink(missing_ok=True)
                removed.objects += 1
                removed.size_bytes += size


def _said(batch: Sequence[Removal], policy: Retention) -> Mapping[str, Any]:
    """Return what is stated before runs are removed."""
    objects = [name for removal in batch for name in removal.objects]
    reasons = Counter(removal.why for removal in batch)
    freed = sum(removal.freed_bytes for removal in batch)
    return _content([removal.entry.run_id for removal in batch], objects, freed, policy, dict(reasons))


def _content(
    runs: list[str], objects: list[str], freed_bytes: int, policy: Retention, why: Mapping[str, int]
) -> Mapping[str, Any]:
    return {
        "runs": runs,
        "objects": objects,
        "bytes": freed_bytes,
        "why": why,
        "policy": {
            "keep_days": dict(policy.keep_days),
            "most_bytes": policy.most_bytes,
            "missing_bytes": policy.missing_bytes,
        },
    }
