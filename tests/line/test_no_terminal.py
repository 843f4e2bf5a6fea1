"""A line has no command line and no terminal in it: a page in a browser shows it as well."""

import json
import pkgutil
import subprocess
import sys

import linecheck.line

SCRIPT = """
import importlib, json, sys
for name in sys.argv[1:]:
    importlib.import_module(name)
print(json.dumps(sorted(sys.modules)))
"""


def loaded(*names):
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, *names], capture_output=True, text=True, check=True, timeout=60
    )
    return set(json.loads(done.stdout))


def of_a_terminal(modules):
    return {name for name in modules if name.split(".")[0] in ("click", "rich") or "linecheck.cli" in name}


def test_nothing_of_a_terminal_is_loaded_for_a_line():
    names = [module.name for module in pkgutil.iter_modules(linecheck.line.__path__, "linecheck.line.")]
    assert "linecheck.line.session" in names
    assert of_a_terminal(loaded(*names)) == set()


def test_the_check_would_see_a_terminal():
    assert {"click", "linecheck.cli.display.messages"} <= of_a_terminal(
        loaded("linecheck.cli.display.messages")
    )
