"""The files of an archive, each once, under the hash of its bytes."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

from linecheck.files.durable import TEMPORARY_SUFFIX, make_folder, write_durably
from linecheck.log.archive.entries import OBJECT_NAME

__all__ = ["ObjectStore", "can_link", "file_sha256"]

#: What a disk without hard links answers, and one where a file has as many as it can.
_NO_LINKS: Final = frozenset(
    {errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK, errno.EXDEV}
)
_PIECE_BYTES: Final = 2**20


class ObjectStore:
    """Files by the hash of their bytes: ``ab/ab12….flac``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, name: str) -> Path:
        """Return where an object is.

        Raises
        ------
        ValueError
            It is no object's name.
        """
        if OBJECT_NAME.fullmatch(name) is None:
            raise ValueError(f"{name[:80]!r} is no object's name")
        return self.folder / name[:2] / name

    def take(self, file: Path, name: str) -> list[Path]:
        """Make a file an object, or a link to the object that it is; return the object where it was not there before.

        Raises
        ------
        FileError, OSError
            The disk is full, or the like; there is no object then that was not there before.
        """
        path = self.path(name)
        if not path.exists():
            make_folder(path.parent)
            try:
                os.link(file, path)
            except OSError as error:
                if error.errno not in _NO_LINKS:
                    raise
                write_durably(path, _pieces(file))
                path.chmod(0o444)
            return [path]
        if is_object(path, name):
            _become(path, file)
        else:
            _become(file, path)  # the disk has lost some of it: its name has the right bytes again
        return []

    def names(self) -> Iterator[tuple[str, int]]:
        """Yield every object with its bytes, in no order.

        Raises
        ------
        OSError
            They cannot be listed.
        """
        for parent in self._parents():
            with os.scandir(parent) as entries:
                for entry in entries:
                    if OBJECT_NAME.fullmatch(entry.name) and entry.name[:2] == parent.name:
                        yield entry.name, entry.stat(follow_symlinks=False).st_size

    def _parents(self) -> list[Path]:
        try:
            return sorted(path for path in self.folder.iterdir() if len(path.name) == 2 and path.is_dir())
        except FileNotFoundError:
            return []


def can_link(file: Path) -> bool:
    """Return whether the disk that a file is on has hard links.

    Raises
    ------
    OSError
        It is full, or the like.
    """
    link = file.with_name(f".{file.name[:64]}{TEMPORARY_SUFFIX}")
    try:
        os.link(file, link)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        return False
    link.unlink()
    return True


def is_object(path: Path, name: str) -> bool:
    """Return whether a file has the bytes that an object of this name has."""
    try:
        return file_sha256(path) == name.partition(".")[0]
    except OSError:
        return False


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes.

    Raises
    ------
    OSError
        It cannot be read.
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _become(source: Path, target: Path) -> None:
    """Make a file a link to another; it stays as it is where the disk has no links."""
    temporary = target.with_name(f".{target.name[:64]}{TEMPORARY_SUFFIX}")
    with suppress(FileNotFoundError):
        temporary.unlink()
    try:
        os.link(source, temporary)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        return
    try:
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)


def _pieces(path: Path) -> Iterator[bytes]:
    with path.open("rb") as stream:
        while piece := stream.read(_PIECE_BYTES):
            yield piece
