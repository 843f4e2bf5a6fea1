"""Temporary folders of an archive: locked while in use, so that what a killed program has left is known for it."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Final

from linecheck.files.durable import make_folder
from linecheck.log.archive.lock import locked

__all__ = ["Staging"]

_LOCK_NAME: Final = ".lock"


class Staging:
    """The temporary folders below one folder; made, listed and removed only while the archive is held."""

    def __init__(self, root: Path) -> None:
        self.root = root

    @contextlib.contextmanager
    def folder(
        self, held: Callable[[], AbstractContextManager[None]], sweep: Callable[[], None]
    ) -> Iterator[Path]:
        """Give a new folder, which is gone at the end with all that is left in it.

        Parameters
        ----------
        held : callable
            Holds the archive.
        sweep : callable
            Called before the folder is made, with the archive held.

        Raises
        ------
        OSError
            It cannot be made.
        """
        with contextlib.ExitStack() as stack:
            with held():
                make_folder(self.root)
                sweep()
                made = Path(tempfile.mkdtemp(dir=self.root))
                stack.callback(shutil.rmtree, made, ignore_errors=True)
                made.chmod(0o755)
                locked(stack.enter_context(open(made / _LOCK_NAME, "ab")))
            yield made

    def abandoned(self) -> Iterator[Path]:
        """Yield the folders that nobody uses any more.

        Raises
        ------
        OSError
            They cannot be listed.
        """
        try:
            names = sorted(os.listdir(self.root))
        except FileNotFoundError:
            return
        for name in names:
            try:
                with open(self.root / name / _LOCK_NAME, "rb") as stream:
                    if not locked(stream):
                        continue
            except OSError:
                pass  # it was killed before it made one, or while it removed the folder
            yield self.root / name

    def remove(self, folder: Path, last: Path) -> None:
        """Remove a folder; what says which objects it had goes last."""
        with contextlib.suppress(OSError):
            for name in os.listdir(last.parent):
                if name != last.name:
                    os.unlink(last.parent / name)
        shutil.rmtree(folder, ignore_errors=True)
