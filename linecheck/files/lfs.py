"""Files that Git LFS has left a pointer of: a text file in place of one that was not fetched."""

from __future__ import annotations

from typing import Final

#: How such a file begins (the second before its first release:
#: https://github.com/git-lfs/git-lfs/blob/main/docs/spec.md).
LFS_SIGNATURES: Final = (b"version https://git-lfs", b"version https://hawser")
LFS_ADVICE: Final = "holds a Git LFS pointer and not the file itself; fetch it with `git lfs pull`"
