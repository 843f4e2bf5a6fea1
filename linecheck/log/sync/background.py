"""Sending beside a session that tests units, in a process of its own that never holds one up.

The process has the lowest priority, reads the log in short transactions and locks it only to note what was
acknowledged, which takes no network and waits for no disk. It ends by itself soon after the session, whatever ends
that.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections import deque
from contextlib import suppress
from pathlib import Path
from typing import Self

_WORKER = "linecheck.log.sync.worker"
#: Ctrl-C is for the session. It is no session of its own: Linux shares processors out among sessions first, and a low
#: priority within one of its own would be none.
_OWN_GROUP = 0
#: What waits to be said is short: one line at the start of an outage and one at its end.
_MAX_LINES = 100


class BackgroundSync:
    """Sends a log to a server as it grows.

    Parameters
    ----------
    location : str or Path
        The log.
    url : str
        The server's database, without a password.
    every_seconds : float
        How often the log is looked at for something new.
    """

    def __init__(self, location: str | Path, url: str, every_seconds: float = 5.0) -> None:
        self._command = [sys.executable, "-m", _WORKER, str(location), url, repr(float(every_seconds))]
        self._process: subprocess.Popen[bytes] | None = None
        self._lines: deque[str] = deque(maxlen=_MAX_LINES)
        self._stopping = False

    def start(self) -> None:
        """Start the process; where the machine has none left, that is what there is to say."""
        self._stopping = False
        self._process = self._started(subprocess.PIPE)
        if self._process is None:
            return
        threading.Thread(target=self._listen, args=(self._process,), name="sync", daemon=True).start()

    def send_once(self) -> None:
        """Start the process to send what there is and end; nobody needs to wait for it, and it says nothing."""
        self._process = self._started(subprocess.DEVNULL)

    def stop(self, wait_seconds: float = 0.0) -> bool:
        """Let the process send what there is and end; return whether it has ended within some time.

        It ends within half a minute, whether anybody waits for it or not.
        """
        self._stopping = True
        if self._process is None:
            return True
        if self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(wait_seconds)
        return self._process.poll() is not None

    def said(self) -> list[str]:
        """Return what there is to say since the last time: that an outage has begun, or ended."""
        lines = []
        while self._lines:
            lines.append(self._lines.popleft())
        return lines

    def __enter__(self) -> Self:
        """Start the process."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Let the process end by itself."""
        self.stop()

    def _started(self, streams: int) -> subprocess.Popen[bytes] | None:
        try:
            return subprocess.Popen(
                self._command,
                stdin=streams,
                stdout=streams,
                stderr=subprocess.DEVNULL,
                process_group=_OWN_GROUP,
            )
        except OSError as error:
            self._lines.append(
                f"nothing is sent, the process for that cannot be started: {error.strerror or error}"
            )
            return None

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        if process.stdout is None:
            return
        with process.stdout as lines:
            for line in lines:
                self._lines.append(line.decode("utf-8", "replace").rstrip("\n"))
        if not self._stopping:
            self._lines.append(
                "nothing is sent any more, the process for that has ended: the records stay in the log, and "
                "`linecheck sync` sends them"
            )
