"""Archives made up by hand: runs with short captures, added as a station adds them."""

import errno
import os
import shutil
import uuid
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from made_runs import made_check, made_reading, made_run

from linecheck.audio import file as audio_file
from linecheck.captures.capture_set import write_capture_set
from linecheck.checks.base import Capture
from linecheck.limits.verdict import Verdict
from linecheck.log.archive import Archive
from linecheck.log.archive.entries import ENTRY_NAME, entry_bytes

NOW = datetime(2026, 11, 26, 12, 0, 0, tzinfo=UTC)
RATE_HZ = 48_000


def made_capture(seed=0, frames=64, **changes):
    """Return a capture of 24-bit noise, the same for the same seed."""
    samples = np.random.default_rng(seed).integers(-(2**23), 2**23, (frames, 2), dtype=np.int32) << 8
    facts = {"rate_hz": RATE_HZ, "full_scale_volts": (8.0, 8.0), "bits": 24, "mains_hz": 50.0}
    return Capture(samples, **{**facts, **changes})


def kept_run(verdict=Verdict.PASS, *, days_old=0.0, captures=None, purpose="unit", **changes):
    """Return a run of this verdict, so many days old, that measured these captures."""
    value = {Verdict.MARGINAL: 110.0, Verdict.FAIL: 100.0, Verdict.INVALID: None}.get(verdict, 113.2)
    own = verdict if verdict is not Verdict.ABORTED else Verdict.PASS
    checks = tuple(
        made_check(
            made_reading(own, value), name=name, capture_sha256=audio_file.samples_sha256(capture.samples)
        )
        for name, capture in (captures or {"tone": made_capture()}).items()
    )
    started = NOW - timedelta(days=days_old)
    facts = {"started": started, "finished": started, "purpose": purpose}
    return made_run(*checks, **{**facts, "aborted": verdict is Verdict.ABORTED, **changes})


def add_run(archive, captures=None, run=None, **facts):
    """Add a run to an archive; return its entry."""
    captures = captures or {"tone": made_capture()}
    run = run or kept_run(captures=captures, **facts)
    return archive.add(run, "for the test", lambda folder: write_set(folder, captures, run))


def write_set(folder, captures, run):
    return write_capture_set(
        folder, captures, model=run.model, serial=run.serial, station=run.station, compressed=True
    )


def run_number(number):
    """Return the id of a run, the same for the same number."""
    return str(uuid.UUID(int=number))


def add_objects(archive, entry, *, linked=True):
    """Store the captures of a run a second time, as earlier versions did: as links, or as copies without them."""
    for file in entry.files:
        path = archive.folder / "objects" / file.object_name[:2] / file.object_name
        path.parent.mkdir(parents=True, exist_ok=True)
        if linked and path.exists():
            (entry.path / file.name).unlink()
            os.link(path, entry.path / file.name)
        elif linked:
            os.link(entry.path / file.name, path)
        else:
            shutil.copy(entry.path / file.name, path)
    (entry.path / ENTRY_NAME).write_bytes(entry_bytes(replace(entry, linked=linked)))


def objects_of(archive):
    """Return the names of all objects."""
    return {path.name for path in archive.folder.glob("objects/*/*")}


def assert_whole(folder, runs=None):
    """Assert that every run of an archive is whole, and that nothing else is there."""
    from linecheck.log.archive.verify import verify_archive

    archive = Archive(folder)
    scan, checked = verify_archive(archive)
    assert checked.wrong == []
    assert not (folder / "staging").exists() or os.listdir(folder / "staging") == []
    if runs is not None:
        assert {entry.run_id for entry in scan.entries} == set(runs)


#: What changes a disk.
_CHANGES = ("fsync", "link", "replace", "rename", "mkdir", "unlink", "rmdir", "chmod")
#: What never needs room.
_FREE = frozenset({"unlink", "rmdir", "chmod"})


class _Watched:
    """A file whose writes are announced."""

    def __init__(self, stream, tick):
        self._stream, self._tick = stream, tick

    def write(self, content):
        self._tick("write")
        return self._stream.write(content)

    def __getattr__(self, name):
        return getattr(self._stream, name)

    def __enter__(self):
        self._stream.__enter__()
        return self

    def __exit__(self, *about):
        return self._stream.__exit__(*about)


class Disk:
    """Everything that a program does to the disk, counted; ``at`` is called before the one of that number.

    Nothing waits for the disk meanwhile: fsync does nothing but count.
    """

    def __init__(self, number, at, *, room_only):
        self.count, self._number, self._at = 0, number, at
        self._names = [name for name in _CHANGES if not (room_only and name in _FREE)]
        self._kept = {}

    def _tick(self, what):
        self.count += 1
        if self.count == self._number:
            self._at(what)

    def __enter__(self):
        for name in (*self._names, "fdopen"):
            self._kept[name] = getattr(os, name)
            setattr(os, name, self._wrapped(name, self._kept[name]))
        return self

    def _wrapped(self, name, work):
        def watched(*arguments, **options):
            if name == "fdopen":
                return _Watched(work(*arguments, **options), self._tick)
            self._tick(name)
            return None if name == "fsync" else work(*arguments, **options)

        return watched

    def __exit__(self, *about):
        for name, work in self._kept.items():
            setattr(os, name, work)


def full(what):
    """Say that the disk is full."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
