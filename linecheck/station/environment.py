"""The surroundings of a run: the computer, its clock, the software, and what the station's own commands report.

None of it changes a verdict; all of it is wanted when a verdict is doubted years later.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import platform
import re
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

from linecheck.limits.loading.header import NAME
from linecheck.run.plan import Plan
from linecheck.station.config.station import ConditionsConfig, IdentifyConfig

#: What one command may state.
MAX_FACTS: Final = 64
MAX_FACT_LENGTH: Final = 200
#: A wall clock that differs by more from the monotonic one during a run was set, or runs wrong.
STEPPED_SECONDS: Final = 1.0

_FACT: Final = re.compile(rf"\s*({NAME})\s*=\s*(.*?)\s*")
_COMMIT: Final = re.compile(r"[0-9a-f]{40}|[0-9a-f]{64}")
#: adjtimex(2): what it returns while the clock is not synchronised, and more room than its structure takes.
_TIME_ERROR: Final = 5
_TIMEX_BYTES: Final = 512


@cache
def host() -> Mapping[str, str]:
    """Return the computer that linecheck runs on."""
    system = f"{platform.system()} {platform.release()}"
    with suppress(OSError, KeyError):
        system = f"{platform.freedesktop_os_release()['PRETTY_NAME']}, {system}"
    return {
        "name": platform.node(),
        "system": system,
        "machine": platform.machine(),
        "python": platform.python_version(),
        "processors": str(os.cpu_count() or 0),
    }


@cache
def packages() -> Mapping[str, str]:
    """Return the version of every package that is installed beside linecheck, by name."""
    from importlib.metadata import distributions

    found = {
        str(each.metadata["Name"]).lower(): each.version for each in distributions() if each.metadata["Name"]
    }
    return dict(sorted(found.items()))


@cache
def source_commit() -> str | None:
    """Return the commit that linecheck was installed or is run from; None where nothing says so."""
    return _installed_commit() or _checked_out_commit(Path(__file__).parents[2])


def clock_state(started: datetime, finished: datetime, duration_seconds: float) -> dict[str, Any]:
    """Return what is known of the wall clock during a run.

    Parameters
    ----------
    started, finished : datetime
        By the wall clock, with a time zone.
    duration_seconds : float
        By the monotonic clock.

    Returns
    -------
    dict
        ``synchronised`` (None where the system does not tell), ``utc_offset_minutes`` of local time, and
        ``stepped_seconds`` by which the wall clock went further than the monotonic one.
    """
    offset = started.astimezone().utcoffset()
    return {
        "synchronised": _synchronised(),
        "utc_offset_minutes": None if offset is None else round(offset.total_seconds() / 60.0),
        "stepped_seconds": round((finished - started).total_seconds() - duration_seconds, 3) + 0.0,
    }


def plan_sha256(plan: Plan) -> str:
    """Return a hash over what a run was to play, in order: each check's name, setup and samples."""
    played = [
        [planned.check.name, dict(planned.check.setup), planned.stimulus.rate_hz, planned.stimulus_sha256]
        for planned in plan.checks
    ]
    return hashlib.sha256(json.dumps(played, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def identity(config: IdentifyConfig, serial: str) -> tuple[dict[str, str], str | None]:
    """Ask the unit what it is; return what it said, and why it could not be asked, None where it could."""
    why, output = config.run(serial=serial)
    return ({}, why) if why is not None else stated_facts(output)


def conditions(config: ConditionsConfig) -> tuple[dict[str, str], str | None]:
    """Ask for the station's conditions; return them, and why they could not be had, None if they could."""
    why, output = config.run()
    return ({}, why) if why is not None else stated_facts(output)


def stated_facts(output: str) -> tuple[dict[str, str], str | None]:
    """Return the lines ``name = value`` of a command's output, and what is wrong with them.

    Lines of another form are taken for talk and left out; a name that stands there twice with two values, too many
    names and values that are too long or cannot be printed are refused, and so is an output that states nothing.
    """
    facts: dict[str, str] = {}
    for line in output.splitlines():
        found = _FACT.fullmatch(line)
        if found is None:
            continue
        name, value = found[1], found[2]
        if not value.isprintable() or len(value) > MAX_FACT_LENGTH:
            return (
                {},
                f"its {name} has more than {MAX_FACT_LENGTH} characters, or unprintable ones",
            )
        if facts.setdefault(name, value) != value:
            return {}, f"it states {name} twice: {facts[name]!r} and {value!r}"
        if len(facts) > MAX_FACTS:
            return {}, f"it states more than {MAX_FACTS} facts"
    return facts, None if facts else "it printed no line of the form name = value"


def _synchronised() -> bool | None:
    """Return whether the system's clock is disciplined by another; None where that is not known."""
    with suppress(OSError, AttributeError):
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
        return None if state < 0 else state != _TIME_ERROR
    return None


def _installed_commit() -> str | None:
    """Return the commit of an installation from a repository (PEP 610, direct_url.json)."""
    from importlib.metadata import PackageNotFoundError, distribution

    with suppress(PackageNotFoundError, OSError, ValueError, AttributeError, TypeError):
        content = json.loads(distribution("linecheck").read_text("direct_url.json") or "{}")
        return _commit(content.get("vcs_info", {}).get("commit_id"))
    return None


def _checked_out_commit(root: Path) -> str | None:
    """Return the commit that a checkout is at, read as git keeps it, without running git."""
    with suppress(OSError, ValueError):
        folder = root / ".git"
        if folder.is_file():  # a worktree, whose folder is named there
            folder = root / folder.read_text(encoding="utf-8").removeprefix("gitdir:").strip()
        head = (folder / "HEAD").read_text(encoding="utf-8").strip()
        if not head.startswith("ref: "):
            return _commit(head)
        return _branch_commit(folder, head.removeprefix("ref: "))
    return None


def _branch_commit(folder: Path, name: str) -> str | None:
    common = folder
    with suppress(OSError):
        common = folder / (folder / "commondir").read_text(encoding="utf-8").strip()
    with suppress(OSError):
        return _commit((common / name).read_text(encoding="utf-8").strip())
    for line in (common / "packed-refs").read_text(encoding="utf-8").splitlines():
        commit, _, named = line.partition(" ")
        if named == name:
            return _commit(commit)
    return None


def _commit(text: object) -> str | None:
    return text if isinstance(text, str) and _COMMIT.fullmatch(text) else None
