"""Whether an archive is what was written, and what the log says was kept is there.

What is found is said one thing a sentence: every run's files against their hashes, what does not belong there, and runs
of the log whose captures are missing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from linecheck.captures.capture_set import INDEX_NAME, CaptureSetIndex
from linecheck.errors import LinecheckError, RecordError
from linecheck.files.text import visible
from linecheck.files.toml import parse_model, read_toml
from linecheck.log import LogReader
from linecheck.log.archive.entries import Entry, read_entry
from linecheck.log.archive.removal import CAPTURES_REMOVED
from linecheck.log.archive.store import Archive, Scan

_KEPT: Final = (
    "SELECT r.sequence, r.run_id, r.station, c.name, c.capture_object FROM run_check AS c "
    "JOIN run AS r ON r.sequence = c.sequence WHERE c.capture_object IS NOT NULL ORDER BY r.sequence"
)
_IS_RUN: Final = "SELECT 1 FROM run WHERE run_id = ?"

Progress = Callable[[int, int], None]


@dataclass
class Checked:
    """How much was looked at, and what is wrong with it; ``notes`` say what is odd and no fault."""

    captures: int = 0
    size_bytes: int = 0
    runs: int = 0
    log_runs: int = 0
    removed_runs: int = 0
    wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def verify_archive(archive: Archive, progress: Progress | None = None) -> tuple[Scan, Checked]:
    """Read every capture of every run; stations may add to the archive and remove from it meanwhile.

    Parameters
    ----------
    archive : Archive
    progress : callable, optional
        Called with how many captures were read, and how many there are.

    Raises
    ------
    RecordError
        The archive cannot be read.
    """
    checked = Checked()
    try:
        scan = archive.scan()
        checked.runs = len(scan.entries) + len(scan.damaged)
        checked.wrong += scan.damaged
        checked.wrong += sorted(_strangers(archive))
        count = sum(len(entry.files) for entry in scan.entries)
        for entry in scan.entries:
            if progress is not None:
                progress(checked.captures, count)
            checked.captures += len(entry.files)
            checked.size_bytes += entry.size_bytes
            faults = list(_verify_run(archive, entry))
            checked.wrong += faults if entry.path.exists() else []
        if not scan.damaged:  # else nobody knows whose they are
            for path in archive.unused_objects(scan.entries):
                checked.wrong.append(
                    f"object {path.name}: no run has it; `linecheck archive retain` removes it"
                )
        left = sum(1 for _ in archive.abandoned())
    except OSError as error:
        raise RecordError(
            f"{visible(str(archive.folder))}: cannot be read: {error.strerror or error}"
        ) from error
    if left:
        checked.notes.append(
            f"{left} folder{'s' if left != 1 else ''} below staging were left by a program that was killed; the next "
            "that writes removes them"
        )
    return scan, checked


def _verify_run(archive: Archive, entry: Entry) -> Iterator[str]:
    """Yield what is wrong with one run."""
    whose = f"run {entry.run_id} of {visible(entry.serial)}"
    if archive.find(entry.run_id) != entry.path:
        yield f"{whose}: {visible(str(entry.path))} is not the folder of this run, it was renamed or copied"
    for file in entry.files:
        if not _has_hash(entry.path / file.name, file.object_name.partition(".")[0]):
            yield (
                f"{whose}: {visible(file.name)} of check {visible(file.check)} is missing or has other bytes than were "
                "archived"
            )
    yield from (f"{whose}: {fault}" for fault in _index_faults(entry))


def _has_hash(path: Path, sha256: str) -> bool:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest() == sha256
    except OSError:
        return False


def _index_faults(entry: Entry) -> Iterator[str]:
    """Yield in what the capture set is another than was archived."""
    try:
        index = parse_model(read_toml(entry.path / INDEX_NAME), CaptureSetIndex, ())
    except LinecheckError as error:
        yield visible(str(error))
        return
    said = {(item.file, item.key, item.sha256) for item in index.capture}
    kept = {(file.name, file.check, file.object_name.partition(".")[0]) for file in entry.files}
    if said != kept or index.serial != entry.serial or index.model != entry.model:
        yield f"{INDEX_NAME} does not say what was archived: it was changed"


def _strangers(archive: Archive) -> Iterator[str]:
    """Yield what lies where only runs do."""
    known = set(archive.folders())
    for parent in archive.runs.iterdir() if archive.runs.exists() else ():
        for path in parent.iterdir() if parent.is_dir() else [parent]:
            if path not in known:
                yield f"{visible(str(path))}: does not belong here"


def verify_log_kept(archive: Archive, scan: Scan, log: LogReader, station: str, checked: Checked) -> None:
    """Find runs of a log whose captures are missing; note runs of its station that it does not have.

    Raises
    ------
    RecordError
        The log cannot be read.
    """
    entries = {entry.run_id: entry for entry in scan.entries}
    removed = _said_removed(log)
    seen: set[str] = set()
    with log.reading() as connection:
        for sequence, run_id, whose, check, name in connection.exec_driver_sql(_KEPT):
            if whose != station:
                continue
            checked.log_runs += run_id not in seen
            checked.removed_runs += run_id not in seen and run_id in removed and run_id not in entries
            seen.add(run_id)
            entry = entries.get(run_id) or _added_since(archive, run_id)
            kept = entry is not None and any(
                file.object_name == name and file.check == check for file in entry.files
            )
            if not kept and run_id not in removed:
                checked.wrong.append(
                    f"record {sequence}, run {run_id}: object {visible(str(name))} of check {visible(str(check))} was "
                    "kept and is not in the archive, and no statement says that it was removed"
                )
        for entry in scan.entries:
            if entry.station == station and entry.run_id not in seen:
                if connection.exec_driver_sql(_IS_RUN, (entry.run_id,)).scalar() is None:
                    what = "is not in the log: the station was cut off before it was recorded, or the log was lost"
                else:
                    what = "has captures here, and its record in the log says that none were kept"
                checked.notes.append(f"run {entry.run_id} of {visible(entry.serial)}: {what}")


def _added_since(archive: Archive, run_id: str) -> Entry | None:
    folder = archive.find(run_id)
    if folder is None:
        return None
    with suppress(RecordError):
        return read_entry(folder)
    return None


def _said_removed(log: LogReader) -> set[str]:
    """Return the runs whose captures are said to have been removed."""
    return {
        run
        for said in log.statements(CAPTURES_REMOVED)
        for run in said.content.get("runs", ())
        if isinstance(run, str)
    }
