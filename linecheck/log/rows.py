"""Between a run and the rows of the log, both ways."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any, Final, NamedTuple

from linecheck.checks.base import Problem, Reading
from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.limits.model import LimitReference
from linecheck.limits.recorded import limits_content, recorded_limits
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement, JudgedReading, Verdict
from linecheck.log.chain import RECORD_FORMAT, canonical_json, digest
from linecheck.log.curves import Row, Rows, curve_rows, judged_row, stored_curves, stored_judgement
from linecheck.run.facts import COLUMN_KINDS, DOCUMENTS, FACTS, Asset, Fact
from linecheck.run.model import CheckOutcome, Recorded, Run, RunHeader, SettingStep
from linecheck.run.settle import NOT_RUN, all_problems

#: Columns that say what the field of that name does.
_READING: Final = ("metric", "channel", "value", "unit", "uncertainty")
_CHECK: Final = ("kind", "seconds", "stimulus_sha256", "capture_sha256")
_PROBLEM: Final = ("code", "message", "channel")


class RecordRows(NamedTuple):
    """The rows of one record, but for what the log itself gives it (sequence, attempt, time, hashes).

    ``limits`` and ``documents`` are what it refers to, each by the digest of its bytes.
    """

    run: Row
    parts: dict[str, list[Row]]
    limits: bytes
    documents: tuple[bytes, ...]


def record_rows(recorded: Run) -> RecordRows:
    """Return the rows that a settled run is stored in."""
    content = canonical_json(limits_content(recorded.limits))
    documents = {
        fact.column: canonical_json(dict(getattr(recorded, fact.name)))
        for fact in DOCUMENTS
        if getattr(recorded, fact.name)
    }
    parts = {
        **_measured(recorded.checks, recorded.captures, all_problems(recorded)),
        "curves": [],
        "assets": [_asset_row(position, asset) for position, asset in enumerate(recorded.assets)],
    }
    run = _run_row(recorded) | {"limits_digest": digest(content)}
    run |= {column: digest(document) for column, document in documents.items()}
    return RecordRows(
        _storable(run),
        {name: list(map(_storable, rows)) for name, rows in parts.items()},
        content,
        tuple(documents.values()),
    )


def check_rows(check: CheckOutcome) -> dict[str, list[Row]]:
    """Return the rows of a check by itself, as the first of its run; its problems are numbered within it."""
    return _measured([check], {}, [(check.check, problem) for problem in check.judged.problems])


def _measured(
    checks: Sequence[CheckOutcome],
    captures: Mapping[str, str],
    problems: Iterable[tuple[str | None, Problem]],
) -> dict[str, list[Row]]:
    """Return the rows of checks and of problems; ``captures`` says where those that are kept are."""
    return {
        "checks": [_check_row(at, check, captures.get(check.check)) for at, check in enumerate(checks)],
        "readings": [row for at, check in enumerate(checks) for row in _reading_rows(at, check)],
        **curve_rows((at, check.judged.curves) for at, check in enumerate(checks)),
        "problems": [_problem_row(position, *item) for position, item in enumerate(problems)],
    }


def stored_check(rows: Mapping[str, Rows]) -> CheckOutcome:
    """Return a check from its rows."""
    problems = (_problem(row) for row in rows["problems"])
    curves = [curve for _, curve in stored_curves(rows)]
    return _check(rows["checks"][0], rows["readings"], curves, problems)


def logged_run(row: Row) -> RunHeader:
    """Return what a list says of a run."""
    return RunHeader(**_header(row), **_stored_facts(row))


def stored_run(
    row: Row, parts: Mapping[str, Rows], limits: str, documents: Mapping[str, str], source: str = ""
) -> Run:
    """Return a run with everything that was measured; a record of an older format says less.

    ``limits`` is what is stored of its limit file, ``documents`` the other contents that it refers to, by the names of
    their facts.
    """
    readings = _grouped(parts["readings"], "check_position")
    curves: dict[int, list[JudgedCurve]] = {}
    for at, curve in stored_curves(parts):
        curves.setdefault(at, []).append(curve)
    problems = {
        name: [_problem(entry) for entry in rows]
        for name, rows in _grouped(parts["problems"], "check_name").items()
    }
    kept = {
        check["name"]: check["capture_object"]
        for check in parts["checks"]
        if check["capture_object"] is not None
    }
    header = _header(row)
    if parts.get("packed_curves") and not parts.get("curve_points"):
        header |= {"record": replace(header["record"], curves_thinned=True)}
    assets = (Asset(asset["role"], asset["asset"], json.loads(asset["facts"])) for asset in parts["assets"])
    facts = _stored_facts(row) | {"assets": tuple(assets), "captures": kept}
    facts |= {name: json.loads(content) for name, content in documents.items()}
    return Run(
        **header | {"limits": recorded_limits(json.loads(limits), header["limits"])},
        **facts,
        checks=tuple(
            _check(
                check,
                readings.get(check["position"], ()),
                curves.get(check["position"], ()),
                problems.get(check["name"], ()),
            )
            for check in parts["checks"]
        ),
        missing=tuple(entry["check_name"] for entry in parts["problems"] if entry["code"] == NOT_RUN),
        problems=tuple(problems.get(None, ())),
        aborted=header["record"].verdict is Verdict.ABORTED,
        settings=tuple(SettingStep(**step) for step in json.loads(row["settings"] or "[]")),
        station_failed=bool(row["station_failed"]),
        source=source,
    )


def _header(row: Row) -> Row:
    """Return what a row says of a run but for its facts, by the names that a run has for it."""
    names = ("sequence", "attempt", "recorded", "record_format", "record_hash")
    return {
        **{name: row[name] for name in ("run_id", "serial", "model", "duration_seconds")},
        "limits": LimitReference(row["limit_path"], row["limit_sha256"], row["limit_revision"]),
        "started": datetime.fromisoformat(row["started"]),
        "finished": datetime.fromisoformat(row["finished"]),
        "record": Recorded(**{name: row[name] for name in names}, verdict=Verdict(row["verdict"])),
    }


def _stored_facts(row: Row) -> Row:
    """Return the facts that stand in the run's own row; what it does not say is left to their defaults."""
    found: Row = {}
    for fact in FACTS:
        if fact.kind in COLUMN_KINDS and row[fact.name] is not None:
            is_json = fact.kind in ("data", "flag")
            found[fact.name] = json.loads(row[fact.name]) if is_json else row[fact.name]
    return found


