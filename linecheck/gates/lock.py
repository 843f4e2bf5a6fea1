"""Units in a row that fail grossly and alike: a fault of the station until it shows otherwise.

==========================  =====================================================================
:func:`lock_state`          whether the station is locked, from the newest runs of a model
:func:`grossly`             whether a value lies so far beyond its limit that no part's spread explains it
:class:`UnitRun`            what counts of a run
==========================  =====================================================================

Alike means: what failed grossly in all of the units is at least half of what failed grossly in any of them. A cable
that has come off takes one channel's metrics with it in every unit, and a few others by chance.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from linecheck.files.text import listed
from linecheck.limits.verdict import Verdict

#: Beyond a limit in dB by more than this is gross: half the voltage, as one leg of a balanced line that is off.
GROSS_DB: Final = 6.0
#: Beyond a limit of another unit by more than this share of it is gross.
GROSS_SHARE: Final = 0.25
#: Common practice, no source: so much of what failed in any unit must have failed in all.
ALIKE: Final = 0.5
#: Problems that block, and say nothing of what was on the station's inputs: they were known before the run.
KNOWN_BEFORE: Final = frozenset(
    {
        "station_gate",
        "asset_overdue",
        "calibration_overdue",
        "not_recorded",
        "other_firmware",
        "setting_mismatch",
        "set_otherwise",  # its name in earlier records
    }
)
#: No more are named; the rest is counted.
_MAX_NAMED: Final = 4


@dataclass(frozen=True)
class UnitRun:
    """A run as the lock sees it: ``gross`` names what failed grossly, or gave no signal to judge, in order.

    ``gated`` runs took place while the station was not to judge units; they say nothing and are passed over.
    """

    sequence: int
    serial: str
    verdict: Verdict
    gross: tuple[str, ...] = ()
    gated: bool = False


@dataclass(frozen=True)
class LockState:
    """Whether the station is locked.

    ``since`` is the record of the run that did it, ``common`` what failed in all; ``told`` is what a later run's record
    says of it.
    """

    locked: bool = False
    since: int | None = None
    serials: tuple[str, ...] = ()
    common: tuple[str, ...] = ()
    told: str = ""

    @property
    def why(self) -> str:
        """In plain words, empty where it is not locked."""
        if not self.locked:
            return ""
        if self.told or not self.serials:
            return self.told or f"it has been locked since record {self.since}"
        named = listed(self.common, _MAX_NAMED)
        return (
            f"{_count(len(self.serials))} units in a row ({', '.join(self.serials)}) failed alike ({named}): this "
            "looks like the station, not the units. Check cables, adapters, input gain and supply"
        )


def grossly(beyond: float, limit: float, unit: str) -> bool:
    """Return whether a failed value is grossly beyond its limit.

    Parameters
    ----------
    beyond : float
        By how much it lies beyond the limit that it fails, in its unit.
    limit : float
    unit : str
    """
    if unit.startswith("dB"):
        return beyond > GROSS_DB
    return beyond > GROSS_SHARE * abs(limit)


def lock_state(runs: Iterable[UnitRun], count: int, *, cleared: int = 0) -> LockState:
    """Return whether the newest units of a model lock the station.

    Parameters
    ----------
    runs : iterable of UnitRun
        Of one model and station, the newest first; read no further than is needed.
    count : int
        So many units in a row lock it; 0 never does.
    cleared : int
        The record by which the station has shown that it is sound: runs before it count no more.

    Returns
    -------
    LockState
        A unit that is tested several times counts once. One pass, or a fail that is not gross, or one of another kind,
        says that the station can tell units apart.
    """
    serials: list[str] = []
    common: frozenset[str] = frozenset()
    in_any: frozenset[str] = frozenset()
    newest: UnitRun | None = None
    for run in runs if count else ():
        if run.sequence <= cleared:
            break
        if run.gated or run.verdict is Verdict.ABORTED:
            continue
        if run.verdict in (Verdict.PASS, Verdict.MARGINAL) or not run.gross:
            break
        if run.serial in serials:
            continue
        gross = frozenset(run.gross)
        both = common & gross if serials else gross
        in_any |= gross
        if len(both) < ALIKE * len(in_any) or not both:
            break
        common, newest = both, newest or run
        serials.append(run.serial)
        if len(serials) == count:
            named = tuple(name for name in newest.gross if name in common)
            return LockState(True, newest.sequence, tuple(reversed(serials)), named)
    return LockState()


def _count(count: int) -> str:
    words = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}
    return words.get(count, str(count))
