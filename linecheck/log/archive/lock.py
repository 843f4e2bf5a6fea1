"""One program at a time changes an archive; which temporary folders are in use."""

from __future__ import annotations

import contextlib
import errno
import time
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final

from linecheck.errors import RecordError
from linecheck.files.durable import lock_file
from linecheck.files.text import visible

__all__ = ["LOCK_NAME", "exclusive", "locked"]

LOCK_NAME: Final = "lock"
#: Nobody holds an archive for longer than it takes to link a run's files, or to remove a batch of runs.
_PATIENCE_SECONDS: Final = 30.0
_EVERY_SECONDS: Final = 0.02


@contextlib.contextmanager
def exclusive(folder: Path, patience_seconds: float = _PATIENCE_SECONDS) -> Iterator[None]:
    """Hold an archive, so that nobody else changes it.

    Raises
    ------
    RecordError
        Somebody else holds it for too long, or its disk knows no locks.
    """
    with contextlib.ExitStack() as stack:
        path = folder / LOCK_NAME
        try:
            stream = stack.enter_context(open(path, "ab"))
            deadline = time.monotonic() + patience_seconds
            while not locked(stream):
                if time.monotonic() > deadline:
                    raise RecordError(
                        f"{visible(str(folder))}: another program has held the archive for "
                        f"{patience_seconds:.0f} s; try again once it has ended"
                    )
                time.sleep(_EVERY_SECONDS)
        except OSError as error:
            raise RecordError(
                f"{visible(str(path))}: the archive cannot be locked: {error.strerror or error}"
            ) from error
        yield


def locked(stream: BinaryIO) -> bool:
    """Lock an open file without waiting; return whether it is, which it stays until it is closed.

    Raises
    ------
    OSError
        The disk knows no locks.
    """
    try:
        return lock_file(stream, wait=False)
    except OSError as error:
        if error.errno == errno.ENOTSUP:  # a system without; its stations each have an archive of their own
            return True
        raise
