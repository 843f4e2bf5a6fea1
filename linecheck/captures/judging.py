"""A capture set from its place on the disk to its outcome, in one call: what a worker anywhere can be told to do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from linecheck.captures.capture_set import CaptureSet, load_capture_set
from linecheck.errors import FileError
from linecheck.limits.model import LimitFile
from linecheck.measure.executors import InlineExecutor
from linecheck.run.outcome import RunOutcome
from linecheck.station.runner import judge_set

__all__ = ["judge_folder", "judge_folder_by_model", "limits_for"]


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
    with InlineExecutor() as executor:
        return judge_set(captures, limits_for(captures, limits), executor, serial=serial)


def limits_for(captures: CaptureSet, limits: Sequence[LimitFile]) -> LimitFile:
    """Return the limit file of a set's model.

    Raises
    ------
    FileError
        None of them is.
    """
    model = captures.index.model
    for entry in limits:
        if entry.model == model:
            return entry
    models = ", ".join(sorted(entry.model for entry in limits))
    files = "the limit file of" if len(limits) == 1 else "the limit files of"
    raise FileError(captures.folder, f"is of model {model}, {files} {models}")
