"""Readings and verdicts in plain words, the same on the screen, in the log and in JUnit.

====================  =====================================================================
:func:`subject`       what was judged: ``tone sinad left``
:func:`judgement`     value, limit and margin of one reading or curve, in one sentence
:func:`findings`      everything of a run that is not a pass, worst first, a sentence each
:func:`troubles`      the problems and notes among them, as they were recorded
:func:`collapsed`     the same in sentences, what several checks share told once
:func:`number`        a number with its unit, as a person reads it
:func:`significant`   the same without a unit
:func:`signed`        a change with its sign
:func:`response_at`   the frequency in the name of a metric that is the response there
====================  =====================================================================
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from decimal import Decimal
from functools import partial
from itertools import starmap

from linecheck.checks.base import Problem
from linecheck.checks.parts.declared import difference_unit
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome
from linecheck.run.settle import NOT_RUN, listed_problems, reasons

_RESPONSE_AT = re.compile(r"(?:response|droop)_([0-9]+)k")
_SIDES = {"min": ("below", "at least"), "max": ("above", "at most")}
#: Numbers within these are told without an exponent.
_PLAIN = (1e-9, 1e12)


def number(value: float | None, unit: str, digits: int = 6) -> str:
    """Return a value with its unit; a dash where there is none. No value that a person meets has an exponent."""
    if value is None:
        return "–"
    text = significant(value, digits)
    return f"{text} {unit}" if unit else text


def significant(value: float, digits: int) -> str:
    """Return a number with at most so many significant digits: 1440 and 0.00002, not 1.44e+03 and 2e-05."""
    text = f"{value:.{digits}g}"
    return f"{Decimal(text):f}" if "e" in text and _PLAIN[0] <= abs(value) < _PLAIN[1] else text


def signed(value: float, unit: str, digits: int = 6) -> str:
    """Return a change with its unit, and a sign also where it is more."""
    return ("+" if value > 0.0 else "") + number(value, unit, digits)


def response_at(metric: str) -> str:
    """Return the frequency, as ``20 kHz``, at which a metric is the response, by its name; nothing for any other."""
    found = _RESPONSE_AT.fullmatch(metric)
    return f"{found[1]} kHz" if found else ""


def subject(check: str, metric: str, channel: str | None) -> str:
    """Return what was judged, as the limit file names it."""
    return " ".join(part for part in (check, metric, channel) if part)


def judgement(item: JudgedReading | JudgedCurve, problems: Iterable[Problem] = ()) -> str:
    """Return one reading's (or a curve's worst point's) value, limit and margin.

    Parameters
    ----------
    item : JudgedReading or JudgedCurve
    problems : iterable of Problem
        Those of its check: they say why a value is missing or not to be trusted.
    """
    if isinstance(item, JudgedReading):
        value, place = item.reading.value, " or better" * item.reading.is_bound
    else:
        value, place = item.worst_y, _place(item)
    what = item.measured
    if item.verdict is Verdict.INVALID:
        why = "; ".join(problem.message for problem in reasons(problems, what.metric, what.channel))
        return f"not judged: {why or 'it could not be measured'}"
    if value is None:
        return "not measured" if isinstance(item, JudgedReading) else "measured, without a mask"
    return f"{_measured(value, item.limit, item.fail_limit, what.unit)}{place}{_limits(item, what.unit)}"


def findings(
    checks: Iterable[CheckOutcome],
    missing: Iterable[str] = (),
    problems: Iterable[Problem] = (),
    *,
    once: bool = False,
) -> tuple[str, ...]:
    """Return everything in a run that is not a pass, in plain words: fails, problems, marginal readings.

    Problems that only explain values that no mask judges, or that pass, are left out. Last come the notes of checks
    that do not pass: they help to find the cause. Where ``once``, what several checks share is told once
    (:func:`collapsed`).
    """
    listed = tuple(checks)
    told = collapsed if once else partial(starmap, trouble)
    return (
        *_judged_as(listed, Verdict.FAIL, "fails"),
        *told(_once(listed, missing, problems)),
        *_judged_as(listed, Verdict.MARGINAL, "is marginal"),
        *told(_notes(listed)),
    )


def troubles(
    checks: Iterable[CheckOutcome], missing: Iterable[str] = (), problems: Iterable[Problem] = ()
) -> tuple[tuple[str | None, Problem], ...]:
    """Return the problems that :func:`findings` tells, with their checks (None for the whole run), then the notes."""
    listed = tuple(checks)
    return (*_once(listed, missing, problems), *_notes(listed))


def _once(
    checks: Iterable[CheckOutcome], missing: Iterable[str], problems: Iterable[Problem]
) -> Iterator[tuple[str | None, Problem]]:
    """Yield problems of interest; what the run says of a channel is not said again by each of its checks."""
    of_run = tuple(problems)
    said = {(problem.code, problem.channel) for problem in of_run if problem.channel is not None}
    for check, problem in listed_problems(map(_of_interest, checks), missing, of_run):
        if check is None or (problem.code, problem.channel) not in said:
            yield check, problem


def _of_interest(check: CheckOutcome) -> CheckOutcome:
    """Return the check with those problems only that void something, or explain what is judged and does not pass."""
    judged = check.judged
    wanting = {
        (item.measured.metric, item.measured.channel)
        for item in judged.items
        if item.verdict not in (None, Verdict.PASS)
    }

    def concerns(problem: Problem) -> bool:
        return any(
            metric in problem.metrics and (None in (channel, problem.channel) or channel == problem.channel)
            for metric, channel in wanting
        )

    kept = tuple(problem for problem in judged.problems if problem.blocks or concerns(problem))
    return replace(check, judged=replace(judged, problems=kept))


def _notes(checks: Iterable[CheckOutcome]) -> list[tuple[str, Problem]]:
    return [
        (check.check, problem)
        for check in checks
        if check.judged.verdict in (Verdict.FAIL, Verdict.MARGINAL)
        for problem in check.judged.problems
        if problem.is_note
    ]


def _judged_as(checks: Iterable[CheckOutcome], verdict: Verdict, verb: str) -> Iterator[str]:
    for check in checks:
        for item in check.judged.items:
            if item.verdict is verdict:
                name = subject(check.check, item.measured.metric, item.measured.channel)
                yield f"{name} {verb}: {judgement(item)}"


def trouble(check: str | None, problem: Problem) -> str:
    """Return a problem with where it is."""
    where = " ".join(part for part in (check, problem.channel) if part)
    if problem.code == NOT_RUN:
        return problem.message
    return f"{where}: {problem.message}" if where else problem.message


def collapsed(found: Iterable[tuple[str | None, Problem]]) -> tuple[str, ...]:
    """Return troubles in sentences; a problem that several checks have in a channel is told once, with their number.

    Notes are told once where they say the same.
    """
    alike: dict[tuple[str, str | None, str], list[tuple[str | None, Problem]]] = {}
    for check, problem in found:
        own = problem.message if check is None or problem.is_note or problem.code == NOT_RUN else ""
        alike.setdefault((problem.code, problem.channel, own), []).append((check, problem))
    return tuple(text for group in alike.values() for text in _told_once(group))


def _told_once(group: list[tuple[str | None, Problem]]) -> Iterator[str]:
    checks = dict.fromkeys(check for check, _ in group)
    if len(checks) == 1:
        yield from dict.fromkeys(trouble(check, problem) for check, problem in group)
        return
    code = group[0][1].code.replace("_", " ")
    yield f"{code} in {len(checks)} checks, first in {trouble(*group[0])}"


def _place(item: JudgedCurve) -> str:
    return "" if item.worst_x is None else f" at {number(item.worst_x, item.curve.x_unit)}"


def _measured(value: float, limit: float | None, fail_limit: float | None, unit: str) -> str:
    """Return the value with as many digits as tell it from its limits."""
    for digits in (6, 9, 17):
        text = number(value, unit, digits)
        limits = [other for other in (limit, fail_limit) if other is not None and other != value]
        if all(number(other, unit, digits) != text for other in limits):
            break
    return text


def _limits(item: JudgedReading | JudgedCurve, unit: str) -> str:
    """Return on which side of which limit a value lies, and by how much."""
    if item.verdict is None:
        return ""
    if item.side not in _SIDES or item.limit is None:
        return ", outside its limits" if item.verdict is Verdict.FAIL else ", within its limits"
    beyond, allowed = _SIDES[item.side]
    limit = number(item.limit, unit)
    margin = f"margin {number(item.margin, difference_unit(unit), 3)}"
    if item.verdict is Verdict.PASS:
        return f", {allowed} {limit} passes ({margin})"
    text = f", {beyond} the pass limit of {limit} ({margin}"
    if item.fail_limit is not None:
        text += f"; {beyond} {number(item.fail_limit, unit)} fails"
    return f"{text})"
