"""A capture set from its place on the disk to its outcome, in one call: what a worker anywhere can be told to do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from linecheck.errors import FileError
from linecheck.limits.model import LimitFile
from linecheck.station.capture_set import load_capture_set
from linecheck.station.executors import InlineExecutor
from linecheck.station.outcome import RunOutcome
from linecheck.station.runner import judge_set

__all__ = ["judge_folder", "judge_folder_by_model"]


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


def judge_folder_by_model(
    folder: str | Path, limits: Sequence[LimitFile], *, serial: str | None = None
) -> RunOutcome:
    """Load and judge one capture set by the limit file of its model, in the calling thread.

    Raises
    ------
    FileError
        There is no set there, it is faulty, or none of the limit files is of its model.
    """
    captures = load_capture_set(folder)
    fitting = [entry for entry in limits if entry.model == captures.index.model] or list(limits[:1])
    if fitting[0].model != captures.index.model and len(limits) > 1:
        models = ", ".join(sorted(entry.model for entry in limits))
        raise FileError(
            captures.folder, f"is of model {captures.index.model}, and there are limit files of {models}"
        )
    with InlineExecutor() as executor:
        return judge_set(captures, fitting[0], executor, serial=serial)
