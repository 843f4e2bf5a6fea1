"""What the tables of a station config have in common: they are closed, and some name a command."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import PurePath
from typing import Annotated, ClassVar, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator

from linecheck.station.command import Ended, check_command, run_station_command, split_command

Values = TypeVar("Values", bound=tuple[int | str, ...])

Hours = Annotated[float, Field(gt=0.0, le=10_000.0)]
Text = Annotated[str, Field(min_length=1, max_length=200)]


def each_once(values: Values) -> Values:
    """Return a list in which nothing stands twice.

    Raises
    ------
    ValueError
        Something does.
    """
    if len(set(values)) != len(values):
        raise ValueError(f"each may be given only once, got {list(values)}")
    return values


Once = AfterValidator(each_once)


def matching(pattern: str, otherwise: str) -> AfterValidator:
    """Return what refuses a text that a pattern does not match as a whole; ``otherwise`` says what it is not."""

    def check(text: str) -> str:
        if re.fullmatch(pattern, text) is None:
            raise ValueError(f"{text[:40]!r} {otherwise}")
        return text

    return AfterValidator(check)


class Table(BaseModel):
    """A table: an unknown key, another type and a number that is none are refused."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class CommandTable(Table):
    """A program with its arguments, split as a shell splits them and run without one, and how long it may take.

    ``marks`` are what may stand in braces in it.

    Attributes
    ----------
    command : str
        The program and its arguments.
    timeout_seconds : float
        How long it may take; what takes longer is stopped, and counts as failed.
    """

    marks: ClassVar[tuple[str, ...]] = ()

    command: Annotated[str, Field(min_length=1, max_length=2000)]
    timeout_seconds: Annotated[float, Field(gt=0.0, le=3600.0)] = 30.0

    def ended(self, fills: Mapping[str, str], given: bytes | None = None) -> Ended:
        """Run it, its marks filled and with this on its standard input; return how it ended."""
        return run_station_command(self.command, fills, self.timeout_seconds, given)

    def run(self, **fills: str) -> tuple[str | None, str]:
        """Run it, its marks filled; return why that failed, None where it did not, and what it printed."""
        ended = self.ended(fills)
        return ended.why, ended.output

    @property
    def program(self) -> str:
        """The program's name, without its folder."""
        return PurePath(split_command(self.command)[0]).name

    @field_validator("command")
    @classmethod
    def _can_be_run(cls, command: str) -> str:
        return check_command(command, cls.marks)
