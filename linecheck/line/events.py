"""Events on a line, each a type of its own; each names the unit, and the run once there is one.

=========================  =====================================================================
before a run               :class:`UnitScanned`, :class:`RunCutOff` of one before,
                           :class:`UnitAdmitted` or :class:`UnitRefused`
while it goes on           the events of :mod:`linecheck.station.events`
afterwards, in this order  :class:`CapturesKept`, :class:`RunRecorded` or :class:`RunNotRecorded`,
                           :class:`FilesWritten`, what went wrong beside the verdict, then
                           :class:`VerdictKnown`, and last :class:`NextAct` where a cause says one,
                           and :class:`ChartSignalled`
many sets                  the events of :mod:`linecheck.captures.many_sets`, :class:`SetsSummed`,
                           :class:`SetsEnded`; :class:`SetCompared` of a set beside a baseline
of the line itself         :class:`Standby`, :class:`Reminders`, :class:`Asked`, :class:`Ordered`,
                           :class:`StationStopped`,
                           :class:`StationResumed`, :class:`UnitRemoved`, :class:`SelfCheckPlays`,
                           :class:`SelfCheckEnded`, :class:`GateStated`, :class:`StudyWaits`, :class:`ScanIgnored`,
                           :class:`SyncMessage`, :class:`HandedOver`, :class:`HandOverFailed`, :class:`Note`
=========================  =====================================================================

A listener is called from the thread that tests the unit. It hears a verdict only once the run is on the disk.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from linecheck.captures.many_sets import SetEvent
from linecheck.limits.verdict import Verdict
from linecheck.run.model import Run
from linecheck.station.events import OfRun, RunEvent

if TYPE_CHECKING:
    from linecheck.gates.gatekeeper import Standing
    from linecheck.gates.known_units import Stated
    from linecheck.history.baseline.regressed import Regressed
    from linecheck.results.overview import Brief


class LineEvent:
    """What every event is that the line itself tells."""


@dataclass(frozen=True)
class UnitScanned(LineEvent):
    """A label was scanned: from now on its unit is the one at the station."""

    serial: str


@dataclass(frozen=True)
class UnitAdmitted(LineEvent):
    """A unit may be tested: this is its ``attempt``-th run, ``tested_before`` of the earlier ones counted.

    ``reason`` is why it is tested again.
    """

    serial: str
    attempt: int
    tested_before: int
    reason: str | None = None


@dataclass(frozen=True)
class UnitRefused(LineEvent):
    """A unit is refused, why, and what to do; nothing was run. Without an act only an engineer can go on."""

    serial: str
    why: str
    act: str = ""


@dataclass(frozen=True)
class CapturesKept(OfRun, LineEvent):
    """Captures are kept in a folder, and why; ``why`` is empty where the station keeps them of itself."""

    folder: Path
    why: str = ""


@dataclass(frozen=True)
class CapturesNotKept(OfRun, LineEvent):
    """Captures could not be kept."""

    why: str


@dataclass(frozen=True)
class RunRecorded(OfRun, LineEvent):
    """The run is in the log, on disk: its unit's ``attempt``-th.

    ``behind_seconds`` is how far this computer's clock stands before the time of the record before.
    """

    attempt: int
    behind_seconds: float


@dataclass(frozen=True)
class RunNotRecorded(OfRun, LineEvent):
    """The run could not be logged: it is invalid, whatever it measured."""

    why: str


@dataclass(frozen=True)
class FilesWritten(OfRun, LineEvent):
    """Files of the run's result are written."""

    paths: tuple[Path, ...]


@dataclass(frozen=True)
class FilesNotWritten(LineEvent):
    """Result files could not be written; for many sets together no run is named."""

    run_id: str | None
    serial: str | None
    why: str


@dataclass(frozen=True)
class VerdictKnown(OfRun, LineEvent):
    """The verdict of a run, which is recorded by now if there is a log.

    Attributes
    ----------
    run : Run
    verdict : Verdict
        Not the run's own where it could not be recorded: then invalid.
    attempt : int or None
        Which run of the unit it is; None without a log.
    """

    run: Run
    verdict: Verdict
    attempt: int | None


@dataclass(frozen=True)
class NextAct(OfRun, LineEvent):
    """What the operator does next with a unit that does not pass, by what may have caused that."""

    act: str


@dataclass(frozen=True)
class RunCutOff(OfRun, LineEvent):
    """An earlier run that was cut off is now recorded as aborted, its unit's ``attempt``-th."""

    run: Run
    attempt: int


