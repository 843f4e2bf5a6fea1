"""The sides of a comparison: which of a run's checks each one is, by names that all sides share."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from linecheck.checks.base import Detailed
from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.history.comparison.model import Side, SideCheck
from linecheck.limits.model import SETUP_MARK, entry_name
from linecheck.run.model import CheckOutcome, Run

MAX_SIDES = 8
LABELS = "ABCDEFGH"
_SETUP = re.compile(r"(?P<source>.+)@(?P<setup>[A-Za-z_][\w]*=[^@/]+)")


@dataclass(frozen=True)
class Picked:
    """A run, and those of its checks that one side is made of, by the name that all sides share."""

    reference: str
    view: Run
    checks: dict[str, CheckOutcome]
    setup: dict[str, str]


def split_reference(reference: str) -> tuple[str, dict[str, str]]:
    """Return what ``RUN@filter=slow`` names, and under which setup; a path that is there is taken as it is."""
    found = None if os.path.exists(reference) else _SETUP.fullmatch(reference)
    if found is None:
        return reference, {}
    parts = [part.partition("=") for part in found["setup"].split(",")]
    if any(not key or not value for key, _, value in parts):
        raise UsageError(f"{visible(reference)}: say a setup as RUN@filter=slow")
    return found["source"], {key: value for key, _, value in parts}


def pick(reference: str, view: Run, setup: dict[str, str]) -> Picked:
    """Return the checks that were taken under a setup; all of them where none is named.

    Raises
    ------
    UsageError
        None was taken under that setup.
    """
    if not setup:
        return Picked(reference, view, {check.check: check for check in view.checks}, {})
    checks: dict[str, CheckOutcome] = {}
    for check in view.checks:
        if all(check.setup.get(key) == value for key, value in setup.items()):
            checks[_shared_name(check.check, setup)] = check
    if not checks:
        known = sorted({f"{key}={value}" for check in view.checks for key, value in check.setup.items()})
        listed = ", ".join(visible(entry) for entry in known) or "none"
        raise UsageError(
            f"{visible(reference)}: no check was taken under that setup; those of the run are: {listed}"
        )
    return Picked(reference, view, _by_shared_names(checks), setup)


def _by_shared_names(checks: Mapping[str, CheckOutcome]) -> dict[str, CheckOutcome]:
    """Return checks by their names in the limit file, wherever only one of that name is left."""
    entries = Counter(entry_name(name) for name in checks)
    return {
        entry_name(name) if entries[entry_name(name)] == 1 else name: check for name, check in checks.items()
    }


def _shared_name(name: str, setup: dict[str, str]) -> str:
    """Return a check's name without the part of its setup that the side is picked by."""
    entry = entry_name(name)
    rest = name[len(entry) + len(SETUP_MARK) :].split(",") if name != entry else []
    kept = [part for part in rest if part.partition("=")[0] not in setup]
    return SETUP_MARK.join((entry, ",".join(kept))) if kept else entry


def side_of(number: int, picked: Picked, every: Sequence[Picked]) -> Side:
    """Return a side as it is shown."""
    view = picked.view
    same = ("source", "run_id", "serial", "model", "verdict", "firmware", "station", "software", "held")
    return Side(
        **{name: getattr(view, name) for name in same},
        label=LABELS[number],
        reference=picked.reference,
        name=_name(picked, every),
        started=utc_text(view.started),
        recorded=None if view.captured is None else utc_text(view.captured),
        limit_path=view.limits.path,
        limit_revision=view.limits.revision,
        limit_sha256=view.limits.sha256,
        calibration=dict(view.calibration),
        interface=dict(view.interface),
        checks={
            name: SideCheck(
                check.check,
                dict(check.setup),
                check.judged.verdict,
                check.stimulus_sha256,
                check.capture_sha256,
            )
            for name, check in picked.checks.items()
        },
        problems=tuple(
            (name, problem.plain if isinstance(problem, Detailed) else problem)
            for name, check in picked.checks.items()
            for problem in check.judged.problems
        ),
    )


def _name(picked: Picked, every: Sequence[Picked]) -> str:
    """Return the shortest of what tells the sides apart: setup, firmware, serial number, attempt, or what was named."""
    ways: tuple[Callable[[Picked], str], ...] = (
        lambda side: ", ".join(side.setup.values()),
        lambda side: side.view.firmware or "",
        lambda side: side.view.serial,
        lambda side: "" if side.view.record is None else f"attempt {side.view.record.attempt}",
    )
    for told in ways:
        names = [told(side) for side in every]
        if all(names) and len(set(names)) == len(names):
            return told(picked)
    return picked.reference.rstrip("/").rpartition("/")[2] or picked.reference
