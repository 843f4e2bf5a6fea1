"""The engine's process as seen from the station: started, asked with a time limit, and killed when in doubt.

A driver or sound server that has died can hold a call for ever, and PortAudio can end its process (both measured);
neither may hang a run or lose what it measured. Killed, a process lets its devices go at once, and all sound stops.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from queue import Empty, SimpleQueue
from typing import Any

from linecheck.errors import StationError
from linecheck.station.interfaces.sound.callbacks import Samples
from linecheck.station.interfaces.sound.engine import (
    SETTLE_SECONDS,
    SPARE_SECONDS,
    FoundDevices,
    SoundSettings,
    Take,
)

COMMAND = (sys.executable, "-m", "linecheck.station.interfaces.sound.worker")

#: How long starting, finding and opening devices, and closing them, may take.
OPEN_SECONDS = 15.0
CLOSE_SECONDS = 2.0
#: Slices of a wait, so that Ctrl-C gets through on systems that do not interrupt a waiting lock.
SLICE_SECONDS = 0.1

#: A method of the engine and its arguments.
Command = tuple[str, tuple[Any, ...]]


class SoundProcess:
    """A :class:`~linecheck.station.interfaces.sound.engine.SoundEngine` in a process of its own; same methods.

    After an error, and after anything else that breaks into a call, the process is gone.

    Parameters
    ----------
    settings : SoundSettings
    """

    def __init__(self, settings: SoundSettings) -> None:
        self._settings = settings
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
        self._process = subprocess.Popen(
            COMMAND,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            start_new_session=True,
        )
        self._ended = False
        self._replies: SimpleQueue[tuple[str, Any] | None] = SimpleQueue()
        self._reader = threading.Thread(target=self._read, name="sound replies", daemon=True)
        self._reader.start()

    def open(self) -> FoundDevices:
        """Find the devices and open them."""
        found: FoundDevices = self._ask(("open", (self._settings,)), OPEN_SECONDS, "opening the devices")
        return found

    def ready(self, rate_hz: int) -> None:
        """Have the streams open for stimuli of this rate."""
        self._ask(("ready", (rate_hz,)), OPEN_SECONDS, "opening the devices")

    def play(self, samples: Samples, rate_hz: int, following: Samples | None = None) -> Take:
        """Play samples and return what came back; ``following`` comes next and may begin at once."""
        longest = 2.0 * (len(samples) / rate_hz + self._settings.tail_seconds + SPARE_SECONDS)
        limit = longest + SETTLE_SECONDS + OPEN_SECONDS
        take: Take = self._ask(("play", (samples, rate_hz, following)), limit, "playing")
        return take

    def close(self) -> None:
        """Stop all sound and free the devices; a driver that does not answer is not waited for."""
        if not self._ended:
            with suppress(StationError):
                self._ask(("close", ()), CLOSE_SECONDS, "closing the devices")
            self.kill()

    def kill(self) -> None:
        """End the process at once, and with it all sound."""
        self._ended = True
        self._process.kill()
        self._reader.join()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout, self._errors):
            # What a dead process never read is lost with it.
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()

    def _ask(self, command: Command, seconds: float, doing: str) -> Any:  # noqa: ANN401
        """Have the engine do something and return what it returns."""
        try:
            reply = self._answer(seconds) if self._send(command) else None
            if reply is None:
                raise StationError(self._last_words(doing))
            kind, result = reply
            if kind == "failed":
                raise StationError(result)
        except Empty:
            self.kill()
            raise StationError(
                f"the sound system did not answer for {seconds:g} s while {doing}: "
                "its driver or server hangs; restart it"
            ) from None
        except BaseException:
            self.kill()
            raise
        return result

    def _send(self, command: Command) -> bool:
        """Send a command; return whether the process took it."""
        if self._ended or self._process.stdin is None:
            raise StationError("the sound process has ended")
        try:
            pickle.dump(command, self._process.stdin, protocol=5)
            self._process.stdin.flush()
        except OSError:
            return False
        return True

    def _answer(self, seconds: float) -> tuple[str, Any] | None:
        """Return the next reply, None where the process has ended."""
        deadline = time.monotonic() + seconds
        while True:
            try:
                return self._replies.get(timeout=SLICE_SECONDS)
            except Empty:
                if time.monotonic() > deadline:
                    raise

    def _read(self) -> None:
        """Pass replies on, and None at the end."""
        try:
            while self._process.stdout is not None:
                self._replies.put(pickle.load(self._process.stdout))
        except Exception:
            self._replies.put(None)

    def _last_words(self, doing: str) -> str:
        """Say that the process has ended, with the last line that it printed."""
        status = self._process.wait()
        self._errors.seek(0)
        lines = self._errors.read().decode(errors="replace").strip().splitlines()
        said = f": {lines[-1][:300]}" if lines else ""
        return f"the sound driver ended the sound process while {doing} (status {status}){said}"
