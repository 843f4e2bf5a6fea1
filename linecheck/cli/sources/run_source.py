"""What a command is to look at: a run in the log, or a capture set that is judged on the spot."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from linecheck.captures.capture_set import INDEX_NAME
from linecheck.cli.log.options import log_location, opened_log
from linecheck.errors import FileError, UsageError

if TYPE_CHECKING:
    from linecheck.run.model import Run

__all__ = ["Sources"]

_RESULT_NAME = "result.json"
#: A result of a hundred checks with all curves has a few megabytes.
_LARGEST_RESULT = 256 * 1024 * 1024


@dataclass(frozen=True)
class Sources:
    """Where runs and sets are looked for: the log (as the options name it), and the limit files that judge sets."""

    log: str | None = None
    station: str | None = None
    limits: Sequence[str] = ()
    serial: str | None = None

    def view(self, reference: str) -> Run:
        """Return the run or capture set that is meant.

        Parameters
        ----------
        reference : str
            The folder of a capture set (or its ``captures.toml``); the folder that a run has left (or its
            ``result.json``); a run's id or the first 8 characters of it; its number in the log; a serial number, of
            which the newest run is meant.

        Raises
        ------
        LinecheckError
            It is nowhere, or cannot be read or judged.
        """
        path = Path(reference)
        if _is_set(path):
            return self._judged(path)
        if os.path.isfile(path / _RESULT_NAME):
            path = path / _RESULT_NAME
        if os.path.isfile(path):
            return self._logged(_run_id(path))
        if os.path.isdir(path):
            raise FileError(
                path, f"holds neither a capture set ({INDEX_NAME}) nor what a run has left ({_RESULT_NAME})"
            )
        return self._logged(reference)

    def _logged(self, reference: str) -> Run:
        with opened_log(self.log, self.station) as log:
            return log.record(log.find(reference))

    def _judged(self, path: Path) -> Run:
        from linecheck.captures.capture_set import load_capture_set
        from linecheck.limits.loading.load import load_limits
        from linecheck.line.sets import judge_alone
        from linecheck.run.settle import settled

        if not self.limits:
            raise UsageError(f"{path}: is a capture set, which a limit file judges: give --limits FILE")
        captures = load_capture_set(path)
        judged = judge_alone(captures, [load_limits(path) for path in self.limits], serial=self.serial)
        return replace(settled(judged), source=f"capture set {path}", captured=captures.index.recorded)

    @property
    def where(self) -> str:
        """Where the log is."""
        return log_location(self.log, self.station)


def _is_set(path: Path) -> bool:
    return path.name == INDEX_NAME or os.path.isfile(path / INDEX_NAME)


def _run_id(path: Path) -> str:
    """Return which run a result is of; the run itself is in the log, with its masks and all of its points."""
    import json

    try:
        if path.stat().st_size > _LARGEST_RESULT:
            raise FileError(path, "is too large to be a result")
        run = json.loads(path.read_bytes())["run"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise FileError(path, "is no result of a run") from error
    if not isinstance(run, str):
        raise FileError(path, "is no result of a run")
    return run
