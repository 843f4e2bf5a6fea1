"""What is stated in the log of golden and challenge units: contents of statements, and what they say again.

====================  =====================================  ===========================================
kind                  subject                                content
====================  =====================================  ===========================================
``gate``              station, gate, model and serial        :func:`gate_content`
``golden_reference``  the same                               :func:`reference_content`
``self_check``        the station                            the self-check's own (``verdict``, ``steps``)
====================  =====================================  ===========================================

The subject (:func:`about`) finds the newest statement of each unit at once, in a log of any length.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.gates.gates import Result
from linecheck.limits.model import LimitFile
from linecheck.log.stored import Statement
from linecheck.run.model import Run
from linecheck.station.config.station import Station

__all__ = [
    "GATE",
    "REFERENCE",
    "SELF_CHECK",
    "Reference",
    "about",
    "circumstances",
    "gate_content",
    "read_reference",
    "read_result",
    "reference_content",
]

GATE: Final = "gate"
REFERENCE: Final = "golden_reference"
SELF_CHECK: Final = "self_check"

#: So much is kept of what a result has to say; the run itself is in the log whole.
MAX_TOLD: Final = 50
MAX_REASON_LENGTH: Final = 500


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
    """Return what a statement of a golden or challenge unit is about."""
    return encodable("/".join((station, gate, model, serial)))


def circumstances(station: Station, limits: LimitFile | None, software: str) -> dict[str, str]:
    """Return what a result rests on: when one of these changes, the gate is due."""
    found = {"station_config": station.sha256, "software": software}
    if limits is not None:
        found["limits"] = limits.sha256
    return found


def gate_content(
    gate: str,
    *,
    met: bool,
    reasons: Sequence[str],
    record: Run,
    rests_on: Mapping[str, str],
    every_hours: float,
    now: datetime,
    more: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what is stated of a gate: the result, the run behind it, what it rests on, and how long it holds."""
    return {
        "gate": gate,
        "met": met,
        "reasons": [encodable(reason)[:MAX_REASON_LENGTH] for reason in reasons[:MAX_TOLD]],
        "model": encodable(record.model),
        "serial": encodable(record.serial),
        "run": record.run_id,
        "record": record.logged.sequence,
        "verdict": record.verdict.value,
        "circumstances": dict(rests_on),
        "every_hours": every_hours,
        "valid_until": utc_text(now + timedelta(hours=every_hours)) if met else None,
        **more,
    }


def reference_content(
    records: Sequence[Run], *, by: str, reason: str, changes: Sequence[str]
) -> dict[str, Any]:
    """Return what is stated of a golden unit's history: its runs, who accepted them and why, and what changes by it."""
    return {
        "model": encodable(records[-1].model),
        "serial": encodable(records[-1].serial),
        "runs": [
            {"record": record.logged.sequence, "run": record.run_id, "hash": record.logged.record_hash}
            for record in records
        ],
        "by": encodable(by),
        "reason": encodable(reason),
        "changes": [encodable(change)[:MAX_REASON_LENGTH] for change in changes[:MAX_TOLD]],
    }


def read_result(
    statement: Statement, *, later: datetime | None = None, least_age_seconds: float = 0.0
) -> Result:
    """Return what a statement says of a gate; one that does not say that it is met is not.

    Parameters
    ----------
    statement : Statement
    later : datetime, optional
        The latest time of any record after it.
    least_age_seconds : float, optional
    """
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
        circumstances={str(name): str(value) for name, value in rests_on.items()}
        if isinstance(rests_on, dict)
        else {},
        later=later,
        least_age_seconds=least_age_seconds,
    )


def _self_check(content: Mapping[str, Any]) -> tuple[bool, list[str], dict[str, str]]:
    """Return whether a self-check was met, what was not, and what it rests on."""
    steps = content.get("steps")
    reasons = [
        f"{step.get('name')}: {step.get('sentence')}"
        for step in (steps if isinstance(steps, list) else ())
        if isinstance(step, dict) and step.get("verdict") != "met"
    ]
    names = {"station_config": "station_config_sha256", "software": "software"}
    rests_on = {name: str(content[key]) for name, key in names.items() if key in content}
    return content.get("verdict") == "met", reasons, rests_on


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
