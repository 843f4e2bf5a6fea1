"""Writing the files that a run leaves: there whole, or not at all."""

from __future__ import annotations

import errno
import stat
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from linecheck.errors import FileError, LinecheckError, RecordError
from linecheck.files.durable import (
    keep_as,
    make_folder,
    remove_abandoned,
    temporary_file,
    write_durably,
)
from linecheck.files.text import visible

_REMEDIES = {
    errno.ENOSPC: "the disk is full: free some space",
    errno.EDQUOT: "the disk quota is used up: free some space",
    errno.EFBIG: "the file is larger than this disk or account allows",
    errno.EROFS: "the disk is read-only: name a folder that can be written to",
    errno.EACCES: "no permission: name a folder that you may write to",
    errno.EPERM: "no permission: name a folder that you may write to",
    errno.EIO: "the disk reports an error: have it looked at",
    errno.ENAMETOOLONG: "the name is too long: choose a shorter one",
}


def write_atomically(path: str | Path, content: bytes) -> None:
    """Write a file that a run leaves, with the folders above it.

    A temporary file in the same folder is written, brought to the disk and renamed, so that the file is
    there whole or as it was before, whatever happens meanwhile.

    Raises
    ------
    RecordError
        It cannot be written; the text says why and what to do.
    """
    with _told(path, _record_error):
        write_durably(_prepared(Path(path)), (content,))


class GrowingFile:
    """A file that is written piece by piece and takes its name at the end, whole; until then there is none.

    Parameters
    ----------
    path : str or Path
        The folders above it are made.

    Raises
    ------
    RecordError
        It cannot be written, here as in every method; the text says why and what to do.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._stack = ExitStack()
        with _told(self.path, _record_error):
            self._target = _prepared(self.path)
            self._temporary, self._stream = self._stack.enter_context(temporary_file(self._target.parent))

    def write(self, content: bytes) -> None:
        """Add to it."""
        with _told(self.path, _record_error):
            self._stream.write(content)

    def finish(self) -> None:
        """Bring it to the disk, under its name."""
        with self._stack, _told(self.path, _record_error):
            keep_as(self._target, self._temporary, self._stream)

    def abandon(self) -> None:
        """Leave everything as it was before, unless it was finished."""
        with suppress(OSError):
            self._stack.close()


def check_can_write(path: str | Path) -> None:
    """Find out, before anything is run, whether a file can be written; makes the folders above it.

    What programs that were killed have left of their temporary files in its folder is removed.

    Raises
    ------
    FileError
        It cannot; the text says why and what to do.
    """
    with _told(path, FileError):
        target = _prepared(Path(path))
        remove_abandoned(target.parent)
        with temporary_file(target.parent):
            pass


def _prepared(target: Path) -> Path:
    """Return where the file is to be, its folder made; refuse what cannot become a file."""
    if "\0" in str(target):
        raise FileError(target, "cannot be written: a path has no NUL character in it")
    if not target.name:
        raise FileError(target, "cannot be written: it names no file; give a file name")
    try:
        if target.is_symlink() and target.parent != Path("/dev"):
            # The link stays, what it leads to is replaced. Links in /dev lead to what is open already.
            target = target.resolve()
        make_folder(target.parent)
        kind = target.stat().st_mode
    except FileNotFoundError:
        return target
    except (OSError, RuntimeError) as error:
        raise FileError(target, "cannot be written") from error
    if stat.S_ISDIR(kind):
        raise FileError(target, "cannot be written: it is a folder; give a file name")
    if not stat.S_ISREG(kind) or target.is_symlink():
        raise FileError(target, "cannot be written: it is a device; give a file name")
    return target


@contextmanager
def _told(path: str | Path, as_error: Callable[[str, str], LinecheckError]) -> Iterator[None]:
    """Say why a file cannot be written and, where that is known, what to do."""
    try:
        yield
    except FileError as error:
        remedy = _remedy(error.__cause__)
        message = f"cannot be written: {remedy}" if remedy else error.message
        raise as_error(visible(error.path), message) from error
    except OSError as error:
        reason = _remedy(error) or error.strerror or str(error)
        raise as_error(visible(str(path)), f"cannot be written: {reason}") from error


def _record_error(path: str, message: str) -> RecordError:
    return RecordError(f"{path}: {message}")


def _remedy(cause: BaseException | None) -> str | None:
    return _REMEDIES.get(cause.errno or 0) if isinstance(cause, OSError) else None
