"""Values that somebody has stated of other devices: data sheets, an author's own list, each with its source.

::

    format: 1
    values:
      - name: Pellow R2                     # the device
        source: "its data sheet of 2025, page 4"
        metric: thd_n                       # or tone.thd_n, of one check alone
        value: -108
        unit: dB
        under: {band_hz: [20, 20000], level_dbfs: 0, load_ohms: 10000}

``under`` says how it was measured, by the names of a check's own parameters where it has them. What it does not say is
not known, and what this run does not say cannot be held against it: both are told.
"""

from __future__ import annotations

import os
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from linecheck.files.faults import FaultList, checked_model
from linecheck.files.yaml import read_source

MAX_VALUES: Final = 1000

Name = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]+$")]
Condition = float | str | bool | list[float]


class StatedValue(BaseModel):
    """A value that was stated of a device."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Name = Field(description="the device")
    source: Name = Field(description="where it is stated")
    metric: Annotated[str, Field(pattern=r"^([^.\x00-\x1f]+\.)?[a-z][a-z0-9_]{0,62}$", max_length=128)] = (
        Field(description="a metric, as thd_n, or that of one check, as tone.thd_n")
    )
    value: Annotated[float, Field(allow_inf_nan=False)] = Field(description="a number")
    unit: Annotated[str, Field(max_length=16)] = Field(description="its unit, as this metric has it")
    under: dict[Annotated[str, Field(max_length=64)], Condition] = Field(
        default_factory=dict, max_length=32, description="how it was measured"
    )

    def is_of(self, check: str, metric: str) -> bool:
        """Return whether it states a metric of a check."""
        named, _, name = self.metric.rpartition(".")
        return name == metric and named in ("", check)


class StatedFile(BaseModel):
    """A file of stated values."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = Field(description="the format of this file")
    values: Annotated[list[StatedValue], Field(max_length=MAX_VALUES)] = Field(
        description="the stated values"
    )


def load_stated(path: str | os.PathLike[str]) -> tuple[StatedValue, ...]:
    """Read a file of stated values.

    Raises
    ------
    FileError
        It cannot be read.
    FileFaults
        Every fault of it, each with its place.
    """
    source = read_source(path)
    faults = FaultList([source])
    found = checked_model(StatedFile, source.data, (), faults)
    faults.raise_any()
    assert found is not None
    return tuple(found.values)


def differing(under: dict[str, Any], here: dict[str, Any]) -> tuple[list[str], list[str]]:
    """Return which stated conditions are others than here, and which are not known here; in words."""
    other, unknown = [], []
    for name, value in under.items():
        if name not in here:
            unknown.append(f"{name} {condition_text(value)}")
        elif not same(value, here[name]):
            other.append(f"{name} {condition_text(value)}, here {condition_text(here[name])}")
    return other, unknown


def same(one: Any, other: Any) -> bool:  # noqa: ANN401 - plain data
    """Return whether two conditions are one; numbers may differ in their last digits."""
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, int | float) and isinstance(other, int | float):
        return abs(one - other) <= 1e-9 * max(abs(one), abs(other))
    return bool(one == other)


def condition_text(value: Any) -> str:  # noqa: ANN401 - plain data
    """Return a condition as people read it."""
    if isinstance(value, list | tuple):
        return " to ".join(f"{part:g}" if isinstance(part, int | float) else str(part) for part in value)
    return f"{value:g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
