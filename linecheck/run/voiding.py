"""What the station's own state makes worthless in a run: it judges nothing, whatever was measured.

==================  =========================================================================
in the run          what of it is void
==================  =========================================================================
station not fit     everything: a gate that is not met, a calibration or an asset overdue
``overload``        of the channel, in every check: what depends on the gain of its input
``silent_channel``  of the channel, in every check: nothing proves that it was connected
==================  =========================================================================

A station's fault so fails no unit, and what only seems to pass is no pass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, TypeVar

from linecheck.checks.base import Problem
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome, Run

__all__ = ["OVERLOAD", "SILENT", "UNFIT", "voided"]

#: Codes of problems by which the station judges no unit at all.
UNFIT: Final = frozenset({"station_gate", "asset_overdue", "calibration_overdue"})
#: Code of the problem that a capture input was driven beyond its range.
OVERLOAD: Final = "overload"
#: Code of the problem that nothing of its stimulus is in a channel.
SILENT: Final = "silent_channel"

_VOLTS: Final = frozenset({"V", "mV", "µV"})
_WORDS: Final = {
    OVERLOAD: "the capture input of {channel} was overdriven in {check}: its gain is not to be trusted in this run",
    SILENT: "nothing came back in {channel} in {check}: nothing proves that it is connected",
}

Judged = TypeVar("Judged", JudgedReading, JudgedCurve)


def voided(run: Run) -> Run:
    """Return a run in which what its own problems make worthless judges nothing, with the reason beside it."""
    checks = run.checks
    if any(problem.blocks and problem.code in UNFIT for problem in run.problems):
        return replace(run, checks=tuple(_void(check, lambda item: True)[0] for check in checks))
    for cause in _causes(run):
        checks = tuple(_explained(check, cause) for check in checks)
    return replace(run, checks=checks)


def _causes(run: Run) -> tuple[Problem, ...]:
    """Return one problem for each channel and sort of fault, which says in which check it showed first."""
    found: dict[tuple[str, str | None], Problem] = {}
    for check in run.checks:
        for problem in check.judged.problems:
            if problem.blocks and problem.code in _WORDS:
                message = _WORDS[problem.code].format(channel=problem.channel, check=check.check)
                found.setdefault(
                    (problem.code, problem.channel), replace(problem, message=message, blocks=False)
                )
    return tuple(found.values())


def _explained(check: CheckOutcome, cause: Problem) -> CheckOutcome:
    def concerns(item: JudgedReading | JudgedCurve) -> bool:
        what = item.reading if isinstance(item, JudgedReading) else item.curve
        if None not in (what.channel, cause.channel) and what.channel != cause.channel:
            return False
        return cause.code == SILENT or what.unit in _VOLTS or what.metric == "level_dbfs"

    void, metrics = _void(check, concerns)
    if not metrics:
        return check
    problem = replace(cause, metrics=metrics)
    return replace(void, judged=replace(void.judged, problems=(*void.judged.problems, problem)))


def _void(
    check: CheckOutcome, concerns: Callable[[JudgedReading | JudgedCurve], bool]
) -> tuple[CheckOutcome, tuple[str, ...]]:
    """Return a check in which what is concerned judges nothing, and the metrics whose verdict that changes."""
    metrics: dict[str, None] = {}

    def settled(item: Judged) -> Judged:
        if item.verdict in (None, Verdict.INVALID) or not concerns(item):
            return item
        metrics[item.reading.metric if isinstance(item, JudgedReading) else item.curve.metric] = None
        return replace(item, verdict=Verdict.INVALID, margin=None, limit=None, fail_limit=None, side=None)

    readings = tuple(settled(item) for item in check.judged.readings)
    curves = tuple(settled(item) for item in check.judged.curves)
    return replace(check, judged=replace(check.judged, readings=readings, curves=curves)), tuple(metrics)
