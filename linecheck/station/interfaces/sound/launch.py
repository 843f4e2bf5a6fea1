"""Starting the process that a desk works in."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from typing import IO

__all__ = ["COMMAND", "Launched", "launch"]

COMMAND = (sys.executable, "-m", "linecheck.station.interfaces.sound.worker")


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
