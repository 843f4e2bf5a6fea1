"""A figure before it is drawn: what its drawing and its table both are made from.

====================  ================================================================================
:class:`Figure`       curves over one axis, with their masks and the points worth a word
:class:`Strip`        one judged value between its limits
====================  ================================================================================
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Reading
from linecheck.limits.verdict import JudgedReading, Verdict

FloatArray = NDArray[np.float64]

#: Expanded uncertainties cover about 95 %, as the Guide to the Expression of Uncertainty in Measurement has it.
COVERAGE = 2.0


@dataclass(frozen=True)
class Axis:
    """An axis; ``low`` and ``high`` are where it begins and ends, None where the data say that."""

    label: str
    unit: str
    log: bool = False
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Series:
    """One curve; ``stems`` for lines that stand alone (sidebands, an impulse), ``points`` for measured places.

    ``is_reference`` marks what is there to be compared with; it is drawn thin and grey. ``look`` is the number of its
    colour and dash, where that is not its place among the curves: one side of a comparison looks the same in every
    figure, and so does each of several references. ``is_thin`` marks one of many.
    """

    label: str
    x: FloatArray
    y: FloatArray
    style: Literal["line", "points", "stems"] = "line"
    is_reference: bool = False
    look: int | None = None
    is_thin: bool = False


@dataclass(frozen=True)
class LimitLine:
    """One edge of a mask: ``side`` says whether it limits from below or above, ``zone`` which mask it belongs to."""

    zone: Literal["pass", "fail"]
    side: Literal["min", "max"]
    x: FloatArray
    y: FloatArray


@dataclass(frozen=True)
class Mark:
    """A point worth a word: the worst one, a sideband, a corner. ``verdict`` where it has been judged."""

    x: float
    y: float
    text: str
    verdict: Verdict | None = None


@dataclass(frozen=True)
class Tag:
    """The short name of a peak, which stands right above it: a harmonic's number, a line's frequency."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class Guide:
    """A place along the x axis that is worth a line from top to bottom: half the rate.

    ``zone`` is ``pass`` or ``fail`` where it limits a metric that is such a place, from ``below`` or from above.
    """

    x: float
    text: str
    zone: Literal["pass", "fail"] | None = None
    below: bool = False


@dataclass(frozen=True)
class Figure:
    """One figure. ``name`` is plain enough for a file's name, ``alt`` says in words what is to be seen.

    ``hold`` says which points must survive when there are more than can be drawn: the highest, the lowest, or both.
    ``caption`` is what stands below it: the resolution bandwidth, a filter's energies. ``names_at_ends`` puts each
    curve's name where the curve ends.
    """

    name: str
    title: str
    alt: str
    x: Axis
    y: Axis
    series: tuple[Series, ...]
    limits: tuple[LimitLine, ...] = ()
    marks: tuple[Mark, ...] = ()
    hold: Literal["max", "min", "both"] = "max"
    caption: str = ""
    tags: tuple[Tag, ...] = ()
    guides: tuple[Guide, ...] = ()
    names_at_ends: bool = False


Zone = Literal["marginal", "fail"]


class Edges(NamedTuple):
    """The limits of a value; None where that side has none."""

    pass_min: float | None
    pass_max: float | None
    fail_min: float | None
    fail_max: float | None


@dataclass(frozen=True)
class Strip:
    """One judged value of a check between its limits, along a line from ``low`` to ``high``.

    ``others`` are the values of earlier units of the
    model, ascending, where these are to be shown; ``standing`` says where this value lies among them.
    """

    check: str
    judged: JudgedReading
    low: float
    high: float
    edges: Edges
    others: tuple[float, ...] = ()
    standing: str = ""

    @property
    def reading(self) -> Reading:
        """What was judged."""
        return self.judged.reading

    @property
    def spread(self) -> float:
        """The expanded uncertainty; 0 where none is known."""
        return COVERAGE * (self.reading.uncertainty or 0.0)

    @property
    def zones(self) -> Iterator[tuple[Zone, float, float]]:
        """What lies beyond the limits, from its limit on: marginal, then fail; all else passes."""
        pass_min, pass_max, fail_min, fail_max = self.edges
        for passes, fails, end in ((pass_min, fail_min, self.low), (pass_max, fail_max, self.high)):
            if passes is not None:
                yield "marginal", passes, end if fails is None else fails
            if fails is not None:
                yield "fail", fails, end
