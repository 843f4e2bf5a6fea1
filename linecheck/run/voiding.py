"""Readings that the station's own state makes void: they judge nothing, whatever was measured.

==================  =========================================================================
in the run          what of it is void
==================  =========================================================================
station not fit     everything: a gate that is not met, a calibration or an asset overdue
``unit_removed``    everything: the unit did not stay in the nest, or nobody knows whether it did
``path_in_doubt``   everything: what fails could be the station's path as well, and nothing says which
``overload``        of the channel, in every check: what depends on the gain of its input
``silent_channel``  of the channel, in every check: nothing proves that it was connected
==================  =========================================================================

A station's fault so fails no unit, and what only seems to pass is no pass.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final, TypeVar

from linecheck.checks.base import OVERLOAD, Problem
from linecheck.checks.parts.volts import VOLT_UNITS
from linecheck.files.text import listed
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome, Run

__all__ = ["IN_DOUBT", "OVERLOAD", "SILENT", "UNFIT", "UNIT_REMOVED", "voided", "voids"]

#: Code of the problem that what fails could be the station's path as well as the unit.
IN_DOUBT: Final = "path_in_doubt"
#: Code of the problem that the unit was not in the nest all the time.
UNIT_REMOVED: Final = "unit_removed"
#: Codes of problems by which the station judges no unit at all.
UNFIT: Final = frozenset({"station_gate", "asset_overdue", "calibration_overdue", IN_DOUBT, UNIT_REMOVED})
#: Code of the problem that nothing of its stimulus is in a channel.
SILENT: Final = "silent_channel"

_OF_SILENCE: Final = frozenset({"stimulus_not_found", "wrong_channel", SILENT})
_MAX_NAMED: Final = 2

Judged = TypeVar("Judged", JudgedReading, JudgedCurve)


def voided(run: Run, loop: str = "", *, path_in_doubt: bool = False) -> Run:
    """Return a run in which what its own problems make worthless judges nothing, with the reason in the run and there.

    Parameters
    ----------
    run : Run
    loop : str
        In a few words, what proves the station's own path, or why nothing does.
    path_in_doubt : bool
        Whether a fail that a change of the path alone could make counts only once the path has been checked again.
    """
    if any(problem.blocks and problem.code in UNFIT for problem in run.problems):
        return _unjudged(run)
    checks = run.checks
    causes = tuple(_causes(run, loop))
    for cause in causes:
        checks = tuple(_explained(check, cause) for check in checks)
    run = replace(run, checks=checks, problems=(*run.problems, *causes))
    doubts = tuple(_doubts(run, loop)) if path_in_doubt else ()
    return _unjudged(replace(run, problems=(*run.problems, *doubts))) if doubts else run


def _unjudged(run: Run) -> Run:
    return replace(run, checks=tuple(_void(check, lambda item: True)[0] for check in run.checks))


def voids(problem: Problem, metric: str, unit: str, channel: str | None) -> bool:
    """Return whether a problem of a run makes a reading or curve of it void, whatever was measured."""
    if problem.code in UNFIT:
        return True
    if problem.code not in (OVERLOAD, SILENT) or (
        None not in (channel, problem.channel) and channel != problem.channel
    ):
        return False
    return problem.code == SILENT or unit in VOLT_UNITS or metric == "level_dbfs"


def _doubts(run: Run, loop: str) -> Iterator[Problem]:
    """Yield the problem that what fails could be the station's path; nothing where no such thing fails."""
    of_path = {
        (check.name, spec.name) for check in run.limits.checks for spec in check.kind.specs if spec.of_path
    }
    failed = [
        " ".join(filter(None, (check.check, metric, channel)))
        for check in run.checks
        for metric, channel in _failed(check)
        if (check.check, metric) in of_path
    ]
    if failed:
        yield Problem(
            IN_DOUBT,
            f"the unit or the path? {listed(failed, _MAX_NAMED)} would fail, as they would if a level "
            f"control, a cable or a rate of the station's own path had been changed since its check ({loop}). Run "
            "`linecheck station check`, then test this unit again: with the path as it was, the fail counts",
        )


def _failed(check: CheckOutcome) -> Iterator[tuple[str, str | None]]:
    """Yield which metrics and curves fail, and in which channel; a silent unit is told from a dead path otherwise."""
    silent = {problem.channel for problem in check.judged.problems if problem.code == SILENT}
    for item in check.judged.items:
        metric, channel = item.measured.metric, item.measured.channel
        if item.verdict is Verdict.FAIL and not (silent if channel is None else silent & {None, channel}):
            yield metric, channel


def _causes(run: Run, loop: str) -> Iterator[Problem]:
    """Yield one problem of the run for each channel and sort of fault, which says where it showed."""
    said = {(problem.code, problem.channel) for problem in run.problems}
    found: dict[tuple[str, str | None], list[str]] = {}
    for check in run.checks:
        for problem in check.judged.problems:
            if problem.blocks and problem.code in (OVERLOAD, SILENT):
                found.setdefault((problem.code, problem.channel), []).append(check.check)
    for (code, channel), names in found.items():
        more = f" and {len(names) - _MAX_NAMED} more checks" if len(names) > _MAX_NAMED else ""
        where = f"{', '.join(dict.fromkeys(names[:_MAX_NAMED]))}{more}"
        if (code, channel) not in said:
            yield Problem(code, _words(code, channel or "any channel", where, loop), channel)


def _words(code: str, channel: str, where: str, loop: str) -> str:
    if code == OVERLOAD:
        return (
            f"the capture input of {channel} is overdriven ({where}): its gain cannot be trusted, and nothing in "
            "volts is judged on it in this run. Lower its gain"
        )
    proof = f" ({loop})" if loop else ""
    return (
        f"nothing came back in {channel} ({where}): the unit, its lead or the station's input is dead. Only a check of "
        f"the station's loop tells them apart{proof}; without one nothing of {channel} is judged"
    )


def _explained(check: CheckOutcome, cause: Problem) -> CheckOutcome:
    """Return a check in which what a cause concerns is invalid; one problem says so for all that follows from it."""
    problems = check.judged.problems
    whose = (cause.code, cause.channel)
    own = [each for each in problems if (each.code, each.channel) == whose and each.blocks]
    if own and cause.code == SILENT:
        others = (each for each in problems if each.channel != cause.channel or each.code not in _OF_SILENCE)
        return replace(check, judged=replace(check.judged, problems=(own[0], *others)))
    if own:
        return check

    def concerns(item: JudgedReading | JudgedCurve) -> bool:
        what = item.measured
        return voids(cause, what.metric, what.unit, what.channel)

    void, metrics = _void(check, concerns)
    if not metrics:
        return check
    problem = replace(cause, blocks=False, metrics=metrics)
    return replace(void, judged=replace(void.judged, problems=(*problems, problem)))


def _void(
    check: CheckOutcome, concerns: Callable[[JudgedReading | JudgedCurve], bool]
) -> tuple[CheckOutcome, tuple[str, ...]]:
    """Return a check in which what is concerned judges nothing, and the metrics whose verdict that changes."""
    metrics: dict[str, None] = {}

    def settled(item: Judged) -> Judged:
        if item.verdict in (None, Verdict.INVALID) or not concerns(item):
            return item
        metrics[item.measured.metric] = None
        return replace(item, verdict=Verdict.INVALID, margin=None, limit=None, fail_limit=None, side=None)

    readings = tuple(settled(item) for item in check.judged.readings)
    curves = tuple(settled(item) for item in check.judged.curves)
    return replace(check, judged=replace(check.judged, readings=readings, curves=curves)), tuple(metrics)
