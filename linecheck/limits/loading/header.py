"""The top of a limit file: everything but its checks."""

from __future__ import annotations

import datetime
import re
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema, field_validator

from linecheck.files.yaml import shown
from linecheck.limits.retest import RetestPolicy
from linecheck.limits.serial_pattern import MAX_PATTERN_LENGTH, compile_serial_pattern
from linecheck.limits.study import StudyPolicy

FORMAT: Final = 1
SETUP_VALUE_LENGTH: Final = 200
HIGHEST_REVISION: Final = 1_000_000_000

#: Names of checks, channels and setup keys. They become file names, test case names and columns.
NAME: Final = r"[a-z][a-z0-9_]{0,62}"
_MODEL: Final = r"[A-Za-z0-9]([A-Za-z0-9._-]{0,62}[A-Za-z0-9])?"
#: File names that Windows keeps for devices, with any extension.
_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)


def _format_number(value: int) -> int:
    if value != FORMAT:
        raise ValueError(
            f"expected {FORMAT}, the only format that this version of linecheck reads; got {value}"
        )
    return value


def _channel_name(value: str) -> str:
    if re.fullmatch(NAME, value) is None:
        raise ValueError(
            f"a channel's name is lower-case letters, digits and '_', as in left, got {shown(value)}"
        )
    if value == "pair":
        raise ValueError(
            "'pair' stands for what is read of two channels together; give the channel another name"
        )
    return value


FormatNumber = Annotated[int, AfterValidator(_format_number), WithJsonSchema({"const": FORMAT})]
ChannelName = Annotated[
    str, AfterValidator(_channel_name), WithJsonSchema({"type": "string", "pattern": f"^{NAME}$"})
]
Text = Annotated[str, Field(min_length=1, max_length=SETUP_VALUE_LENGTH)]


def is_reserved(name: str) -> bool:
    """Return whether Windows keeps a file name for a device."""
    return _RESERVED.fullmatch(name) is not None


class Approval(BaseModel):
    """Who approved this revision, and when."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    by: Text = Field(description="who approved it")
    on: str = Field(description="the day, as 2026-11-02", json_schema_extra={"format": "date"})

    @field_validator("on")
    @classmethod
    def _is_day(cls, value: str) -> str:
        try:
            day = datetime.date.fromisoformat(value)
        except ValueError:
            day = None
        if day is None or day.isoformat() != value:
            raise ValueError(f"expected a day as 2026-11-02, got {shown(value)}")
        return value


class Header(BaseModel):
    """The keys at the top of a limit file; setup and checks are looked at on their own."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    format: FormatNumber = Field(description="version of the limit file's format, 1")
    model: str = Field(
        description="name of the product: letters, digits, '.', '_' and '-'",
        json_schema_extra={"pattern": f"^{_MODEL}$"},
    )
    revision: int = Field(ge=1, le=HIGHEST_REVISION, description="counts up with every change of the file")
    approved: Approval | None = Field(None, description="who approved this revision, and when")
    based_on: str = Field(
        "", description="path of the limit file that this one is laid over, relative to this file"
    )
    channels: Annotated[tuple[ChannelName, ...], Field(strict=False)] = Field(
        min_length=1,
        max_length=32,
        description="names of the channels, in the order of outputs and recordings",
    )
    serial_pattern: str = Field(
        max_length=MAX_PATTERN_LENGTH, description="regular expression that a whole serial number matches"
    )
    decision: Literal["simple", "guarded"] = Field(
        "simple",
        description="simple, or guarded: the pass mask shrinks by the expanded uncertainty (k = 2)",
    )
    retest: RetestPolicy | None = Field(
        None, description="how often a unit may be tested, and what a retest needs"
    )
    study: StudyPolicy | None = Field(
        None, description="what masks need of a gauge study: how much of a mask the station may take"
    )
    setup: Any = Field(None, description="how the unit is set: input, output, filter and so on")
    regression: Any = Field(
        None,
        description="allowed difference of a masked metric from a baseline, by metric or by unit",
    )
    checks: Any = Field(description="every check by its name")

    @field_validator("model")
    @classmethod
    def _is_model(cls, value: str) -> str:
        if re.fullmatch(_MODEL, value) is None or is_reserved(value):
            raise ValueError(
                f"expected letters, digits, '.', '_' and '-', at most 64, as in pellow-r3, got {shown(value)}"
            )
        return value

    @field_validator("serial_pattern")
    @classmethod
    def _is_safe(cls, value: str) -> str:
        compile_serial_pattern(value)
        return value
