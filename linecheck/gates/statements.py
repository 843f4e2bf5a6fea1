"""Statements in the log about golden and challenge units, and what they say when they are read again.

====================  =====================================  ===========================================
kind                  subject                                content
====================  =====================================  ===========================================
``gate``              station, gate, model and serial        the result, its run, what it rests on
``golden_reference``  the same                               the accepted runs, by whom and why
``self_check``        the station                            the self-check's own (``verdict``, ``steps``)
====================  =====================================  ===========================================

The subject (:func:`about`) finds the newest statement of each unit at once, in a log of any length.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from linecheck.files.text import encodable
from linecheck.gates.gates import Result
from linecheck.limits.model import LimitFile
from linecheck.log.stored import Statement
from linecheck.station.config.station import Station

GATE: Final = "gate"
REFERENCE: Final = "golden_reference"
SELF_CHECK: Final = "self_check"


@dataclass(frozen=True)
class Reference:
    """The runs that were accepted as a golden unit's history, by whom and why.

    ``runs`` holds number and hash of each record.
    """

    sequence: int
    runs: tuple[tuple[int, str], ...]
    by: str
    reason: str
    recorded: str


def about(station: str, gate: str, model: str, serial: str) -> str:
    """Return the subject of a statement about a golden or challenge unit."""
    return encodable("/".join((station, gate, model, serial)))


def circumstances(station: Station, limits: LimitFile | None, software: str) -> dict[str, str]:
    """Return what a result rests on: when one of these changes, the gate is due."""
    found = {"station_config": station.sha256, "software": software}
    if limits is not None:
        found["limits"] = limits.sha256
    return found


def read_result(statement: Statement) -> Result:
    """Return the gate result in a statement; one that does not say met is not met."""
    content = statement.content
    met: bool = content.get("met") is True
    reasons: Any = content.get("reasons")
    rests_on: Any = content.get("circumstances")
    if statement.kind == SELF_CHECK:
        met, reasons, rests_on = _self_check(content)
    return Result(
        sequence=statement.sequence,
        met=met,
        recorded=read_time(statement.recorded),
        about=str(content.get("serial", "")),
        reasons=tuple(str(reason) for reason in reasons) if isinstance(reasons, list) else (),
        circumstances=recorded_texts(rests_on),
    )


def _self_check(content: Mapping[str, Any]) -> tuple[bool, list[str], dict[str, str]]:
    """Return whether a self-check was met, what failed, and what it rests on."""
    reasons = [
        f"{step.get('name')}: {step.get('sentence')}"
        for step in recorded_mappings(content.get("steps"))
        if step.get("verdict") != "met"
    ]
    names = {"station_config": "station_config_sha256", "software": "software"}
    rests_on = {name: str(content[key]) for name, key in names.items() if key in content}
    return content.get("verdict") == "met", reasons, rests_on


def recorded_mappings(said: object) -> list[Mapping[str, Any]]:
    """Return the mappings in a list of a statement, whatever it says."""
    return [each for each in said if isinstance(each, dict)] if isinstance(said, list) else []


def recorded_texts(said: object) -> dict[str, str]:
    """Return names and texts of a statement, whatever it says."""
    return {str(name): str(value) for name, value in said.items()} if isinstance(said, dict) else {}


def read_reference(statement: Statement) -> Reference:
    """Return a golden unit's history as it was accepted."""
    content = statement.content
    runs = tuple((int(run["record"]), str(run["hash"])) for run in content["runs"])
    return Reference(statement.sequence, runs, str(content["by"]), str(content["reason"]), statement.recorded)


def read_time(text: str | None) -> datetime | None:
    """Return a UTC text as a time; None where it is none."""
    try:
        time = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return time if time.tzinfo is not None else None
