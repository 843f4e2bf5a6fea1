"""A capture set compared with a baseline, as every record of it says it.

==========================  ==========================================================
:func:`regressed`           a judged set with its comparisons and the verdict of both
:class:`Regressed`          that, in plain words, as plain data and as cases of JUnit
:func:`regression_causes`   what may have made it worse
:func:`moved_texts`         what has moved within its margin, in plain words
:func:`answer_counts`       how many comparisons came to which answer
==========================  ==========================================================
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks.base import Note, Problem
from linecheck.errors import BaselineError
from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.history.baseline.file import Baseline
from linecheck.history.baseline.regression import Comparison, by_badness, compare_outcome, regression_verdict
from linecheck.history.baseline.unit_entry import uncompared_texts
from linecheck.history.sounds_like import difference_of
from linecheck.limits.regression import Answer
from linecheck.limits.verdict import Verdict
from linecheck.results.cases import Case
from linecheck.run.causes import Difference
from linecheck.run.model import Run

#: Code of the problem of a run whose unit the baseline does not have.
NOT_IN_BASELINE = "not_in_baseline"
#: Codes of the notes of what the limit file compares with no baseline, and of what has moved within its margin.
NOT_COMPARED = "not_compared"
MOVED = "moved"


@dataclass(frozen=True)
class Regressed:
    """A judged set, its comparisons with a baseline, and how many values the command compares in all.

    ``causes`` says what may have made it worse, where something is worse and that is known.
    """

    judged: JudgedSet
    comparisons: tuple[Comparison, ...]
    baseline: Baseline
    compared: int
    causes: Difference | None = None

    @property
    def verdict(self) -> Verdict:
        """The worse of what the masks and the comparisons say."""
        outcome = self.judged.outcome
        return self.judged.verdict if outcome is None else regression_verdict(outcome, self.comparisons)

    @property
    def findings(self) -> list[str]:
        """What is worse, cannot be told or is better, worst first, in whole sentences."""
        return [entry.text for entry in by_badness(self.comparisons) if entry.answer is not Answer.UNCHANGED]

    def keys(self) -> dict[str, Any]:
        """Return what the result of a set says besides: the verdict of all, the baseline, and every comparison."""
        accepted = self.baseline.file.accepted
        return {
            "verdict": self.verdict.value,
            "regression": {
                "baseline": encodable(self.baseline.path),
                "sha256": self.baseline.sha256,
                "accepted_by": encodable(accepted.by),
                "accepted_on": utc_text(accepted.on),
                "compared_in_all": self.compared,
                "answers": answer_counts(self.comparisons),
                "causes": None if self.causes is None else self.causes.as_fact(),
            },
            "comparisons": [_plain(comparison) for comparison in self.comparisons],
        }

    def cases(self, *, strict: bool = False) -> Iterator[Case]:
        """Yield a case for each comparison: ``sinad.left.regression`` in the class of its check.

        Where it is ``strict``, marginal is a failure.
        """
        for entry in self.comparisons:
            parts = (entry.metric, "curve" if entry.is_curve else None, entry.channel, "regression")
            outcome: Literal["passed", "failure", "error"] = "passed"
            if entry.verdict is Verdict.FAIL or (strict and entry.verdict is Verdict.MARGINAL):
                outcome = "failure"
            elif entry.verdict is Verdict.INVALID:
                outcome = "error"
            name = ".".join(part for part in parts if part)
            cause = self.causes.headline if self.causes is not None and outcome != "passed" else ""
            yield Case(entry.check, name, entry.text, outcome, entry.verdict.value, cause=cause)


def regressed(judged: JudgedSet, baseline: Baseline, compared: int) -> Regressed:
    """Compare a judged set with a baseline; without a unit there to compare it with, it is invalid."""
    outcome = judged.outcome
    if outcome is None:
        return Regressed(judged, (), baseline, compared)
    try:
        comparisons = compare_outcome(outcome, baseline, comparisons=compared)
    except BaselineError as error:
        problem = Problem(NOT_IN_BASELINE, str(error))
        unknown = replace(outcome, problems=(problem, *outcome.problems))
        return Regressed(replace(judged, outcome=unknown), (), baseline, compared)
    notes = (
        *_other_circumstances(outcome, baseline),
        *(Note(NOT_COMPARED, text) for text in uncompared_texts(outcome.limits)),
        *(Note(MOVED, text) for text in moved_texts(comparisons)),
    )
    told = replace(outcome, problems=(*outcome.problems, *notes))
    causes = regression_causes(outcome, comparisons)
    return Regressed(replace(judged, outcome=told), comparisons, baseline, compared, causes)


def moved_texts(comparisons: Iterable[Comparison]) -> list[str]:
    """Return what is unchanged within its margin and has truly moved, the most first, in whole sentences."""
    return [entry.text for entry in by_badness(comparisons) if entry.moved]


def regression_causes(outcome: Run, comparisons: Iterable[Comparison]) -> Difference | None:
    """Return what may have made a run worse than its baseline; None where nothing is worse, or nothing fits."""
    compared = tuple(comparisons)
    if all(entry.answer is not Answer.WORSE for entry in compared):
        return None
    earlier = {
        (entry.check, entry.metric, entry.channel): entry.baseline_value
        for entry in compared
        if entry.baseline_value is not None and not entry.is_curve
    }
    return difference_of(outcome, earlier)


def _other_circumstances(outcome: Run, baseline: Baseline) -> Iterator[Note]:
    """Yield in what a run differs from the baseline besides the unit's firmware: that may be the cause of a change."""
    stations = baseline.units[outcome.serial].stations
    if outcome.station is not None and stations and outcome.station not in stations:
        yield Note("other_station", f"captured at {outcome.station}, the baseline at {', '.join(stations)}")
    if outcome.software != baseline.file.software:
        yield Note(
            "other_software", f"measured by {outcome.software}, the baseline by {baseline.file.software}"
        )
    if outcome.limits.sha256 != baseline.file.limits.sha256:
        yield Note(
            "other_limits",
            f"the limit file (revision {outcome.limits.revision}) is not as it was for the baseline "
            f"(revision {baseline.file.limits.revision})",
        )


def answer_counts(comparisons: Iterable[Comparison]) -> dict[str, int]:
    """Return how many comparisons came to each answer."""
    counts = Counter(comparison.answer for comparison in comparisons)
    return {answer.value: counts[answer] for answer in Answer}


def _plain(entry: Comparison) -> dict[str, Any]:
    others = (
        "unit",
        "value",
        "baseline",
        "worse_by",
        "uncertainty",
        "margin",
        "x",
        "x_unit",
        "compared",
        "bands",
    )
    renamed = {"baseline": "baseline_value"}
    return {
        "check": entry.check,
        "metric": entry.metric,
        "channel": entry.channel,
        "curve": entry.is_curve,
        "answer": entry.answer.value,
        "verdict": entry.verdict.value,
        **{name: getattr(entry, renamed.get(name, name)) for name in others},
        "text": encodable(entry.text),
    }
