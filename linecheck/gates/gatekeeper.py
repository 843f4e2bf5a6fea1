"""Before a unit is tested: whether the station may judge it.

==========================  ====================================================================
:class:`Gatekeeper`         asks the log, in a few indexed queries however long it is
:class:`Admission`          its answer for one unit
:class:`Standing`           the state of every gate, and of the lock
==========================  ====================================================================
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import Connection

from linecheck import __version__
from linecheck.checks.base import Problem
from linecheck.files.times import utc_text
from linecheck.gates import log_queries
from linecheck.gates.chart_signals import ChartSignal, open_signals
from linecheck.gates.gates import GateRequirement, GateState, Result, State, gate_state, refusal_text
from linecheck.gates.lock import LockState, lock_state
from linecheck.gates.path import PathStanding, path_standing
from linecheck.gates.statements import GATE, SELF_CHECK, about, circumstances, read_result, recorded_texts
from linecheck.limits.model import LimitFile
from linecheck.limits.serial_pattern import serial_matches
from linecheck.log import LogReader
from linecheck.log.stored import Statement
from linecheck.measure.path_part import PathParts
from linecheck.measure.silence import LoopCheck
from linecheck.station.config.station import Station

#: Code of the problem of a run that took place while the station was not to judge units.
CODE: Final = "station_gate"
SOFTWARE: Final = f"linecheck {__version__}"

_GOLDEN: Final = "run `linecheck station golden`"
_CHALLENGE: Final = "run `linecheck station challenge`"
_CHECK: Final = "run `linecheck station check`"


@dataclass(frozen=True)
class Standing:
    """The state of each gate that the config asks for, in order, of the locks, and of the path."""

    gates: tuple[GateState, ...] = ()
    lock: LockState = field(default_factory=LockState)
    path: PathStanding = field(default_factory=PathStanding)
    #: Signals of control charts that lock the station until somebody answers them.
    signals: tuple[ChartSignal, ...] = ()
    #: What unlocks the station: commands.
    unlocked_by: tuple[str, ...] = ()
    has_loop: bool = False
    #: What the interface said of itself at the newest self-check.
    loop_interface: Mapping[str, str] = field(default_factory=dict)

    @property
    def may_judge(self) -> bool:
        """Whether units may be judged."""
        sound = not self.lock.locked and not self.signals and self.path.refusal is None
        return sound and all(state.lets_in for state in self.gates)

    @property
    def loop(self) -> LoopCheck:
        """What the log says about the station's own path: proven, if nothing has changed since its check."""
        state = next((state for state in self.gates if state.gate == SELF_CHECK), None)
        if state is None or not self.has_loop:
            return LoopCheck(False, "not checked: the station config has no [loop]")
        if state.state in (State.MET, State.OVERDUE):
            text = f"checked {state.since:%Y-%m-%d %H:%M} UTC in record {state.record}"
            return LoopCheck(True, text, self.loop_interface)
        return LoopCheck(False, f"not checked: {state.why or 'there is no check of it on record'}")

    @property
    def why(self) -> str:
        """Why the station may not judge units, in plain words; empty if it may."""
        return "; ".join(
            told
            for told in (self.locked_why, self.signals_why, refusal_text(self.gates), self.path.refusal)
            if told
        )

    @property
    def locked_why(self) -> str:
        """Why the station is locked, and what unlocks it; empty where it is not."""
        if not self.lock.locked:
            return ""
        return f"the station is locked: {self.lock.why}; then {' or '.join(self.unlocked_by)} unlocks it"

    @property
    def signals_why(self) -> str:
        """Which control charts lock the station, and what unlocks it; empty where none does."""
        told = [f"{each.words} (record {each.sequence})" for each in self.signals]
        return (
            f"the station is locked by {'; '.join(told)}: find out what has moved, then `linecheck statistics "
            "chart-answer` with name and reason unlocks it"
            if told
            else ""
        )

    def record(self) -> dict[str, Any]:
        """Return it as a run's record has it, as plain data."""
        told: dict[str, Any] = {
            state.gate: _plain(
                state=state.state.value,
                record=state.record,
                since=_text(state.since),
                until=_text(state.until),
                unit=state.about or None,
                why=state.why or None,
            )
            for state in self.gates
            if state.is_needed or state.record is not None
        }
        if self.lock.locked:
            told["lock"] = _plain(state="locked", since=self.lock.since, why=self.lock.why)
        elif told:
            told["lock"] = {"state": "open"}
        if self.signals:
            told["charts"] = _plain(
                state="locked", since=min(each.sequence for each in self.signals), why=self.signals_why
            )
        return told


@dataclass(frozen=True)
class Admission:
    """Whether a unit may be tested.

    Attributes
    ----------
    refusal : str or None
        Why not, in plain words; None where it may.
    problems : tuple of Problem
        What its run must say of the station.
    gates : mapping
        What its record says of the gates.
    loop : LoopCheck
        What is known of the station's own path.
    path : mapping of str to PathParts
        By check: what of the station's path widens its decisions.
    """

    refusal: str | None
    problems: tuple[Problem, ...]
    gates: Mapping[str, Any]
    loop: LoopCheck
    path: Mapping[str, PathParts] = field(default_factory=dict)


