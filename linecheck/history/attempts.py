"""What changed between two attempts of one unit: verdicts, readings, and what else was not the same.

A reading has moved where a comparison of the two runs (:mod:`linecheck.history.comparison`) finds a difference that
noise does not explain and that is more than the accuracy of the check.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from linecheck.errors import LinecheckError
from linecheck.history.comparison.differences import compare_sides
from linecheck.history.comparison.model import Compared, ComparedCurve, ComparedValue, Comparison
from linecheck.history.comparison.sides import pick
from linecheck.limits.verdict import JudgedCurve, Verdict
from linecheck.results.wording import subject
from linecheck.run.facts import FACTS, HASH_LENGTH, fact_texts
from linecheck.run.model import Run


@dataclass(frozen=True)
class Moved:
    """A reading that has moved, or a curve, at the place (``x``) where it moved most.

    ``towards`` is None where neither way is worse; ``judged`` says whether a mask judges it.
    """

    subject: str
    before: float
    after: float
    uncertainty: float | None
    unit: str
    towards: Literal["better", "worse"] | None
    judged: bool
    x: float | None = None
    x_unit: str = ""

    @property
    def sigmas(self) -> float:
        """By how many standard uncertainties it has moved."""
        moved = abs(self.after - self.before)
        return moved / self.uncertainty if self.uncertainty else math.inf


class Changed(NamedTuple):
    """A verdict or a fact that is another one; None where it was not judged, or not recorded."""

    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class AttemptChanges:
    """What changed; ``compared`` counts the values that could be compared, ``why`` says why none could."""

    flips: tuple[Changed, ...]
    moved: tuple[Moved, ...]
    facts: tuple[Changed, ...]
    compared: int
    why: str = ""


def attempt_changes(earlier: Run, later: Run) -> AttemptChanges:
    """Return what changed from an attempt of a unit to a later one."""
    moved: tuple[Moved, ...] = ()
    compared, why = 0, ""
    try:
        comparison = compare_sides([pick("A", earlier, {}), pick("B", later, {})])
        # What a mask judges comes first, and of that what moved by the most uncertainties.
        moved = tuple(sorted(_moved(comparison), key=lambda item: (not item.judged, -item.sigmas)))
        compared = comparison.comparisons
    except LinecheckError as error:
        why = str(error)
    flips, facts = tuple(_flips(earlier, later)), tuple(_facts(earlier, later))
    return AttemptChanges(flips, moved, facts, compared, why)


def _verdicts(record: Run) -> dict[str, Verdict | None]:
    """Return what was judged, by its name."""
    return {
        subject(check.check, _named(item.measured.metric, item), item.measured.channel): item.verdict
        for check in record.checks
        for item in check.judged.items
    }


def _named(metric: str, item: object) -> str:
    """Return what is told of a metric: of a curve that it is one."""
    return f"{metric} curve" if isinstance(item, JudgedCurve | ComparedCurve) else metric


def _flips(earlier: Run, later: Run) -> Iterator[Changed]:
    before, after = _verdicts(earlier), _verdicts(later)
    for name in {**before, **after}:
        if before.get(name) != after.get(name):
            yield Changed(name, before.get(name), after.get(name))


def _moved(comparison: Comparison) -> Iterator[Moved]:
    items: tuple[Compared, ...] = (*comparison.values, *comparison.curves)
    for item in items:
        (difference,) = item.differences
        place: tuple[float | None, str] = (None, "")
        if isinstance(item, ComparedValue):
            before, after = (None if reading is None else reading.value for reading in item.readings)
        else:
            (curve,) = item.differences
            before, after, place = curve.base_value, curve.value, (curve.x, item.x_unit)
        if difference.significant and before is not None and after is not None:
            yield Moved(
                subject(item.check, _named(item.metric, item), item.channel),
                before,
                after,
                difference.uncertainty,
                item.unit,
                _towards(difference.worse_by),
                item.mask is not None,
                *place,
            )


def _towards(worse_by: float | None) -> Literal["better", "worse"] | None:
    if worse_by is None:
        return None
    return "worse" if worse_by > 0 else "better"


def _facts(earlier: Run, later: Run) -> Iterator[Changed]:
    for fact in FACTS:
        if fact.compared:
            yield from _changed(
                fact_texts(fact, earlier), fact_texts(fact, later), is_hash=fact.kind == "hash"
            )
    for is_hash, of in _OF_LIMITS_AND_CHECKS:
        yield from _changed(of(earlier), of(later), is_hash=is_hash)


#: What is compared besides facts: whether it is a hash, and what a run says of it by name.
_OF_LIMITS_AND_CHECKS: Final[tuple[tuple[bool, Callable[[Run], dict[str, str]]], ...]] = (
    (False, lambda run: {"limit file": run.limits.path, "limit revision": str(run.limits.revision)}),
    (True, lambda run: {"limit file's bytes": run.limits.sha256}),
    (
        False,
        lambda run: {
            f"setup of {check.check}": ", ".join(f"{k} {v}" for k, v in sorted(check.setup.items()))
            for check in run.checks
        },
    ),
    (False, lambda run: {"checks that were not run": ", ".join(run.missing)}),
)


def _changed(
    before: Mapping[str, str], after: Mapping[str, str], *, is_hash: bool = False
) -> Iterator[Changed]:
    """Yield what is not the same in both, by name; a hash by its first characters."""
    for name in {**before, **after}:
        one, two = before.get(name) or None, after.get(name) or None
        if one != two:
            shown = slice(HASH_LENGTH if is_hash else None)
            yield Changed(name, one and one[shown], two and two[shown])
