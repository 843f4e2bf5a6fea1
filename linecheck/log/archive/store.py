"""An archive of captures: every run that is kept is a folder, an ordinary capture set with the hash of each file.

::

    runs/2026-11/20261120T081500Z-RUN/captures.toml   a capture set as every command reads it
    runs/2026-11/20261120T081500Z-RUN/archived.json   whose it is, why it is kept, the hash of each of its files
    runs/2026-11/20261120T081500Z-RUN/tone.flac       a capture
    staging/…                                         what is being written or removed; never read

A run's folder is there whole or not at all: everything is written below ``staging``, brought to the disk and moved with
one rename, and so it goes. What a program that was killed has left there is removed by the next that writes. Archives
of earlier versions have ``objects/ab/ab12….flac`` besides, named by their hashes, which runs' files are hard links to
(copies, where the disk has no links): nothing is read from there, and what is no run's any more is removed.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Final

from linecheck.captures.capture_set import INDEX_NAME, CaptureSetIndex
from linecheck.errors import FileError, RecordError
from linecheck.files.durable import lock_file, make_folder, sync_folder, write_durably
from linecheck.files.text import visible
from linecheck.files.toml import parse_model, read_toml
from linecheck.files.write import check_can_write
from linecheck.log.archive.entries import (
    ENTRY_NAME,
    OBJECT_NAME,
    RUN_ID,
    Entry,
    KeptFile,
    entry_bytes,
    read_entry,
    run_folder_name,
)
from linecheck.run.model import Run

_MONTH: Final = re.compile(r"\d{4}-\d{2}")
_RUN: Final = re.compile(rf"\d{{8}}T\d{{6}}Z-(?P<run>{RUN_ID.pattern})")
#: A folder that was changed within this time may have been changed since it was listed, without its time telling.
_CERTAIN_NS: Final = 1_000_000_000
#: Locked for as long as a folder below ``staging`` is in use.
_LOCK_NAME: Final = ".lock"


@dataclass(frozen=True)
class Scan:
    """All runs of an archive: those that can be read, the oldest first, and why others cannot."""

    entries: tuple[Entry, ...]
    damaged: tuple[str, ...]


@dataclass(frozen=True)
class _Listed:
    """The runs of a month, by id, as they were when its folder was listed."""

    changed_ns: int
    certain: bool
    names: dict[str, str]


class Archive:
    """The captures that a station keeps.

    Parameters
    ----------
    folder : str or Path
        Made by the first run that is kept.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self.runs = self.folder / "runs"
        self.staging = self.folder / "staging"
        self._months: dict[str, _Listed] = {}

    def check_can_write(self) -> None:
        """Find out whether runs can be kept in it; makes the folder.

        Raises
        ------
        FileError
            It cannot be written to.
        """
        check_can_write(self.folder / ENTRY_NAME)

    def find(self, run_id: str) -> Path | None:
        """Return the capture set of a run, given its whole id; None where none is kept."""
        wanted = run_id.lower()
        if RUN_ID.fullmatch(wanted) is None:
            return None
        for month in reversed(self._listed_months()):
            name = self._names(month).get(wanted)
            if name is not None:
                return self.runs / month / name
        return None

    def scan(self) -> Scan:
        """Read all runs.

        Raises
        ------
        RecordError
            The archive cannot be read.
        """
        entries, damaged = [], []
        for folder in self.folders():
            try:
                entries.append(read_entry(folder))
            except RecordError as error:
                if folder.exists():  # else it was removed since the folder was listed
                    damaged.append(str(error))
        return Scan(tuple(entries), tuple(damaged))

    def folders(self) -> Iterator[Path]:
        """Yield the folder of every run, the oldest first.

        Raises
        ------
        RecordError
            The archive cannot be read.
        """
        self._months.clear()
        for month in self._listed_months():
            for name in sorted(self._names(month).values()):
                yield self.runs / month / name

    def add(self, run: Run, why: str, write: Callable[[Path], object]) -> Entry:
        """Keep the captures of a run; when this returns, they are on the disk.

        Parameters
        ----------
        run : Run
        why : str
            Why they are kept.
        write : callable
            Writes them as a capture set (:func:`~linecheck.captures.capture_set.write_capture_set`) into the folder
            that it is given.

        Raises
        ------
        FileError, RecordError
            They cannot be written, and nothing of them is kept.
        """
        target = self.runs / run_folder_name(run.started, run.run_id)
        try:
            self.sweep()
            with self._staged() as staged:
                write(staged)
                entry = _described(run, why, staged, target)
                write_durably(staged / ENTRY_NAME, [entry_bytes(entry)])
                self._keep(staged, target)
                return entry
        except OSError as error:
            raise FileError(target, f"cannot be written: {error.strerror or error}") from error

    def remove(self, entry: Entry) -> bool:
        """Remove a run with one rename, then all that it had; return whether it was there.

        Raises
        ------
        FileError, OSError
            It cannot be removed.
        """
        with self._staged() as staged:
            try:
                entry.path.rename(staged)
            except FileNotFoundError:
                return False
            sync_folder(entry.path.parent)
        return True

    def abandoned(self) -> Iterator[Path]:
        """Yield the folders below ``staging`` that programs which were killed have left, each held meanwhile.

        Raises
        ------
        OSError
            They cannot be listed.
        """
        for folder in sorted(self.staging.iterdir()) if self.staging.exists() else ():
            with contextlib.ExitStack() as stack:
                try:
                    # One that has no lock yet gets it here: whoever is making the folder then finds it taken.
                    lock = stack.enter_context(open(folder / _LOCK_NAME, "ab"))
                except FileNotFoundError:
                    continue
                if lock_file(lock, wait=False):
                    yield folder

    def _keep(self, staged: Path, target: Path) -> None:
        """Give a staged run its name, or leave all as it was."""
        if target.exists():
            raise RecordError(f"{visible(str(target))}: the captures of this run are kept already")
        sync_folder(staged)
        make_folder(target.parent)
        staged.rename(target)
        try:
            sync_folder(target.parent)
        except OSError:
            target.rename(staged)
            raise

    @contextlib.contextmanager
    def _staged(self) -> Iterator[Path]:
        """Give the name of a run below ``staging``, in a folder of its own that is locked, and gone at the end."""
        make_folder(self.staging)
        with contextlib.ExitStack() as stack:
            while True:
                folder = Path(tempfile.mkdtemp(dir=self.staging))
                stack.callback(shutil.rmtree, folder, ignore_errors=True)
                with contextlib.suppress(FileNotFoundError, FileExistsError):
                    lock = stack.enter_context(open(folder / _LOCK_NAME, "xb"))
                    with contextlib.suppress(OSError):
                        lock_file(lock)
                    if os.fstat(lock.fileno()).st_nlink:
                        break
                # Another program has taken it for abandoned before it was locked.
            folder.chmod(0o755)
            yield folder / "set"

    def sweep(self) -> None:
        """Remove what programs that were killed have left below ``staging``.

        Raises
        ------
        OSError
            It cannot be listed.
        """
        for folder in self.abandoned():
            shutil.rmtree(folder, ignore_errors=True)

    def unused_objects(self, entries: Iterable[Entry]) -> dict[Path, int]:
        """Return the objects of an earlier version that no run has, with their bytes.

        Raises
        ------
        OSError
            They cannot be listed.
        """
        used = {file.object_name for entry in entries for file in entry.files}
        return {
            path: path.stat(follow_symlinks=False).st_size
            for path in sorted(self.folder.glob("objects/??/*"))
            if OBJECT_NAME.fullmatch(path.name) and path.name not in used
        }

    def _listed_months(self) -> list[str]:
        try:
            return sorted(name for name in os.listdir(self.runs) if _MONTH.fullmatch(name))
        except FileNotFoundError:
            return []
        except OSError as error:
            raise RecordError(
                f"{visible(str(self.runs))}: cannot be read: {error.strerror or error}"
            ) from error

    def _names(self, month: str) -> dict[str, str]:
        """Return the folders of a month's runs by run, listed anew where they may have changed."""
        folder = self.runs / month
        try:
            changed = folder.stat().st_mtime_ns
            known = self._months.get(month)
            if known is None or not known.certain or known.changed_ns != changed:
                certain = time.time_ns() - changed > _CERTAIN_NS
                found = (_RUN.fullmatch(name) for name in os.listdir(folder))
                known = _Listed(
                    changed, certain, {each["run"]: each[0] for each in found if each is not None}
                )
                self._months[month] = known
        except (FileNotFoundError, NotADirectoryError):
            return {}
        except OSError as error:
            raise RecordError(f"{visible(str(folder))}: cannot be read: {error.strerror or error}") from error
        return known.names


def _described(run: Run, why: str, staged: Path, target: Path) -> Entry:
    """Return the entry of a run whose capture set was just written."""
    index = parse_model(read_toml(staged / INDEX_NAME), CaptureSetIndex, ())
    samples = {check.check: check.capture_sha256 for check in run.checks}
    files = tuple(
        KeptFile(
            item.file,
            f"{item.sha256}{Path(item.file).suffix}",
            (staged / item.file).stat().st_size,
            item.key,
            samples.get(item.key),
        )
        for item in index.capture
    )
    for file in files:
        (staged / file.name).chmod(0o444)  # nobody edits it by mistake
    return Entry(
        run_id=run.run_id,
        path=target,
        verdict=run.verdict,
        purpose=run.purpose,
        model=run.model,
        serial=run.serial,
        station=run.station,
        started=run.started.astimezone(UTC),
        why=why,
        files=files,
        linked=True,
    )
