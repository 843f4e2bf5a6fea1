"""What a station shows of the unit in a nest: one state at a time, made of the line's events alone.

======================  =====================================================================
:class:`State`          the states; no two have word, shape, colour or place in common
:class:`NestState`      the state, whose it is, why, and what to do next
:func:`after`           the state after an event
======================  =====================================================================

The command line and the screen show the same states, since both are made here. A state with a verdict in it names one
serial number and comes of :class:`~linecheck.line.events.VerdictKnown` alone, which is told once the run is on the
disk; the next scan, whatever it is, ends it.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from linecheck.checks.base import Problem
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.line.codes import Code, Order
from linecheck.line.events import (
    Asked,
    ChartSignalled,
    Event,
    GateStated,
    HandedOver,
    HandOverFailed,
    NextAct,
    Note,
    Ordered,
    Reminders,
    RunCutOff,
    ScanIgnored,
    SelfCheckEnded,
    SelfCheckPlays,
    Standby,
    StationResumed,
    StationStopped,
    StudyWaits,
    UnitAdmitted,
    UnitRefused,
    UnitRemoved,
    UnitScanned,
    VerdictKnown,
)
from linecheck.results.wording import findings
from linecheck.run.causes import causes_of
from linecheck.run.model import HOLD, NO_ATTEMPT_LEFT, NOT_RELEASED, Run
from linecheck.run.settle import all_problems
from linecheck.run.voiding import IN_DOUBT, UNIT_REMOVED
from linecheck.station.events import CheckStarted, MeasuringEnded, RunStarted

MAX_SERIAL_SHOWN: Final = 64
MAX_SENTENCE: Final = 400
_CUT: Final = "… (the log has all of it)"
#: What stands in place of a serial number while the station checks itself.
SELF_CHECK: Final = "self-check"
#: What a check costs beside its audio, where no run of the plan says so yet: opening, silence, the last analysis.
SECONDS_BESIDE_A_CHECK: Final = 0.3
#: What is written for who has a keyboard and the files: commands, options, keys. Who has a scanner is told an act.
_FOR_ENGINEERS: Final = re.compile(
    r" \((?:run `linecheck [^`]*`|--[a-z-]+|[a-z_]+\.[a-z_.]+|refuse_when_overdue)\)"
    r"|; then `linecheck [^`]*`(?: or `linecheck [^`]*`)* unlocks it"
    r"|: once unit and station are known to be good, test it again with --accept --by NAME --reason TEXT"
    r"| Fix the command under \[[a-z_.]+\]\."
    r"| Run `linecheck [^`]*`, then test this unit again(?:: with the path as it was, the fail counts)?"
    r"| Nothing was run\."
)
FETCH: Final = "Fetch an engineer and show him this."
#: What is done where nothing is under test, and after a unit that passes.
SCAN: Final = "Scan a serial number."
_PASSES: Final = "Passes. Next unit."
#: What a cause knows better, where it says one.
_PUT_RIGHT: Final = "Put that right, then test it again."
_CHECK: Final = Code(Order.CHECK).text
_NOT_HANDED: Final = "Results are not handed over: "


class State(StrEnum):
    """A state; its text is the word that people read."""

    READY = "ready"
    TESTING = "testing"
    PASS = "pass"
    FAIL = "fail"
    HOLD = "hold"
    TEST_AGAIN = "test again"
    NOT_TESTED = "not tested"
    LOCKED = "station locked"
    STOPPED = "stopped"
    ASKED = "do this"
    MET = "met"
    NOT_MET = "not met"


#: What may stand beside a serial number only once its run is on the disk.
VERDICTS: Final = frozenset({State.PASS, State.FAIL, State.HOLD, State.TEST_AGAIN, State.MET, State.NOT_MET})

#: States in which another unit's label is a mistake.
UNDER_TEST: Final = frozenset({State.TESTING, State.ASKED})

_STATE_OF_RUN: Final = {
    "pass": State.PASS,
    "marginal": State.PASS,
    "hold": State.HOLD,
    "fail": State.FAIL,
    "invalid": State.TEST_AGAIN,
    "aborted": State.STOPPED,
}


@dataclass(frozen=True)
class NestState:
    """What is shown of one nest.

    Attributes
    ----------
    nest : str
        The station, or its nest where that has a name.
    state : State
    serial : str
        Whose state it is; empty where no unit is at the station.
    run_id : str
        The run that the state is of.
    attempt : int or None
    says : str
        Why, in one sentence.
    act : str
        What to do next, in one sentence.
    note : str
        What is worth knowing beside it, as that another label was scanned meanwhile.
    doing : str
        What the station does during a test.
    number, total : int
        Which check plays, of how many.
    began : float or None
        When the test began, by the monotonic clock; None where none is under way.
    expected_seconds : float
        How long it will take in all.
    may_judge : bool
        Whether the station may judge units.
    locked_why : str
        Why it may not.
    cures : tuple of str
        What lets it judge again, a sentence each.
    operator, shift : str
        Who is at the station.
    due : str
        What of the station is due next, and when.
    about : str
        Which attempt it is, and why it is made.
    reminders : tuple of str
        What holds until somebody does something about it, a sentence each.
    first : str
        What must be done before a unit is scanned.
    wrong_keyboard : bool
        Whether the scanner's keyboard was found wrong.
    wants_details : bool
        Whether the engineer's page of the unit was asked for.
    """

    nest: str
    state: State = State.READY
    serial: str = ""
    run_id: str = ""
    attempt: int | None = None
    says: str = ""
    act: str = ""
    note: str = ""
    doing: str = ""
    number: int = 0
    total: int = 0
    began: float | None = None
    expected_seconds: float = 0.0
    may_judge: bool = True
    locked_why: str = ""
    cures: tuple[str, ...] = ()
    operator: str = ""
    shift: str = ""
    due: str = ""
    about: str = ""
    reminders: tuple[str, ...] = ()
    first: str = ""
    wrong_keyboard: bool = False
    wants_details: bool = False

    def fresh(self, state: State, **facts: Any) -> NestState:  # noqa: ANN401 - any of its fields
        """Return a state that has nothing of this one but where the station stands and who is there."""
        kept = (
            *("nest", "may_judge", "locked_why", "cures", "operator", "shift", "due"),
            *("reminders", "first", "wrong_keyboard"),
        )
        return replace(NestState(**{name: getattr(self, name) for name in kept}), state=state, **facts)

    @property
    def idle(self) -> NestState:
        """The state in which a scan is waited for, and no unit is at the station."""
        if self.may_judge:
            return self.fresh(State.READY, act=self.first or SCAN)
        return self.fresh(State.LOCKED, says=self.locked_why, act=self.cure)

    @property
    def cure(self) -> str:
        """What is done first so that the station judges again, and how much comes after it."""
        if not self.cures:
            return FETCH
        more = len(self.cures) - 1
        steps = "one more step" if more == 1 else f"{more} more steps"
        return f"{self.cures[0]} Then {steps}." if more else self.cures[0]

    @property
    def bands(self) -> tuple[str, ...]:
        """What stands beside every state: reminders, and that the next unit will not be tested."""
        shut = not self.may_judge and self.state not in (
            State.LOCKED,
            State.MET,
            State.NOT_MET,
            State.NOT_TESTED,
        )
        return (
            *((f"The station is locked, no further unit is tested. {self.cure}",) if shut else ()),
            *self.reminders,
        )


def after(
    now: NestState, event: Event, *, strict: bool = False, expected_seconds: float | None = None
) -> NestState:
    """Return the state after an event; the same where it says nothing of the unit in the nest.

    Parameters
    ----------
    now : NestState
    event : Event
    strict : bool
        Whether a marginal unit counts as a fail.
    expected_seconds : float, optional
        How long the last run of the same plan took.
    """
    match event:
        case UnitScanned():
            doing = "Nothing is played yet: the station looks it up"
            act = "Leave the unit connected."
            return now.fresh(State.TESTING, serial=_shown(event.serial), doing=doing, act=act)
        case UnitAdmitted():
            again = _about(event.attempt if event.tested_before else None, event.reason)
            return replace(now, attempt=event.attempt, about=again)
        case UnitRefused():
            act = event.act or (FETCH if now.may_judge else now.cure)
            says = _sentence(event.why)
            return now.fresh(State.NOT_TESTED, serial=_shown(event.serial), says=says, act=act, note=now.note)
        case Asked():
            asked = now if now.state in UNDER_TEST else now.fresh(State.ASKED)
            return replace(asked, state=State.ASKED, says=_sentence(event.request), act=event.answer)
        case RunStarted() | CheckStarted() | MeasuringEnded() | SelfCheckPlays():
            return _progressing(now, event, expected_seconds)
        case VerdictKnown():
            return _judged(now, event, strict)
        case NextAct() if event.run_id == now.run_id and (now.state is State.FAIL or now.act == _PUT_RIGHT):
            return replace(now, act=f"{event.act[:1].upper()}{event.act[1:].rstrip('.')}.")
        case GateStated():
            return _gate(now, event)
        case StudyWaits():
            state = State.STOPPED if event.is_complete else State.ASKED
            return now.fresh(state, says=_sentence(event.says), act=event.act)
        case _:
            return _beside(now, event)


def _beside(now: NestState, event: Event) -> NestState:
    """Return the state after an event of the station itself."""
    match event:
        case Standby():
            standing = event.standing
            known = replace(
                now,
                may_judge=standing.may_judge or not event.refuses,
                locked_why=_sentence(standing.why),
                cures=event.cures,
                operator=event.operator,
                shift=event.shift,
                due=event.due,
            )
            # What was refused by a gate that has lapsed since the last look says here what meets it.
            is_refused = now.state is State.NOT_TESTED and now.act == FETCH
            if (now.state in (State.MET, State.NOT_MET) or is_refused) and not known.may_judge:
                return replace(known, act=known.cure)
            if now.state in (State.READY, State.LOCKED):
                return replace(known.idle, note=now.note)
            if now.state is State.PASS:
                # The next unit is none of a station that is locked: what is done about that is said beside it.
                return replace(known, act=_PASSES if known.may_judge else "Passes. No further unit yet.")
            mended = now.state is State.NOT_MET and not now.may_judge
            return known.idle if mended or (now.state is State.TESTING and not now.run_id) else known
        case Reminders():
            told = replace(now, reminders=event.texts, first=event.first, wrong_keyboard=event.wrong_keyboard)
            return replace(told.idle, note=now.note) if now.state is State.READY else told
        case ScanIgnored(why="twice"):
            return replace(now, note=f"{_shown(event.text)} was read twice: it counts once.")
        case ScanIgnored(why="during a test") if now.state in UNDER_TEST:
            text = _shown(event.text)
            if text == now.serial:
                return replace(now, note=f"{text} was scanned again: it is the unit under test.")
            return replace(now, note=f"Not tested: {text}, scanned during this test. Scan it again.")
        case ScanIgnored(why="during a test"):
            before = (
                f" The unit before it, {now.serial}: {now.state.upper()}." if now.state in VERDICTS else ""
            )
            says = f"It was scanned during a test and is ignored.{before}"
            return now.fresh(State.NOT_TESTED, serial=_shown(event.text), says=says, act="Scan it again.")
        case StationStopped():
            return _stopped(now, event)
        case StationResumed():
            return now.idle
        case UnitRemoved() if (
            event.serial in (None, now.serial) and now.serial and now.state not in UNDER_TEST
        ):
            return now.idle
        case SelfCheckEnded():
            state = State.NOT_TESTED if event.met is None else State.MET if event.met else State.NOT_MET
            return now.fresh(state, serial=SELF_CHECK, says=_sentence(event.says), act=event.act or FETCH)
        case RunCutOff():
            says = (
                "Its test was cut off: it was stopped, the program was ended, or the power failed. It is recorded as "
                "aborted."
            )
            act = "Set it aside: a value had failed." if event.run.stopped_after_fail else "Test it again."
            return now.fresh(
                State.STOPPED,
                serial=_shown(event.serial),
                run_id=event.run_id,
                attempt=event.attempt,
                says=says,
                act=act,
            )
        case Ordered(wants_details=True) if not now.run_id:
            return replace(now, note="No unit is shown that has a page: scan its label first.")
        case Ordered():
            return replace(now, note=event.says, wants_details=event.wants_details)
        case ChartSignalled():
            return replace(now, note=_sentence(f"Control chart of {event.chart}: {event.says}."))
        case HandOverFailed():
            # Whose result it is stands in the log: beside a verdict there is one serial number.
            return replace(now, note=_sentence(f"{_NOT_HANDED}{event.why}"))
        case HandedOver() if now.note.startswith(_NOT_HANDED):
            return replace(now, note="")
        case Note() if event.serial in (None, now.serial):
            return replace(now, note=_sentence(event.text))
        case _:
            return now


def _progressing(now: NestState, event: Event, expected_seconds: float | None) -> NestState:
    match event:
        case RunStarted():
            total = len(event.plan.checks)
            beside = total * SECONDS_BESIDE_A_CHECK
            return replace(
                now.fresh(
                    State.TESTING, serial=_shown(event.serial), run_id=event.run_id, attempt=now.attempt
                ),
                note=now.note,
                about=now.about,
                total=total,
                began=time.monotonic(),
                expected_seconds=expected_seconds
                if expected_seconds is not None
                else event.plan.seconds + beside,
                doing="Opening the devices",
                act="Leave the unit connected.",
            )
        case CheckStarted(planned=planned):
            doing = f"Playing {planned.check.name.replace('_', ' ')}"
            return replace(
                now,
                state=State.TESTING,
                number=now.number + 1,
                doing=doing,
                says="",
                act="Leave the unit connected.",
            )
        case SelfCheckPlays():
            if now.began is None:
                seconds = event.seconds
                now = now.fresh(
                    State.TESTING, serial=SELF_CHECK, began=time.monotonic(), expected_seconds=seconds
                )
            doing = f"Playing {event.name.replace('_', ' ')}"
            return replace(now, state=State.TESTING, number=event.number, total=event.count, doing=doing)
        case _:
            return replace(now, doing="Judging and recording")


def _judged(now: NestState, event: VerdictKnown, strict: bool) -> NestState:
    run = event.run
    shows_itself = run.purpose == "unit" or (run.purpose == "study" and _blocking(run) is not None)
    if not shows_itself:  # what it shows of the station is stated next; a study asks for its next unit
        return now
    word = run.state if event.verdict is run.verdict else event.verdict.value
    state = _STATE_OF_RUN[word]
    if strict and word == Verdict.MARGINAL:
        state = State.FAIL
    return now.fresh(
        state,
        serial=_shown(run.serial),
        run_id=run.run_id,
        attempt=event.attempt,
        says=_sentence(_why(run, word, strict)),
        act=_next_act(run, word, strict),
        about=_about(event.attempt, run.reason),
        note=now.note,
    )


def _about(attempt: int | None, reason: str | None) -> str:
    """Return which attempt a run is where it is not the first, and why it is made."""
    parts = [f"attempt {attempt}"] if attempt is not None and attempt > 1 else []
    parts += [f"retest reason: {_shown(reason)}"] if reason else []
    return ", ".join(parts)


def _stopped(now: NestState, event: StationStopped) -> NestState:
    """Return the state of a stopped station; what became of the unit at it stays."""
    if event.by_run and now.state is State.TEST_AGAIN:
        return replace(now, act=event.act)
    if now.state is State.STOPPED and now.run_id:
        act = f"{event.act} Then {now.act[:1].lower()}{now.act[1:]}"
        return replace(now, says=f"{now.says} The station is stopped.".strip(), act=act)
    before = f" The unit before it, {now.serial}: {now.state.upper()}." if now.state in VERDICTS else ""
    return now.fresh(State.STOPPED, says=f"{_sentence(event.why)}{before}", act=event.act)


def _why(run: Run, word: str, strict: bool) -> str:
    """Return why a unit does not pass, in one sentence; empty where it does."""
    if word == Verdict.MARGINAL:
        counts = ", which counts as a fail here (--strict)" if strict else ""
        return f"Marginal: outside the pass limits and inside the fail limits{counts}."
    if word == Verdict.INVALID:
        problem = _blocking(run)
        why = "not all of it could be measured" if problem is None else problem.message
        return f"Not judged: {why}" if why.endswith(("?", ".")) else f"Not judged: {why}."
    if word == HOLD:
        why = next(problem.message for problem in run.problems if problem.code == NOT_RELEASED)
        return f"{why[:1].upper()}{why[1:]}."
    if word == Verdict.ABORTED:
        return "The test was stopped: the unit was not judged."
    if word != Verdict.FAIL:
        return ""
    causes = causes_of(run)
    if causes is not None:
        return causes.sentence
    wrong = findings(run.checks, run.missing, run.problems, once=True)
    return wrong[0] if wrong else ""


def _blocking(run: Run) -> Problem | None:
    """Return the first problem that keeps a run from being judged."""
    return next((problem for _, problem in all_problems(run) if problem.blocks), None)


def _next_act(run: Run, word: str, strict: bool) -> str:
    """Return what to do with a unit, by the word for what its run came to."""
    left = next((problem for problem in run.problems if problem.code == NO_ATTEMPT_LEFT), None)
    if left is not None and word in (HOLD, Verdict.INVALID, Verdict.ABORTED):
        return left.message
    if word == HOLD:
        return "Test it again."
    if word == Verdict.INVALID:
        problem = _blocking(run)
        # What could be the path's fault says itself what to do: there may be nothing to put right.
        if problem is not None and problem.code == IN_DOUBT:
            return f"Scan {_CHECK}, then test it again."
        if problem is not None and problem.code == UNIT_REMOVED:
            return "Leave the unit in the nest, and test it again."
        return _PUT_RIGHT
    if run.stopped_after_fail:
        return "Set it aside: a value had failed before the test was stopped, so it counts as a fail."
    if word == Verdict.FAIL or (strict and word == Verdict.MARGINAL):
        return "Set it aside."
    if word == Verdict.ABORTED:
        return "Test it again."
    return _PASSES


def _gate(now: NestState, event: GateStated) -> NestState:
    stated, standing = event.stated, event.standing
    state = State.MET if stated.met else State.NOT_MET
    act = "Units may be judged. Next unit." if standing.may_judge else FETCH
    says = "; ".join(stated.reasons)
    return now.fresh(state, serial=_shown(event.serial), run_id=now.run_id, says=_sentence(says), act=act)


def _shown(serial: str) -> str:
    """Return a scanned text as it is shown: on one line, nothing hidden in it, not too long."""
    text = visible(serial[:MAX_SERIAL_SHOWN])
    return (
        text
        if len(serial) <= MAX_SERIAL_SHOWN and len(text) <= MAX_SERIAL_SHOWN
        else f"{text[: MAX_SERIAL_SHOWN - 1]}…"
    )


def _sentence(text: str) -> str:
    """Return a text on one line, nothing hidden in it, not too long, and without what is an engineer's."""
    line = " ".join(visible(_FOR_ENGINEERS.sub("", text[: 4 * MAX_SENTENCE])).split())
    return line if len(line) <= MAX_SENTENCE else f"{line[: MAX_SENTENCE - len(_CUT)]}{_CUT}"
