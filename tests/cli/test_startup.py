"""Asking for the version or for help is instant: nothing heavy is imported for it."""

import json
import subprocess
import sys

import pytest

from linecheck import __version__

pytestmark = pytest.mark.every_python

HEAVY = {"matplotlib", "numpy", "pydantic", "rich", "scipy", "sounddevice", "soundfile", "sqlalchemy", "yaml"}

SCRIPT = """
import json, sys
from linecheck.cli import main
try:
    main()
except SystemExit as end:
    status = end.code or 0
print(json.dumps({"status": status, "modules": sorted({name.partition(".")[0] for name in sys.modules})}))
"""


def run(*arguments):
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, *arguments], capture_output=True, text=True, check=True, timeout=60
    )
    shown, _, last = done.stdout.rstrip().rpartition("\n")
    return shown, json.loads(last)


@pytest.mark.parametrize("option", ["--version", "--help"])
def test_version_and_help_import_nothing_heavy(option):
    shown, end = run(option)
    assert end["status"] == 0
    assert shown
    assert HEAVY & set(end["modules"]) == set()


def test_the_version_is_shown():
    assert __version__ in run("--version")[0]


def test_the_check_would_see_an_import():
    done = subprocess.run(
        [sys.executable, "-c", "import numpy\n" + SCRIPT, "--version"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert "numpy" in json.loads(done.stdout.splitlines()[-1])["modules"]
