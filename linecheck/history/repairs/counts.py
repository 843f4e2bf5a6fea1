"""Told against found, counted: how often each cause was told first, and what the repairs found it to be."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from linecheck.history.repairs.statement import OTHER
from linecheck.run.causes import NONE_OF_THESE

#: So many of the most likely causes are looked at where it is asked whether the right one was told at all.
AMONG: Final = 3

Codes = tuple[str, ...]


@dataclass(frozen=True)
class Case:
    """A run: what was told, the most likely first, with the first one's probability; what its repair found, if any.

    Each that is told has one code, or two where two causes at once are meant. Nothing may have been told.
    """

    told: tuple[Codes, ...] = ()
    probability: float = 0.0
    found: str | None = None


@dataclass(frozen=True)
class ToldFirst:
    """A cause that was told first of some runs, and the mean of its probabilities there."""

    codes: Codes
    runs: int
    mean_probability: float


@dataclass(frozen=True)
class Confused:
    """A field of the confusion table: what was told first, what was found, by how many repairs.

    Of ``among`` of these repairs it was among the :data:`AMONG` most likely.
    """

    told: Codes
    found: str
    repairs: int
    among: int

    @property
    def right(self) -> bool:
        """Whether what was told first was found."""
        return _is_right(self.told, self.found)


@dataclass(frozen=True)
class CauseCounts:
    """What some runs come to; what is told or found most often comes first.

    ``found`` counts every repair by its finding, also the ``untold`` ones: of runs that told nothing.
    """

    runs: int
    told: tuple[ToldFirst, ...]
    confusion: tuple[Confused, ...]
    found: tuple[tuple[str, int], ...]
    untold: int

    @property
    def repairs(self) -> int:
        """Repairs of runs that told something."""
        return sum(field.repairs for field in self.confusion)

    @property
    def right_first(self) -> int:
        """Repairs that found what was told first."""
        return sum(field.repairs for field in self.confusion if field.right)

    @property
    def right_among(self) -> int:
        """Repairs that found one of the :data:`AMONG` most likely."""
        return sum(field.among for field in self.confusion)


def count_causes(cases: Iterable[Case]) -> CauseCounts:
    """Count told against found, whatever the order of the cases."""
    probabilities: defaultdict[Codes, list[float]] = defaultdict(list)
    confusion: Counter[tuple[Codes, str]] = Counter()
    among: Counter[tuple[Codes, str]] = Counter()
    found: Counter[str] = Counter()
    untold = 0
    for case in cases:
        if case.found is not None:
            found[case.found] += 1
        if not case.told:
            untold += case.found is not None
            continue
        probabilities[case.told[0]].append(case.probability)
        if case.found is not None:
            field = case.told[0], case.found
            confusion[field] += 1
            among[field] += any(_is_right(codes, case.found) for codes in _looked_for(case))
    told = [ToldFirst(codes, len(each), math.fsum(each) / len(each)) for codes, each in probabilities.items()]
    fields = [Confused(*field, repairs, among[field]) for field, repairs in confusion.items()]
    return CauseCounts(
        sum(entry.runs for entry in told),
        tuple(sorted(told, key=lambda entry: (-entry.runs, entry.codes))),
        tuple(sorted(fields, key=lambda field: (-field.repairs, field.told, field.found))),
        tuple(sorted(found.items(), key=lambda item: (-item[1], item[0]))),
        untold,
    )


def _looked_for(case: Case) -> tuple[Codes, ...]:
    """Return what a repairer looks for: the most likely causes, and none of the known ones only where that is first."""
    return case.told[:1] + tuple(codes for codes in case.told[1:AMONG] if codes != (NONE_OF_THESE,))


def _is_right(codes: Codes, found: str) -> bool:
    """Return whether what was told is what was found; a finding in words is none of the known causes."""
    return (NONE_OF_THESE if found == OTHER else found) in codes
