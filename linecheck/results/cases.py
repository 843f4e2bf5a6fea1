"""The results of runs as suites of cases, whatever they are written as: who passed, who failed, and why.

One suite per run, with what it is traced by as properties; one case per judged reading and judged curve::

    classname   MODEL.CHECK                       pellow-r3.tone
    name        METRIC.CHANNEL, METRIC of a pair  sinad.left
                METRIC.curve.CHANNEL of a curve   spectrum.curve.left

A fail is a ``failure``; what is invalid is an ``error``, as are a check that was not run (``not_run``), what
concerns the whole run (``run``: aborted, the station failed, nothing was judged) and a pass that does not release its
unit (``released``). Marginal passes, or is a failure
where ``strict``. Build servers know a case again by classname and name, so these stay the same from run to run and are
unique within a suite.

Where many sets share a file, a case's classname also has the serial number, ``MODEL.SERIAL.CHECK``, with ``#2`` behind
that of a unit's second set: build servers drop all but one of the cases that have both names in common.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal

from linecheck.files.text import visible
from linecheck.limits.verdict import JudgedCurve, Verdict, worst
from linecheck.results.wording import judgement
from linecheck.run.causes import Causes, causes_of
from linecheck.run.model import HOLD, NOT_RELEASED, CheckOutcome, Run, SettingStep
from linecheck.run.settle import settled

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet


Outcome = Literal["passed", "failure", "error"]


@dataclass(frozen=True)
class Case:
    """One test case; ``check`` is empty where it concerns the whole run. ``text`` is a line, the case's name first.

    ``cause`` says in a sentence what may be broken; empty where nothing is known, and of what passed. In a suite
    ``classname`` and ``name`` are what it is known again by.
    """

    check: str
    name: str
    text: str
    outcome: Outcome = "passed"
    kind: str = ""
    seconds: float = 0.0
    cause: str = ""
    classname: str = ""


@dataclass(frozen=True)
class Suite:
    """One run: its cases, and the lines that are no case; ``brief`` where it shares a file with many others."""

    name: str
    package: str
    host: str
    started: datetime
    seconds: float
    properties: dict[str, str]
    cases: tuple[Case, ...]
    notes: tuple[str, ...]
    brief: bool = False


def set_suite(
    judged: JudgedSet, *, strict: bool = False, place: str | None = None, further: Iterable[Case] = ()
) -> Suite:
    """Return the suite of one set of many.

    Parameters
    ----------
    judged : JudgedSet
    strict : bool
        Marginal is a failure.
    place : str, optional
        What its classnames begin with; ``MODEL.SERIAL`` if left out.
    further : iterable of Case
        Cases besides those of readings and curves.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    run = judged.outcome
    if run is None:
        case = Case("", judged.path, f"{judged.path}: {judged.why}", "error", str(judged.verdict))
        cases = tuple(_placed(place or "linecheck.set", [case]))
        properties = {"set": visible(judged.path), "verdict": judged.verdict.value}
        now = datetime.now(UTC)
        return Suite(judged.path, "linecheck", "localhost", now, 0.0, properties, cases, (), brief=True)
    suite = run_suite(run, strict, further, place or f"{run.model}.{run.serial}")
    properties = {"set": visible(judged.path), **suite.properties}
    return replace(suite, name=f"{suite.name} {judged.path}", properties=properties, brief=True)


