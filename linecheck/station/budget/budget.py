"""The uncertainty budget of one mask: how uncertain a reading at its limit is, and whether the mask can be decided.

A budget as JCGM 100:2008 (GUM), 7.2.7 and 8, asks for one: each component with its bound, its distribution and its
standard uncertainty, the combined one, and U = 2 u.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from linecheck.checks.parts.declared import difference_unit
from linecheck.limits.decision import COVERAGE_FACTOR
from linecheck.measure.path_part import DB_PER_BIT, DIVISORS, PathPart

#: What a station must keep below a unit's limits for its own part not to matter, of noise and distortion in dB and of
#: all else as a share of the room that the mask leaves: common practice, no source.
MIN_BELOW_DB: Final = 10.0
MAX_SHARE: Final = 0.2

_DISTRIBUTIONS: Final = {"amplitude": "arc sine", "power": "even", "additive": "even", "relative": "even"}


class Answer(StrEnum):
    """Whether a station can decide a mask."""

    DECIDES = "decides"
    HARDLY = "hardly"
    CANNOT = "cannot"


@dataclass(frozen=True)
class Component:
    """One line of a budget: ``bound`` over ``divisor`` is the standard uncertainty (k = 1), in the mask's unit."""

    source: str
    bound: float
    distribution: str
    divisor: float
    clause: str

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty."""
        return self.bound / self.divisor

    @classmethod
    def of(cls, part: PathPart, value: float) -> Component:
        """Return what a part of the path comes to beside a value."""
        distribution = _DISTRIBUTIONS[part.way]
        clause = "JCGM 101 6.4.6" if distribution == "arc sine" else "GUM 4.3.7, F.2.4.5"
        return cls(part.source, part.bound(value), distribution, DIVISORS[part.way], clause)


@dataclass(frozen=True)
class MaskBudget:
    """A mask held against the path, in one channel.

    Attributes
    ----------
    check, metric, channel, unit
        What is masked.
    limit : float
        Where the reading is taken to lie: the pass limit, of a curve its tightest.
    room : float
        Of a mask with two sides half of what is between them, else the size of the limit.
    parts : tuple of PathPart
    components : tuple of Component
        The budget at the limit.
    is_least : bool
        Whether the limit is a lower one.
    is_uncalibrated : bool
        Whether it is of volts whose calibration is not stated: then the budget lacks that.
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    limit: float
    room: float
    parts: tuple[PathPart, ...]
    components: tuple[Component, ...]
    is_least: bool = False
    is_uncalibrated: bool = False

    @property
    def name(self) -> str:
        """What is masked, as in ``tone.sinad.left``."""
        return ".".join(filter(None, (self.check, self.metric, self.channel)))

    @property
    def uncertainty(self) -> float:
        """Combined standard uncertainty at the limit (GUM 5.1.2)."""
        return math.hypot(*(component.uncertainty for component in self.components))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, k = 2 (GUM 6.2)."""
        return COVERAGE_FACTOR * self.uncertainty

    @property
    def path_level(self) -> float | None:
        """Where the path's own noise and lines stand, in the mask's unit; None where it has none in this."""
        levels = [part.size for part in self.parts if part.way in ("power", "amplitude")]
        if not levels:
            return None
        level = 10.0 * math.log10(sum(10.0 ** (each / 10.0) for each in levels))
        first = self.parts[0]
        if first.scale == "volts":
            return float(10.0 ** (level / 20.0))
        return first.sign * level / (DB_PER_BIT if first.scale == "bits" else 1.0)

    def content(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "check": self.check,
            "metric": self.metric,
            "channel": self.channel,
            "unit": self.unit,
            "limit": self.limit,
            "path": self.path_level,
            "uncertainty": self.uncertainty,
            "is_calibrated": not self.is_uncalibrated,
            "answer": self.answer.value,
            "components": [vars(part) | {"uncertainty": part.uncertainty} for part in self.components],
        }

    @property
    def words(self) -> str:
        """What a person reads of it."""
        edge = "at least" if self.is_least else "at most"
        text = f"{self.name}, {edge} {self.limit:.6g} {self.unit}: "
        if self.path_level is not None:
            text += f"the path itself stands at {self.path_level:.4g} {self.unit}, and "
        text += f"a reading at the limit is uncertain by ± {self.expanded:.2g} {difference_unit(self.unit)} (k = 2)"
        return text + ", its calibration not counted: that is not stated" * self.is_uncalibrated

    @property
    def answer(self) -> Answer:
        """Whether the path leaves this mask decidable; volts that nobody has calibrated hardly are."""
        if self.is_uncalibrated and self._by_path is Answer.DECIDES:
            return Answer.HARDLY
        return self._by_path

    @property
    def _by_path(self) -> Answer:
        own = self.path_level
        if own is None:
            share = self.expanded / self.room if self.room > 0.0 else math.inf
            return _graded(1.0 - share, 1.0 - MAX_SHARE)
        first = self.parts[0]
        if first.scale == "volts":
            spare = 20.0 * math.log10(self.limit / own) if self.limit > 0.0 else -math.inf
        else:
            spare = first.sign * (self.limit - own) * (DB_PER_BIT if first.scale == "bits" else 1.0)
        return _graded(spare, MIN_BELOW_DB)


def _graded(spare: float, wanted: float) -> Answer:
    if spare <= 0.0:
        return Answer.CANNOT
    return Answer.DECIDES if spare >= wanted else Answer.HARDLY
