"""Writing a file so that it is there whole or not at all, whatever happens meanwhile."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

from linecheck.errors import FileError

__all__ = ["make_folder", "write_durably"]

Bytes = bytes | bytearray | memoryview


def make_folder(folder: Path) -> None:
    """Make a folder and those above it.

    Raises
    ------
    FileError
        It cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise FileError(folder, "cannot be made a folder: there is a file of that name") from error
    except OSError as error:
        raise FileError(folder, f"the folder cannot be made: {error.strerror or error}") from error


def write_durably(path: Path, parts: Iterable[Bytes], *, check: Callable[[Path], None] | None = None) -> None:
    """Write a file by way of a temporary one beside it: written, on the disk, then renamed.

    Parameters
    ----------
    path : Path
    parts : iterable of bytes
    check : callable, optional
        Called with the temporary file before it takes its name; whatever it raises leaves everything as it
        was.

    Raises
    ------
    FileError
        The folder is missing or read-only, the disk is full, or the like.
    """
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as stream:
            for part in parts:
                stream.write(part)
            stream.flush()
            os.fchmod(stream.fileno(), 0o666 & ~_umask())
            os.fsync(stream.fileno())
        if check is not None:
            check(temporary)
        temporary.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise FileError(path, f"cannot be written: {error.strerror or error}") from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)


def _umask() -> int:
    """Return the mask of a new file's permissions, which can only be read by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _sync_folder(folder: Path) -> None:
    """Make the new name durable; a file system that cannot is no reason to fail."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
