"""Whether a run has room on the disks before it starts: for its captures as they come, and for its record."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.log.archive.retention import GIGABYTE
from linecheck.run.plan import Plan
from linecheck.station.config.archive import ArchiveConfig
from linecheck.station.config.station import CaptureConfig

#: A record with its curves, its files, and what the database writes beside it; large ones come to a few megabytes.
RECORD_BYTES: Final = 32_000_000
#: What the disk of the log keeps free beside that, for the log to be copied, checked and repaired.
LOG_RESERVE_BYTES: Final = 68_000_000

_SAMPLE_BYTES: Final = 4
#: How much later than asked for a driver may begin and end a capture.
_DRIVER_SECONDS: Final = 1.0
_HEADER_BYTES: Final = 4096


@dataclass(frozen=True)
class Disk:
    """What is free on the disk that a folder is on, and its size."""

    path: str
    free_bytes: int
    total_bytes: int


def disk_of(path: str | Path) -> Disk:
    """Return the disk on which a file or folder is, or would be made.

    Raises
    ------
    RecordError
        It cannot be asked.
    """
    place = Path(os.path.abspath(path))
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        usage = shutil.disk_usage(place)
    except OSError as error:
        raise RecordError(
            f"{visible(str(place))}: the disk does not say what is free on it: {error.strerror or error}"
        ) from error
    return Disk(str(path), usage.free, usage.total)


def captures_bytes(plan: Plan, capture: CaptureConfig) -> int:
    """Return what the captures of a run take at most: four bytes a sample, and nothing compressed."""
    channels = len(capture.channels or plan.limits.channels)
    longer = capture.tail_seconds + _DRIVER_SECONDS
    seconds = sum(planned.stimulus.seconds + longer for planned in plan.checks)
    frames = round(seconds * capture.rate_hz)
    return frames * channels * _SAMPLE_BYTES + len(plan.checks) * _HEADER_BYTES


def room_for(needed_bytes: int, policy: ArchiveConfig, disk: Disk) -> str | None:
    """Return why a run cannot be made whose captures take so much; None where there is room.

    What the archive itself may come to (``most_gigabytes``) is no reason: retention sees to it.

    Parameters
    ----------
    needed_bytes : int
        What its captures take at most.
    policy : ArchiveConfig
    disk : Disk
        That of the archive.
    """
    reserve = round(policy.reserve_gigabytes * GIGABYTE)
    if disk.free_bytes - needed_bytes - RECORD_BYTES >= reserve:
        return None
    return (
        f"the disk of the archive has {_gigabytes(disk.free_bytes)} free, and a run whose captures may take "
        f"{_gigabytes(needed_bytes)} must leave {_gigabytes(reserve)} (archive.reserve_gigabytes) on it: "
        f"{visible(disk.path)}. `linecheck archive retain` removes what is past its time; else free some space"
    )


def room_for_record(disk: Disk) -> str | None:
    """Return why a run cannot be recorded on the disk of the log; None where there is room."""
    needed = RECORD_BYTES + LOG_RESERVE_BYTES
    if disk.free_bytes >= needed:
        return None
    return (
        f"the disk of the log has {_gigabytes(disk.free_bytes)} free, and a run must find "
        f"{_gigabytes(needed)} for its record: {visible(disk.path)}. Free some space"
    )


def _gigabytes(size_bytes: int) -> str:
    """Return a size in words."""
    if size_bytes < GIGABYTE:
        return f"{size_bytes / 1e6:.0f} MB"
    return f"{size_bytes / GIGABYTE:.1f} GB"
