"""What linecheck says of one capture set, item by item, as plain data that any process can be handed.

====================  ===========================================================================
:func:`subjects`      the items of a set, from the limit file alone: nothing is measured for it
:class:`SetErrand`    one set, to be measured and judged
:class:`Finding`      what is said of one item
:class:`Told`         what is said of the cause of all of them
:class:`SetFindings`  what is said of a set
====================  ===========================================================================
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from linecheck.captures.many_sets import judge_here
from linecheck.checks.base import CurveSpec
from linecheck.errors import LinecheckError
from linecheck.history.baseline.file import Baseline
from linecheck.history.baseline.regressed import regression_causes
from linecheck.history.baseline.regression import compare_outcome, comparisons_in
from linecheck.history.baseline.unit_entry import compared, uncompared_texts
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import JudgedCurve, Verdict, worst
from linecheck.measure.measure import failure_problem
from linecheck.pytest_plugin.settings import shown_path
from linecheck.results.cases import one_line
from linecheck.results.wording import judgement
from linecheck.run.causes import Causes, causes_of
from linecheck.run.model import CheckOutcome, Run

#: The item for what concerns a whole run; no check's item has a name without a dot.
RUN = "run"

#: So many lines follow the first one of a text.
MAX_LINES = 10


@dataclass(frozen=True)
class Subject:
    """What one item judges; ``name`` is that of its case in JUnit."""

    name: str
    check: str | None = None
    metric: str | None = None
    channel: str | None = None
    #: Whether it is compared with a baseline, and not judged by a mask.
    is_comparison: bool = False


@dataclass(frozen=True)
class Finding:
    """What is said of one item: its verdict, that in a sentence, and lines that help to understand it."""

    verdict: Verdict
    text: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Told:
    """What is said of a cause: all of it, and in a line, with how much it explains."""

    lines: tuple[str, ...]
    brief: str

    @classmethod
    def of(cls, causes: Causes | None) -> Told | None:
        """Return what is said of the first cause; None where none is known."""
        return cls(causes.lines, causes.brief) if causes is not None and causes.headline else None


@dataclass(frozen=True)
class SetFindings:
    """What is said of a set: ``verdict`` is that of all of it, ``worst`` the worst of what is not a pass.

    ``cause`` is why, where that is known.
    """

    verdict: Verdict
    worst: str
    items: dict[str, Finding]
    cause: Told | None = None

    @classmethod
    def of(cls, data: dict[str, Any]) -> SetFindings:
        """Return what :func:`dataclasses.asdict` made data of."""
        from pydantic import TypeAdapter

        return TypeAdapter(cls).validate_python(data)


@dataclass(frozen=True)
class SetErrand:
    """One capture set, to be judged by a limit file and, where there is one, compared with a baseline.

    ``path`` is that of its ``captures.toml``; ``comparisons`` is how many values are compared in all the sets of the
    session, None for those of this one alone.
    """

    path: Path
    limits: LimitFile
    baseline: Baseline | None = None
    serial: str | None = None
    comparisons: int | None = None

    @property
    def key(self) -> str:
        """The set: within a session the rest is always the same."""
        return str(self.path)

    def run(self) -> dict[str, Any]:
        """Measure and judge it; return its :class:`SetFindings` as data.

        What keeps it from being judged is what is then said of every item.
        """
        with warnings.catch_warnings():
            # The project's filters are for its own code, and change no verdict.
            warnings.simplefilter("ignore")
            judged = judge_here(str(shown_path(self.path.parent)), [self.limits])
        outcome = judged.outcome
        if outcome is None:
            return asdict(self._not_judged(judged.problem.message if judged.problem is not None else ""))
        if outcome.aborted:
            raise KeyboardInterrupt
        try:
            return asdict(self._found(outcome))
        except Exception as error:
            return asdict(self._not_judged(failure_problem(error).message))

    def _found(self, outcome: Run) -> SetFindings:
        items = {name: finding for check in outcome.checks for name, finding in _judged(check)}
        items |= {name: _not_run(name, check, outcome) for name, check in _missing(outcome)}
        notes: tuple[str, ...] = ()
        causes: Causes | None = causes_of(outcome)
        if self.baseline is not None:
            found, difference = self._compared(outcome, self.baseline)
            items |= found
            causes = difference or causes
            notes = uncompared_texts(self.limits)
        expected = {
            subject.name: _void(subject.name, "nothing is known about it") for subject in self._subjects
        }
        unforeseen = [finding for name, finding in items.items() if name not in expected]
        items = expected | items | {RUN: _run_finding(outcome, unforeseen, notes)}
        verdict = worst(finding.verdict for finding in items.values())
        return SetFindings(verdict, _worst(items.values()), items, Told.of(causes))

    def _compared(self, outcome: Run, baseline: Baseline) -> tuple[dict[str, Finding], Causes | None]:
        """Return what the comparison with the baseline says, in the words of JUnit, and why something is worse."""
        try:
            compared = compare_outcome(outcome, baseline, comparisons=self.comparisons)
        except LinecheckError as error:
            return {name: _void(name, str(error)) for name in self._comparison_names}, None
        found = {}
        for entry in compared:
            name = _subject(entry.check, entry.metric, entry.channel, entry.is_curve, compared=True).name
            text = f"{name}: {entry.verdict}: {entry.text}"
            found[name] = Finding(
                entry.verdict, one_line(text), (one_line(entry.text),) if entry.moved else ()
            )
        return found, regression_causes(outcome, compared)

    def _not_judged(self, reason: str) -> SetFindings:
        """Say of every item why the set could not be judged."""
        items = {subject.name: _void(subject.name, reason) for subject in self._subjects}
        return SetFindings(Verdict.INVALID, items[RUN].text, items)

    @property
    def _subjects(self) -> tuple[Subject, ...]:
        return subjects(self.limits, compared=self.baseline is not None)

    @property
    def _comparison_names(self) -> Iterator[str]:
        return (subject.name for subject in self._subjects if subject.is_comparison)


def comparisons_in_all(errands: Iterable[SetErrand]) -> int | None:
    """Return how many values are compared in some sets together; None where nothing is."""
    each = [
        comparisons_in(errand.baseline, [errand.serial])
        for errand in errands
        if errand.baseline is not None and errand.serial is not None
    ]
    return sum(each) or None


def subjects(limits: LimitFile, *, compared: bool = False) -> tuple[Subject, ...]:
    """Return the items of every set that a limit file judges, in its order.

    These are the run, each masked metric of each channel and, where sets are ``compared`` with a baseline, each metric
    of each channel that has a margin.
    """
    return (Subject(RUN), *_masked(limits), *(_with_margins(limits) if compared else ()))


def _with_margins(limits: LimitFile) -> Iterator[Subject]:
    for check in limits.checks:
        for spec, channel in compared(check, limits.channels):
            curve = isinstance(spec, CurveSpec)
            yield _subject(check.name, spec.name, channel, curve, compared=True)


def _masked(limits: LimitFile) -> Iterator[Subject]:
    for check in limits.checks:
        for spec, channel in check.judged(limits.channels):
            yield _subject(check.name, spec.name, channel, isinstance(spec, CurveSpec))


def _subject(check: str, metric: str, channel: str | None, curve: bool, compared: bool = False) -> Subject:
    parts = (check, metric, "curve" if curve else None, channel, "regression" if compared else None)
    return Subject(".".join(part for part in parts if part), check, metric, channel, compared)


def _missing(outcome: Run) -> Iterator[tuple[str, str]]:
    """Yield the masked items of checks that were not run, each with its check."""
    for subject in _masked(outcome.limits):
        if subject.check in outcome.missing:
            yield subject.name, subject.check


def _worst(items: Iterable[Finding]) -> str:
    """Return the worst of what is not a pass, and how much more there is; nothing where all passes."""
    wrong = [finding for finding in items if finding.verdict is not Verdict.PASS]
    if not wrong:
        return ""
    verdict = worst(finding.verdict for finding in wrong)
    text = next(finding.text for finding in wrong if finding.verdict is verdict)
    return f"{text} (and {len(wrong) - 1} more)" if len(wrong) > 1 else text


def _judged(check: CheckOutcome) -> Iterator[tuple[str, Finding]]:
    """Yield what is said of a check's readings and curves, in the words of JUnit."""
    for item in check.judged.items:
        if item.verdict is not None:
            what = item.measured
            name = _subject(check.check, what.metric, what.channel, isinstance(item, JudgedCurve)).name
            text = f"{name}: {item.verdict}: {judgement(item, check.judged.problems)}"
            notes = () if item.verdict is Verdict.PASS else _notes(check, what.channel)
            yield name, Finding(item.verdict, one_line(text), notes)


