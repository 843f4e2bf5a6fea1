"""Starting the process that a desk works in, which imports nothing slow.

That process takes as long to be ready as everything else that comes before a run, so both begin at once.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

__all__ = ["COMMAND", "Launched", "has_sound_interface", "launch"]

COMMAND = (sys.executable, "-m", "linecheck.station.interfaces.sound.worker")

#: A station config is never longer.
LONGEST_BYTES = 1_000_000


@dataclass(frozen=True)
class Launched:
    """A process that waits for commands, and the file that its standard error goes to."""

    process: subprocess.Popen[bytes]
    errors: IO[bytes]

    def kill(self) -> None:
        """End the process at once, and with it all sound."""
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout, self.errors):
            if pipe is not None:
                # What a dead process never read is lost with it.
                with suppress(OSError):
                    pipe.close()


def launch(command: tuple[str, ...] = COMMAND) -> Launched:
    """Start the process; it ends with this one at the latest."""
    errors = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the process
    process = subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=errors,
        start_new_session=True,
    )
    return Launched(process, errors)


def has_sound_interface(station_path: str) -> bool:
    """Return whether a station config seems to name the sound interface; a wrong guess costs a process, no more."""
    import tomllib

    path = Path(station_path)
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return tomllib.loads(file.read(LONGEST_BYTES).decode()).get("interface") == "sound"
    except (OSError, ValueError, RecursionError):
        return False
