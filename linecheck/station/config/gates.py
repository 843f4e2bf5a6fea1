"""The gates of a station config: how the station proves itself, and how often.

::

    [golden]                             # units whose readings are known: the station must find them unmoved
    serials = ["PR3-900001"]
    every_hours = 12
    margins = {dB = 0.3, "tone.level" = 0.01}   # how far they may be from their own history; else the limit file's

    [challenge]                          # units that are known to be bad: the station must find out, and why
    every_hours = 24
    [challenge.units.hum]
    serial = "PR3-900101"
    must_fail = ["tone.sinad.left", "quiet.snr"]
    nothing_else = true                  # whatever else fails is a fault of the station

    [gate]
    outside = "refuse"                   # or "invalid": units are measured, and every run is marked invalid
    lock_after = 3                       # units in a row that fail grossly and alike; 0 never locks
    stop_after_invalid = true            # after an invalid run LINE-RESUME must be scanned before the next unit

    [charts]                             # control charts, once phase-1 sets are stated
    lock = true                          # a signal locks the station until somebody answers it

Without a table there is no gate of that name.
"""

from __future__ import annotations

import re
from typing import Annotated, Final, Literal, Self

from pydantic import Field, field_validator, model_validator

from linecheck.limits.loading.header import NAME
from linecheck.limits.serial_pattern import MAX_SERIAL_LENGTH
from linecheck.station.config.table import Hours, Once, Table, Text, each_once

Serial = Annotated[str, Field(min_length=1, max_length=MAX_SERIAL_LENGTH)]
Margin = Annotated[float, Field(gt=0.0, le=1e9)]

#: ``check.metric`` or ``check.metric.channel``; a check's whole name may have a setup in it.
_REASON: Final = re.compile(r"[^.\s][^\s]*\.[^.\s]+")


class GoldenConfig(Table):
    """The units that are known to be good, and how far they may be from their own history.

    Attributes
    ----------
    serials : tuple of str
        Their serial numbers.
    every_hours : float
        How long the station may judge units after one of them was found unmoved.
    margins : mapping of str to float
        By ``check.metric``, by metric or by unit, in that order of weight. What is not named here has the limit file's
        margin of regression, or a default of its unit (:data:`linecheck.gates.margins.DEFAULT_MARGINS`).
    """

    serials: Annotated[tuple[Serial, ...], Field(strict=False, min_length=1, max_length=64), Once]
    every_hours: Hours = 24.0
    margins: Annotated[dict[Text, Margin], Field(max_length=500)] = {}  # noqa: RUF012 - copied


class ChallengeUnit(Table):
    """A unit that is known to be bad.

    Attributes
    ----------
    serial : str
        Its serial number.
    must_fail : tuple of str
        ``check.metric.channel``, or ``check.metric`` where any channel will do.
    nothing_else : bool
        Whether everything else that a mask judges must pass.
    """

    serial: Serial
    must_fail: Annotated[tuple[Text, ...], Field(strict=False, min_length=1, max_length=64), Once]
    nothing_else: bool = False

    @field_validator("must_fail")
    @classmethod
    def _reasons(cls, reasons: tuple[str, ...]) -> tuple[str, ...]:
        for reason in reasons:
            if _REASON.fullmatch(reason) is None:
                raise ValueError(
                    f"{reason[:60]!r} names nothing that fails: expected check.metric, or check.metric.channel"
                )
        return reasons


class ChallengeConfig(Table):
    """The challenge units by name, known to be bad; each must be caught in time.

    Attributes
    ----------
    every_hours : float
        How long the station may judge units after each of them was caught.
    """

    units: Annotated[dict[Text, ChallengeUnit], Field(min_length=1, max_length=64)]
    every_hours: Hours = 24.0

    @field_validator("units")
    @classmethod
    def _plain_names(cls, units: dict[str, ChallengeUnit]) -> dict[str, ChallengeUnit]:
        for name in units:
            if re.fullmatch(NAME, name) is None:
                raise ValueError(f"{name[:40]!r} is not a name: use lower-case letters, digits and '_'")
        each_once(tuple(unit.serial for unit in units.values()))
        return units


class ChartsConfig(Table):
    """Control charts: each run is put on the charts of this station whose phase-1 sets are stated in the log.

    Attributes
    ----------
    lock : bool
        Whether a signal keeps units out until somebody has answered it, with name and reason.
    """

    lock: bool = False


class GateConfig(Table):
    """What happens to units while a gate is not met, and when the station locks itself.

    Attributes
    ----------
    outside : {"refuse", "invalid"}
        ``refuse``: no unit is tested. ``invalid``: it is, and every run is marked invalid.
    lock_after : int
        So many units in a row that fail grossly and alike look like a fault of the station; 0 never locks. Without a
        golden unit and a loop nothing could unlock a station, and it never locks.
    stop_after_invalid : bool
        Whether an invalid run stops a station that waits for scans, until somebody says that it is put right.
    """

    outside: Literal["refuse", "invalid"] = "refuse"
    stop_after_invalid: bool = False
    lock_after: Annotated[int, Field(ge=0, le=20)] = 3

    @model_validator(mode="after")
    def _more_than_one(self) -> Self:
        if self.lock_after == 1:
            raise ValueError(
                "lock_after = 1: one unit says nothing about the station; expected 0, or 2 to 20"
            )
        return self
