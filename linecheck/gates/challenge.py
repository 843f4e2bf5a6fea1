"""A challenge unit, known to be bad: whether it was caught, and for the right reason.

==========================  ==================================================================
:func:`challenged`          what a run of it comes to
:func:`unknown_reasons`     what it must fail in and a limit file does not judge
:class:`ChallengeResult`    what the first returns
==========================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.results.wording import findings, judgement
from linecheck.run.model import CheckOutcome, Run
from linecheck.station.config.gates import ChallengeUnit


@dataclass(frozen=True)
class ChallengeResult:
    """Whether the unit failed as it must; ``reasons`` say why not, ``failed`` what failed."""

    met: bool
    reasons: tuple[str, ...]
    failed: tuple[str, ...]


def unknown_reasons(unit: ChallengeUnit, limits: LimitFile) -> tuple[str, ...]:
    """Return what a unit must fail in although no mask of the limit file judges it."""
    judged = {
        name
        for check in limits.checks
        for spec, channel in check.judged(limits.channels)
        for name in _names(check.name, check.entry, spec.name, channel)
    }
    return tuple(reason for reason in unit.must_fail if reason not in judged)


def challenged(unit: ChallengeUnit, outcome: Run) -> ChallengeResult:
    """Return whether a run caught a challenge unit.

    A pass, a run that judges nothing, and a fail for another reason count for nothing: the station does not see what it
    must, or sees what is not there.

    Parameters
    ----------
    unit : ChallengeUnit
    outcome : Run
    """
    items = list(_judged(outcome.checks))
    failed = tuple(names[0] for names, _, item in items if item.verdict is Verdict.FAIL)
    found: list[str] = []
    blocked = outcome.station_failed or any(problem.blocks for problem in outcome.problems)
    if outcome.aborted or outcome.missing or blocked:
        told = findings((), outcome.missing, outcome.problems)
        word = "aborted" if outcome.aborted else "invalid"
        found += [f"the run is {word} and says nothing about the station", *told]
    elif not failed and outcome.verdict in (Verdict.PASS, Verdict.MARGINAL):
        found.append("it passes although it is known to be bad: the station misses its fault")
    for reason in unit.must_fail:
        found += _not_failed(reason, items)
    if unit.nothing_else:
        found += _beside(unit.must_fail, items)
    return ChallengeResult(not found, tuple(found), failed)


_Item = tuple[tuple[str, ...], CheckOutcome, JudgedReading | JudgedCurve]


def _judged(checks: Sequence[CheckOutcome]) -> Iterator[_Item]:
    """Yield everything that a mask judges with its names, the longest first."""
    for check in checks:
        for item in check.judged.items:
            if item.verdict is not None:
                what = item.measured
                yield _names(check.check, check.entry, what.metric, what.channel), check, item


def _names(check: str, entry: str, metric: str, channel: str | None) -> tuple[str, ...]:
    names = [f"{name}.{metric}" for name in dict.fromkeys((check, entry))]
    if channel is None:
        return tuple(names)
    return (*(f"{name}.{channel}" for name in names), *names)


def _not_failed(reason: str, items: Sequence[_Item]) -> list[str]:
    """Say that what must fail did not, with its reading."""
    meant = [(check, item) for names, check, item in items if reason in names]
    if any(item.verdict is Verdict.FAIL for _, item in meant):
        return []
    told = "; ".join(_said(check, item) for check, item in meant) or "it was not measured"
    return [f"{reason} must fail and does not: {told}"]


def _beside(must_fail: Sequence[str], items: Sequence[_Item]) -> list[str]:
    """Say what else fails or is not judged."""
    return [
        f"{names[0]} must pass and does not: {_said(check, item)}"
        for names, check, item in items
        if item.verdict in (Verdict.FAIL, Verdict.INVALID) and not set(names) & set(must_fail)
    ]


def _said(check: CheckOutcome, item: JudgedReading | JudgedCurve) -> str:
    where = f"{item.measured.channel} " if item.measured.channel else ""
    return f"{where}{item.verdict}, {judgement(item, check.judged.problems)}"
