"""The ``[archive]`` of a station config: which captures are kept, for how long, in how much room.

::

    [archive]
    folder = "results/archive"
    keep = ["fail", "marginal", "invalid"]    # verdicts; golden and challenge units and studies are kept always
    every_nth_pass = 50                       # the 50th pass of a model at this station, the 100th …; 0 keeps none
    most_gigabytes = 500                      # more than this goes: the oldest passes first
    reserve_gigabytes = 20                    # no run starts whose captures would leave less free on the disk
    baselines = ["baselines/pellow-r3.toml"]  # what these name is never removed to make room

    [archive.keep_days]                       # by class; what is not named here stays
    pass = 90
    fail = 1825

Without the table there is no archive. An archive belongs to one station: what is removed of it is stated in its log.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, get_args

from pydantic import Field

from linecheck.station.config.table import Once, Table, Text

#: What runs are told apart by when captures are removed.
KeptClass = Literal["pass", "marginal", "fail", "invalid", "aborted", "golden", "challenge", "study", "named"]

KEPT_CLASSES: Final[tuple[KeptClass, ...]] = get_args(KeptClass)

Days = Annotated[int, Field(ge=1, le=36_500)]
Gigabytes = Annotated[float, Field(gt=0.0, le=1e6)]


class ArchiveConfig(Table):
    """The archive of a station; a gigabyte is 10**9 bytes, as disks are sold.

    Attributes
    ----------
    folder : str
        Relative to the folder that the command is started in.
    keep : tuple of str
        The verdicts of which every run's captures are kept.
    every_nth_pass : int
        Of the passes of each model at this station, the n-th, the 2n-th … are kept; 1 keeps all, 0 none.
    keep_days : mapping
        By class, after how many days captures are removed. ``golden`` and ``challenge`` are runs that judge the
        station, ``study`` those of gauge studies; ``named`` is what a sign-off or a baseline names, whatever its
        verdict. The others are verdicts.
    most_gigabytes : float or None
        What the archive may come to; None sets no limit.
    reserve_gigabytes : float
        What stays free on its disk.
    baselines : tuple of str
        Baseline files, whose captures are not removed to make room.
    """

    folder: Text
    keep: Annotated[
        tuple[Literal["fail", "marginal", "invalid", "aborted"], ...], Field(strict=False, max_length=4), Once
    ] = ("fail", "marginal", "invalid")
    every_nth_pass: Annotated[int, Field(ge=0, le=1_000_000_000)] = 0
    keep_days: dict[KeptClass, Days] = {}  # noqa: RUF012 - copied
    most_gigabytes: Gigabytes | None = None
    reserve_gigabytes: Annotated[float, Field(ge=0.0, le=1e6)] = 2.0
    baselines: Annotated[tuple[Text, ...], Field(strict=False, max_length=1000), Once] = ()
