"""A capture set from its place on the disk to its outcome, in one call: what a worker anywhere can be told to do."""

from __future__ import annotations

from pathlib import Path

from linecheck.limits.model import LimitFile
from linecheck.station.capture_set import load_capture_set
from linecheck.station.executors import InlineExecutor
from linecheck.station.outcome import RunOutcome
from linecheck.station.runner import judge_set

__all__ = ["judge_folder"]


def judge_folder(folder: str | Path, limits: LimitFile, *, serial: str | None = None) -> RunOutcome:
    """Load and judge one capture set, in the calling thread.

    Parameters
    ----------
    folder : str or Path
        The set's folder, or its ``captures.toml``.
    limits : LimitFile
    serial : str, optional
        Serial number of the unit, where the set itself does not say it.

    Raises
    ------
    FileError
        There is no set there, it is faulty, or it is of another model than the limit file.
    """
    with InlineExecutor() as executor:
        return judge_set(load_capture_set(folder), limits, executor, serial=serial)
