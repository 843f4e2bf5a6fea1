"""Which runs' captures are kept, and why: a rule that follows from the run and the count of passes before it alone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from linecheck.files.text import encodable
from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader
from linecheck.run.facts import Purpose
from linecheck.station.config.archive import ArchiveConfig

#: The index holds all that is asked for, so that a log of a million runs takes a second at most.
_PASSES: Final = (
    "SELECT count(*) FROM main.run INDEXED BY run_by_facts WHERE sequence > ? AND verdict = 'pass' "
    "AND coalesce(purpose, 'unit') = 'unit' AND station = ? AND model = ?"
)
_LATEST: Final = "SELECT max(sequence) FROM run"
#: The newest passes, of which one says its number as a rule.
_NUMBERED: Final = (
    "SELECT sequence, captures_why FROM run WHERE sequence IN "
    "(SELECT sequence FROM run WHERE verdict = 'pass' ORDER BY sequence DESC LIMIT 100) "
    "AND coalesce(purpose, 'unit') = 'unit' AND station = ? AND model = ? ORDER BY sequence DESC"
)
_NUMBER: Final = re.compile(r"(?:not )?kept: pass (?P<number>\d{1,15}) of this model at this station\b.*")


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
        Captures of golden and challenge units, and of gauge studies, are kept always.
    passes_so_far : int
        How many units of this model have passed at this station before.
    """
    if purpose != "unit":
        return Keep(
            True, f"every run of a {'gauge study' if purpose == 'study' else f'{purpose} unit'} is kept"
        )
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
        f"pass {number} of this model at this station; the next kept is {number + every - number % every} ({rule})",
    )


class PassCount:
    """Counts the passes of a model at a station in a log that grows; each record is looked at once.

    Where one of the newest records says its number, those before it are not counted again.

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
            if not self._upto:
                self._begin(connection)
            latest = connection.exec_driver_sql(_LATEST).scalar() or 0
            found = connection.exec_driver_sql(_PASSES, (self._upto, *self._who)).scalar()
        self._counted += found or 0
        self._upto = latest
        return self._counted

    def _begin(self, connection: Connection) -> None:
        """Go on from the newest record that says its number."""
        for sequence, why in connection.exec_driver_sql(_NUMBERED, self._who):
            said = _NUMBER.fullmatch(why or "")
            if said is not None:
                self._upto, self._counted = sequence, int(said["number"])
                return
