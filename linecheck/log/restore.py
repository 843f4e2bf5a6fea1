"""A run's files, made anew from its record: for a run that was killed between its record and its files.

What the log does not know of a run's files is whether marginal was to be a failure in JUnit (``run --strict``): whoever
writes them says it again. Records of older formats say less (:data:`OLDER_FORMATS`).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from linecheck.checks import kinds
from linecheck.errors import RecordError
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.verdict import Verdict
from linecheck.log.stored import RunRecord
from linecheck.log.view import CheckFacts, view_of_record
from linecheck.run.model import Run

__all__ = ["OLDER_FORMATS", "outcome_of_record"]

#: By format, what its records do not say and newer files do.
OLDER_FORMATS: Final[Mapping[int, str]] = {
    1: "which values are bounds, how the unit was set, and what newer records say of unit, lot, station and assets",
    2: "what newer records say of unit, lot, station and assets",
}


def outcome_of_record(record: RunRecord) -> Run:
    """Return the outcome that was recorded: its files are made of it as they were of the run's own.

    Raises
    ------
    RecordError
        It has a check of a kind that this linecheck does not know.
    """
    run = record.run
    return Run(
        run_id=run.run_id,
        serial=run.serial,
        model=run.model,
        firmware=run.firmware,
        operator=run.operator,
        station=run.station,
        limits=_limit_file(record),
        software=run.software,
        started=datetime.fromisoformat(run.started),
        finished=datetime.fromisoformat(run.finished),
        duration_seconds=run.duration_seconds,
        checks=record.checks,
        missing=record.missing,
        problems=record.problems,
        aborted=run.verdict is Verdict.ABORTED,
        station_config_sha256=record.station_config_sha256,
        calibration=record.calibration,
        interface=record.interface,
        settings=record.settings,
        station_failed=record.station_failed,
        trace=record.trace,
    )


def _limit_file(record: RunRecord) -> LimitFile:
    content, facts = record.limits, view_of_record(record, "").facts
    return LimitFile(
        path=record.run.limit_path,
        sha256=record.run.limit_sha256,
        model=record.run.model,
        revision=record.run.limit_revision,
        channels=tuple(content["channels"]),
        serial_pattern=content["serial_pattern"],
        decision=content["decision"],
        setup={},
        checks=tuple(_check(check, facts[check["name"]], record) for check in content["checks"]),
        approved_by=content["approved_by"],
        approved_on=content["approved_on"],
    )


def _check(content: Mapping[str, Any], facts: CheckFacts, record: RunRecord) -> Check:
    kind = kinds().get(content["kind"])
    if kind is None:
        raise RecordError(
            f"record {record.run.sequence} has a check of the kind {content['kind']!a}, which this linecheck does not "
            "know: use the one that made it"
        )
    # What was valid on its day is taken as it was; nothing is measured by it.
    return Check(
        name=content["name"],
        kind=kind,
        stimulus=kind.stimulus_parameters.model_construct(**facts.stimulus),
        analysis=kind.analysis_parameters.model_construct(**facts.analysis),
        setup=content["setup"],
        masks=facts.masks,
        reference=content["reference"],
    )
