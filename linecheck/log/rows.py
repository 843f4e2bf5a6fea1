"""Between a run's outcome and the rows of the log, both ways."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.limits.model import Bounds, Check, LimitFile, Mask
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement, JudgedReading, Verdict
from linecheck.log.chain import RECORD_FORMAT, canonical_json, digest
from linecheck.log.stored import LoggedRun, RunRecord
from linecheck.run.model import Asset, CheckOutcome, Run, SettingStep, Trace
from linecheck.run.settle import NOT_RUN, all_problems

__all__ = ["RecordRows", "limits_content", "logged_run", "record_rows", "run_record"]

Row = dict[str, Any]
Rows = Sequence[Row]

#: What a trace says in columns of the run's row: as texts, and as JSON.
_TRACE_TEXTS = (
    "purpose",
    "scanned",
    "variant",
    "lot",
    "work_order",
    "shift",
    "nest",
    "reason",
    "source_commit",
    "plan_sha256",
    "captures_why",
)
_TRACE_DATA = ("override", "identity", "conditions", "host", "clock", "gates")


class RecordRows(NamedTuple):
    """The rows of one record, but for what the log itself gives it (sequence, attempt, time, hashes).

    ``limits`` and ``documents`` are what it refers to, each by the digest of its bytes.
    """

    run: Row
    parts: dict[str, list[Row]]
    limits: bytes
    documents: tuple[bytes, ...]


def record_rows(outcome: Run) -> RecordRows:
    """Return the rows that a settled outcome is stored in."""
    trace = outcome.trace
    content = limits_content(outcome.limits)
    packages = canonical_json(dict(trace.packages)) if trace.packages else None
    parts: dict[str, list[Row]] = {
        "checks": [_check_row(position, check, trace) for position, check in enumerate(outcome.checks)],
        "readings": [
            {"check_position": at, "position": position, **_reading_row(item)}
            for at, check in enumerate(outcome.checks)
            for position, item in enumerate(check.judged.readings)
        ],
        "curves": [
            {"check_position": at, "position": position, **_curve_row(item)}
            for at, check in enumerate(outcome.checks)
            for position, item in enumerate(check.judged.curves)
        ],
        "problems": [
            _problem_row(position, check, problem)
            for position, (check, problem) in enumerate(all_problems(outcome))
        ],
        "assets": [_asset_row(position, asset) for position, asset in enumerate(trace.assets)],
    }
    run = _run_row(outcome) | {"limits_digest": digest(content)} | _trace_row(trace)
    run["packages_digest"] = None if packages is None else digest(packages)
    return RecordRows(
        _storable(run),
        {name: _all(rows) for name, rows in parts.items()},
        content,
        () if packages is None else (packages,),
    )


def limits_content(limits: LimitFile) -> bytes:
    """Return what a limit file says (stimuli, analysis, masks), as canonical JSON."""
    content = {
        "model": limits.model,
        "revision": limits.revision,
        "channels": list(limits.channels),
        "serial_pattern": limits.serial_pattern,
        "decision": limits.decision,
        "approved_by": limits.approved_by,
        "approved_on": limits.approved_on,
        "checks": [_limits_check(check) for check in limits.checks],
    }
    if limits.retest is not None:
        content["retest"] = limits.retest.model_dump(mode="json")
    return canonical_json(content)


def logged_run(row: Row) -> LoggedRun:
    """Return what a list says of a run."""
    names = LoggedRun.__dataclass_fields__.keys()
    known = {"verdict": Verdict(row["verdict"]), "purpose": row["purpose"] or "unit"}
    return LoggedRun(**{name: row[name] for name in names} | known)


def run_record(run: Row, parts: Mapping[str, Rows], limits: str, packages: str | None = None) -> RunRecord:
    """Return a run with everything that was measured.

    ``limits`` is what is stored of its limit file, ``packages`` of what it ran with.
    """
    readings, curves = (_grouped(parts[name], "check_position") for name in ("readings", "curves"))
    problems = {
        name: [_problem(row) for row in rows]
        for name, rows in _grouped(parts["problems"], "check_name").items()
    }
    return RunRecord(
        run=logged_run(run),
        checks=tuple(
            _check(
                row,
                readings.get(row["position"], ()),
                curves.get(row["position"], ()),
                problems.get(row["name"], ()),
            )
            for row in parts["checks"]
        ),
        missing=tuple(row["check_name"] for row in parts["problems"] if row["code"] == NOT_RUN),
        problems=tuple(problems.get(None, ())),
        limits=json.loads(limits),
        calibration=json.loads(run["calibration"]),
        interface=json.loads(run["interface"]),
        station_config_sha256=run["station_config_sha256"],
        settings=tuple(SettingStep(**step) for step in json.loads(run["settings"] or "[]")),
        trace=_trace(run, parts, packages),
        station_failed=bool(run["station_failed"]),
        record_format=run["record_format"],
    )


def _grouped(rows: Rows, column: str) -> dict[Any, list[Row]]:
    """Return rows by what a column says, in order."""
    groups: dict[Any, list[Row]] = {}
    for row in rows:
        groups.setdefault(row[column], []).append(row)
    return groups


def _run_row(outcome: Run) -> Row:
    return {
        "record_format": RECORD_FORMAT,
        "run_id": outcome.run_id,
        "serial": outcome.serial,
        "model": outcome.model,
        "verdict": outcome.verdict.value,
        "station_failed": int(outcome.station_failed),
        "firmware": outcome.firmware,
        "operator": outcome.operator,
        "station": outcome.station,
        "station_config_sha256": outcome.station_config_sha256,
        "calibration": _json(dict(outcome.calibration)),
        "interface": _json(dict(outcome.interface)),
        "software": outcome.software,
        "started": utc_text(outcome.started),
        "finished": utc_text(outcome.finished),
        "duration_seconds": float(outcome.duration_seconds),
        "limit_path": outcome.limits.path,
        "limit_revision": outcome.limits.revision,
        "limit_sha256": outcome.limits.sha256,
        "settings": _json([asdict(step) for step in outcome.settings]),
    }


def _trace_row(trace: Trace) -> Row:
    return {
        **{name: getattr(trace, name) for name in _TRACE_TEXTS},
        **{name: _json(dict(getattr(trace, name))) for name in _TRACE_DATA},
    }


def _trace(run: Row, parts: Mapping[str, Rows], packages: str | None) -> Trace:
    """Return what a record says beside what was measured; a record of an older format says less."""
    texts = {name: run[name] for name in _TRACE_TEXTS if run[name] is not None}
    data = {name: json.loads(run[name] or "{}") for name in _TRACE_DATA}
    kept = {
        row["name"]: row["capture_object"] for row in parts["checks"] if row["capture_object"] is not None
    }
    assets = tuple(Asset(row["role"], row["asset"], json.loads(row["facts"])) for row in parts["assets"])
    return Trace(**texts, **data, packages=json.loads(packages or "{}"), assets=assets, captures=kept)


def _asset_row(position: int, asset: Asset) -> Row:
    return {"position": position, "role": asset.role, "asset": asset.id, "facts": _json(dict(asset.facts))}


def _check_row(position: int, check: CheckOutcome, trace: Trace) -> Row:
    return {
        "position": position,
        "name": check.check,
        "kind": check.kind,
        "setup": _json(dict(check.setup)),
        "seconds": float(check.seconds),
        "stimulus_sha256": check.stimulus_sha256,
        "capture_sha256": check.capture_sha256,
        "capture_object": trace.captures.get(check.check),
    }


def _reading_row(item: JudgedReading) -> Row:
    reading = item.reading
    return {
        "metric": reading.metric,
        "channel": reading.channel,
        "value": reading.value,
        "unit": reading.unit,
        "uncertainty": reading.uncertainty,
        **_judged_row(item),
        "is_bound": int(reading.is_bound),
    }


def _curve_row(item: JudgedCurve) -> Row:
    curve = item.curve
    return {
        "metric": curve.metric,
        "channel": curve.channel,
        "x_unit": curve.x_unit,
        "unit": curve.unit,
        "resolution_hz": curve.resolution_hz,
        "x": _packed(curve.x),
        "y": _packed(curve.y),
        "uncertainty": None if curve.uncertainty is None else _packed(curve.uncertainty),
        "worst_x": item.worst_x,
        "worst_y": item.worst_y,
        **_judged_row(item),
    }


def _judged_row(item: JudgedReading | JudgedCurve) -> Row:
    return {
        "verdict": None if item.verdict is None else item.verdict.value,
        "margin": item.margin,
        "pass_limit": item.limit,
        "fail_limit": item.fail_limit,
        "side": item.side,
    }


def _problem_row(position: int, check: str | None, problem: Problem) -> Row:
    return {
        "position": position,
        "check_name": check,
        "channel": problem.channel,
        "code": problem.code,
        "message": problem.message,
        "blocks": int(problem.blocks),
        "metrics": _json(list(problem.metrics)),
    }


def _limits_check(check: Check) -> Row:
    return {
        "name": check.name,
        "kind": check.kind.name,
        "setup": dict(check.setup),
        "reference": check.reference,
        "stimulus": check.stimulus.model_dump(mode="json"),
        "analysis": check.analysis.model_dump(mode="json"),
        "masks": {name: _mask(mask) for name, mask in check.masks.items()},
    }


def _mask(mask: Mask) -> Row:
    return {"pass": _bounds(mask.pass_), "fail": None if mask.fail is None else _bounds(mask.fail)}


def _bounds(bounds: Bounds) -> Row:
    return {"min": bounds.min, "max": bounds.max}


def _check(row: Row, readings: Rows, curves: Rows, problems: Iterable[Problem]) -> CheckOutcome:
    judged = JudgedMeasurement(
        tuple(_reading(item) for item in readings),
        tuple(_curve(item) for item in curves),
        tuple(problem for problem in problems if problem.code != NOT_RUN),
    )
    return CheckOutcome(
        check=row["name"],
        kind=row["kind"],
        setup=json.loads(row["setup"]),
        judged=judged,
        seconds=row["seconds"],
        stimulus_sha256=row["stimulus_sha256"],
        capture_sha256=row["capture_sha256"],
    )


def _reading(row: Row) -> JudgedReading:
    reading = Reading(
        row["metric"],
        row["channel"],
        row["value"],
        row["unit"],
        row["uncertainty"],
        is_bound=bool(row["is_bound"]),
    )
    return JudgedReading(
        reading, _verdict(row), row["margin"], row["pass_limit"], row["fail_limit"], row["side"]
    )


def _curve(row: Row) -> JudgedCurve:
    uncertainty = row["uncertainty"]
    curve = Curve(
        metric=row["metric"],
        channel=row["channel"],
        x=_unpacked(row["x"]),
        x_unit=row["x_unit"],
        y=_unpacked(row["y"]),
        unit=row["unit"],
        resolution_hz=row["resolution_hz"],
        uncertainty=None if uncertainty is None else _unpacked(uncertainty),
    )
    return JudgedCurve(
        curve,
        _verdict(row),
        row["worst_x"],
        row["worst_y"],
        row["margin"],
        row["pass_limit"],
        row["fail_limit"],
        row["side"],
    )


def _problem(row: Row) -> Problem:
    return Problem(
        row["code"], row["message"], row["channel"], bool(row["blocks"]), tuple(json.loads(row["metrics"]))
    )


def _verdict(row: Row) -> Verdict | None:
    return None if row["verdict"] is None else Verdict(row["verdict"])


def _packed(values: NDArray[np.float64]) -> bytes:
    return np.ascontiguousarray(values, dtype="<f8").tobytes()


def _unpacked(values: bytes) -> NDArray[np.float64]:
    return np.frombuffer(values, dtype="<f8")


def _json(content: Any) -> str:  # noqa: ANN401 - plain data
    return canonical_json(content).decode()


def _all(rows: list[Row]) -> list[Row]:
    return [_storable(row) for row in rows]


def _storable(row: Row) -> Row:
    """Return a row as SQLite gives it back: texts that are UTF-8, plain numbers, no minus zero."""
    return {name: _storable_value(value) for name, value in row.items()}


def _storable_value(value: Any) -> Any:  # noqa: ANN401 - any column
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, float):
        return float(value) + 0.0
    return value
