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
from linecheck.line.codes import Code, Order, control_code, refuse_confusable
from linecheck.line.cures import cures, due_next
from linecheck.line.events import (
    Asked,
    Note,
    Ordered,
    ScanIgnored,
    Standby,
    StationResumed,
    StationStopped,
    StudyWaits,
    UnitRefused,
    UnitScanned,
)
from linecheck.line.keyboards import misread
from linecheck.line.known_unit import challenge_name, is_golden, judge_by_challenge, judge_by_golden
from linecheck.line.self_check import check_at_line
from linecheck.line.session import Session
from linecheck.line.unit_trace import UnitFacts
from linecheck.run.plan import check_serial

#: A scanner that reads a label twice does so within this time.
DOUBLE_SCAN_SECONDS: Final = 2.0

_RESUME: Final = f"Put it right, then scan {Code(Order.RESUME).text}."


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
    _ended: float = -math.inf
    _stopped: str = ""
    _wanted: Literal["golden", "challenge"] | None = None
    _reason: str | None = None
    _study_said: str = ""

    @property
    def status(self) -> ExitStatus:
        """How the session ends."""
        return _session_status(self._statuses)

    def stand_by(self) -> None:
        """Tell where the station stands, now that nothing is under test."""
        gate, said = self.session.station.config.gate, self.facts.said
        try:
            standing = self.session.gatekeeper.standing()
        except LinecheckError as error:
            # The log cannot be read at the moment, and no unit gets in before it can: the verdict that stands, stays.
            self.session.listener(Note(str(error)))
            return
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

    def take(self, scan: Scan) -> None:
        """Do what a scan says."""
        if not scan.text or self._is_ignored(scan):
            return
        try:
            code = control_code(scan.text)
        except UsageError as error:
            self._refuse(scan.text, str(error))
            return
        if code is None:
            self._take_unit(scan)
        else:
            self._accepted = scan
            self._obey(code)

    def _is_ignored(self, scan: Scan) -> bool:
        last = self._accepted
        if last is not None and last.text == scan.text and scan.arrived - last.arrived < DOUBLE_SCAN_SECONDS:
            self.session.listener(ScanIgnored(scan.text, "twice"))
            return True
        if self.attended and scan.arrived < self._ended:
            self.session.listener(ScanIgnored(scan.text, "during a test"))
            return True
        return False

    def _refuse(self, text: str, why: str) -> None:
        self.session.listener(UnitScanned(text))
        self.session.listener(UnitRefused(text, why))

    def _take_unit(self, scan: Scan) -> None:
        wanted, reason = self._wanted, self._reason
        self._wanted = self._reason = None
        try:
            serial = check_serial(scan.text, self.session.plan.limits)
            self._accepted = scan
            if self._stopped:
                raise UsageError(f"{serial} is not tested: {self._stopped} {_RESUME}")
            if wanted is not None and not self._is_known(serial, wanted):
                raise UsageError(
                    f"{serial} is not tested: {self._names_of(wanted)} was asked for. Scan it, or {serial} once more "
                    "to test that as a unit."
                )
        except UsageError as error:
            self._refuse(scan.text, self._as_typed(scan.text) or str(error))
            return
        self.session.listener(UnitScanned(scan.text))
        facts = self.facts if reason is None else self.facts.with_reason(reason)
        status = self._tested(serial, facts, scan)
        self._statuses.append(ExitStatus.INVALID if status is None else status)
        if status is not None:
            self._ended = time.monotonic()

    def _as_typed(self, text: str) -> str | None:
        """Return how the scanner's keyboard differs from the computer's, where the text shows it."""
        found = misread(text, self._is_label)
        return (
            None
            if found is None
            else f"'{visible(text[:80])}' may be {found.meant}: {found.why}, then scan it again."
        )

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
                self._stopped = "the station was stopped."
                tell(StationStopped("The station was stopped: no unit is tested.", _RESUME))
            case Order.RESUME:
                self._stopped = ""
                tell(StationResumed())
            case Order.CHECK:
                check_at_line(self.session)
                self._ended = time.monotonic()
            case Order.GOLDEN | Order.CHALLENGE:
                self._want("golden" if code.order is Order.GOLDEN else "challenge")
            case Order.OPERATOR:
                self._say(operator=code.name)
            case Order.SHIFT:
                self._say(shift=code.name, operator="")
            case Order.REASON:
                self._reason = self._known_reason(code.name)
            case Order.KEYS:
                tell(Ordered("The scanner and this computer have the same keyboard."))
            case Order.DETAILS | Order.BACK:
                tell(Ordered("", wants_details=code.order is Order.DETAILS))
            case Order.DONE | Order.CANNOT | Order.NEST:
                tell(Ordered(f"{code.text} was scanned, and nothing was asked for."))

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
        self.session.listener(
            Ordered(
                ", ".join(f"{name.capitalize()}: {text or 'scan the badge'}" for name, text in said.items())
            )
        )

    def _known_reason(self, name: str) -> str | None:
        policy = self.session.plan.limits.retest
        codes = policy.reasons if policy is not None else ()
        found = next((code for code in codes if code.lower() == name.lower()), None)
        if codes and found is None:
            self.session.listener(Ordered(f"{name} is no retest reason of this model: {', '.join(codes)}."))
            return None
        self.session.listener(Ordered(f"Retest reason of the next unit: {found or name}."))
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
                reason = _reason(session, serial, facts.reason)
                tested = session.test(serial, facts.with_reason(reason), scan.raw)
        except LinecheckError as error:
            session.listener(UnitRefused(serial, str(error)))
            return None
        if tested.run is None:
            return None
        # Not by the status: a hold, and a pass whose files could not be written, have that of an invalid run.
        if tested.run.verdict is Verdict.INVALID and session.station.config.gate.stop_after_invalid:
            self._stopped = "the station was stopped by an invalid run."
        return tested.status


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


def _reason(session: Session, serial: str, given: str | None) -> str | None:
    """Return the retest reason of a unit; a reason given for all units applies to retests only."""
    if not session.was_tested(serial):
        return None
    codes = session.plan.limits.retest.reasons if session.plan.limits.retest is not None else ()
    if given is None and codes and session.people is not None:
        return session.people.choose(f"{serial} was tested before. Retest reason", codes)
    return given


def _session_status(statuses: Sequence[ExitStatus]) -> ExitStatus:
    """Return the exit status of a session: any fail, else any invalid, else pass; invalid if nothing ran."""
    for status in (ExitStatus.FAIL, ExitStatus.INVALID, ExitStatus.PASS):
        if status in statuses:
            return status
    return ExitStatus.INVALID
