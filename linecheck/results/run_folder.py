"""Where the files of a run are."""

from __future__ import annotations

from datetime import datetime
from pathlib import PurePath

from linecheck.captures.capture_set import plain_file_name

__all__ = ["run_folder"]


def run_folder(serial: str, started: datetime, run_id: str) -> PurePath:
    """Return the folder of a run's files, below that of all runs."""
    return PurePath(plain_file_name(serial), f"{started:%Y%m%dT%H%M%SZ}-{run_id[:8]}")
