"""Removing what retention has found: each batch is stated in the log first, and a run goes whole or not at all.

Whatever is killed in between is finished by the next that writes to the archive.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from linecheck.errors import LinecheckError, RecordError, listed
from linecheck.files.text import visible
from linecheck.log.archive.retention import Removal, Retention, total_bytes
from linecheck.log.archive.store import Archive, Scan

#: The kind of the statements that say what was removed.
CAPTURES_REMOVED: Final = "captures_removed"

#: Runs that are stated at a time.
BATCH_RUNS: Final = 200

#: Records a statement, given its content; nothing of it is removed where that raises.
State = Callable[[Mapping[str, Any]], object]


@dataclass
class Removed:
    """What was removed; runs whose folder was gone already do not count."""

    runs: int = 0
    captures: int = 0
    size_bytes: int = 0
    failed: list[str] = field(default_factory=list)


def refuse_damaged(scan: Scan) -> None:
    """Refuse to remove anything while nobody knows whose some captures are.

    Raises
    ------
    RecordError
        A run of the archive cannot be read.
    """
    if scan.damaged:
        raise RecordError(
            "nothing is removed, since it is not known whose captures these are: move their folders out of the "
            "archive, or put them right\n" + "\n".join(listed(scan.damaged))
        )


def remove(
    archive: Archive, scan: Scan, found: Sequence[Removal], policy: Retention, state: State
) -> Removed:
    """Remove runs from an archive, and what an earlier version has left without a run.

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
    for first in range(0, len(found), BATCH_RUNS):
        batch = found[first : first + BATCH_RUNS]
        entries = [removal.entry for removal in batch]
        objects = [file.object_name for entry in entries for file in entry.files]
        why = Counter(removal.why for removal in batch)
        state(_content([entry.run_id for entry in entries], objects, total_bytes(entries), policy, why))
        for removal in batch:
            _remove_run(archive, removal, removed)
    try:
        archive.sweep()
        _remove_unused(archive, found, policy, state, removed)
    except OSError as error:
        raise RecordError(
            f"{visible(str(archive.folder))}: cannot be changed: {error.strerror or error}"
        ) from error
    return removed


def _remove_run(archive: Archive, removal: Removal, removed: Removed) -> None:
    entry = removal.entry
    try:
        if archive.remove(entry):
            removed.runs += 1
            removed.captures += len(entry.files)
            removed.size_bytes += entry.size_bytes
    except (OSError, LinecheckError) as error:
        reason = getattr(error, "strerror", None) or error
        removed.failed.append(f"{visible(str(entry.path))}: cannot be removed: {reason}")


def _remove_unused(
    archive: Archive, found: Sequence[Removal], policy: Retention, state: State, removed: Removed
) -> None:
    """Remove the objects of an earlier version that no run has any more; those are stated that no removed run had."""
    if not (archive.folder / "objects").exists():
        return
    left = archive.scan()
    refuse_damaged(left)
    unused = archive.unused_objects(left.entries)
    stated = {file.object_name for removal in found for file in removal.entry.files}
    strays = {path.name: size for path, size in unused.items() if path.name not in stated}
    if strays:
        state(_content([], list(strays), sum(strays.values()), policy, {}))
    for path in unused:
        path.unlink(missing_ok=True)
    removed.captures += len(strays)
    removed.size_bytes += sum(strays.values())


def _content(
    runs: list[str], objects: list[str], freed_bytes: int, policy: Retention, why: Mapping[str, int]
) -> Mapping[str, Any]:
    """Return what is stated before runs are removed, and objects of an earlier version."""
    return {
        "runs": runs,
        "objects": objects,
        "bytes": freed_bytes,
        "why": dict(why),
        "policy": {
            "keep_days": dict(policy.keep_days),
            "most_bytes": policy.most_bytes,
            "missing_bytes": policy.missing_bytes,
        },
    }
