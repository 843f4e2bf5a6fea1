"""The last check before a run is stored: nothing is in it that was not measured.

:func:`settled` is the one door between a run's outcome and everything that is written of it (result, JUnit,
log); :func:`all_problems` lists what went wrong, run first, then check by check, then the checks that were
not run.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TypeVar

import numpy as np

from linecheck.checks.base import Problem, Reading
from linecheck.errors import RecordError
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome, Run

#: Code of the problem that stands for a check that was not run.
NOT_RUN = "not_run"

Judged = TypeVar("Judged", JudgedReading, JudgedCurve)


def settled(outcome: Run) -> Run:
    """Return a run's outcome with no number in it that is not finite.

    What is not finite becomes None (a curve is emptied), with a problem that says so where none does.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured: a fault in linecheck, which must not become a record.
    """
    return replace(outcome, checks=tuple(_settled_check(check) for check in outcome.checks))


def all_problems(outcome: Run) -> tuple[tuple[str | None, Problem], ...]:
    """Return every problem of a run with the check that it belongs to, None for the run as a whole."""
    return tuple(listed_problems(outcome.checks, outcome.missing, outcome.problems))


def listed_problems(
    checks: Iterable[CheckOutcome], missing: Iterable[str], problems: Iterable[Problem]
) -> Iterator[tuple[str | None, Problem]]:
    """Yield the problems of a run, of its checks, and one for each check that was not run."""
    for problem in problems:
        yield None, problem
    for check in checks:
        for problem in check.judged.problems:
            yield check.check, problem
    for name in missing:
        yield name, Problem(NOT_RUN, f"the check {name} was not run")


def reasons(problems: Iterable[Problem], metric: str, channel: str | None) -> tuple[Problem, ...]:
    """Return the problems that explain why a metric could not be measured or trusted."""
    return tuple(
        problem
        for problem in problems
        if (problem.blocks or metric in problem.metrics)
        and (channel is None or problem.channel is None or problem.channel == channel)
    )


def _settled_check(check: CheckOutcome) -> CheckOutcome:
    readings = tuple(_settled_reading(check.check, item) for item in check.judged.readings)
    curves = tuple(_settled_curve(check.check, item) for item in check.judged.curves)
    judged = JudgedMeasurement(readings, curves, check.judged.problems)
    return replace(check, judged=replace(judged, problems=(*judged.problems, *_unexplained(judged))))


def _settled_reading(check: str, item: JudgedReading) -> JudgedReading:
    reading = item.reading
    value, uncertainty = _finite(reading.value), _finite(reading.uncertainty)
    if value is None:
        _refuse_judged(check, reading.metric, reading.channel, item.verdict)
    return _settled_margin(
        replace(item, reading=replace(reading, value=value, uncertainty=uncertainty)), value is None
    )


def _settled_curve(check: str, item: JudgedCurve) -> JudgedCurve:
    curve = item.curve
    sound = len(curve.x) == len(curve.y) and bool(
        np.all(np.isfinite(curve.x)) and np.all(np.isfinite(curve.y))
    )
    if not sound or not len(curve.x):
        _refuse_judged(check, curve.metric, curve.channel, item.verdict)
        curve = replace(curve, x=np.empty(0), y=np.empty(0), uncertainty=None)
    elif curve.uncertainty is not None and (
        len(curve.uncertainty) != len(curve.x) or not np.all(np.isfinite(curve.uncertainty))
    ):
        curve = replace(curve, uncertainty=None)
    item = replace(item, curve=curve, worst_x=_finite(item.worst_x), worst_y=_finite(item.worst_y))
    return _settled_margin(item, not len(curve.x))


def _settled_margin(item: Judged, missing: bool) -> Judged:
    margin = None if missing else _finite(item.margin)
    return replace(item, margin=margin, limit=_finite(item.limit), fail_limit=_finite(item.fail_limit))


def _refuse_judged(check: str, metric: str, channel: str | None, verdict: Verdict | None) -> None:
    if verdict not in (None, Verdict.INVALID):
        place = " ".join(part for part in (check, metric, channel) if part)
        raise RecordError(
            f"{place}: the verdict is {verdict}, but nothing was measured. This is a fault in linecheck: "
            "please report it. The run was not recorded"
        )


def _unexplained(judged: JudgedMeasurement) -> Iterator[Problem]:
    """Yield a problem for each value that is missing without a reason."""
    for item in judged.items:
        what = item.measured
        missing = what.value is None if isinstance(what, Reading) else not len(what.x)
        if missing and not reasons(judged.problems, what.metric, what.channel):
            text = f"{what.metric} could not be measured"
            yield Problem("not_measured", text, what.channel, blocks=False, metrics=(what.metric,))


def _finite(value: float | None) -> float | None:
    """Return a plain number, minus zero as zero; None where it is missing or not finite."""
    return float(value) + 0.0 if value is not None and np.isfinite(value) else None
