"""The process that an engine works in: ``python -m linecheck.station.interfaces.sound.worker``.

It reads pickled ``(method, arguments)`` on standard input and writes ``("done", result)`` or ``("failed", message)`` on
standard output. It ends with its parent, whose end closes the input, whatever it is doing.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable
from queue import SimpleQueue
from typing import Any, BinaryIO

from linecheck.errors import StationError
from linecheck.station.interfaces.sound.engine import SoundEngine

Command = tuple[str, tuple[Any, ...]]


def main() -> None:
    """Serve one parent until it says ``close`` or is gone."""
    # Ctrl-C at the terminal is the parent's business.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    replies = _own_standard_output()
    commands: SimpleQueue[Command] = SimpleQueue()
    threading.Thread(target=_read, args=(sys.stdin.buffer, commands), daemon=True).start()
    # The collector stops every thread, the one that feeds the converter as well.
    gc.disable()
    gc.freeze()
    engine: SoundEngine | None = None
    while True:
        name, arguments = commands.get()
        if engine is None:
            engine, arguments = SoundEngine(*arguments), ()
        _reply(replies, getattr(engine, name), arguments)
        if name == "close":
            # No tidying by the libraries: a thread of a driver that hangs may still run.
            os._exit(0)
        gc.collect()


def _own_standard_output() -> BinaryIO:
    """Return standard output for replies alone; what libraries print goes to standard error."""
    replies = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return replies


def _read(commands: BinaryIO, queue: SimpleQueue[Command]) -> None:
    try:
        while True:
            queue.put(pickle.load(commands))
    except Exception:
        os._exit(1)


def _reply(replies: BinaryIO, method: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
    try:
        reply = ("done", method(*arguments))
    except StationError as error:
        reply = ("failed", str(error))
    except Exception as error:
        reply = ("failed", f"the sound process failed unexpectedly ({type(error).__name__}: {error})")
    pickle.dump(reply, replies, protocol=5)
    replies.flush()


if __name__ == "__main__":
    main()
