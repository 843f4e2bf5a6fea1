"""The factory's own programs: who is asked whether a unit may be tested, and who is given its result."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linecheck.run.facts import Purpose
from linecheck.station.config.table import CommandTable, Once


class BeforeConfig(CommandTable):
    """The command that says whether a unit may be tested, before anything is opened or run: with status 0 it may.

    ``{serial}`` stands for its serial number. The last line that it prints is the answer that people are shown, and
    that the run's record keeps. Golden and challenge units are not asked about.

    Attributes
    ----------
    no_answer : str
        What becomes of a unit of which nobody says anything, since the command cannot be started, takes too long or is
        killed: it is not tested (``refuse``), or its run notes that (``note``).
    """

    marks = ("serial",)

    no_answer: Literal["refuse", "note"] = "refuse"


class AfterConfig(CommandTable):
    """The command that is given each recorded run, one after the other, until it ends with status 0.

    ``{serial}`` stands for the unit's serial number; the run's result is on the command's standard input, as JSON.

    Attributes
    ----------
    retry_seconds : float
        How long it takes at most until what was not accepted is given again.
    purposes : tuple of str
        Whose runs: of units alone, or those of ``golden`` and ``challenge`` units or of a ``study`` as well.
    """

    marks = ("serial",)

    retry_seconds: Annotated[float, Field(ge=0.1, le=86_400.0)] = 60.0
    purposes: Annotated[tuple[Purpose, ...], Field(strict=False, min_length=1), Once] = ("unit",)
