"""What a test cannot do without: where it is missing the test skips and says so, but in CI it fails."""

from __future__ import annotations

import os
import shutil
from typing import NoReturn

import pytest


def lacking(words: str) -> NoReturn:
    """End a test that lacks something."""
    if os.environ.get("CI") == "true":
        pytest.fail(words)
    pytest.skip(words)


def program(name: str) -> str:
    """The path of a program."""
    found = shutil.which(name)
    if found is None:
        lacking(f"needs {name} (Debian: apt-get install {name})")
    return found