def run_suite(
    outcome: Run, strict: bool = False, further: Iterable[Case] = (), place: str | None = None
) -> Suite:
    """Return the suite of one run.

    Parameters
    ----------
    outcome : Run
    strict : bool
        Marginal is a failure.
    further : iterable of Case
        Cases besides those of readings and curves.
    place : str, optional
        What its classnames begin with; the model if left out.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    more = tuple(further)
    run = settled(outcome)
    cases = [case for check in run.checks for case in _check_cases(run, check, strict)]
    cases += [
        Case(name, "not_run", f"the check {name} was not run", "error", "not_run") for name in run.missing
    ]
    causes = causes_of(run)
    cases = [*_with_cause(cases, causes), *more]
    reasons = _run_reasons(run, judged=bool(cases))
    judges_nothing = run.verdict in (Verdict.INVALID, Verdict.ABORTED)
    if judges_nothing and not any(case.outcome == "error" for case in cases):
        reasons = reasons or [f"the run is {run.verdict}"]
    if reasons:
        kind = str(run.verdict if judges_nothing else Verdict.INVALID)
        cases += _with_cause([Case("", "run", "; ".join(reasons), "error", kind)], causes)
    if run.held:
        reasons = [note.message for note in run.problems if note.code == NOT_RELEASED]
        why = (*reasons, "it has failed before")[0]
        text = f"the run passed but does not release its unit: {why}"
        cases.append(Case("", "released", text, "error", HOLD))
    notes = [] if causes is None or not causes.headline else list(causes.lines)
    notes += [
        f"{problem.channel}: {problem.message}" if problem.channel else problem.message
        for problem in run.problems
        if not problem.blocks
    ]
    notes += [_setting(step) for step in run.settings if step.how != "interface" or not step.done]
    return Suite(
        name=f"{run.model} {run.serial}",
        package=run.model,
        host=run.station or "localhost",
        started=run.started,
        seconds=run.duration_seconds,
        properties=_properties(run, more, causes),
        cases=tuple(_placed(place or run.model, cases)),
        notes=tuple(notes),
    )


def _with_cause(cases: Iterable[Case], causes: Causes | None) -> list[Case]:
    """Return cases of which those that do not pass say the cause."""
    cause = "" if causes is None else causes.headline
    return [replace(case, cause=cause) if case.outcome != "passed" else case for case in cases]


def _setting(step: SettingStep) -> str:
    """Return a setting that the interface did not make itself, in words."""
    made = f"set to {step.setting} {step.value} before {step.before} ({step.how}, {step.seconds:.1f} s)"
    return f"the unit was {made}" if step.done else f"the unit could not be {made}: {step.output}"


def _run_reasons(run: Run, judged: bool) -> list[str]:
    """Return why a run as a whole cannot be trusted."""
    reasons = [problem.message for problem in run.problems if problem.blocks]
    if run.aborted:
        reasons.insert(0, "the run was aborted")
    elif run.station_failed and not reasons:
        reasons.append("the station failed")
    if not judged:
        reasons.append("nothing was judged")
    return reasons


def _properties(run: Run, further: Iterable[Case], causes: Causes | None) -> dict[str, str]:
    verdicts = [Verdict(case.kind) for case in further if case.kind in set(Verdict)]
    values: dict[str, object] = {
        "serial": run.serial,
        "model": run.model,
        "firmware": run.firmware,
        "station": run.station,
        "operator": run.operator,
        "verdict": worst([run.verdict, *verdicts]).value,
        "released": {None: None, True: "yes", False: "no"}[run.released],
        "run": run.run_id,
        "limit_file": run.limits.path,
        "limit_file_sha256": run.limits.sha256,
        "limit_revision": run.limits.revision,
        "station_config_sha256": run.station_config_sha256,
        "software": run.software,
    }
    if causes is not None and (causes.stands_out or causes.first.is_none):
        first = causes.first
        values |= {"cause": first.code, "cause_probability": f"{first.probability:.2f}"}
    return {name: visible("" if value is None else str(value)) for name, value in values.items()}


def _check_cases(run: Run, check: CheckOutcome, strict: bool) -> Iterator[Case]:
    judged = [item for item in check.judged.items if item.verdict is not None]
    share = max(check.seconds, 0.0) / max(len(judged), 1)
    of_run = (problem for problem in run.problems if problem.blocks and problem.channel is None)
    problems = (*check.judged.problems, *of_run)
    outcomes: dict[Verdict | None, Outcome] = {
        Verdict.PASS: "passed",
        Verdict.MARGINAL: "failure" if strict else "passed",
        Verdict.FAIL: "failure",
    }
    for item in judged:
        curve = "curve" if isinstance(item, JudgedCurve) else None
        name = ".".join(filter(None, (item.measured.metric, curve, item.measured.channel)))
        text = f"{check.check}.{name}: {item.verdict}: {judgement(item, problems)}"
        outcome = outcomes.get(item.verdict, "error")
        yield Case(check.check, name, text, outcome, str(item.verdict), share)


def _placed(place: str, cases: Iterable[Case]) -> Iterator[Case]:
    """Give cases their names, each one visible line, and number what would have the same."""
    seen: set[tuple[str, str]] = set()
    numbers: Counter[tuple[str, str]] = Counter()
    for case in cases:
        classname = one_line(f"{place}.{case.check}" if case.check else place)
        base = name = one_line(case.name)
        numbers[classname, base] += 1
        while (classname, name) in seen:
            name = f"{base}#{numbers[classname, base]}"
            numbers[classname, base] += (classname, name) in seen
        seen.add((classname, name))
        yield replace(case, classname=classname, name=name)


def one_line(text: str) -> str:
    """Return a text on one visible line that is not empty."""
    return " ".join(visible(text).split()) or "(none)"
