"""The results of runs as JUnit XML: what build servers show.

One suite per run, with what it is traced by as properties; one case per judged reading and judged curve::

    classname   MODEL.CHECK                       pellow-r3.tone
    name        METRIC.CHANNEL, METRIC of a pair  sinad.left
                METRIC.curve.CHANNEL of a curve   spectrum.curve.left

A fail is a ``failure``; what is invalid is an ``error``, as are a check that was not run (``not_run``) and
what concerns the whole run (``run``: aborted, the station failed, nothing was judged). JUnit has no word
for marginal: it passes, with its sentence in the suite's ``system-out``, or is a failure where ``strict``.
Build servers know a case again by classname and name, so these stay the same from run to run and are unique
within a suite.

The form is the part that the Ant and the Jenkins schemas of JUnit files have in common. junit-xml builds
the elements; it drops zeros, and a failure without text becomes a pass in it, so what it built is counted
and completed here.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Literal

from linecheck.errors import RecordError
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.records.settle import settled
from linecheck.records.text import visible
from linecheck.records.times import utc_text
from linecheck.records.wording import judgement
from linecheck.station.outcome import CheckOutcome, RunOutcome

__all__ = ["junit_bytes"]

_RunVerdict = {Verdict.INVALID: "invalid", Verdict.ABORTED: "aborted"}


@dataclass(frozen=True)
class _Case:
    """One test case; ``text`` is one line."""

    classname: str
    name: str
    text: str
    outcome: Literal["passed", "failure", "error"] = "passed"
    kind: str = ""
    seconds: float = 0.0


@dataclass(frozen=True)
class _Suite:
    """One run: its cases, and the lines that are no case."""

    name: str
    package: str
    host: str
    started: datetime
    seconds: float
    properties: dict[str, str]
    cases: tuple[_Case, ...]
    notes: tuple[str, ...]


def junit_bytes(outcomes: Iterable[RunOutcome], strict: bool = False) -> bytes:
    """Return the JUnit file of some runs, UTF-8.

    Without any run the file holds one error: nothing was judged.

    Parameters
    ----------
    outcomes : iterable of RunOutcome
    strict : bool
        Marginal is a failure.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    suites = [_suite(settled(outcome), strict) for outcome in outcomes] or [_empty()]
    root = ET.Element("testsuites")
    root.extend(_element(suite, number) for number, suite in enumerate(suites))
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _suite(run: RunOutcome, strict: bool) -> _Suite:
    cases = [case for check in run.checks for case in _check_cases(run.model, check, strict)]
    cases += [
        _Case(f"{run.model}.{name}", "not_run", f"the check {name} was not run", "error", "not_run")
        for name in run.missing
    ]
    reasons = _run_reasons(run, judged=bool(cases))
    if run.verdict in _RunVerdict and not any(case.outcome == "error" for case in cases):
        reasons = reasons or [f"the run is {run.verdict}"]
    if reasons:
        kind = _RunVerdict.get(run.verdict, "invalid")
        cases.append(_Case(run.model, "run", "; ".join(reasons), "error", kind))
    notes = [
        f"{problem.channel}: {problem.message}" if problem.channel else problem.message
        for problem in run.problems
        if not problem.blocks
    ]
    return _Suite(
        name=f"{run.model} {run.serial}",
        package=run.model,
        host=run.station or "localhost",
        started=run.started,
        seconds=run.duration_seconds,
        properties=_properties(run),
        cases=tuple(_unique(cases)),
        notes=tuple(notes),
    )


def _empty() -> _Suite:
    case = _Case("linecheck", "run", "nothing was judged", "error", "invalid")
    return _Suite("linecheck", "linecheck", "localhost", datetime.now(UTC), 0.0, {}, (case,), ())


def _run_reasons(run: RunOutcome, judged: bool) -> list[str]:
    """Return why a run as a whole is not to be trusted."""
    reasons = [problem.message for problem in run.problems if problem.blocks]
    if run.aborted:
        reasons.insert(0, "the run was aborted")
    elif run.station_failed and not reasons:
        reasons.append("the station failed")
    if not judged:
        reasons.append("nothing was judged")
    return reasons


