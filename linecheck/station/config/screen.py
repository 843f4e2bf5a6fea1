"""The screen of a station that ``linecheck serve`` shows.

::

    [screen]
    operators = ["A. Berg", "M. Sand"]   # whose badges the sheet of control codes has
    shifts = ["early", "late", "night"]
    takt_seconds = 45                    # from one verdict to the next, as planned
    tone_device = "USB Speaker"          # a tone tells the verdict; not a device of the test path
    tone_level_dbfs = -30

    [screen.unit_present]                # asked every second while a verdict stands: exit status 1 ends it
    command = "nest-switch closed"
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from linecheck.station.config.table import CommandTable, Once, Table, Text, matching

Name = Annotated[
    str,
    matching(
        r"[A-Za-z0-9][A-Za-z0-9._ -]{0,31}",
        "is no name for a code: use letters, digits, blanks, '.', '_', '-', at most 32",
    ),
]
Names = Annotated[tuple[Name, ...], Field(strict=False, max_length=200), Once]


class UnitPresentConfig(CommandTable):
    """A command that says whether a unit is in the nest, by a switch of the fixture or the like.

    Exit status 1 says that it was removed, 0 that it is there; whatever else the command ends with says nothing.
    """

    timeout_seconds: Annotated[float, Field(gt=0.0, le=5.0)] = 1.0


class ScreenConfig(Table):
    """What the station's screen shows and plays.

    Attributes
    ----------
    operators, shifts : tuple of str
        Whose codes stand on the sheet.
    takt_seconds : float or None
        From one verdict to the next, as planned.
    tone_device : str or None
        Plays a tone with each verdict; None plays nothing.
    tone_level_dbfs : float
        Its peak level.
    unit_present : UnitPresentConfig or None
        Says when a unit is removed, which ends its verdict; None leaves it until the next scan.
    """

    operators: Names = ()
    shifts: Names = ()
    takt_seconds: Annotated[float, Field(gt=0.0, le=86_400.0)] | None = None
    tone_device: Text | None = None
    tone_level_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] = -30.0
    unit_present: UnitPresentConfig | None = None