def _grouped(rows: Rows, column: str) -> dict[Any, list[Row]]:
    """Return rows by what a column says, in order."""
    groups: dict[Any, list[Row]] = {}
    for row in rows:
        groups.setdefault(row[column], []).append(row)
    return groups


def _run_row(recorded: Run) -> Row:
    return {
        "record_format": RECORD_FORMAT,
        "run_id": recorded.run_id,
        "serial": recorded.serial,
        "model": recorded.model,
        "verdict": recorded.verdict.value,
        "station_failed": int(recorded.station_failed),
        "started": utc_text(recorded.started),
        "finished": utc_text(recorded.finished),
        "duration_seconds": float(recorded.duration_seconds),
        "limit_path": recorded.limits.path,
        "limit_revision": recorded.limits.revision,
        "limit_sha256": recorded.limits.sha256,
        "settings": _json([asdict(step) for step in recorded.settings]),
        **{fact.column: _column(fact, getattr(recorded, fact.name)) for fact in FACTS if fact.column},
    }


def _column(fact: Fact, value: Any) -> Any:  # noqa: ANN401 - any fact
    """Return a fact as its column has it; what a column refers to is known by its digest later."""
    if fact.kind == "data":
        return _json(dict(value))
    if fact.kind == "flag":
        return None if value is None else _json(bool(value))
    return None if fact.kind == "document" else value


def _asset_row(position: int, asset: Asset) -> Row:
    return {"position": position, "role": asset.role, "asset": asset.id, "facts": _json(dict(asset.facts))}


def _check_row(position: int, check: CheckOutcome, kept: str | None) -> Row:
    return {
        "position": position,
        "name": check.check,
        "setup": _json(dict(check.setup)),
        "capture_object": kept,
        **{name: getattr(check, name) for name in _CHECK},
        "seconds": float(check.seconds),
    }


def _reading_rows(at: int, check: CheckOutcome) -> list[Row]:
    return [
        {
            "check_position": at,
            "position": position,
            **{name: getattr(item.reading, name) for name in _READING},
            "is_bound": int(item.reading.is_bound),
            **judged_row(item),
        }
        for position, item in enumerate(check.judged.readings)
    ]


def _problem_row(position: int, check: str | None, problem: Problem) -> Row:
    return {
        "position": position,
        "check_name": check,
        "blocks": int(problem.blocks),
        "metrics": _json(list(problem.metrics)),
        **{name: getattr(problem, name) for name in _PROBLEM},
    }


def _check(
    row: Row, readings: Rows, curves: Iterable[JudgedCurve], problems: Iterable[Problem]
) -> CheckOutcome:
    judged = JudgedMeasurement(
        tuple(_reading(item) for item in readings),
        tuple(curves),
        tuple(problem for problem in problems if problem.code != NOT_RUN),
    )
    return CheckOutcome(
        check=row["name"],
        setup=json.loads(row["setup"]),
        judged=judged,
        **{name: row[name] for name in _CHECK},
    )


def _reading(row: Row) -> JudgedReading:
    reading = Reading(**{name: row[name] for name in _READING}, is_bound=bool(row["is_bound"]))
    return JudgedReading(reading, **stored_judgement(row))


def _problem(row: Row) -> Problem:
    said = {name: row[name] for name in _PROBLEM}
    return Problem(**said, blocks=bool(row["blocks"]), metrics=tuple(json.loads(row["metrics"])))


def _json(content: Any) -> str:  # noqa: ANN401 - plain data
    return canonical_json(content).decode()


def _storable(row: Row) -> Row:
    """Return a row as SQLite gives it back: texts that are UTF-8, plain numbers, no minus zero."""
    return {name: _storable_value(value) for name, value in row.items()}


def _storable_value(value: Any) -> Any:  # noqa: ANN401 - any column
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, float):
        return float(value) + 0.0
    return value
