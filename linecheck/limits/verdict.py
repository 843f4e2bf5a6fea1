"""Verdicts, what carries them, and their order of badness."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from linecheck.checks.base import Curve, Problem, Reading


class Verdict(StrEnum):
    """Pass, marginal and fail judge the unit; invalid and aborted judge nothing."""

    PASS = "pass"
    MARGINAL = "marginal"
    INVALID = "invalid"
    FAIL = "fail"
    ABORTED = "aborted"


#: What releases a unit, where nothing else speaks against it.
RELEASING: Final = (Verdict.PASS, Verdict.MARGINAL)

#: Verdicts as people want to hear of them.
WORST_FIRST: Final = (Verdict.FAIL, Verdict.INVALID, Verdict.ABORTED, Verdict.MARGINAL, Verdict.PASS)
_BADNESS = {verdict: rank for rank, verdict in enumerate(Verdict)}


def worst(verdicts: Iterable[Verdict | None]) -> Verdict:
    """Return the worst verdict: pass < marginal < invalid < fail < aborted.

    Invalid where nothing was judged.
    """
    judged = [verdict for verdict in verdicts if verdict is not None]
    return max(judged, key=_BADNESS.__getitem__, default=Verdict.INVALID)


@dataclass(frozen=True)
class JudgedReading:
    """A reading with its verdict (None where no mask judges) and margin.

    ``margin`` is the distance to the pass mask in the metric's unit, negative outside it; None without a
    mask or a value. ``limit`` is the limit of the pass mask that the margin is taken from, ``fail_limit``
    the fail mask's on the same side (None where it has none), ``side`` is ``min`` or ``max``.
    """

    reading: Reading
    verdict: Verdict | None = None
    margin: float | None = None
    limit: float | None = None
    fail_limit: float | None = None
    side: str | None = None

    @property
    def measured(self) -> Reading:
        """What was judged."""
        return self.reading


@dataclass(frozen=True)
class JudgedCurve:
    """A curve with the verdict of its worst point, that point's place and its margin."""

    curve: Curve
    verdict: Verdict | None = None
    worst_x: float | None = None
    worst_y: float | None = None
    margin: float | None = None
    limit: float | None = None
    fail_limit: float | None = None
    side: str | None = None

    @property
    def measured(self) -> Curve:
        """What was judged."""
        return self.curve


@dataclass(frozen=True)
class JudgedMeasurement:
    """All readings and curves of one check with their verdicts, and the check's problems."""

    readings: tuple[JudgedReading, ...]
    curves: tuple[JudgedCurve, ...]
    problems: tuple[Problem, ...]

    @property
    def items(self) -> tuple[JudgedReading | JudgedCurve, ...]:
        """The readings, then the curves."""
        return (*self.readings, *self.curves)

    def item(self, metric: str, channel: str | None) -> JudgedReading | JudgedCurve | None:
        """Return a reading or curve; None where it is not there."""
        own = (
            item for item in self.items if (item.measured.metric, item.measured.channel) == (metric, channel)
        )
        return next(own, None)

    @property
    def verdict(self) -> Verdict | None:
        """The check's worst verdict; None where no mask judges."""
        verdicts = [item.verdict for item in self.items]
        return worst(verdicts) if any(verdict is not None for verdict in verdicts) else None