class Gatekeeper:
    """Decides whether a station may judge units of a model.

    Parameters
    ----------
    log : LogReader or None
        None where there is none yet.
    station : Station
    limits : LimitFile or None
        None where no model is meant: then whatever rests on a limit file counts by the rest.
    clock : callable
        Seconds that only go forward: what has passed while this program ran counts whatever the wall clock says.
    """

    def __init__(
        self,
        log: LogReader | None,
        station: Station,
        limits: LimitFile | None,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._log = log
        self._station = station
        self._limits = limits
        self._clock = clock
        #: Of each result that was seen: how old it was then at least, and when that was.
        self._seen: dict[int, tuple[float, float]] = {}
        self._asked = tuple(self._gates())
        #: What came of the self-check that has this number.
        self._path: tuple[int, PathStanding] | None = None

    def standing(self, now: datetime | None = None) -> Standing:
        """Return the state of every gate and of the lock."""
        when = now if now is not None else datetime.now(UTC)
        config = self._station.config
        if self._log is None:
            states = [gate_state(asked, (), when) for asked in self._asked]
            return Standing(tuple(states), path=self._path_standing(None), has_loop=config.loop is not None)
        with self._log.reading() as connection:
            states = [
                gate_state(asked, list(self._results(connection, asked, when)), when) for asked in self._asked
            ]
            cleared = _cleared(states)
            count = config.gate.lock_after if any(self._unlocking()) else 0
            lock = _lock(connection, config.station, count, cleared) if count else LockState()
            if lock.locked and lock.since is not None and _sound(connection, config.station) > lock.since:
                lock = LockState()
            newest = log_queries.newest_statement(connection, SELF_CHECK, config.station)
            path = self._path_standing(newest)
            signals = self._locking(connection)
        interface = {} if newest is None else recorded_texts(newest.content.get("interface"))
        unlocking = tuple(self._unlocking())
        return Standing(tuple(states), lock, path, signals, unlocking, config.loop is not None, interface)

    def admission(self, serial: str, now: datetime | None = None, *, of_study: bool = False) -> Admission:
        """Return whether a unit may be tested, and what its run must say of the station.

        A gauge study takes golden and known-bad units as well, and no fail in it asks for another check of the path.
        """
        standing = self.standing(now)
        gates, loop = standing.record(), standing.loop
        known = None if of_study else self._known(serial)
        if known is not None:
            return Admission(known, (), gates, loop)
        if standing.may_judge:
            # A fail that a changed path could cause counts only after another check of the path.
            config = self._station.config.loop
            rechecks = config is not None and config.recheck_fails and _checked(standing) is not None
            rechecks = rechecks and not of_study
            loop = replace(
                loop, rechecks=rechecks, is_settled=rechecks and self._is_settled(serial, standing)
            )
            return Admission(None, standing.path.problems, gates, loop, standing.path.parts)
        if self._station.config.gate.outside == "refuse":
            return Admission(f"{serial} is not tested: {standing.why}", (), gates, loop)
        problem = Problem(CODE, f"the station may not judge units: {standing.why}")
        return Admission(None, (problem,), gates, loop)

    def _locking(self, connection: Connection) -> tuple[ChartSignal, ...]:
        """Return the signals of control charts that lock the station, or this nest of it."""
        config = self._station.config
        if config.charts is None or not config.charts.lock:
            return ()
        found = open_signals(connection, config.station)
        return tuple(each for each in found if each.locks and each.nest in (None, config.nest))

    def _is_settled(self, serial: str, standing: Standing) -> bool:
        """Return whether the unit had such a fail, and the next self-check after it was met.

        A later self-check settles nothing: between the two the path may have been changed and put back.
        """
        if self._log is None:
            return False
        station = self._station.config.station
        with self._log.reading() as connection:
            doubted = log_queries.newest_doubt(connection, station, serial)
            if doubted is None:
                return False
            return log_queries.next_statement(connection, SELF_CHECK, station, doubted) == _checked(standing)

    def _path_standing(self, newest: Statement | None) -> PathStanding:
        """Return which masks of the limit file the path can decide, by the newest self-check."""
        if self._limits is None:
            return PathStanding()
        key = 0 if newest is None else newest.sequence
        if self._path is None or self._path[0] != key:
            self._path = key, path_standing(self._station.config, self._limits, newest)
        return self._path[1]

    def _known(self, serial: str) -> str | None:
        """Return why a serial number is not a unit's: it is a golden or a challenge unit's."""
        config = self._station.config
        if config.golden is not None and serial in config.golden.serials:
            return f"{serial} is a golden unit of this station and judges the station: {_GOLDEN}"
        for unit in config.challenge.units.values() if config.challenge is not None else ():
            if unit.serial == serial:
                return f"{serial} is a known-bad unit and judges the station: {_CHALLENGE}"
        return None

    def _unlocking(self) -> Iterator[str]:
        """Yield the commands that could unlock the station."""
        if self._station.config.loop is not None:
            yield _CHECK.removeprefix("run ")
        if self._station.config.golden is not None:
            yield _GOLDEN.removeprefix("run ")

    def _gates(self) -> Iterator[GateRequirement]:
        """Yield the gates that the config asks for."""
        config = self._station.config
        rests_on = circumstances(self._station, self._limits, SOFTWARE)
        if config.loop is not None:
            hours = config.loop.every_hours
            yield GateRequirement(
                SELF_CHECK, hours or math.inf, _CHECK, (), rests_on, is_needed=hours is not None
            )
        if config.golden is not None:
            serials = tuple(serial for serial in config.golden.serials if self._is_ours(serial))
            never = "" if serials else f"the station config's [golden] has no unit {self._of_model()}"
            yield GateRequirement("golden", config.golden.every_hours, _GOLDEN, serials, rests_on, never)
        if config.challenge is not None:
            every = config.challenge.every_hours
            ours = {name: unit for name, unit in config.challenge.units.items() if self._is_ours(unit.serial)}
            for name, unit in ours.items():
                yield GateRequirement(f"challenge.{name}", every, _CHALLENGE, (unit.serial,), rests_on)
            if not ours:
                never = f"the station config's [challenge] has no unit {self._of_model()}"
                yield GateRequirement("challenge", every, _CHALLENGE, (), rests_on, never)

    def _of_model(self) -> str:
        return "" if self._limits is None else f"whose serial number is one of {self._limits.model}"

    def _is_ours(self, serial: str) -> bool:
        return self._limits is None or serial_matches(self._limits.serial_pattern, serial)

    def _results(self, connection: Connection, asked: GateRequirement, now: datetime) -> Iterator[Result]:
        """Yield the newest result of each unit that counts for a gate."""
        station = self._station.config.station
        if asked.gate == SELF_CHECK:
            yield from self._read(
                connection, log_queries.newest_statement(connection, SELF_CHECK, station), now
            )
            return
        gate = asked.gate.partition(".")[0]
        if self._limits is None:
            for statement in log_queries.newest_of_each(connection, GATE, f"{station}/{gate}/"):
                yield from self._read(connection, statement, now)
            return
        for serial in asked.about:
            subject = about(station, gate, self._limits.model, serial)
            yield from self._read(connection, log_queries.newest_statement(connection, GATE, subject), now)

    def _read(self, connection: Connection, statement: Statement | None, now: datetime) -> Iterator[Result]:
        if statement is None:
            return
        result = read_result(statement)
        later = log_queries.latest_time(connection, statement.sequence)
        yield replace(result, later=later, least_age_seconds=self._least_age(result, now))

    def _least_age(self, result: Result, now: datetime) -> float:
        """Return the least age of a result, by the time that passed since this program first saw it."""
        moment = self._clock()
        if result.sequence not in self._seen:
            passed = 0.0
            if result.recorded is not None:
                passed = max(0.0, (now - result.recorded).total_seconds())
            self._seen[result.sequence] = (passed, moment)
        passed, first = self._seen[result.sequence]
        return passed + max(0.0, moment - first)


def _cleared(states: Iterable[GateState]) -> int:
    """Return the newest record that shows the station to be sound; 0 if there is none."""
    sound = [
        state.record or 0
        for state in states
        if state.gate in (SELF_CHECK, "golden") and state.state not in (State.NOT_MET, State.NEVER)
    ]
    return max(sound, default=0)


def _sound(connection: Connection, station: str) -> int:
    """Return the newest record in which a golden unit of any model was unmoved; 0 if there is none."""
    statements = log_queries.newest_of_each(connection, GATE, f"{station}/golden/")
    return max((each.sequence for each in statements if each.content.get("met") is True), default=0)


def _lock(connection: Connection, station: str, count: int, cleared: int) -> LockState:
    """Return whether the station is locked: as its newest run found it, or by the newest units of any model."""
    units = log_queries.newest_units(connection, station, cleared)
    if units:
        lock = log_queries.standing_lock(connection, units[0].sequence)
        if lock.since is not None and lock.since > cleared:
            return lock
    for model in dict.fromkeys(unit.model for unit in units):
        runs = (log_queries.unit_run(connection, unit) for unit in units if unit.model == model)
        state = lock_state(runs, count, cleared=cleared)
        if state.locked:
            return state
    return LockState()


def _checked(standing: Standing) -> int | None:
    """Return the record of the newest check of the station's loop; None where there is none."""
    return next((state.record for state in standing.gates if state.gate == SELF_CHECK), None)


def _plain(**facts: Any) -> dict[str, Any]:  # noqa: ANN401 - plain data
    return {name: value for name, value in facts.items() if value is not None}


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else utc_text(moment)
