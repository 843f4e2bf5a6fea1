"""What changed between two attempts of one unit: verdicts, readings, and what else was not the same.

A reading has moved where a comparison of the two runs (:mod:`linecheck.history.comparison`) finds a difference that
noise does not explain and that is more than the accuracy of the check.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from linecheck.errors import LinecheckError
from linecheck.history.comparison.compare import compare_sides
from linecheck.history.comparison.model import Comparison
from linecheck.history.comparison.sides import pick
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import subject
from linecheck.run.facts import FACTS, HASH_LENGTH, told
from linecheck.run.model import Run

__all__ = ["AttemptChanges", "Changed", "Flip", "Moved", "attempt_changes"]


@dataclass(frozen=True)
class Flip:
    """A verdict that changed; None where it was not judged."""

    subject: str
    before: Verdict | None
    after: Verdict | None


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


@dataclass(frozen=True)
class Changed:
    """A fact of the run that is another one; None where it was not recorded."""

    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class AttemptChanges:
    """What changed; ``compared`` counts the values that could be compared, ``why`` says why none could."""

    flips: tuple[Flip, ...]
    moved: tuple[Moved, ...]
    facts: tuple[Changed, ...]
    compared: int
    why: str = ""


def attempt_changes(earlier: Run, later: Run) -> AttemptChanges:
    """Return what changed from an attempt of a unit to a later one."""
    comparison, why = _compared(earlier, later)
    moved = () if comparison is None else tuple(_moved(comparison))
    return AttemptChanges(
        flips=tuple(_flips(earlier, later)),
        moved=moved,
        facts=tuple(_facts(earlier, later)),
        compared=0 if comparison is None else comparison.comparisons,
        why=why,
    )


def _compared(before: Run, after: Run) -> tuple[Comparison | None, str]:
    try:
        return compare_sides([pick("A", before, {}), pick("B", after, {})]), ""
    except LinecheckError as error:
        return None, str(error)


def _verdicts(record: Run) -> dict[str, Verdict | None]:
    """Return what was judged, and the checks that were not run."""
    found: dict[str, Verdict | None] = {}
    for check in record.checks:
        for item in check.judged.readings:
            found[subject(check.check, item.reading.metric, item.reading.channel)] = item.verdict
        for judged in check.judged.curves:
            name = subject(check.check, f"{judged.curve.metric} curve", judged.curve.channel)
            found[name] = judged.verdict
    return found


def _flips(earlier: Run, later: Run) -> Iterator[Flip]:
    before, after = _verdicts(earlier), _verdicts(later)
    for name in {**before, **after}:
        flip = Flip(name, before.get(name), after.get(name))
        if flip.before != flip.after:
            yield flip


def _moved(comparison: Comparison) -> Iterator[Moved]:
    """Yield what has moved: what a mask judges first, and of that what moved by the most uncertainties."""
    found = [*_moved_values(comparison), *_moved_curves(comparison)]
    yield from sorted(found, key=lambda moved: (not moved.judged, -moved.sigmas))


def _moved_values(comparison: Comparison) -> Iterator[Moved]:
    for value in comparison.values:
        (difference,), (base, new) = value.differences, value.readings
        if not difference.significant or base is None or new is None:
            continue
        if base.value is not None and new.value is not None:
            yield Moved(
                subject(value.check, value.metric, value.channel),
                base.value,
                new.value,
                difference.uncertainty,
                value.unit,
                _towards(difference.worse_by),
                value.mask is not None,
            )


def _moved_curves(comparison: Comparison) -> Iterator[Moved]:
    for curve in comparison.curves:
        (difference,) = curve.differences
        if not difference.significant or difference.value is None or difference.base_value is None:
            continue
        yield Moved(
            subject(curve.check, f"{curve.metric} curve", curve.channel),
            difference.base_value,
            difference.value,
            difference.uncertainty,
            curve.unit,
            _towards(difference.worse_by),
            curve.mask is not None,
            difference.x,
            curve.x_unit,
        )


def _towards(worse_by: float | None) -> Literal["better", "worse"] | None:
    if worse_by is None:
        return None
    return "worse" if worse_by > 0 else "better"


def _facts(earlier: Run, later: Run) -> Iterator[Changed]:
    for fact in FACTS:
        if fact.compared:
            yield from _changed(told(fact, earlier), told(fact, later), is_hash=fact.kind == "hash")
    yield from _changed(_limits(earlier), _limits(later))
    yield from _changed(_limits_hash(earlier), _limits_hash(later), is_hash=True)
    yield from _changed(_setups(earlier), _setups(later))
    yield from _changed(_not_run(earlier), _not_run(later))


def _limits(run: Run) -> dict[str, str]:
    return {"limit file": run.limits.path, "limit revision": str(run.limits.revision)}


def _limits_hash(run: Run) -> dict[str, str]:
    return {"limit file's bytes": run.limits.sha256}


def _setups(run: Run) -> dict[str, str]:
    """Return how the unit was set in each check."""
    return {
        f"setup of {check.check}": ", ".join(f"{k} {v}" for k, v in sorted(check.setup.items()))
        for check in run.checks
    }


def _not_run(run: Run) -> dict[str, str]:
    return {"checks that were not run": ", ".join(run.missing)} if run.missing else {}


def _changed(
    before: Mapping[str, str], after: Mapping[str, str], *, is_hash: bool = False
) -> Iterator[Changed]:
    """Yield what is not the same in both, by name; a hash by its first characters."""
    for name in {**before, **after}:
        one, two = before.get(name) or None, after.get(name) or None
        if one != two:
            shown = slice(HASH_LENGTH if is_hash else None)
            yield Changed(name, one and one[shown], two and two[shown])
