"""Whether a gate is met: from the log, the time, and the station as it is now.

==========================  =============================================================
:func:`gate_state`          the state of one gate
:class:`GateRequirement`              what the station config asks of it
:class:`Result`             what the log says of it
:class:`GateState`          what comes of both
==========================  =============================================================

The newest result counts, by its number in the log and not by its time. It holds while it is young enough and while
station config (with its assets), limit file and software are those of the day; any change of them makes the gate due. A
self-check plays no limit file and does not rest on one.

How old a result is cannot be read off one clock: a wall clock can be set back. Its age is the longest that anything
says: the clock now, the times of the records that came after it, and what this program has seen pass since. A result
that lies in the future is of unknown age, and the gate is due.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

#: A result may lie so far in the future and count as of now: clocks are set by less all the time.
AHEAD_SECONDS: Final = 60.0

#: What a result rests on, by the name in its circumstances, and what is said where it has changed.
_CHANGED: Final = {
    "station_config": "the station config has changed",
    "limits": "the limit file has changed",
    "software": "the linecheck version has changed",
}


class State(StrEnum):
    """Only ``met`` lets a unit in where a gate is needed.

    ``due``: it was met, and something has changed since, or nobody knows how long ago that was. ``overdue``: it was met
    too long ago. ``never``: it has no result yet. ``not met``: the newest result says so.
    """

    MET = "met"
    DUE = "due"
    OVERDUE = "overdue"
    NEVER = "never"
    NOT_MET = "not met"


@dataclass(frozen=True)
class Result:
    """A recorded result of a gate.

    Attributes
    ----------
    sequence : int
        The number of its statement in the log.
    met : bool
    recorded : datetime or None
        With a zone; None where the log says nothing that can be read.
    about : str
        Whose result it is, where several can meet a gate: a serial number.
    reasons : tuple of str
        Why it was not met, in plain words.
    circumstances : mapping
        What it rests on: hashes and versions by name.
    later : datetime or None
        The latest time of any record after it.
    least_age_seconds : float
        It is known to be so old, whatever any wall clock says.
    """

    sequence: int
    met: bool
    recorded: datetime | None
    about: str = ""
    reasons: tuple[str, ...] = ()
    circumstances: Mapping[str, str] = field(default_factory=dict)
    later: datetime | None = None
    least_age_seconds: float = 0.0


@dataclass(frozen=True)
class GateRequirement:
    """What a station config asks of a gate.

    Attributes
    ----------
    gate : str
        Its name: ``golden``, ``challenge.hum``, ``self_check``.
    every_hours : float
    about : tuple of str
        Whose results count, any one of which meets it; empty where there is but one.
    action : str
        What meets it: a command.
    circumstances : mapping
        What it rests on now; a result without one of these names does not rest on it.
    never : str
        Why it cannot have a result; empty where it can.
    is_needed : bool
        Whether no unit is judged before it is met. A gate that is not needed keeps units out all the same where its
        newest result says that it is not met.
    """

    gate: str
    every_hours: float
    action: str
    about: tuple[str, ...] = ()
    circumstances: Mapping[str, str] = field(default_factory=dict)
    never: str = ""
    is_needed: bool = True


@dataclass(frozen=True)
class GateState:
    """The state of a gate.

    Attributes
    ----------
    gate : str
    state : State
    why : str
        In plain words; empty where it is met.
    action : str
        What meets it.
    record : int or None
        The number of the statement that says so.
    since : datetime or None
        When that was recorded.
    until : datetime or None
        How long it holds, or held, unless something changes.
    about : str
        The unit that it was met with, or was not.
    is_needed : bool
        As the config has it.
    """

    gate: str
    state: State
    why: str
    action: str
    record: int | None = None
    since: datetime | None = None
    until: datetime | None = None
    about: str = ""
    is_needed: bool = True

    @property
    def is_met(self) -> bool:
        """Whether its newest result says so, and still holds."""
        return self.state is State.MET

    @property
    def lets_in(self) -> bool:
        """Whether units may be judged, as far as it is concerned."""
        return self.is_met or (not self.is_needed and self.state is not State.NOT_MET)

    @property
    def name(self) -> str:
        """The gate as people call it."""
        return self.gate.replace("_", "-")

    @property
    def words(self) -> str:
        """The state, why, and what to do, in a sentence."""
        about = f" {self.about}" if self.about else ""
        state = f"is {self.state.value}: {self.why}"
        if self.state is State.NEVER:
            state = f"was never met: {self.why}" if self.why else "was never met"
        return f"{self.name}{about} {state} ({self.action})"


def gate_state(asked: GateRequirement, results: Iterable[Result], now: datetime) -> GateState:
    """Return the state of a gate.

    Where several units can meet it, the newest result of each counts, and one that says ``not met`` stands until the
    same unit is met again: which of two units has moved is not for the station to guess.

    Parameters
    ----------
    asked : GateRequirement
    results : iterable of Result
        In any order; those of others than ``asked.about`` are left out.
    now : datetime
        By the wall clock, with a zone.
    """
    newest = _newest_of_each(asked, results)
    if not newest:
        why = asked.never
        return GateState(asked.gate, State.NEVER, why, asked.action, is_needed=asked.is_needed)
    states = [_state_of(asked, result, now) for result in newest]
    first = (State.NOT_MET, State.MET, State.DUE, State.OVERDUE)
    return min(states, key=lambda state: (first.index(state.state), -(state.record or 0)))


def refusal_text(states: Sequence[GateState]) -> str:
    """Return the gates that keep the station from judging units, a sentence each; empty if none does."""
    return "; ".join(state.words for state in states if not state.lets_in)


def _newest_of_each(asked: GateRequirement, results: Iterable[Result]) -> list[Result]:
    meant = [result for result in results if not asked.about or result.about in asked.about]
    meant.sort(key=lambda result: result.sequence)
    return list({result.about if asked.about else "": result for result in meant}.values())


def _state_of(asked: GateRequirement, result: Result, now: datetime) -> GateState:
    state, why = _judged(asked, result, now)
    until = None if result.recorded is None else _after(result.recorded, asked.every_hours)
    return GateState(
        asked.gate,
        state,
        why,
        asked.action,
        result.sequence,
        result.recorded,
        until,
        result.about,
        asked.is_needed,
    )


def _judged(asked: GateRequirement, result: Result, now: datetime) -> tuple[State, str]:
    if not result.met:
        return State.NOT_MET, "; ".join(result.reasons) or "the record gives no reason"
    changed = [
        words
        for name, words in _CHANGED.items()
        if name in result.circumstances
        and name in asked.circumstances
        and result.circumstances[name] != asked.circumstances[name]
    ]
    if changed:
        return State.DUE, f"{' and '.join(changed)} since record {result.sequence}"
    age = _age_seconds(result, now)
    if age is None:
        return State.DUE, (
            f"record {result.sequence} is dated in the future, or not at all: is the clock right? "
            "Its age is unknown"
        )
    if age > asked.every_hours * 3600.0:
        return State.OVERDUE, f"it was met {_hours(age)} ago and must be met every {asked.every_hours:g} h"
    return State.MET, ""


def _age_seconds(result: Result, now: datetime) -> float | None:
    """Return the least age of a result; None if it is unknown."""
    if result.recorded is None:
        return None
    passed = (now - result.recorded).total_seconds()
    if passed < -AHEAD_SECONDS:
        return None
    later = 0.0 if result.later is None else (result.later - result.recorded).total_seconds()
    return max(passed, later, result.least_age_seconds, 0.0)


def _after(start: datetime, hours: float) -> datetime | None:
    try:
        return start + timedelta(hours=hours)
    except OverflowError:
        return None


def _hours(seconds: float) -> str:
    hours = seconds / 3600.0
    return f"{hours:.1f} h" if hours < 100.0 else f"{hours / 24.0:.0f} days"
