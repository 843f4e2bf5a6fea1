"""A chart as the log states it: what is plotted, and from which phase-1 set its limits come.

=====================  ==================================================================
:class:`Plotted`       what a chart shows: a metric of a model, where, and of which units
:class:`Stated`        a chart with its limits, and who stated it
:func:`state_from`     a chart from the values of a phase-1 set
=====================  ==================================================================
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from linecheck.errors import RecordError, UsageError
from linecheck.files.text import encodable
from linecheck.log.signoff import MAX_NAME_LENGTH, MAX_REASON_LENGTH, checked_text
from linecheck.log.stored import Statement
from linecheck.statistics.charts.chart import Design, Running, advance, read_design
from linecheck.statistics.charts.individuals import Level, lag_one, level

#: Common practice, no source: limits from fewer values are hardly known.
MIN_VALUES: Final = 25
MAX_VALUES: Final = 10_000
#: Where more of a set than this has a bound in place of a value, its level is not known.
MAX_BOUNDS: Final = 0.05
#: What a chart is of, beside ``golden/SERIAL``.
UNITS: Final = "unit"
SELF_CHECKS: Final = "self_check"
_GOLDEN: Final = "golden/"


@dataclass(frozen=True)
class Plotted:
    """What a chart shows.

    Attributes
    ----------
    station : str
    nest : str or None
        None for the units of all nests in one chart.
    model : str
        Empty for self-checks.
    of : str
        ``unit``, ``golden/SERIAL`` or ``self_check``.
    check, metric : str
        Of a self-check the step, and what it measures.
    channel : str or None
    """

    station: str
    nest: str | None
    model: str
    of: str
    check: str
    metric: str
    channel: str | None

    @property
    def subject(self) -> str:
        """What statements about it are found by."""
        parts = (
            self.station,
            self.nest or "",
            self.model,
            self.of,
            self.check,
            self.metric,
            self.channel or "",
        )
        return encodable("/".join(parts))

    @property
    def golden(self) -> str | None:
        """The serial number of the golden unit that it is of; None of others."""
        return self.of.removeprefix(_GOLDEN) if self.of.startswith(_GOLDEN) else None

    @property
    def words(self) -> str:
        """It in words."""
        channel = f" {self.channel}" if self.channel else ""
        where = f"station {self.station}" + (f", nest {self.nest}" if self.nest else "")
        whose = {UNITS: self.model, SELF_CHECKS: "self-checks"}.get(self.of, f"golden unit {self.golden}")
        return f"{self.check}.{self.metric}{channel} ({whose}, {where})"


def golden(serial: str) -> str:
    """Return what a chart of a golden unit is of."""
    return _GOLDEN + serial


@dataclass(frozen=True)
class Stated:
    """A chart with its limits.

    Attributes
    ----------
    plotted : Plotted
    design : Design
    level : Level
        Of its phase-1 set.
    unit : str
        Of its values.
    records : tuple of int
        The records of the phase-1 set.
    by, reason : str
    sequence : int
        The number of the statement; 0 of one that is not stated yet.
    recorded : str
    """

    plotted: Plotted
    design: Design
    level: Level
    unit: str
    records: tuple[int, ...]
    by: str
    reason: str
    sequence: int = 0
    recorded: str = ""

    def content(self) -> dict[str, Any]:
        """Return it as its statement has it."""
        return {
            **asdict(self.plotted),
            "chart": self.plotted.words,
            "design": self.design.content(),
            **asdict(self.level),
            "unit": self.unit,
            "records": list(self.records),
            "by": self.by,
            "reason": self.reason,
        }


def read_stated(statement: Statement) -> Stated:
    """Return a chart from its statement.

    Raises
    ------
    RecordError
        It is none that this version knows.
    """
    said: Mapping[str, Any] = statement.content
    try:
        return Stated(
            Plotted(**{name: said[name] for name in Plotted.__dataclass_fields__}),
            read_design(said["design"]),
            _level(said),
            str(said["unit"]),
            tuple(int(number) for number in said["records"]),
            str(said["by"]),
            str(said["reason"]),
            statement.sequence,
            statement.recorded,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(
            f"record {statement.sequence} states no control chart that this version of linecheck knows: {error!r}"
        ) from error


def _level(said: Mapping[str, Any]) -> Level:
    found = Level(float(said["centre"]), float(said["sigma"]), int(said["count"]))
    if not (math.isfinite(found.centre) and 0.0 < found.sigma < math.inf and found.count > 0):
        raise ValueError("a level that no phase-1 set has")
    return found


@dataclass(frozen=True)
class PhaseOne:
    """The values of a phase-1 set in order of time, and what stood in place of a value."""

    values: Sequence[float]
    records: Sequence[int]
    unit: str
    bounds: int = 0
    missing: int = 0


def state_from(found: PhaseOne, plotted: Plotted, design: Design, by: str, reason: str) -> Stated:
    """Return a chart with the limits that a phase-1 set gives.

    Raises
    ------
    UsageError
        The set cannot give limits, and why; or somebody is not named.
    """
    count = len(found.values)
    told = f"{plotted.words}: {count} values in the phase-1 set"
    if not MIN_VALUES <= count <= MAX_VALUES:
        raise UsageError(f"{told}, expected {MIN_VALUES} to {MAX_VALUES}: pick other runs")
    if found.bounds > MAX_BOUNDS * (count + found.bounds):
        raise UsageError(
            f"{told}, and {found.bounds} more have a bound only: what they are is not known, so that no limits can be "
            "told; chart another metric"
        )
    of_set = level(np.asarray(found.values, dtype=float))
    if of_set.sigma <= 0.0:
        raise UsageError(f"{told}, all alike: nothing can be told from them")
    return Stated(
        plotted,
        design,
        of_set,
        found.unit,
        tuple(int(number) for number in found.records),
        checked_text("the name (by)", by, MAX_NAME_LENGTH),
        checked_text("the reason", reason, MAX_REASON_LENGTH),
    )


def doubts(found: PhaseOne, stated: Stated) -> list[str]:
    """Return what speaks against a phase-1 set, a sentence each."""
    values = np.asarray(found.values, dtype=float)
    told = []
    running, signals = Running(), []
    for value, record in zip(found.values, found.records, strict=True):
        running, says = advance(stated.design, stated.level, running, value)
        if says:
            signals.append(record)
    if signals:
        named = ", ".join(map(str, signals[:5]))
        told.append(
            f"the chart signals within its own phase-1 set (record {named}): find out why, and leave out what has a "
            "known cause"
        )
    correlation, error = lag_one(values)
    if abs(correlation) > 3.0 * error:
        told.append(
            f"each value goes with the next (correlation {correlation:+.2f}): false alarms come at another rate than "
            "is said"
        )
    for count, what in ((found.bounds, "a bound only"), (found.missing, "no value")):
        if count:
            told.append(f"{count} runs have {what} and are not in the set")
    return told
