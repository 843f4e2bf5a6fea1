"""An archive of captures: every file once, under the hash of its bytes, and every run that is kept a capture set.

::

    objects/ab/ab12….flac                             a capture; runs whose captures are the same share it
    runs/2026-11/20261120T081500Z-RUN/captures.toml   a capture set as every command reads it
    runs/2026-11/20261120T081500Z-RUN/archived.json   whose it is, why it is kept, which objects its files are
    runs/2026-11/20261120T081500Z-RUN/tone.flac       a hard link to its object
    staging/…                                         what is being written or removed; never read
    lock                                              held by whoever changes the archive

Where a disk has no hard links (exFAT, some network shares), the file in the run's folder is a copy, and the archive
takes twice the room. A run's folder is there whole or not at all: everything is written below ``staging``, brought to
the disk and moved with one rename. What a program that was killed has left there is removed by the next that writes.
"""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Final

from linecheck.captures.capture_set import INDEX_NAME, CaptureSetIndex
from linecheck.errors import FileError, RecordError
from linecheck.files.durable import make_folder, sync_folder, temporary_file, write_durably
from linecheck.files.text import visible
from linecheck.files.toml import parse_model, read_toml
from linecheck.files.write import check_can_write
from linecheck.log.archive.entries import (
    ENTRY_NAME,
    RUN_ID,
    Entry,
    KeptFile,
    entry_bytes,
    read_entry,
    run_folder_name,
)
from linecheck.log.archive.lock import LOCK_NAME, exclusive
from linecheck.log.archive.objects import ObjectStore, can_link
from linecheck.log.archive.staging import Staging
from linecheck.run.model import Run

__all__ = ["Archive", "Scan"]

_MONTH: Final = re.compile(r"\d{4}-\d{2}")
_RUN: Final = re.compile(rf"\d{{8}}T\d{{6}}Z-(?P<run>{RUN_ID.pattern})")
#: A folder that was changed within this time may have been changed since it was listed, without its time telling.
_CERTAIN_NS: Final = 1_000_000_000


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
        self.objects = ObjectStore(self.folder / "objects")
        self.staging = Staging(self.folder / "staging")
        self._months: dict[str, _Listed] = {}

    def takes_room_twice(self) -> bool:
        """Return whether its disk has no hard links; makes the folder.

        Raises
        ------
        FileError
            It cannot be written to.
        """
        check_can_write(self.folder / LOCK_NAME)
        try:
            with temporary_file(self.folder) as (file, _):
                return not can_link(file)
        except OSError as error:
            raise FileError(
                visible(str(self.folder)), f"cannot be written to: {error.strerror or error}"
            ) from error

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

    def entries(self) -> Iterator[Entry]:
        """Yield every run that is kept, the oldest first; what cannot be read is left out (:meth:`scan` names it)."""
        for folder in self.folders():
            with contextlib.suppress(RecordError):
                yield read_entry(folder)

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

    def places(self) -> set[str]:
        """Return where all runs are below ``runs``: ``2026-11/…``.

        Raises
        ------
        RecordError
            The archive cannot be read.
        """
        self._months.clear()
        return {f"{month}/{name}" for month in self._listed_months() for name in self._names(month).values()}

    @staticmethod
    def place_of(folder: Path) -> str:
        """Return where a run's folder is below ``runs``."""
        return f"{folder.parent.name}/{folder.name}"

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
            make_folder(self.folder)
            with self.staging.folder(lambda: exclusive(self.folder), self._sweep) as made:
                staged = made / "set"
                write(staged)
                entry = _described(run, why, staged, target)
                write_durably(staged / ENTRY_NAME, [entry_bytes(entry)])
                with exclusive(self.folder):
                    self._keep(staged, entry)
                return entry
        except OSError as error:
            raise FileError(target, f"cannot be written: {error.strerror or error}") from error

    def _keep(self, staged: Path, entry: Entry) -> None:
        """Give a staged run its name and its files theirs as objects, or leave all as it was."""
        if entry.path.exists():
            raise RecordError(f"{visible(str(entry.path))}: the captures of this run are kept already")
        made: list[Path] = []
        try:
            for file in entry.files:
                made += self.objects.take(staged / file.name, file.object_name)
            for parent in {path.parent for path in made}:
                sync_folder(parent)
            sync_folder(staged)
            make_folder(entry.path.parent)
            staged.rename(entry.path)
            try:
                sync_folder(entry.path.parent)
            except OSError:
                entry.path.rename(staged)
                raise
        except BaseException:
            if not entry.path.exists():
                for path in made:
                    with contextlib.suppress(OSError):
                        path.unlink()
            raise

    def _sweep(self) -> None:
        """Remove what programs that were killed have left; the archive is held."""
        for leftover in self.staging.abandoned():
            self.drop(leftover, None)

    def drop(
        self, leftover: Path, referenced: Container[str] | None, entry: Entry | None = None
    ) -> list[str]:
        """Remove a run that was moved below ``staging``, and those of its objects that no run has; the archive is held.

        Returns the objects that are gone.

        Parameters
        ----------
        leftover : Path
        referenced : container of str or None
            The objects of all runs, where they are known.
        entry : Entry or None
            The run, where it is known.
        """
        staged, gone = leftover / "set", []
        with contextlib.suppress(RecordError):
            names = list((entry or read_entry(staged)).objects)
            if referenced is None:
                names = [name for name in names if self.objects.path(name).exists()]
                referenced = self._referenced(names) if names else set()
            for name in names:
                if name not in referenced:
                    with contextlib.suppress(FileNotFoundError):
                        self.objects.path(name).unlink()
                        gone.append(name)
        self.staging.remove(leftover, last=staged / ENTRY_NAME)
        return gone

    def _referenced(self, names: Iterable[str]) -> set[str]:
        """Return the objects that runs have; all that are asked about where some run cannot be read."""
        scanned = self.scan()
        everything = set(names) if scanned.damaged else set()
        return everything.union(*(entry.objects for entry in scanned.entries))

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
        (staged / file.name).chmod(0o444)  # the file is its object: nobody edits it by mistake
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
        linked=can_link(staged / files[0].name),
    )
