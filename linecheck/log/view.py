"""A run as it is looked at: in a report, in a figure, beside others in a comparison.

======================  ====================================================================
:class:`RunView`        everything of a run that can be shown, wherever it came from
:func:`view_of_outcome` of a capture set that was judged just now
:func:`view_of_record`  of a run in the log
======================  ====================================================================

A run that was stored years ago brings the masks and stimuli of its own day with it: nothing here reads a limit file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from linecheck.checks.base import Problem
from linecheck.files.times import utc_text
from linecheck.limits.model import Bounds, Limit, LimitFile, Mask
from linecheck.limits.verdict import Verdict
from linecheck.log.stored import RunRecord
from linecheck.run.model import CheckOutcome, Run, SettingStep, Trace
from linecheck.run.settle import settled

__all__ = ["CheckFacts", "LimitFacts", "RunView", "view_of_outcome", "view_of_record"]

_NOTHING: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True)
class LimitFacts:
    """Which limit file judged a run."""

    path: str
    revision: int
    sha256: str
    decision: str
    approved_by: str | None
    approved_on: str | None
    channels: tuple[str, ...]


@dataclass(frozen=True)
class CheckFacts:
    """What the limit file said of one check: its masks, and what it played and how it measured."""

    masks: Mapping[str, Mask] = field(default_factory=dict)
    stimulus: Mapping[str, Any] = field(default_factory=dict)
    analysis: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class RunView:
    """A run (or a judged capture set) with all that can be shown of it.

    ``checks`` and ``facts`` are known by a check's whole name (``reconstruction@filter=slow``). ``started`` and
    ``finished`` are UTC texts; for a capture set they say when it was judged, and ``recorded`` when it was recorded, if
    it says so. ``attempt``, ``record`` (its number in the log) and ``record_hash`` are None where it is in no log.
    ``source`` says in words where it was found.
    """

    source: str
    run_id: str
    serial: str
    model: str
    verdict: Verdict
    firmware: str | None
    operator: str | None
    station: str | None
    software: str
    started: str
    finished: str
    duration_seconds: float
    limits: LimitFacts
    facts: Mapping[str, CheckFacts]
    checks: tuple[CheckOutcome, ...]
    missing: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    calibration: Mapping[str, str] = field(default_factory=dict)
    interface: Mapping[str, str] = field(default_factory=dict)
    settings: tuple[SettingStep, ...] = ()
    station_config_sha256: str | None = None
    recorded: str | None = None
    attempt: int | None = None
    record: int | None = None
    record_hash: str | None = None
    trace: Trace = field(default_factory=Trace)

    def check(self, name: str) -> CheckOutcome | None:
        """Return a check by its whole name; None where it was not measured."""
        return next((check for check in self.checks if check.check == name), None)

    def mask(self, check: str, metric: str) -> Mask | None:
        """Return the mask of a metric or curve; None where none judges it."""
        facts = self.facts.get(check)
        return None if facts is None else facts.masks.get(metric)


def view_of_outcome(outcome: Run, source: str, *, recorded: str | None = None) -> RunView:
    """Return what can be shown of a run that has just been judged.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    run = settled(outcome)
    return RunView(
        source=source,
        run_id=run.run_id,
        serial=run.serial,
        model=run.model,
        verdict=run.verdict,
        firmware=run.firmware,
        operator=run.operator,
        station=run.station,
        software=run.software,
        started=utc_text(run.started),
        finished=utc_text(run.finished),
        duration_seconds=run.duration_seconds,
        limits=_limit_facts(run.limits),
        facts={
            check.name: CheckFacts(
                check.masks, check.stimulus.model_dump(mode="json"), check.analysis.model_dump(mode="json")
            )
            for check in run.limits.checks
        },
        checks=run.checks,
        missing=run.missing,
        problems=run.problems,
        calibration=dict(run.calibration),
        interface=dict(run.interface),
        settings=run.settings,
        station_config_sha256=run.station_config_sha256,
        recorded=recorded,
        trace=run.trace,
    )


def _limit_facts(limits: LimitFile) -> LimitFacts:
    return LimitFacts(
        limits.path,
        limits.revision,
        limits.sha256,
        limits.decision,
        limits.approved_by,
        limits.approved_on,
        limits.channels,
    )


def view_of_record(record: RunRecord, source: str) -> RunView:
    """Return what can be shown of a run in the log."""
    run, content = record.run, record.limits
    return RunView(
        source=source,
        run_id=run.run_id,
        serial=run.serial,
        model=run.model,
        verdict=run.verdict,
        firmware=run.firmware,
        operator=run.operator,
        station=run.station,
        software=run.software,
        started=run.started,
        finished=run.finished,
        duration_seconds=run.duration_seconds,
        limits=LimitFacts(
            run.limit_path,
            run.limit_revision,
            run.limit_sha256,
            content["decision"],
            content["approved_by"],
            content["approved_on"],
            tuple(content["channels"]),
        ),
        facts={check["name"]: _stored_facts(check) for check in content["checks"]},
        checks=record.checks,
        missing=record.missing,
        problems=record.problems,
        calibration=record.calibration,
        interface=record.interface,
        settings=record.settings,
        station_config_sha256=record.station_config_sha256,
        attempt=run.attempt,
        record=run.sequence,
        record_hash=run.record_hash,
        trace=record.trace,
    )


def _stored_facts(check: Mapping[str, Any]) -> CheckFacts:
    masks = {name: _stored_mask(mask) for name, mask in check["masks"].items()}
    return CheckFacts(masks, check.get("stimulus", _NOTHING), check.get("analysis", _NOTHING))


def _stored_mask(mask: Mapping[str, Any]) -> Mask:
    outer = mask["fail"]
    return Mask(_stored_bounds(mask["pass"]), None if outer is None else _stored_bounds(outer))


def _stored_bounds(bounds: Mapping[str, Any]) -> Bounds:
    return Bounds(_stored_limit(bounds["min"]), _stored_limit(bounds["max"]))


def _stored_limit(limit: float | Sequence[Sequence[float]] | None) -> Limit | None:
    if limit is None or isinstance(limit, int | float):
        return limit
    return tuple((float(x), float(y)) for x, y in limit)