@dataclass(frozen=True)
class SetsEnded(LineEvent):
    """Judging of sets has ended, for whatever reason."""


@dataclass(frozen=True)
class SetsSummed(LineEvent):
    """The results of sets, each in brief, and of all together."""

    briefs: tuple[Brief, ...]
    verdict: Verdict


@dataclass(frozen=True)
class SetCompared(LineEvent):
    """The only set that was compared with a baseline."""

    compared: Regressed


@dataclass(frozen=True)
class GateStated(LineEvent):
    """What a golden or challenge unit showed about the station, already in the log, and the station's standing.

    ``must_fail`` names what a challenge unit must fail in.
    """

    serial: str
    stated: Stated
    standing: Standing
    must_fail: tuple[str, ...] = ()


@dataclass(frozen=True)
class StudyWaits(LineEvent):
    """A gauge study waits for a unit: which one, in one sentence, and what to do; or it is complete."""

    says: str
    act: str
    is_complete: bool = False


@dataclass(frozen=True)
class Standby(LineEvent):
    """Nothing is under test: this is where the station stands, and who is there.

    Attributes
    ----------
    standing : Standing
    refuses : bool
        Whether no unit is tested while the station may not judge.
    cures : tuple of str
        What lets it judge again, a sentence each.
    operator, shift : str
        Empty where nobody said.
    due : str
        What is due next, and when.
    """

    standing: Standing
    refuses: bool
    cures: tuple[str, ...]
    operator: str = ""
    shift: str = ""
    due: str = ""


@dataclass(frozen=True)
class Reminders(LineEvent):
    """What holds until somebody does something about it, whatever else is shown: a retest reason that waits, a badge.

    ``first`` is what must be done before a unit is scanned; empty where nothing is. ``wrong_keyboard`` says that the
    scanner's keyboard was found wrong.
    """

    texts: tuple[str, ...]
    first: str = ""
    wrong_keyboard: bool = False


@dataclass(frozen=True)
class Asked(LineEvent):
    """Somebody at the station is asked for something; ``answer`` says how to answer."""

    request: str
    answer: str


@dataclass(frozen=True)
class Ordered(LineEvent):
    """A control code was scanned, and what came of it; ``wants_details`` asks for the engineer's page."""

    says: str
    wants_details: bool = False


@dataclass(frozen=True)
class StationStopped(LineEvent):
    """No unit is tested until somebody says that the station is put right; ``by_run``: the last run made it so."""

    why: str
    act: str
    by_run: bool = False


@dataclass(frozen=True)
class UnitRemoved(LineEvent):
    """The unit was taken out of the nest, or the one that is named: what stood there of it, stands there no longer."""

    serial: str | None = None


@dataclass(frozen=True)
class StationResumed(LineEvent):
    """Somebody has said that the station is put right."""


@dataclass(frozen=True)
class ChartSignalled(LineEvent):
    """A control chart of the station signals, which is in the log by now as a record; it says nothing of any unit.

    ``chart`` and ``says`` are words, ``record`` is the statement's number, and ``locks`` whether no unit is tested
    before somebody answers it.
    """

    chart: str
    says: str
    record: int
    locks: bool


@dataclass(frozen=True)
class SelfCheckPlays(LineEvent):
    """The self-check plays its ``number``-th sound of ``count``, which take ``seconds`` together."""

    name: str
    number: int
    count: int
    seconds: float


@dataclass(frozen=True)
class SelfCheckEnded(LineEvent):
    """The self-check is in the log: whether it was met, why not, what to do; None where it could not be made."""

    met: bool | None
    says: str
    act: str


@dataclass(frozen=True)
class ScanIgnored(LineEvent):
    """A scan is ignored: the scanner read a label twice, or it came during a test."""

    text: str
    why: Literal["twice", "during a test"]


@dataclass(frozen=True)
class SyncMessage(LineEvent):
    """One line about sending the log."""

    text: str


@dataclass(frozen=True)
class HandedOver(OfRun, LineEvent):
    """A run's result was handed over: program ``to`` took it at the ``tries``-th time, and answered."""

    to: str
    answer: str
    tries: int


@dataclass(frozen=True)
class HandOverFailed(OfRun, LineEvent):
    """A run's result was not handed over, and why; it is tried again, which is not told again."""

    why: str


@dataclass(frozen=True)
class Note(LineEvent):
    """One line for the people at the station; ``serial`` if it is about one unit."""

    text: str
    serial: str | None = None


Event = RunEvent | SetEvent | LineEvent

Listener = Callable[[Event], None]
