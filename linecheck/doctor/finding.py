"""What was found of one thing that linecheck uses, and how to get what is missing on each system."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Final, Literal

System = Literal["debian", "fedora", "macos", "windows", "other"]
#: Where the cures were tried. Of the others they are what each system's packages are called there.
TRIED: Final = frozenset({"debian"})


class State(StrEnum):
    """How it stands: ``missing`` is needed by the station that was asked about, ``note`` by what nobody asked for."""

    OK = "ok"
    NOTE = "note"
    MISSING = "missing"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Finding:
    """One thing: what was found, and by system what to do; ``""`` is any system."""

    name: str
    state: State
    text: str
    cures: Mapping[str, str] = field(default_factory=dict)


def cure_here(finding: Finding) -> str:
    """Return what to do on this system; empty where that is not known."""
    own = finding.cures.get(system(), finding.cures.get("", ""))
    untried = own and system() not in TRIED and finding.cures.get(system())
    return f"{own} (not tried)" if untried else own


@cache
def system() -> System:
    """Return the system by how software is installed on it."""
    if sys.platform == "darwin":
        return "macos"
    if sys.platform == "win32":
        return "windows"
    try:
        release = Path("/etc/os-release").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return "other"
    said = dict(line.split("=", 1) for line in release.splitlines() if "=" in line)
    names = f"{said.get('ID', '')} {said.get('ID_LIKE', '')}".replace('"', "").split()
    if "debian" in names or "ubuntu" in names:
        return "debian"
    return "fedora" if {"fedora", "rhel"} & set(names) else "other"
