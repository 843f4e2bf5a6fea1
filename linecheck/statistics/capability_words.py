"""What capability says in words: of each metric its verdict, its indices and the share beyond its mask."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from linecheck.files.text import counted, visible
from linecheck.limits.meaning import bounds_text
from linecheck.limits.model import Bounds
from linecheck.results.wording import significant, subject
from linecheck.statistics.capability import Capability, Interval, Tolerance, capability_of
from linecheck.statistics.readings import MetricReadings

#: A smaller share is that of no process anybody knows so well.
_MIN_SHARE: Final = 1e-9
VERDICTS: Final = ("capable", "not capable", "cannot be told")


@dataclass(frozen=True)
class Told:
    """A metric with what its readings tell; ``of_pass`` where it is held against the mask that units pass by."""

    readings: MetricReadings
    tolerance: Tolerance
    capability: Capability
    of_pass: bool = False

    @property
    def is_judged(self) -> bool:
        """Whether a mask limits it."""
        return any(limit is not None for limit in self.tolerance.limits)


def told_of(item: MetricReadings, of_pass: bool, required: float) -> Told:
    """Return a metric with what its readings tell: held against one of its masks, by the Ppk that is required."""
    tolerance = item.tolerance(of_pass=of_pass)
    found = capability_of(item.sample, tolerance, within=item.within, required=required)
    return Told(item, tolerance, found, of_pass)


def name_text(item: MetricReadings) -> str:
    """Return check, metric and channel."""
    return visible(subject(f"{item.check}.{item.metric}", "", item.channel))


def verdict_text(item: Told) -> str:
    """Return a verdict; of how many units it is, where they are too few for one."""
    if not item.is_judged:
        return "no mask"
    verdict = item.capability.verdict
    return (
        f"{verdict} with {counted(item.capability.units, 'unit')}" if verdict == "cannot be told" else verdict
    )


def limits_text(tolerance: Tolerance) -> str:
    """Return limits as a table has them."""
    lower, upper = tolerance.limits
    return "–" if lower is None and upper is None else bounds_text(Bounds(lower, upper))


def index_text(of: Interval | None) -> str:
    """Return a capability index."""
    return "–" if of is None else index(of.value)


def index(value: float) -> str:
    """Return one end of an index, or the index itself."""
    return "∞" if math.isinf(value) else f"{value:.2f}"


def beyond_text(of: Interval) -> str:
    """Return a share beyond a mask, and what it is at most."""
    most = share_text(of.high)
    return "< 0.001 ppm" if of.high < _MIN_SHARE else f"{share_text(of.value)} (to {most})"


def counts_text(told: Iterable[Told]) -> str:
    """Return how many metrics of those that a mask limits have each verdict; nothing of none."""
    verdicts = Counter(item.capability.verdict for item in told if item.is_judged)
    return ", ".join(f"{verdicts[verdict]} {verdict}" for verdict in VERDICTS if verdicts[verdict])


def apart_text(item: Told) -> str:
    """Return how many units are not in the figures of a metric as values; nothing of none."""
    parts = (
        (item.readings.missing, "not measured"),
        (item.readings.void, "void"),
        (item.capability.bounded, "a bound, this or better"),
    )
    return ", ".join(f"{units} {text}" for units, text in parts if units)


def share_text(share: float) -> str:
    """Return a share of units: in percent, or in parts per million where it is small."""
    if share == 0.0:
        return "0"
    if share < _MIN_SHARE:
        return "< 0.001 ppm"
    return f"{significant(1e6 * share, 2)} ppm" if share < 0.001 else f"{significant(100.0 * share, 3)} %"