def _notes(check: CheckOutcome, channel: str | None) -> tuple[str, ...]:
    """Return what a check has to say beside its readings, as far as it concerns a channel."""
    return _lines(
        note.message
        for note in check.judged.problems
        if note.is_note and (None in (channel, note.channel) or note.channel == channel)
    )


def _run_finding(outcome: Run, unforeseen: Iterable[Finding], further: Iterable[str] = ()) -> Finding:
    """Return what concerns a run as a whole, whatever no other item tells, and further notes."""
    others = [finding for finding in unforeseen if finding.verdict is not Verdict.PASS]
    wrong = [problem.message for problem in outcome.problems if problem.blocks]
    wrong += [f"the check {name} was not run" for name in outcome.missing]
    if outcome.station_failed and not wrong:
        wrong.append("the station failed")
    wrong += [finding.text for finding in others]
    notes = [*(problem.message for problem in outcome.problems if not problem.blocks), *further]
    if not wrong:
        return Finding(Verdict.PASS, "run: pass", _lines(notes))
    fails = any(finding.verdict is Verdict.FAIL for finding in others)
    verdict = Verdict.FAIL if fails else Verdict.INVALID
    return Finding(verdict, one_line(f"run: {verdict}: {wrong[0]}"), _lines([*wrong[1:], *notes]))


def _not_run(name: str, check: str, outcome: Run) -> Finding:
    """Say that a check was not run, and why, where the run says that."""
    why = [problem.message for problem in outcome.problems if problem.blocks]
    own = [message for message in why if re.search(rf"\b{check}\b", message)]
    return _void(name, "\n".join([f"the check {check} was not run", *(own or why)]))


def _void(name: str, reason: str) -> Finding:
    """Say of an item why it could not be judged; the reason's first line is part of the sentence."""
    first, *more = _all_lines(reason.splitlines() or ["no reason is known"])
    return Finding(Verdict.INVALID, f"{name}: {Verdict.INVALID}: not judged: {first}", _lines(more))


def _lines(texts: Iterable[str]) -> tuple[str, ...]:
    """Return texts as lines, no more of them than a person reads."""
    lines = _all_lines(texts)
    if len(lines) > MAX_LINES:
        lines = [*lines[:MAX_LINES], f"and {len(lines) - MAX_LINES} more"]
    return tuple(lines)


def _all_lines(texts: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(one_line(text) for text in texts))
