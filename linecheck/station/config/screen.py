"""The screen of a station that ``linecheck serve`` shows.

::

    [screen]
    operators = ["A. Berg", "M. Sand"]   # whose badges the sheet of control codes has
    shifts = ["early", "late", "night"]
    takt_seconds = 45                    # from one verdict to the next, as planned
    tone_device = "USB Speaker"          # a tone tells the verdict; not a device of the test path
    tone_level_dbfs = -30
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from linecheck.station.config.table import Once, Table, Text, matching

Name = Annotated[
    str,
    matching(
        r"[A-Za-z0-9][A-Za-z0-9._ -]{0,31}",
        "is no name for a code: use letters, digits, blanks, '.', '_', '-', at most 32",
    ),
]
Names = Annotated[tuple[Name, ...], Field(strict=False, max_length=200), Once]


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
    """

    operators: Names = ()
    shifts: Names = ()
    takt_seconds: Annotated[float, Field(gt=0.0, le=86_400.0)] | None = None
    tone_device: Text | None = None
    tone_level_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] = -30.0
