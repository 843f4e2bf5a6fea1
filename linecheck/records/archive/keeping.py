"""Which runs' captures are kept, and why: a rule that follows from the run and the count of passes before it alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from linecheck.limits.verdict import Verdict
from linecheck.records.log import LogReader
from linecheck.records.text import encodable
from linecheck.station.archive_config import ArchiveConfig
from linecheck.station.outcome import Purpose

__all__ = ["Keep", "PassCount", "keeping"]

_PASSES: Final = (
    "SELECT count(*) FROM run WHERE sequence > ? AND verdict = 'pass' "
    "AND coalesce(purpose, 'unit') = 'unit' AND station = ? AND model = ?"
)
_LATEST: Final = "SELECT max(sequence) FROM run"


@dataclass(frozen=True)
class Keep:
    """Whether captures are kept, and why they are, or are not."""

    kept: bool
    why: str


def keeping(policy: ArchiveConfig, verdict: Verdict, purpose: Purpose, passes_so_far: int) -> Keep:
    """Return whether the captures of a run are kept.

    Parameters
    ----------
    policy : ArchiveConfig
    verdict : Verdict
    purpose : str
        Captures of golden and challenge units are kept always.
    passes_so_far : int
        How many units of this model have passed at this station before.
    """
    if purpose != "unit":
        return Keep(True, f"every run of a {purpose} unit is kept")
    if verdict is not Verdict.PASS:
        kept = verdict.value in policy.keep
        rule = "(archive.keep)"
        return Keep(kept, f"every {verdict} is kept {rule}" if kept else f"{verdict} is not kept {rule}")
    number, every = passes_so_far + 1, policy.every_nth_pass
    if not every:
        return Keep(False, "no pass is kept (archive.every_nth_pass = 0)")
    if every == 1:
        return Keep(True, "every pass is kept (archive.every_nth_pass = 1)")
    rule = f"archive.every_nth_pass = {every}"
    if number % every == 0:
        return Keep(True, f"pass {number} of this model at this station ({rule})")
    return Keep(
        False,
        f"pass {number} of this model at this station; the next kept is {_next(number, every)} ({rule})",
    )


def _next(number: int, every: int) -> int:
    return (number // every + 1) * every


class PassCount:
    """Counts the passes of a model at a station in a log that grows; each record is looked at once.

    Parameters
    ----------
    station, model : str
    """

    def __init__(self, station: str, model: str) -> None:
        self._who = (encodable(station), encodable(model))
        self._counted = 0
        self._upto = 0

    def so_far(self, log: LogReader) -> int:
        """Return how many there are.

        Raises
        ------
        RecordError
            The log cannot be read.
        """
        with log.reading() as connection:
            latest = connection.exec_driver_sql(_LATEST).scalar() or 0
            found = connection.exec_driver_sql(_PASSES, (self._upto, *self._who)).scalar()
        self._counted += found or 0
        self._upto = latest
        return self._counted
