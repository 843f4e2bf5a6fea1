"""A line has no command line and no terminal in it: a page in a browser shows it as well."""

import json
import pkgutil
import subprocess
import sys

import linecheck.line

SCRIPT = """
import importlib, json, sys
for names in sys.argv[1:]:
    for name in names.split():
        importlib.import_module(name)
    print(json.dumps(sorted(sys.modules)))
"""


def test_nothing_of_a_terminal_is_loaded_for_a_line():
    names = [module.name for module in pkgutil.iter_modules(linecheck.line.__path__, "linecheck.line.")]
    assert "linecheck.line.session" in names
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, " ".join(names), "linecheck.cli.display.messages"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    for_a_line, with_a_terminal = (
        {
            name
            for name in json.loads(text)
            if name.split(".")[0] in ("click", "rich") or "linecheck.cli" in name
        }
        for text in done.stdout.splitlines()
    )
    assert for_a_line == set()
    assert {"click", "linecheck.cli.display.messages"} <= with_a_terminal, "a terminal would be seen"
