"""The result of a run as JSON: what other programs read.

The text is UTF-8 with a fixed order of keys, every reading, curve and problem on a line of its own, so that
two results can be compared line by line. Times stand in ``started``, ``finished``, ``duration_seconds`` and
``settings`` (which a judged capture set has none of) and nowhere else: the same captures judged twice give the same
bytes but for these and ``run``. ``check`` is a check's name in the limit file, ``setup`` how the unit was set: together
they tell checks apart.

Values are given in full. The points of a curve are rounded: ``x`` to 9 significant digits, ``y`` and
``uncertainty`` to 6, which is 0.001 dB at 100 dB; the log keeps them in full.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from linecheck import __version__
from linecheck.checks.base import Points, Problem
from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.limits.model import entry_name
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.run.facts import FACTS, Fact, Facts, ResultPlace
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.settle import all_problems, settled

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet

_X_DIGITS, _Y_DIGITS = 9, 6
#: What a result says of a limit file, a reading, a curve and of how either was judged, under the names that they have.
_OF_LIMITS = ("path", "revision", "sha256", "decision", "approved_by", "approved_on")
_OF_READING = ("metric", "channel", "value", "unit", "uncertainty", "is_bound")
_OF_CURVE = ("metric", "channel", "x_unit", "unit", "resolution_hz")
_OF_JUDGED = ("verdict", "margin", "limit", "fail_limit", "side")


def result(outcome: Run) -> dict[str, Any]:
    """Return a run's result as plain data; nothing in it is NaN or infinite.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    run = settled(outcome)
    document = {
        "format": 1,
        "run": run.run_id,
        "serial": run.serial,
        "model": run.model,
        **facts_keys(run, "unit"),
        "verdict": run.verdict.value,
        "limit_file": _fields(run.limits, *_OF_LIMITS),
        **facts_keys(run, "station"),
        "started": utc_text(run.started),
        "finished": utc_text(run.finished),
        "duration_seconds": round(run.duration_seconds, 3),
        "checks": [_check(check) for check in run.checks],
        "readings": [_reading(check, item) for check in run.checks for item in check.judged.readings],
        "curves": [_curve(check, item) for check in run.checks for item in check.judged.curves],
        "problems": [_problem(run, check, problem) for check, problem in all_problems(run)],
        "settings": [asdict(step) | {"seconds": round(step.seconds, 3)} for step in run.settings],
    }
    return {key: _encodable(value) for key, value in document.items()}


def facts_keys(facts: Facts, place: ResultPlace) -> dict[str, Any]:
    """Return the facts of a run that stand at a place of its result; the log says the rest."""
    return {fact.name: _fact(fact, getattr(facts, fact.name)) for fact in FACTS if fact.result == place}


def _fact(fact: Fact, value: Any) -> Any:  # noqa: ANN401 - any fact
    if fact.null_where_empty and not value:
        return None
    if isinstance(value, Mapping):
        return _ordered(value)
    if isinstance(value, tuple):
        return [asdict(asset) | {"facts": _ordered(asset.facts)} for asset in value]
    return value


def set_result(judged: JudgedSet) -> dict[str, Any]:
    """Return what became of a set as plain data: its result, with the set's path before it.

    A set that was not judged has the same keys, nothing measured, and the problem that says why.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    first = {"set": encodable(judged.path)}
    return first | (result(judged.outcome) if judged.outcome is not None else _without_result(judged))


def _without_result(judged: JudgedSet) -> dict[str, Any]:
    now = utc_text(datetime.now(UTC))
    facts = Facts(software=f"linecheck {__version__}")
    nowhere = {"check": None, "setup": None}
    problems = [] if judged.problem is None else [nowhere | _problem_content(judged.problem)]
    return {
        "format": 1,
        "run": str(uuid.uuid4()),
        "serial": None,
        "model": None,
        **facts_keys(facts, "unit"),
        "verdict": judged.verdict.value,
        "limit_file": None,
        **facts_keys(facts, "station"),
        "started": now,
        "finished": now,
        "duration_seconds": 0.0,
        **{name: [] for name in ("checks", "readings", "curves")},
        "problems": [_encodable(problem) for problem in problems],
        "settings": [],
    }


def to_json_bytes(document: dict[str, Any]) -> bytes:
    """Return a result as the bytes of its file.

    Raises
    ------
    ValueError
        A number is NaN or infinite.
    """
    entries = [f"  {_compact(key)}: {_value(value)}" for key, value in document.items()]
    return ("{\n" + ",\n".join(entries) + "\n}\n").encode()


def _value(value: Any) -> str:  # noqa: ANN401 - any plain data
    if not isinstance(value, list) or not value:
        return _compact(value)
    return "[\n" + ",\n".join(f"    {_compact(item)}" for item in value) + "\n  ]"


def _compact(value: Any) -> str:  # noqa: ANN401 - any plain data
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _of_check(check: CheckOutcome) -> dict[str, Any]:
    return {"check": check.entry, "kind": check.kind, "setup": _ordered(check.setup)}


def _check(check: CheckOutcome) -> dict[str, Any]:
    hashes = _fields(check, "stimulus_sha256", "capture_sha256")
    return _of_check(check) | _fields(check.judged, "verdict") | hashes


def _reading(check: CheckOutcome, item: JudgedReading) -> dict[str, Any]:
    return _of_check(check) | _fields(item.reading, *_OF_READING) | _fields(item, *_OF_JUDGED)


def _curve(check: CheckOutcome, item: JudgedCurve) -> dict[str, Any]:
    curve = item.curve
    return (
        _of_check(check)
        | _fields(curve, *_OF_CURVE)
        | _fields(item, *_OF_JUDGED)
        | {
            "worst_x": None if item.worst_x is None else _rounded(item.worst_x, _X_DIGITS),
            "worst_y": None if item.worst_y is None else _rounded(item.worst_y, _Y_DIGITS),
            "x": _points(curve.x, _X_DIGITS),
            "y": _points(curve.y, _Y_DIGITS),
            "uncertainty": None if curve.uncertainty is None else _points(curve.uncertainty, _Y_DIGITS),
        }
    )


def _points(values: Points, digits: int) -> list[float]:
    return [_rounded(value, digits) for value in values.tolist()]


def _fields(of: object, *names: str) -> dict[str, Any]:
    """Return what something says under its own names; a verdict as its word."""
    values = {name: getattr(of, name) for name in names}
    return {name: value.value if isinstance(value, Verdict) else value for name, value in values.items()}


def _problem(run: Run, check: str | None, problem: Problem) -> dict[str, Any]:
    setup = {entry.name: entry.setup for entry in run.limits.checks}.get(check or "")
    place = {
        "check": None if check is None else entry_name(check),
        "setup": None if setup is None else _ordered(setup),
    }
    return place | _problem_content(problem)


def _problem_content(problem: Problem) -> dict[str, Any]:
    return _fields(problem, "channel", "code", "message", "blocks") | {"metrics": list(problem.metrics)}


def _ordered(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return names and values in an order that does not depend on where they come from, a file or the log."""
    return {name: values[name] for name in sorted(values)}


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def _encodable(value: Any) -> Any:  # noqa: ANN401 - any plain data
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, dict):
        return {encodable(key): _encodable(item) for key, item in value.items()}
    if isinstance(value, list) and not all(isinstance(item, float) for item in value):
        return [_encodable(item) for item in value]
    return value
