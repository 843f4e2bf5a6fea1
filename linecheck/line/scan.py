"""Unit after unit, as labels are scanned: which scans count, what control codes do, and how a session ends."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final, Literal

from linecheck.errors import ExitStatus, LinecheckError, UsageError
from linecheck.files.text import visible
from linecheck.limits.serial_pattern import serial_matches
from linecheck.limits.verdict import Verdict
from linecheck.line.codes import KEYS, Code, Order, control_code, refuse_confusable
from linecheck.line.cures import cures, due_next
from linecheck.line.events import (
    Asked,
    Note,
    Ordered,
    Reminders,
    ScanIgnored,
    Standby,
    StationResumed,
    StationStopped,
    StudyWaits,
    UnitRefused,
    UnitRemoved,
    UnitScanned,
)
from linecheck.line.keyboards import misread
from linecheck.line.known_unit import challenge_name, is_golden, judge_by_challenge, judge_by_golden
from linecheck.line.nest_switch import FETCH, nest_of
from linecheck.line.self_check import check_at_line
from linecheck.line.session import Session
from linecheck.line.unit_trace import UnitFacts, reasons_that_count
from linecheck.run.plan import check_serial

#: A scanner that reads a label twice does so within this time.
DOUBLE_SCAN_SECONDS: Final = 2.0
#: A label that the station has just asked for once more counts after this time: so long a scanner may read it twice.
ASKED_AGAIN_SECONDS: Final = 0.5
#: A retest reason that was scanned for the next unit counts so long.
REASON_SECONDS: Final = 60.0

_RESUME: Final = f"Put it right, then scan {Code(Order.RESUME).text}."
_KEYS: Final = f"Set the scanner right, then scan {Code(Order.KEYS).text}… at the end of the sheet of codes."
_SCAN_LABEL: Final = "Scan the label that has the unit's serial number."
_NEW_SHEET: Final = "Scan it again. If that does not help, print the sheet of codes anew."
_NO_LABEL: Final = f"Scan {Code(Order.KEYS).text}… first: the scanner's keyboard was wrong."


@dataclass(frozen=True)
class _Waiting:
    """A retest reason that was scanned for the next unit, and when."""

    reason: str
    since: float


@dataclass(frozen=True)
class Scan:
    """A scanned line without surrounding blanks, when it came (monotonic clock, s), and as it came."""

    text: str
    arrived: float
    raw: str = ""


def scan_units(
    session: Session, facts: UnitFacts, next_scan: Callable[[], Scan | None], *, attended: bool = False
) -> ExitStatus:
    """Test unit after unit until there are no more scans.

    Parameters
    ----------
    session : Session
    facts : UnitFacts
        What is said of all units; the reason is that of repeats alone.
    next_scan : callable
        Waits for the next scan; None where there will be no more.
    attended : bool
        Whether somebody scans by hand: what is scanned during a test is a mistake then, and else waits for its turn.

    Raises
    ------
    UsageError
        A serial number of the model could be a control code.
    """
    refuse_confusable(session.plan.limits)
    desk = Desk(session, facts, attended=attended)
    desk.stand_by()
    while (scan := next_scan()) is not None:
        desk.take(scan)
        desk.stand_by()
    return desk.status


@dataclass
class Desk:
    """What scans mean at a station, one after the other, and what was said by those before."""

    session: Session
    facts: UnitFacts
    attended: bool = False
    _statuses: list[ExitStatus] = field(default_factory=list)
    _accepted: Scan | None = None
    _asked_again: str = ""
    _ended: float = -math.inf
    _stopped: str = ""
    _wanted: Literal["golden", "challenge"] | None = None
    _waiting: _Waiting | None = None
    #: How the scanner types, where that is wrong: then a label that looks right may be another.
    _keyboard: str = ""
    _switch: str = ""
    #: The unit whose retest reason was asked for in vain.
    _unanswered: str = ""
    _reminded: Reminders = field(default_factory=lambda: Reminders(()))
    _unread: bool = False
    _study_said: str = ""
    #: The run that was not ended and is told until something is scanned.
    _aborted: str = ""

    @property
    def status(self) -> ExitStatus:
        """How the session ends."""
        return _session_status(self._statuses)

    @property
    def waits(self) -> bool:
        """Whether something runs out soon."""
        return self._waiting is not None

    def tell_aborted(self) -> None:
        """Tell of the last run at this nest where it was not ended, until something is scanned here."""
        self._aborted = self.session.tell_aborted()

    def stand_by(self) -> None:
        """Tell where the station stands, now that nothing is under test."""
        gate, said = self.session.station.config.gate, self.facts.said
        self._expire(time.monotonic())
        self._remind()
        try:
            standing = self.session.gatekeeper.standing()
        except LinecheckError as error:
            # The log cannot be read at the moment, and no unit gets in before it can: the verdict that stands, stays.
            self._unread = True
            self.session.listener(Note(str(error)))
            return
        if self._unread:
            self._unread = False
            self.session.listener(Note(""))
        told = cures(standing, self.session.station.config)
        who = said.get("operator", ""), said.get("shift", "")
        due = due_next(standing, self.session.station.config)
        self.session.listener(Standby(standing, gate.outside == "refuse", told, *who, due))
        self._tell_next_of_study()

    def _tell_next_of_study(self) -> None:
        """Say once which unit the study waits for; a refusal that names it stays."""
        study = self.session.study
        if study is None or self._stopped:
            return
        says, act, is_complete = study.next_in_words(self.session.log)
        if says != self._study_said:
            self._study_said = says
            self.session.listener(StudyWaits(says, act, is_complete))

    def stop(self) -> None:
        """Test no unit until somebody says that the station is put right."""
        self._stopped = "the station was stopped."
        self.session.listener(StationStopped("The station was stopped: no unit is tested.", _RESUME))

    def look_at_nest(self, *, has_verdict: bool) -> None:
        """Ask the nest's switch, if there is one, whether the unit is still there: its verdict goes with it."""
        config = self.session.station.config.screen.unit_present
        if config is None:
            return
        nest = nest_of(config)
        self._switch = nest.why
        if nest.is_empty and has_verdict:
            self.session.listener(UnitRemoved())

    def _remind(self) -> None:
        """Tell what holds until somebody does something about it, where that has changed."""
        missing = self._unsaid()
        texts = [f"Retest reason of the next unit: {self._waiting.reason}."] if self._waiting else []
        texts += [_NO_LABEL] if self._keyboard else []
        texts += [f"{self._switch[:1].upper()}{self._switch[1:]}. {FETCH}"] if self._switch else []
        first = _NO_LABEL if self._keyboard else missing
        reminders = Reminders(tuple(texts), first, wrong_keyboard=bool(self._keyboard))
        if reminders != self._reminded:
            self._reminded = reminders
            self.session.listener(reminders)

    def _unsaid(self) -> str:
        """Return what must be scanned before a unit, of who is there, where the station config names those."""
        screen = self.session.station.config.screen
        if screen.shifts and "shift" not in self.facts.said:
            return "Scan the code of your shift."
        return "Scan your badge." if screen.operators and "operator" not in self.facts.said else ""

    def _expire(self, now: float) -> None:
        if self._waiting is not None and now - self._waiting.since > REASON_SECONDS:
            self._drop_reason(f"was scanned more than {REASON_SECONDS:.0f} s ago and counts no longer")

    def _drop_reason(self, why: str) -> None:
        waiting, self._waiting = self._waiting, None
        if waiting is not None:
            self.session.listener(Ordered(f"The retest reason {waiting.reason} {why}."))

    def take(self, scan: Scan) -> None:
        """Do what a scan says."""
        if not scan.text or self._is_ignored(scan):
            return
        if self._aborted:
            self.session.acknowledge(self._aborted, scan.text)
            self._aborted = ""
        self._expire(scan.arrived)
        try:
            code = control_code(scan.text)
        except UsageError as error:
            self._refuse(scan.text, str(error), _NEW_SHEET)
            return
        if code is None:
            self._take_unit(scan)
        else:
            self._accepted = scan
            self._obey(code)

    def _is_ignored(self, scan: Scan) -> bool:
        last = self._accepted
        within = ASKED_AGAIN_SECONDS if scan.text == self._asked_again else DOUBLE_SCAN_SECONDS
        if last is not None and last.text == scan.text and scan.arrived - last.arrived < within:
            self.session.listener(ScanIgnored(scan.text, "twice"))
            return True
        if self.attended and scan.arrived < self._ended and scan.text != Code(Order.STOP).text:
            self.session.listener(ScanIgnored(scan.text, "during a test"))
            return True
        return False

    def _refuse(self, text: str, why: str, act: str) -> None:
        self._scanned(text)
        self.session.listener(UnitRefused(text, why, act))

    def _scanned(self, text: str) -> None:
        """Tell that a label was scanned, and of the unit before it, whose question it did not answer."""
        self.session.listener(UnitScanned(text))
        if self._unanswered not in ("", text):
            why = f"Not tested: {self._unanswered}, no retest reason was scanned. Scan it again."
            self.session.listener(Note(why))
        self._unanswered = ""

    def _take_unit(self, scan: Scan) -> None:
        try:
            serial = check_serial(scan.text, self.session.plan.limits)
        except UsageError as error:
            told = self._as_typed(scan.text)
            self._refuse(scan.text, told or str(error), _KEYS if self._keyboard else _SCAN_LABEL)
            return
        wanted, self._wanted = self._wanted, None
        self._accepted, self._asked_again = scan, ""
        refusal = self._refusal(serial, wanted)
        if refusal is not None:
            self._asked_again = serial
            self._refuse(scan.text, f"{serial} is not tested: {refusal[0]}", refusal[1])
            return
        waiting, self._waiting = self._waiting, None
        self._remind()
        self._scanned(scan.text)
        facts = self.facts if waiting is None else self.facts.with_reason(waiting.reason)
        status = self._tested(serial, facts, scan)
        self._statuses.append(ExitStatus.INVALID if status is None else status)
        if status is not None:
            self._ended = time.monotonic()

    def _refusal(self, serial: str, wanted: Literal["golden", "challenge"] | None) -> tuple[str, str] | None:
        """Return why a unit is not tested by what was scanned before it, and what to do; None where it may be."""
        missing = self._unsaid()
        if self._stopped:
            return f"{self._stopped} {_RESUME}", _RESUME
        if self._keyboard:
            return f"{self._keyboard}, and a label that looks right may have been another.", _KEYS
        if missing:
            return "nobody has said who is there.", f"{missing} Then scan the label again."
        if wanted is not None and not self._is_known(serial, wanted):
            asked = f"{self._names_of(wanted)} was asked for."
            return asked, f"Scan {self._names_of(wanted)}, or {serial} once more to test that as a unit."
        return None

    def _as_typed(self, text: str) -> str | None:
        """Return how the scanner's keyboard differs from the computer's, where the text shows it.

        Another layout is kept in mind until the code of the keys reads right.
        """
        found = misread(text, self._is_label)
        if found is None:
            return None
        if found.is_layout:
            self._keyboard = found.why
        return f"'{visible(text[:80])}' may be {found.meant}: {found.why}, then scan it again."

    def _is_label(self, text: str) -> bool:
        try:
            is_code = control_code(text) is not None
        except UsageError:
            return False
        return is_code or serial_matches(self.session.plan.limits.serial_pattern, text)

    def _is_known(self, serial: str, wanted: Literal["golden", "challenge"]) -> bool:
        station = self.session.station
        return (
            is_golden(station, serial) if wanted == "golden" else challenge_name(station, serial) is not None
        )

    def _names_of(self, wanted: Literal["golden", "challenge"]) -> str:
        config = self.session.station.config
        if wanted == "golden":
            return f"golden unit {' or '.join(config.golden.serials if config.golden is not None else ())}"
        units = config.challenge.units.values() if config.challenge is not None else ()
        return f"known-bad unit {' or '.join(unit.serial for unit in units)}"

    def _obey(self, code: Code) -> None:
        tell = self.session.listener
        match code.order:
            case Order.STOP:
                self.stop()
            case Order.RESUME:
                self._stopped = ""
                tell(StationResumed())
            case Order.KEYS:
                self._test_keys(code)
            case Order.CHECK:
                check_at_line(self.session)
                self._ended = time.monotonic()
            case Order.GOLDEN | Order.CHALLENGE:
                self._want("golden" if code.order is Order.GOLDEN else "challenge")
            case Order.OPERATOR:
                if self._is_one_of(code.name, self.session.station.config.screen.operators, "operator"):
                    self._say(operator=code.name)
            case Order.SHIFT:
                if self._is_one_of(code.name, self.session.station.config.screen.shifts, "shift"):
                    self._say(shift=code.name, operator="")
            case Order.REASON:
                known = self._known_reason(code.name)
                self._waiting = None if known is None else _Waiting(known, self._accepted_at)
            case Order.DETAILS | Order.BACK:
                tell(Ordered("", wants_details=code.order is Order.DETAILS))
            case Order.DONE | Order.CANNOT | Order.NEST:
                tell(Ordered(f"{code.text} was scanned, and nothing was asked for."))

    @property
    def _accepted_at(self) -> float:
        return time.monotonic() if self._accepted is None else self._accepted.arrived

    def _test_keys(self, code: Code) -> None:
        """Hear the code that has every key which lies elsewhere on other keyboards."""
        if code.name == KEYS:
            self._keyboard = ""
            self.session.listener(Ordered("The scanner and this computer have the same keyboard."))
            return
        found = misread(code.text, lambda text: text == Code(Order.KEYS, KEYS).text)
        self._keyboard = "the scanner types another keyboard than this computer reads"
        if found is not None and found.is_layout:
            self._keyboard = found.why
        self._refuse(code.text, f"{self._keyboard[:1].upper()}{self._keyboard[1:]}.", _KEYS)

    def _is_one_of(self, name: str, names: Sequence[str], what: str) -> bool:
        """Return whether the station knows a name; one that names none knows all."""
        if not names or name in names:
            return True
        self.session.listener(Ordered(f"{name} is no {what} of this station: {', '.join(names[:10])}."))
        return False

    def _want(self, wanted: Literal["golden", "challenge"]) -> None:
        config = self.session.station.config
        if (config.golden if wanted == "golden" else config.challenge) is None:
            self.session.listener(Ordered(f"This station has no {wanted} unit."))
            return
        self._wanted = wanted
        self.session.listener(Asked(f"Connect {self._names_of(wanted)}.", "Then scan its serial number."))

    def _say(self, **said: str) -> None:
        """Note who is there; an empty text takes back what was said."""
        kept = {name: text for name, text in {**self.facts.said, **said}.items() if text}
        self.facts = replace(self.facts, said=kept)
        told = ", ".join(f"{name.capitalize()}: {text or 'scan the badge'}" for name, text in said.items())
        waiting, self._waiting = self._waiting, None
        if waiting is not None:
            told += f". The retest reason {waiting.reason} counts no longer"
        self.session.listener(Ordered(told))

    def _known_reason(self, name: str) -> str | None:
        policy = self.session.plan.limits.retest
        codes = policy.reasons if policy is not None else ()
        found = next((code for code in codes if code.lower() == name.lower()), None)
        if codes and found is None:
            self.session.listener(Ordered(f"{name} is no retest reason of this model: {', '.join(codes)}."))
            return None
        self.session.listener(Ordered(""))
        return found or name

    def _tested(self, serial: str, facts: UnitFacts, scan: Scan) -> ExitStatus | None:
        """Test one unit; None if the run did not take place: the next unit may come."""
        session = self.session
        try:
            study = session.study
            known = None
            if study is None or serial not in study.plan.units:
                known = _known_unit(session, serial, facts.with_reason(None))
            if known is not None:
                return known
            if study is not None:
                tested = session.measure(serial, facts, scan.raw)
            else:
                reason = self._reason(serial, facts.reason)
                tested = session.test(serial, facts.with_reason(reason), scan.raw)
        except LinecheckError as error:
            session.listener(UnitRefused(serial, str(error), error.act))
            return None
        if tested.run is None:
            return None
        # Not by the status: a hold, and a pass whose files could not be written, have that of an invalid run.
        if tested.run.verdict is Verdict.INVALID and session.station.config.gate.stop_after_invalid:
            self._stopped = "the station was stopped by an invalid run."
            act = f"Put that right and scan {Code(Order.RESUME).text}, then test it again."
            session.listener(StationStopped("The station was stopped by an invalid run.", act, by_run=True))
        return tested.status

    def _reason(self, serial: str, given: str | None) -> str | None:
        """Return the retest reason of a unit; a reason that was given applies to retests only."""
        session = self.session
        if not session.was_tested(serial):
            # One that goes for all units, of the command line, is told to nobody.
            if given is not None and given != self.facts.reason:
                why = f"The retest reason {given} is not used: {serial} was never tested."
                session.listener(Note(why, serial))
            return None
        policy = session.plan.limits.retest
        if given is None and policy is not None and policy.reasons and session.people is not None:
            session.refuse_if_shut(serial)
            codes = reasons_that_count(policy, session.log.history(session.model, serial))
            answer = session.people.choose(f"{serial} was tested before. Retest reason", codes)
            if answer is None:
                self._unanswered = serial
            return answer
        return given


def _known_unit(session: Session, serial: str, facts: UnitFacts) -> ExitStatus | None:
    """Judge the station if a golden or challenge unit was scanned; None if it is neither.

    What such a unit shows of the station is no unit's fail.
    """
    challenge = challenge_name(session.station, serial)
    if is_golden(session.station, serial):
        judge = partial(judge_by_golden, session, serial, facts, None)
    elif challenge is not None:
        judge = partial(judge_by_challenge, session, challenge, facts)
    else:
        return None
    return ExitStatus.PASS if judge() is ExitStatus.PASS else ExitStatus.INVALID


def _session_status(statuses: Sequence[ExitStatus]) -> ExitStatus:
    """Return the exit status of a session: any fail, else any invalid, else pass; invalid if nothing ran."""
    for status in (ExitStatus.FAIL, ExitStatus.INVALID, ExitStatus.PASS):
        if status in statuses:
            return status
    return ExitStatus.INVALID
