"""What judging runs once more comes to: verdicts before and after, the yield, and what has changed most."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from linecheck.history.rejudge.causes import Cause, CauseCounts
from linecheck.history.rejudge.judge import UNTOLD, after_verdict
from linecheck.history.rejudge.select import Chosen
from linecheck.limits.bulk import UNJUDGED, level_of
from linecheck.limits.decision import COVERAGE_FACTOR
from linecheck.limits.verdict import Verdict

__all__ = [
    "ChangedRun",
    "ReadingChange",
    "Tally",
    "Transition",
    "Yield",
    "tally_of",
    "unit_yield",
    "yield_of",
]

#: A verdict before and after; None is what cannot be told.
Transition = tuple[Verdict | None, Verdict | None]

#: What judges no unit: it is no part of a yield.
_VOID = (level_of(Verdict.INVALID), level_of(Verdict.ABORTED), UNJUDGED)


@dataclass(frozen=True)
class ReadingChange:
    """A reading that was measured anew and is another: by more than its expanded uncertainty, or measured only once."""

    check: str
    metric: str
    channel: str | None
    unit: str
    before: float | None
    after: float | None
    uncertainty: float | None

    @property
    def ratio(self) -> float:
        """The change over its expanded uncertainty (k = 2); infinite where that cannot be told."""
        if self.before is None or self.after is None or not self.uncertainty:
            return math.inf
        return abs(self.after - self.before) / (COVERAGE_FACTOR * self.uncertainty)


@dataclass(frozen=True)
class ChangedRun:
    """A run whose verdict would change, or (``after`` None) cannot be told; ``newest`` is the last one of its unit.

    ``otherwise`` says of each check that was measured differently what differs, ``why`` why nothing else could be
    judged.
    """

    sequence: int
    run_id: str
    serial: str
    model: str
    attempt: int
    recorded: str
    before: Verdict | None
    after: Verdict | None
    newest: bool
    causes: tuple[Cause, ...] = ()
    otherwise: Mapping[str, str] = field(default_factory=dict)
    why: str = ""
    readings: tuple[ReadingChange, ...] = ()


@dataclass(frozen=True)
class Yield:
    """How many are good, marginal ones among them, of those that were judged; ``untold`` are no part of them."""

    passed: int
    marginal: int
    failed: int
    untold: int = 0

    @property
    def share(self) -> float | None:
        """The part that is good; None of nothing."""
        judged = self.passed + self.marginal + self.failed
        return (self.passed + self.marginal) / judged if judged else None


@dataclass(frozen=True)
class Tally:
    """All runs that were judged once more.

    ``transitions`` and ``unit_transitions`` count runs and units (by their newest run) by verdict before and after,
    also where both are the same. Of the yields, those of units go by the first run of each that is valid; both leave
    out what cannot be told (a unit, if one of its runs cannot), so that before and after are of the same. ``otherwise``
    counts runs by the check that was measured differently and by what differs.
    """

    transitions: Mapping[Transition, int]
    unit_transitions: Mapping[Transition, int]
    causes: CauseCounts
    otherwise: Mapping[tuple[str, str], int]
    unit_yield: tuple[Yield, Yield]
    run_yield: tuple[Yield, Yield]
    curves: int = 0
    curve_bytes: int = 0
    other_models: Mapping[str, int] = field(default_factory=dict)

    @property
    def runs(self) -> int:
        """How many runs are meant."""
        return sum(self.transitions.values())

    @property
    def units(self) -> int:
        """How many units they are of."""
        return sum(self.unit_transitions.values())

    @property
    def untold(self) -> int:
        """How many runs cannot be told."""
        return sum(count for (_, after), count in self.transitions.items() if after is None)

    @property
    def judged(self) -> int:
        """How many runs were judged once more; those that were aborted are not."""
        none = (None, Verdict.ABORTED)
        return sum(count for (_, after), count in self.transitions.items() if after not in none)

    @property
    def changed(self) -> int:
        """How many runs would change their verdict."""
        return changed_of(self.transitions)

    @property
    def changed_units(self) -> int:
        """How many units would change theirs."""
        return changed_of(self.unit_transitions)


def changed_of(transitions: Mapping[Transition, int]) -> int:
    """Return how many would change."""
    return sum(
        count for (before, after), count in transitions.items() if after is not None and after is not before
    )


def tally_of(
    chosen: Chosen,
    after: NDArray[np.int8],
    models: Collection[str],
    causes: CauseCounts,
    otherwise: Mapping[tuple[str, str], int],
    curves: tuple[int, int] = (0, 0),
) -> Tally:
    """Count runs by what they were and would be.

    Parameters
    ----------
    chosen : Chosen
        The runs that are meant.
    after : int8 array, shape (runs,)
        The level of what each would be.
    models : collection of str
        The models that were judged; runs of others are counted apart.
    causes, otherwise : mapping
        As :class:`Tally` has them.
    curves : tuple of int
        How many curves were read, and how many bytes of them.
    """
    ours = np.isin(chosen.model, [at for at, name in enumerate(chosen.models) if name in models])
    newest = chosen.newest()[ours]
    before, after, unit = chosen.before[ours], after[ours], chosen.unit[ours]
    return Tally(
        transitions=transitions_of(before, after),
        unit_transitions=transitions_of(before[newest], after[newest]),
        causes=causes,
        otherwise=otherwise,
        unit_yield=_unit_yields(unit, before, after),
        run_yield=_run_yields(before, after),
        curves=curves[0],
        curve_bytes=curves[1],
        other_models={
            name: int(np.sum(chosen.model == at))
            for at, name in enumerate(chosen.models)
            if name not in models
        },
    )


def _unit_yields(
    unit: NDArray[np.uint64], before: NDArray[np.int8], after: NDArray[np.int8]
) -> tuple[Yield, Yield]:
    """Return the yield of the same units before and after: of those all of whose runs can be told."""
    lost = np.unique(unit[after == UNTOLD])
    told = ~np.isin(unit, lost)
    first, second = (unit_yield(unit[told], levels[told]) for levels in (before, after))
    return replace(first, untold=len(lost)), replace(second, untold=len(lost))


def _run_yields(before: NDArray[np.int8], after: NDArray[np.int8]) -> tuple[Yield, Yield]:
    """Return the yield of the same runs before and after: of those that can be told."""
    told = after != UNTOLD
    lost = int(np.sum(~told))
    return replace(yield_of(before[told]), untold=lost), replace(yield_of(after[told]), untold=lost)


def transitions_of(before: NDArray[np.int8], after: NDArray[np.int8]) -> dict[Transition, int]:
    """Count verdicts before and after, given their levels."""
    counted = Counter(zip(before.tolist(), after.tolist(), strict=True))
    return {(after_verdict(one), after_verdict(other)): count for (one, other), count in counted.items()}


def yield_of(levels: NDArray[np.int8]) -> Yield:
    """Return the yield of runs, each counted, given the levels of their verdicts."""
    passed, marginal, failed = (
        int(np.sum(levels == level_of(verdict))) for verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL)
    )
    return Yield(passed, marginal, failed, int(np.sum(levels == UNTOLD)))


def unit_yield(unit: NDArray[np.uint64], levels: NDArray[np.int8]) -> Yield:
    """Return the yield of units, each counted by the first of its runs that is valid.

    Where that run cannot be told, nor can the unit.

    Parameters
    ----------
    unit : uint64 array, shape (runs,)
        Which unit each run is of, in the order in which they were recorded.
    levels : int8 array, shape (runs,)
    """
    valid = ~np.isin(levels, _VOID)
    _, first = np.unique(unit[valid], return_index=True)
    return yield_of(levels[valid][first])
