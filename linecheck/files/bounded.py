"""The bytes of a file that a person wrote, refused where it cannot be one."""

from __future__ import annotations

import os
import stat
from typing import Final

from linecheck.errors import FileError

#: How a file begins that Git LFS has left in place of one that was not fetched (the second before its first release:
#: https://github.com/git-lfs/git-lfs/blob/main/docs/spec.md).
LFS_SIGNATURES: Final = (b"version https://git-lfs", b"version https://hawser")
LFS_ADVICE: Final = "holds a Git LFS pointer and not the file itself; fetch it with `git lfs pull`"


def read_bounded(path: str | os.PathLike[str], longest: int, what: str) -> bytes:
    """Return the bytes of a file; ``what`` says in messages what it should be.

    Raises
    ------
    FileError
        It is missing, not readable, no regular file, longer than ``longest`` or a Git LFS pointer.
    """
    name = os.fspath(path)
    try:
        status = os.stat(name)
        if not stat.S_ISREG(status.st_mode):
            folder = " but a folder" * stat.S_ISDIR(status.st_mode)
            raise FileError(name, f"is no regular file{folder}, expected a {what}")
        # Neither asks for more memory than the file can fill, nor for any where it is refused anyway.
        if status.st_size <= longest:
            with open(name, "rb") as stream:
                content = stream.read(status.st_size + 1)
    except FileNotFoundError:
        raise FileError(name, "there is no such file") from None
    except OSError as error:
        raise FileError(name, f"cannot be read: {error.strerror or error}") from error
    except ValueError as error:
        raise FileError(ascii(name), "is no file name: there is no such file") from error
    if status.st_size > longest or len(content) > longest:
        size = max(status.st_size, longest + 1) / 2**20
        raise FileError(
            name, f"has {size:.1f} MiB: longer than {longest:,} bytes is no {what}; is it the right file?"
        )
    if content.startswith(LFS_SIGNATURES):
        raise FileError(name, LFS_ADVICE)
    return content
