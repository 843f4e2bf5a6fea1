"""Each set is measured once in a session, however many items and processes the session has.

The processes share a folder that only this user can open. Who wants a set that nobody has measured locks its file
there and measures it; who finds it locked measures another set of the session meanwhile, or waits. The system frees
the lock of a process that dies.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import platform
import secrets
import shutil
import tempfile
from collections import deque
from collections.abc import Iterable, Iterator, MutableMapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from linecheck.files.durable import lock_file

if TYPE_CHECKING:
    from linecheck.pytest_plugin.judgement import SetErrand

_KEY = "linecheck_folder"
_HOST = "linecheck_host"


class SessionFolder:
    """The folder that the processes of a session share; it is there from when one of them needs it.

    Parameters
    ----------
    told : mapping of str to object, or None
        In a worker, what it was told when it was started.
    """

    def __init__(self, told: MutableMapping[str, Any] | None) -> None:
        self._own = told is None or told.get(_HOST) != platform.node()  # a worker may be on another machine
        self._told = None if told is None or self._own else Path(told[_KEY])

    @property
    def path(self) -> Path:
        """The folder, made if it is not there; nobody else can open it, nor know its name before."""
        self._name.mkdir(mode=0o700, exist_ok=True)
        return self._name

    def tell(self, worker: MutableMapping[str, Any]) -> None:
        """Tell a worker where it is."""
        worker[_KEY] = str(self._name)
        worker[_HOST] = platform.node()

    def remove(self) -> None:
        """Remove it; a worker leaves that to who told it."""
        if self._own and "_name" in self.__dict__:
            shutil.rmtree(self._name, ignore_errors=True)

    @cached_property
    def _name(self) -> Path:
        return self._told or Path(tempfile.gettempdir(), f"linecheck-{secrets.token_hex(16)}")


#: Where a session keeps it.
FOLDER = pytest.StashKey[SessionFolder]()


class Once:
    """Judges sets, each once for all the processes that share a folder."""

    def __init__(self, folder: SessionFolder) -> None:
        self._folder = folder
        self._known: dict[str, dict[str, Any]] = {}
        self._open: deque[SetErrand] = deque()

    def offer(self, errands: Iterable[SetErrand]) -> None:
        """Name the errands of the session, to be run while another process runs the one that is wanted."""
        self._open.extend(errands)

    def get(self, wanted: SetErrand) -> dict[str, Any]:
        """Return what an errand comes to."""
        while (found := self._look_up(wanted)) is None:
            if not self._run(wanted) and not self._help():
                with self._locked(wanted, wait=True):
                    pass
        return found

    def _help(self) -> bool:
        """Run the next errand that nobody has run or is running; return whether there was one."""
        taken: list[SetErrand] = []
        ran = False
        while self._open and not ran:
            errand = self._open.popleft()
            if not self._is_done(errand):
                ran = self._run(errand)
                if not ran:
                    taken.append(errand)
        self._open.extendleft(reversed(taken))
        return ran

    def _run(self, errand: SetErrand) -> bool:
        """Run an errand that nobody has run or is running; return whether that was so."""
        with self._locked(errand, wait=False) as mine:
            if not mine or self._is_done(errand):
                return False
            found = errand.run()
            path = self._path(errand, ".json")
            partial = path.with_suffix(".part")
            partial.write_text(json.dumps(found), encoding="utf-8")
            partial.replace(path)
            self._known[errand.key] = found
            return True

    def _is_done(self, errand: SetErrand) -> bool:
        return errand.key in self._known or self._path(errand, ".json").exists()

    def _look_up(self, errand: SetErrand) -> dict[str, Any] | None:
        if errand.key not in self._known:
            try:
                text = self._path(errand, ".json").read_text(encoding="utf-8")
            except FileNotFoundError:
                return None
            self._known[errand.key] = json.loads(text)
        return self._known[errand.key]

    @contextlib.contextmanager
    def _locked(self, errand: SetErrand, *, wait: bool) -> Iterator[bool]:
        """Hold an errand's lock; yield whether it is held. Where there are no locks, each process is on its own."""
        with self._path(errand, ".lock").open("wb") as stream:
            held = True
            with contextlib.suppress(OSError):
                held = lock_file(stream, wait=wait)
            yield held

    def _path(self, errand: SetErrand, suffix: str) -> Path:
        name = hashlib.sha256(errand.key.encode("utf-8", "surrogateescape")).hexdigest()[:32]
        return self._folder.path / f"{name}{suffix}"
