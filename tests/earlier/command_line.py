"""The command line, called in this process from a folder of its own; nothing else of the package is named here."""

import io
import json
import os
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from unittest.mock import patch

from linecheck.cli import main


@dataclass(frozen=True)
class Answer:
    """What a command came to."""

    status: int
    out: str
    err: str

    def lines(self):
        """Return the JSON objects of its output, one a line."""
        return [json.loads(line) for line in self.out.splitlines()]


@contextmanager
def inside(folder):
    """Work in a folder: records name files by their paths from there."""
    before = os.getcwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def linecheck(*arguments):
    """Run a command and return what it came to."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    status = 0
    with (
        patch.object(sys, "argv", ["linecheck", *map(str, arguments)]),
        patch.object(sys, "stdout", out),
        patch.object(sys, "stderr", err),
    ):
        try:
            main()
        except SystemExit as error:
            status = int(error.code or 0)
    return Answer(status, *(stream.buffer.getvalue().decode() for stream in (out, err)))
