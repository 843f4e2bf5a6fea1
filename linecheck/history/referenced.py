"""Which archived runs a sign-off or a baseline names: what was decided on them can be looked at again."""

from __future__ import annotations

from collections.abc import Iterable

from linecheck.history.baseline.file import load_baseline
from linecheck.log import LogReader
from linecheck.log.archive.entries import Entry


def referenced_runs(
    entries: Iterable[Entry], log: LogReader | None, baselines: Iterable[str]
) -> frozenset[str]:
    """Return the ids of runs that are named, by their id or by the hash of a capture.

    Parameters
    ----------
    entries : iterable of Entry
    log : LogReader or None
        The log whose sign-offs count.
    baselines : iterable of str
        Paths of baseline files.

    Raises
    ------
    FileError
        A baseline cannot be read: nobody knows what it names.
    RecordError
        The log cannot be read.
    """
    runs: set[str] = set()
    captures: set[str] = set()
    for path in baselines:
        for unit in load_baseline(path).units.values():
            for check in unit.check:
                captures.update(check.captures)
    for signoff in log.signoffs() if log is not None else ():
        for side in signoff.comparison.sides:
            runs.add(side.run_id)
            captures.update(check.capture_sha256 for check in side.checks.values() if check.capture_sha256)
    return frozenset(
        entry.run_id
        for entry in entries
        if entry.run_id in runs or any(file.samples_sha256 in captures for file in entry.files)
    )
