"""What a kind declares of its metrics and curves.

========================  ======================================================================
:class:`MetricSpec`       a metric: name, unit, which way is better, which values a unit can have
:class:`CurveSpec`        the same of a curve
:class:`Successor`        the metric that a superseded one gave way to, and what differs
:func:`former`            the declaration of a metric under the name that it had
:class:`DifferenceSpec`   how a difference of it is reported
:func:`either_way`        the same by one sentence and two words
:func:`difference_unit`   the unit of a difference, a margin or a distance
:data:`Range`             from the lowest to the highest value that is possible
:class:`Implied`          a metric that another one keeps within bounds
========================  ======================================================================
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeVar

Better = Literal["more", "less", "nominal"]
#: The lowest and the highest possible value; infinite where there is none.
Range = tuple[float, float]

ANYTHING: Final[Range] = (-math.inf, math.inf)
#: Amounts; and ratios in dB of the wanted part to the unwanted, which nobody can measure below 0 dB.
NO_NEGATIVE: Final[Range] = (0.0, math.inf)
#: Ratios in dB of a part to the whole.
NO_POSITIVE: Final[Range] = (-math.inf, 0.0)


@dataclass(frozen=True)
class DifferenceSpec:
    """How a difference between two runs is reported, and from which size on it means anything.

    Attributes
    ----------
    what : str
        What is higher or lower where they differ, as in "SINAD 3 dB lower, 110 dB" or, of a curve, "response 1 dB lower
        at 18 kHz"; empty where the metric's text has to do.
    accuracy : float or None
        The smallest difference that means anything however well the metric repeats, in its unit; None for what is
        usual for that unit.
    more, less : str
        What a higher and a lower value mean where that is said otherwise, with ``{size}`` (by how much), ``{value}``,
        ``{opposite}`` (the value with the other sign) and the analysis' own ``…_hz``.
    worse : {"less", "away"} or None
        Which way is worse to a listener although no way is to a mask: less, or away from nothing (a response that
        falls, or rises, re 1 kHz); None for what ``better`` says.
    said_by : tuple of str
        Metrics (``metric`` of the same check, or ``kind.metric``) that say the same: where one of them differs, or what
        it superseded, this one is not reported as well.
    is_place : bool
        Whether it says where an extreme lies. Even noise has one anywhere, so a difference means nothing.
    to_edge : bool
        Whether it depends on how far the capture reaches in frequency: two captures are compared only where they reach
        alike.
    """

    what: str = ""
    accuracy: float | None = None
    more: str = ""
    less: str = ""
    worse: Literal["less", "away"] | None = None
    said_by: tuple[str, ...] = ()
    is_place: bool = False
    to_edge: bool = False


_PLAIN = DifferenceSpec()


def either_way(
    text: str,
    more: str,
    less: str,
    accuracy: float | None = None,
    *,
    said_by: tuple[str, ...] = (),
    to_edge: bool = False,
) -> DifferenceSpec:
    """Return a difference that one sentence tells, with ``more`` or ``less`` in place of its ``{way}``."""
    higher, lower = (text.replace("{way}", word) for word in (more, less))
    return DifferenceSpec("", accuracy, higher, lower, said_by=said_by, to_edge=to_edge)


@dataclass(frozen=True)
class Successor:
    """What a superseded metric gave way to.

    A superseded metric keeps its name, sign, definition and defaults for good: whatever names it reads as it did.

    Attributes
    ----------
    name : str
        The metric, or curve, of the same kind that is to be named instead.
    differs : str
        What differs, in a few words.
    same : bool
        Whether the successor reads the same to the last bit: then the kind takes that alone, and its reading stands
        under both names.
    """

    name: str
    differs: str
    same: bool = False

    def __str__(self) -> str:
        """Return what is told of a name that has a successor."""
        return f"superseded by {self.name}: {self.differs}"


@dataclass(frozen=True)
class MetricSpec:
    """A metric that a kind measures.

    ``better`` says which way is better (``more``, ``less`` or ``nominal``), ``difference`` how one is reported,
    ``possible`` which values a unit can have at all, ``per_channel`` whether it is read in each channel or once for
    the pair, ``of_path`` whether a change in the station's path alone moves it: a gain, which channel comes
    back where, an edge of the response. ``superseded_by`` is what took its place; None where it stands for itself.
    """

    name: str
    unit: str
    text: str
    better: Better
    difference: DifferenceSpec = _PLAIN
    possible: Range = ANYTHING
    per_channel: bool = True
    of_path: bool = False
    superseded_by: Successor | None = None


@dataclass(frozen=True)
class CurveSpec:
    """A curve that a kind measures; ``log_x`` where its axis is logarithmic (frequency), the rest as for a metric."""

    name: str
    x_unit: str
    unit: str
    text: str
    log_x: bool = True
    per_channel: bool = True
    better: Better = "less"
    difference: DifferenceSpec = _PLAIN
    possible: Range = ANYTHING
    of_path: bool = False
    superseded_by: Successor | None = None


_Spec = TypeVar("_Spec", MetricSpec, CurveSpec)


def former(name: str, spec: _Spec, differs: str) -> _Spec:
    """Return the declaration of the name under which the same reading was known before."""
    return replace(spec, name=name, superseded_by=Successor(spec.name, differs, same=True))


def difference_unit(unit: str) -> str:
    """Return the unit of the difference of two values, of a margin or a distance: levels re full scale are dB apart."""
    return "dB" if unit == "dBFS" else unit


@dataclass(frozen=True)
class Implied:
    """A metric, or curve, that another metric keeps within bounds.

    Attributes
    ----------
    metric, by : str
    worst : callable
        From a value of ``by`` to the worst that ``metric`` can then be, each in its own unit; monotonic.
    because : str
        Why, in words that follow "since".
    """

    metric: str
    by: str
    worst: Callable[[float], float]
    because: str


def the_same(value: float) -> float:
    """Return the value: of :class:`Implied`, where a part is no more than the whole."""
    return value


def opposite(value: float) -> float:
    """Return the value with the other sign: of :class:`Implied`, where one is the whole over the part."""
    return -value
