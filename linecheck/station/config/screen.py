"""The screen of a station that ``linecheck serve`` shows.

::

    [screen]
    operators = ["A. Berg", "M. Sand"]   # whose badges the sheet of control codes has
    shifts = ["early", "late", "night"]
    takt_seconds = 45                    # from one verdict to the next, as planned
    tone_device = "USB Speaker"          # a tone tells the verdict; not a device of the test path
    tone_level_dbfs = -30
    scanner_ends = "enter"               # a scan counts only with Enter or Tab at its end

    [screen.unit_present]                # exit status 0 the unit is there, 1 the nest is empty
    command = "nest-switch closed"
"""

from __future__ import annotations

from typing import Annotated, Literal

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

    Exit status 1 says that the nest is empty, 0 that the unit is there; whatever else the command ends with is no
    answer, and no unit is tested then.
    """

    timeout_seconds: Annotated[float, Field(gt=0.0, le=5.0)] = 1.0


class ScreenConfig(Table):
    """What the station's screen shows and plays.

    Attributes
    ----------
    operators, shifts : tuple of str
        Whose codes stand on the sheet; where there are some, no unit is tested before one of them was scanned.
    takt_seconds : float or None
        From one verdict to the next, as planned.
    tone_device : str or None
        Plays a tone with each verdict; None plays nothing.
    tone_level_dbfs : float
        Its peak level.
    scanner_ends : str
        ``enter``: a scan counts only with Enter or Tab at its end. ``any``: also by a pause, where no serial number of
        the model could be cut off and be another one.
    unit_present : UnitPresentConfig or None
        Says whether a unit is in the nest; None asks nobody, and leaves a verdict until the next scan.
    """

    operators: Names = ()
    shifts: Names = ()
    takt_seconds: Annotated[float, Field(gt=0.0, le=86_400.0)] | None = None
    tone_device: Text | None = None
    tone_level_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] = -30.0
    scanner_ends: Literal["any", "enter"] = "any"
    unit_present: UnitPresentConfig | None = None
