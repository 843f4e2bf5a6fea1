"""A chart as it is stated, and its running state: one value more costs the same however many came before.

==============================  ============================================================
:class:`Design`                 what sort of chart, and how wide its limits are
:class:`Running`                what a chart remembers of the values so far
:func:`advance`                 what it remembers after one more value, and whether that is a signal
:func:`run_length`              its average run length
:func:`estimated_run_lengths`   the same where its level is known from so many values
==============================  ============================================================

An excursion is one signal: a chart that stays out tells nothing more until it has come back, or begins anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Literal, get_args

import numpy as np

from linecheck.statistics.charts import cusum, ewma
from linecheck.statistics.charts.individuals import LIMIT_SIGMAS, Level
from linecheck.statistics.charts.rules import FURTHEST, RULES, broken

Kind = Literal["ewma", "cusum", "individuals"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

#: One value counts for no more than this in a sum or an average, in standard deviations: one broken unit is no drift of
#: the line. Of values that have not moved one in 16,000 lies further out.
CLIP_SIGMAS: Final = 4.0
#: So many values of each of two numbers stand for what it may be.
_QUANTILES: Final = 20


@dataclass(frozen=True)
class Design:
    """What sort of chart it is; all but ``kind`` in standard deviations.

    Attributes
    ----------
    kind : str
    width : float
        Of the limits: of single values by their own standard deviations, of an average by the average's.
    weight : float
        Of the newest value in an average.
    allowance, threshold : float
        What cumulative sums leave out of each value, and where they signal.
    rules : tuple of str
        Runs rules, of single values alone.
    clip : float
        One value counts for no more than this in an average or a sum.
    """

    kind: Kind = "ewma"
    width: float = LIMIT_SIGMAS
    weight: float = 0.2
    allowance: float = 0.5
    threshold: float = 5.0
    rules: tuple[str, ...] = ()
    clip: float = CLIP_SIGMAS

    @property
    def limit(self) -> float:
        """Where what is plotted signals, in standard deviations from the centre, or from 0."""
        if self.kind == "cusum":
            return self.threshold
        return self.width if self.kind == "individuals" else ewma.limit(self.width, self.weight)

    def content(self) -> dict[str, Any]:
        """Return it as plain data."""
        return asdict(self) | {"rules": list(self.rules)}


@dataclass(frozen=True)
class Running:
    """What a chart remembers, in standard deviations from the centre.

    ``high`` and ``low`` are the sums of both sides, ``newest`` the values that a rule may look back at, ``out`` whether
    it signals.
    """

    count: int = 0
    average: float = 0.0
    high: float = 0.0
    low: float = 0.0
    newest: tuple[float, ...] = ()
    out: bool = False

    def plotted(self, kind: Kind) -> float:
        """Return what a chart shows of it; of two sums the larger, the lower one below zero."""
        if kind == "ewma":
            return self.average
        if kind == "cusum":
            return self.high if self.high >= self.low else -self.low
        return self.newest[-1] if self.newest else 0.0

    def content(self) -> dict[str, Any]:
        """Return it as plain data."""
        return asdict(self) | {"newest": list(self.newest)}


def read_running(content: Mapping[str, Any]) -> Running:
    """Return a running state from plain data."""
    return Running(**{**content, "newest": tuple(content["newest"])})


def read_design(content: Mapping[str, Any]) -> Design:
    """Return a design from plain data.

    Raises
    ------
    ValueError, TypeError, KeyError
        It is none.
    """
    numbers = {name: float(content[name]) for name in ("width", "weight", "allowance", "threshold", "clip")}
    design = Design(content["kind"], rules=tuple(content["rules"]), **numbers)
    if design.kind not in KINDS or any(name not in RULES for name in design.rules):
        raise ValueError("no such chart")
    if not all(0.0 < number < math.inf for number in numbers.values()) or design.weight > 1.0:
        raise ValueError("a number that no chart has")
    return design


def advance(design: Design, level: Level, running: Running, value: float) -> tuple[Running, str]:
    """Return what a chart remembers after one more value, and in words what it signals; empty where it does not."""
    score = (value - level.centre) / level.sigma
    counted = min(max(score, -design.clip), design.clip)
    high, low = running.high, running.low
    average, newest = running.average, running.newest
    if design.kind == "ewma":
        average = ewma.step(average, counted, design.weight)
    elif design.kind == "cusum":
        high, low = cusum.step(high, low, counted, design.allowance)
    else:
        newest = (*newest, score)[-FURTHEST:]
    after = Running(running.count + 1, average, high, low, newest)
    told = _told(design, after)
    return replace(after, out=bool(told)), "" if running.out else told


def _told(design: Design, running: Running) -> str:
    plotted = running.plotted(design.kind)
    side = "above" if plotted > 0 else "below"
    if abs(plotted) > design.limit:
        return {
            "ewma": f"the moving average is {side} its limit",
            "cusum": f"the cumulative sum of what lies {side} the centre is beyond its limit",
            "individuals": f"a value is {side} its limit",
        }[design.kind]
    if design.kind == "individuals":
        return "; ".join(f"{RULES[name].words}, {side}" for name in broken(running.newest, design.rules))
    return ""


def run_length(design: Design, shift: float = 0.0, scale: float = 1.0) -> float:
    """Return the average run length of a chart where the mean lies ``shift`` standard deviations off its centre.

    ``scale`` is what the chart takes for a standard deviation, in true ones.
    """
    from linecheck.statistics.charts import run_length as lengths

    if design.kind == "ewma":
        return lengths.ewma(scale * design.width, design.weight, shift)
    if design.kind == "cusum":
        return lengths.cusum(scale * design.threshold, scale * design.allowance, shift)
    return lengths.shewhart(design.width, design.rules, shift, scale)


def estimated_run_lengths(design: Design, count: int) -> tuple[float, float]:
    """Return between which run lengths without a shift 80 % of charts lie whose level is that of ``count`` values.

    Mean and moving ranges of normal values are normal enough: of variance 1 / n and 0.826 / n (Cryer and Ryan 1990).
    """
    from scipy.special import ndtri

    spread = ndtri((np.arange(_QUANTILES) + 0.5) / _QUANTILES) / math.sqrt(count)
    # The mean may be off either way alike.
    lengths = [
        run_length(design, off, 1.0 + math.sqrt(0.826) * wide)
        for off in spread[spread >= 0.0].tolist()
        for wide in spread.tolist()
    ]
    low, high = np.quantile(lengths, [0.1, 0.9])
    return float(low), float(high)


def designed(kind: Kind, length: float | None, **asked: Any) -> Design:  # noqa: ANN401 - fields of a design
    """Return a design whose average run length without a shift is ``length``; its own widths where that is None."""
    from linecheck.statistics.charts import run_length as lengths

    design = Design(kind, **asked)
    if length is None:
        return design
    if kind == "ewma":
        return replace(design, width=lengths.ewma_width(design.weight, length))
    if kind == "cusum":
        return replace(design, threshold=lengths.cusum_threshold(design.allowance, length))
    return replace(design, width=lengths.shewhart_width(design.rules, length))
