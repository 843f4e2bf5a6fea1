"""The values of one metric in order of time: each unit once, golden units as often as they were run.

=======================  ==================================================================
:class:`MetricName`      which metric is meant
:class:`Series`          its values, with whose and where each is
:func:`series_of`        the same from the picked runs of a place
=======================  ==================================================================

Runs stand in the order in which they were recorded: within a log by their numbers, whatever its clock said; those of
several logs by the time of the record, where a time that lies before that of an earlier record of the same log counts
as that one. So a log that comes late to a server is put where it belongs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.errors import UsageError
from linecheck.files.faults import did_you_mean
from linecheck.files.text import visible
from linecheck.statistics.columns import Columns

#: Columns of a run that are asked for.
COLUMNS: Final = ("run_id", "serial", "model", "purpose", "verdict", "recorded", "station", "nest", "lot")
_JUDGED: Final = "('pass', 'marginal', 'fail')"
_MAX_NAMED: Final = 200


@dataclass(frozen=True)
class MetricName:
    """A metric of a check, by its whole name, and of a channel; None of the only one."""

    check: str
    metric: str
    channel: str | None = None

    @property
    def words(self) -> str:
        """It in words."""
        return f"{self.check}.{self.metric}" + (f" {self.channel}" if self.channel else "")


def metric_named(text: str, channel: str | None) -> MetricName:
    """Return the metric that ``CHECK.METRIC`` names.

    Raises
    ------
    UsageError
        It names none.
    """
    check, _, metric = text.rpartition(".")
    if not check or not metric:
        raise UsageError(f"{visible(text[:80])!a} names no metric: expected CHECK.METRIC, as tone.sinad")
    return MetricName(check, metric, channel)


@dataclass(frozen=True)
class Series:
    """The values of one metric in order of time; all arrays have one entry for each run.

    Attributes
    ----------
    name : MetricName
    unit : str
    value : array of float
        NaN where it was not measured.
    is_bound : array of bool
        Whether the truth is the value or better.
    log, record : array of int
    moment : array of datetime64
    serial, model, purpose, station, nest, lot : array of str
        Empty where the run does not say.
    backdated : int
        So many runs have a time before that of an earlier record of their log.
    """

    name: MetricName
    unit: str
    value: NDArray[np.float64]
    is_bound: NDArray[np.bool_]
    log: NDArray[np.int64]
    record: NDArray[np.int64]
    moment: NDArray[np.datetime64]
    serial: NDArray[Any]
    model: NDArray[Any]
    purpose: NDArray[Any]
    station: NDArray[Any]
    nest: NDArray[Any]
    lot: NDArray[Any]
    backdated: int

    def __len__(self) -> int:
        """Return how many runs there are."""
        return len(self.value)

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Where there is a measured value: no bound, and not missing."""
        return np.isfinite(self.value) & ~self.is_bound

    @property
    def bounds(self) -> int:
        """How many runs have a bound only."""
        return int(np.sum(self.is_bound & np.isfinite(self.value)))

    @property
    def missing(self) -> int:
        """How many runs have no value."""
        return int(np.sum(~np.isfinite(self.value)))

    def only(self, of: str, what: str, option: str) -> str:
        """Return what all runs have in common.

        Raises
        ------
        UsageError
            They differ in it.
        """
        found = sorted(set(getattr(self, of).tolist()))
        if len(found) > 1:
            named = ", ".join(visible(each or "not said") for each in found[:8])
            raise UsageError(f"these are runs of several {what}: {named}; pick one with {option}")
        return str(found[0]) if found else ""


def series_of(columns: Columns, name: MetricName) -> Series:
    """Return the values of a metric in the picked runs that judged their unit.

    A unit counts by its first run that judged it, also where that is not picked; of golden units each run counts.

    Raises
    ------
    UsageError
        No run has this metric, or it has several channels and none is named.
    """
    columns.keep_readings(
        *("check", "metric", "channel", "value", "is_bound", "unit", "verdict"),
        only={"check": [name.check], "metric": [name.metric]},
        table="of_metric",
    )
    name = MetricName(name.check, name.metric, _channel(columns, name))
    found = columns.arrays(
        f"""
        WITH ordered AS (
            SELECT *, max(recorded) OVER (PARTITION BY log ORDER BY record) AS moment FROM every_run
        ), judged AS (
            SELECT *, row_number() OVER (PARTITION BY model, serial, purpose ORDER BY moment, log, record) AS place
            FROM ordered WHERE verdict IN {_JUDGED}
        ), of_channel AS (SELECT * FROM of_metric WHERE channel IS NOT DISTINCT FROM ?)
        SELECT judged.log, judged.record, CAST(moment AS TIMESTAMP) AS moment, recorded < moment AS backdated,
            serial, model, purpose, coalesce(station, '') AS station, coalesce(nest, '') AS nest,
            coalesce(lot, '') AS lot,
            CASE WHEN of_channel.verdict IS DISTINCT FROM 'invalid' THEN value END AS value,
            coalesce(is_bound, false) AS is_bound, coalesce(unit, '') AS unit
        FROM judged SEMI JOIN run USING (log, record) LEFT JOIN of_channel USING (log, record)
        WHERE place = 1 OR purpose <> 'unit' ORDER BY moment, log, record
        """,
        [name.channel],
    )
    units = [unit for unit in dict.fromkeys(found["unit"].tolist()) if unit]
    if len(units) > 1:
        raise UsageError(f"{name.words} is in {' and '.join(units)}: pick runs with one of these units")
    return Series(
        name=name,
        unit=units[0] if units else "",
        value=np.asarray(found["value"], dtype=float),
        is_bound=np.asarray(found["is_bound"], dtype=bool),
        backdated=int(np.sum(found["backdated"])),
        **{
            of: np.asarray(found[of])
            for of in ("log", "record", "moment", "serial", "model", "purpose", "station", "nest", "lot")
        },
    )


def _channel(columns: Columns, name: MetricName) -> str | None:
    """Return the channel that is meant."""
    rows = columns.rows("SELECT DISTINCT channel FROM of_metric ORDER BY channel NULLS FIRST")
    channels = [row[0] for row in rows]
    if not channels:
        raise UsageError(f"no picked run has {visible(name.check)}.{visible(name.metric)}{_known(columns)}")
    if name.channel is None and len(channels) > 1:
        told = ", ".join(visible(str(each)) for each in channels)
        raise UsageError(f"{name.check}.{name.metric} has the channels {told}: name one with --channel")
    if name.channel is not None and name.channel not in channels:
        told = did_you_mean(name.channel, [each for each in channels if each], "there are")
        raise UsageError(f"{name.check}.{name.metric} has no channel {visible(name.channel)}; {told}")
    return name.channel or channels[0]


def _known(columns: Columns) -> str:
    with columns.over_readings("check", "metric"):
        rows = columns.rows(
            'SELECT DISTINCT "check", metric FROM reading SEMI JOIN '
            "(FROM run ORDER BY recorded DESC LIMIT 5) USING (log, record) ORDER BY ALL"
        )
    known = [f"{check}.{metric}" for check, metric in rows][:_MAX_NAMED]
    return f"; the newest have {', '.join(map(visible, known))}" if known else ""
