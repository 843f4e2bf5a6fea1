"""Prints as constraints for pip the oldest versions that pyproject.toml allows of what linecheck and its tests need."""

import re
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))["project"]
for requirement in sorted({*project["dependencies"], *project["optional-dependencies"]["test"]}):
    found = re.fullmatch(r"([\w.-]+)(?:\[[\w,-]+\])?>=([\d.]+)(?:,<\d+)?", requirement)
    if found is None:
        raise SystemExit(f"pyproject.toml: {requirement!r} has no lower bound")
    print(f"{found[1]}=={found[2]}")
