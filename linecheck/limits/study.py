"""What a limit file asks of gauge studies: how much of a mask the station may take, and how old a study may be.

::

    study:
      tolerance_percent: 10      # six standard deviations of the station, of what the mask leaves
      days: 365                  # a study is made anew after so many days, and after every change of the station
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class StudyPolicy(BaseModel):
    """What masks need of a gauge study."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    tolerance_percent: Annotated[float, Field(gt=0.0, le=100.0)] = Field(
        description="how much of what a mask leaves the station may take: six of its standard deviations, in percent"
    )
    days: Annotated[int, Field(ge=1, le=36_500)] = Field(
        365,
        description="after how many days a study is made anew; after a change of the station it is sooner",
    )
