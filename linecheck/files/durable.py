"""Writing a file so that it is there whole or not at all, whatever happens meanwhile.

===========================  ========================================================================
:func:`write_durably`        a file, by way of a temporary one beside it
:func:`temporary_file`       such a temporary file
:func:`keep_as`              which is what it was to be
:func:`remove_abandoned`     what programs that were killed have left of them
:func:`temporary_folder`     a folder for what does not fit into memory, gone at the end
:func:`make_folder`          a folder and those above it
:func:`sync_folder`          the names in a folder, brought to the disk
:func:`lock_file`            a lock that every program of a station keeps to
===========================  ========================================================================
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import IO, BinaryIO, Final

from linecheck.errors import FileError

#: How the names of temporary files end, which no other program's do.
TEMPORARY_SUFFIX = ".linecheck-part"
#: In a temporary folder: is locked for as long as the folder is in use.
_LOCK: Final = "lock"

#: What a file system answers that cannot bring a folder to the disk by itself.
_CANNOT_SYNC: Final = frozenset({errno.EINVAL, errno.EBADF, errno.EACCES, errno.EISDIR, errno.ENOTSUP})

Bytes = bytes | bytearray | memoryview


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, durably: what is kept in it must not be lost with its name.

    Raises
    ------
    FileError
        It cannot be made.
    """
    try:
        missing = [entry for entry in (folder, *folder.parents) if not entry.exists()]
        folder.mkdir(parents=True, exist_ok=True)
        for entry in missing:
            with contextlib.suppress(OSError):
                sync_folder(entry.parent)
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
    try:
        with temporary_file(path.parent) as (temporary, stream):
            for part in parts:
                stream.write(part)
            keep_as(path, temporary, stream, check=check)
    except OSError as error:
        raise FileError(path, f"cannot be written: {error.strerror or error}") from error


def keep_as(
    path: Path, temporary: Path, stream: BinaryIO, *, check: Callable[[Path], None] | None = None
) -> None:
    """Bring a temporary file to the disk and give it its name.

    Parameters
    ----------
    path : Path
        In the same folder.
    temporary, stream : Path, binary file
        As :func:`temporary_file` gave them.
    check : callable, optional
        Called with the temporary file before it takes its name.

    Raises
    ------
    OSError
        The disk is full, or the like.
    """
    stream.flush()
    os.fchmod(stream.fileno(), 0o666 & ~_umask())
    os.fsync(stream.fileno())
    if check is not None:
        check(temporary)
    temporary.replace(path)
    # It has its name: that this may not outlive a power cut is no failure to write.
    with contextlib.suppress(OSError):
        sync_folder(path.parent)


@contextlib.contextmanager
def temporary_file(folder: Path) -> Iterator[tuple[Path, BinaryIO]]:
    """Give a new file in a folder; at the end it is gone, unless it was given another name.

    It is locked for as long as it is in use, which tells it from one that was abandoned.

    Raises
    ------
    OSError
        It cannot be made.
    """
    temporary, stream = _new_file(folder)
    try:
        with stream:
            yield temporary, stream
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def _new_file(folder: Path) -> tuple[Path, BinaryIO]:
    """Make a file that is locked; one that was removed as abandoned before that is made anew."""
    while True:
        handle, name = tempfile.mkstemp(prefix=".", suffix=TEMPORARY_SUFFIX, dir=folder)
        stream = os.fdopen(handle, "wb")
        with contextlib.suppress(OSError):
            lock_file(stream)
        if os.fstat(handle).st_nlink:
            return Path(name), stream
        stream.close()


def remove_abandoned(folder: Path) -> None:
    """Remove the temporary files that programs which were killed have left in a folder.

    Those of programs that are at work are locked and stay, and so do all where locks do not work. Nothing
    is ever wrong here: what cannot be removed does no harm.
    """
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(TEMPORARY_SUFFIX) and entry.is_file(follow_symlinks=False):
                with contextlib.suppress(OSError), open(entry.path, "r+b") as stream:
                    if lock_file(stream, wait=False):
                        os.unlink(entry.path)


@contextlib.contextmanager
def temporary_folder(prefix: str) -> Iterator[Path]:
    """Give a new folder among the system's temporary ones; at the end it is gone, with all that is in it.

    It holds a lock while it is in use; those that killed programs have left hold none, and are removed first.

    Raises
    ------
    FileError
        It cannot be made.
    """
    with contextlib.ExitStack() as opened:
        try:
            root = tempfile.gettempdir()
            _remove_abandoned_folders(root, prefix)
            folder = tempfile.TemporaryDirectory(prefix=prefix, dir=root, ignore_cleanup_errors=True)
            path = Path(opened.enter_context(folder))
            stream = opened.enter_context(open(path / _LOCK, "wb"))
        except OSError as error:
            why = error.strerror or error
            raise FileError(error.filename or "TMPDIR", f"no temporary folder can be made: {why}") from error
        with contextlib.suppress(OSError):
            lock_file(stream)
        yield path


def _remove_abandoned_folders(root: str, prefix: str) -> None:
    """Remove the user's own folders whose lock nobody holds; one without a lock's file is just being made."""
    with contextlib.suppress(OSError), os.scandir(root) as entries:
        for entry in entries:
            if entry.name.startswith(prefix) and entry.is_dir(follow_symlinks=False):
                if entry.stat(follow_symlinks=False).st_uid != os.getuid():
                    continue
                with contextlib.suppress(OSError), open(os.path.join(entry.path, _LOCK), "r+b") as stream:
                    if lock_file(stream, wait=False):
                        shutil.rmtree(entry.path, ignore_errors=True)


def lock_file(stream: IO[bytes], *, wait: bool = True) -> bool:
    """Lock an open file, which it stays until it is closed; return whether it is: False where another holds it.

    Raises
    ------
    OSError
        There are no locks: of this disk, or (``ENOTSUP``) of this system.
    """
    try:
        import fcntl
    except ImportError:
        raise OSError(errno.ENOTSUP, "this system has no file locks") from None
    try:
        fcntl.flock(stream, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _umask() -> int:
    """Return the mask of a new file's permissions, which can only be read by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk; a file system that cannot is no reason to fail.

    Raises
    ------
    OSError
        The disk is full or failing.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        if error.errno not in _CANNOT_SYNC:
            raise