def _properties(run: RunOutcome) -> dict[str, str]:
    values: dict[str, object] = {
        "serial": run.serial,
        "model": run.model,
        "firmware": run.firmware,
        "station": run.station,
        "operator": run.operator,
        "verdict": run.verdict.value,
        "run": run.run_id,
        "limit_file": run.limits.path,
        "limit_file_sha256": run.limits.sha256,
        "limit_revision": run.limits.revision,
        "station_config_sha256": run.station_config_sha256,
        "software": run.software,
    }
    return {name: visible("" if value is None else str(value)) for name, value in values.items()}


def _check_cases(model: str, check: CheckOutcome, strict: bool) -> list[_Case]:
    items: tuple[JudgedReading | JudgedCurve, ...] = (*check.judged.readings, *check.judged.curves)
    judged = [item for item in items if item.verdict is not None]
    share = max(check.seconds, 0.0) / max(len(judged), 1)
    return [_judged_case(model, check, item, strict, share) for item in judged]


def _judged_case(
    model: str, check: CheckOutcome, item: JudgedReading | JudgedCurve, strict: bool, seconds: float
) -> _Case:
    if isinstance(item, JudgedReading):
        parts, channel = [item.reading.metric], item.reading.channel
    else:
        parts, channel = [item.curve.metric, "curve"], item.curve.channel
    name = ".".join([*parts, channel] if channel else parts)
    outcome: Literal["passed", "failure", "error"] = "passed"
    if item.verdict is Verdict.FAIL or (strict and item.verdict is Verdict.MARGINAL):
        outcome = "failure"
    elif item.verdict is not Verdict.PASS and item.verdict is not Verdict.MARGINAL:
        outcome = "error"
    text = f"{check.check}.{name}: {item.verdict}: {judgement(item, check.judged.problems)}"
    return _Case(f"{model}.{check.check}", name, text, outcome, str(item.verdict), seconds)


def _unique(cases: Iterable[_Case]) -> Iterator[_Case]:
    """Make texts one visible line, and number what would have the same name."""
    seen: set[tuple[str, str]] = set()
    for case in cases:
        classname, base, text = (_line(part) for part in (case.classname, case.name, case.text))
        name, number = base, 1
        while (classname, name) in seen:
            number += 1
            name = f"{base}#{number}"
        seen.add((classname, name))
        yield replace(case, classname=classname, name=name, text=text)


def _line(text: str) -> str:
    """Return a text on one visible line that is not empty."""
    return " ".join(visible(text).split()) or "(none)"


def _element(suite: _Suite, number: int) -> ET.Element:
    """Build a suite's element; counts and times come from what is in it."""
    from junit_xml import TestCase, TestSuite

    cases = []
    for case in suite.cases:
        built = TestCase(case.name, classname=case.classname)
        if case.outcome == "failure":
            built.add_failure_info(case.text, case.text, case.kind)
        elif case.outcome == "error":
            built.add_error_info(case.text, case.text, case.kind)
        cases.append(built)
    lines = [_line(note) for note in suite.notes] + [case.text for case in suite.cases]
    element: ET.Element = TestSuite(
        _line(suite.name),
        cases,
        hostname=_line(suite.host),
        package=_line(suite.package),
        timestamp=utc_text(suite.started)[:19],
        properties=suite.properties,
        stdout="\n".join(lines),
    ).build_xml_doc()
    _complete(element, suite, number)
    return element


def _complete(element: ET.Element, suite: _Suite, number: int) -> None:
    """Bring an element into the common form; refuse it where a case's outcome was lost."""
    nodes = element.findall("testcase")
    for node, case in zip(nodes, suite.cases, strict=True):
        node.set("time", f"{case.seconds:.3f}")
        outcome = node[0].tag if len(node) else "passed"
        if outcome != case.outcome or len(node) > 1:
            raise RecordError(
                f"{case.classname}.{case.name}: JUnit lost its {case.outcome}; please report it"
            )
    element.attrib.pop("disabled", None)
    element.set("id", str(number))
    element.set("time", f"{max(suite.seconds, 0.0):.3f}")
    element.set("tests", str(len(nodes)))
    for count, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        element.set(count, str(len(element.findall(f"testcase/{tag}"))))
    parts = {tag: element.find(tag) for tag in ("properties", "system-out", "system-err")}
    for tag, part in parts.items():
        if part is not None:
            element.remove(part)
        part = ET.Element(tag) if part is None else part
        element.insert(0, part) if tag == "properties" else element.append(part)
