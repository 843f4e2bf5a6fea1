"""``linecheck`` as a process of its own that need not import anything: forked from one that has imported it all.

Starting Python and importing takes most of a second, a command that refuses its input a few milliseconds. Each command
still has its own arguments, folder, memory limit and ending; what only a program that starts anew shows (what it
imports, what it does about its environment) is tested with one.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

__all__ = ["Forge"]


class Forge:
    """Runs commands, one at a time; a context manager that ends its process."""

    def __init__(self):
        self._folder = tempfile.TemporaryDirectory(prefix="linecheck-forge-")
        self._server = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            start_new_session=True,
        )

    def run(self, folder, arguments, *, address_space=None, stdin=os.devnull, timeout_seconds=60.0):
        """Run a command in a folder; return its exit status, standard output and standard error, as bytes."""
        out, err = (str(Path(self._folder.name) / name) for name in ("out", "err"))
        asked = {
            "folder": str(folder),
            "arguments": [os.fsencode(argument).decode("latin-1") for argument in arguments],
            "address_space": address_space,
            "timeout_seconds": timeout_seconds,
            "files": [str(stdin), out, err],
        }
        self._server.stdin.write(json.dumps(asked).encode() + b"\n")
        self._server.stdin.flush()
        answer = self._server.stdout.readline()
        if not answer:
            raise RuntimeError("the process that forks commands has ended")
        status = int(answer)
        if status == TIMED_OUT:
            raise TimeoutError(f"linecheck {arguments} did not end within {timeout_seconds} s")
        return status, Path(out).read_bytes(), Path(err).read_bytes()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._server.stdin.close()
        self._server.wait(20)
        self._server.stdout.close()
        self._folder.cleanup()


TIMED_OUT = -1000


def serve():
    """Fork a command for each line of standard input, and say how it ended."""
    import importlib
    import pkgutil
    import signal
    import time

    import linecheck.cli
    from linecheck.checks import kinds

    for module in pkgutil.iter_modules(linecheck.cli.__path__):
        importlib.import_module(f"linecheck.cli.{module.name}")
    for name in (
        "linecheck.log",
        "linecheck.results.formats.junit",
        "linecheck.station.interfaces.simulated.interface",
        "scipy.signal",
    ):
        importlib.import_module(name)
    kinds()
    answers = os.dup(1)
    for line in sys.stdin.buffer:
        asked = json.loads(line)
        child = os.fork()
        if child == 0:
            os.close(answers)
            return command(asked)
        deadline = time.monotonic() + asked["timeout_seconds"]
        status = None
        while status is None:
            ended, code = os.waitpid(child, os.WNOHANG)
            if ended:
                status = os.waitstatus_to_exitcode(code)
            elif time.monotonic() > deadline:
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                status = TIMED_OUT
            else:
                time.sleep(0.002)
        os.write(answers, f"{status}\n".encode())
    return None


def command(asked):
    """Be the command, in the process that was forked for it."""
    import resource

    os.chdir(asked["folder"])
    flags = (os.O_RDONLY, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    for descriptor, (path, how) in enumerate(zip(asked["files"], flags, strict=True)):
        opened = os.open(path, how, 0o600)
        os.dup2(opened, descriptor)
        os.close(opened)
    if asked["address_space"] is not None:
        resource.setrlimit(resource.RLIMIT_AS, (asked["address_space"],) * 2)
    # The stream that the server reads its lines by may hold some that were not for this process.
    sys.stdin = open(0, encoding="utf-8", errors="surrogateescape", closefd=False)  # noqa: SIM115
    sys.argv = ["linecheck", *(os.fsdecode(argument.encode("latin-1")) for argument in asked["arguments"])]
    from linecheck.cli import main

    return main()


if __name__ == "__main__":
    serve()
