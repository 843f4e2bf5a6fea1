"""One run, played or judged from recordings: built up by the station, recorded, and read back as the same thing.

======================  ====================================================================
:class:`Run`            a run with everything that was measured
:class:`RunHeader`      what a list says of it
:class:`CheckOutcome`   one check of it
======================  ====================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.limits.model import Check, LimitFile, LimitReference, Mask, entry_name
from linecheck.limits.verdict import RELEASING, JudgedMeasurement, Verdict, worst
from linecheck.run.facts import Facts

#: Code of the problem that a unit needs more than this pass.
NOT_RELEASED: Final = "not_released"
#: Code of the note that the unit may not be tested again as it is: it has had all runs that it may have.
NO_ATTEMPT_LEFT: Final = "no_attempt_left"
#: What people read where a run passed and does not release its unit.
HOLD: Final = "hold"
#: Code of the problem of a run that was cut off after a value had failed that could not be kept.
UNKEPT_FAIL: Final = "unkept_fail"

How = Literal["interface", "command", "operator"]


@dataclass(frozen=True)
class SettingStep:
    """One setting of the unit that was made during a run, or was to be made.

    ``how`` says who made it, ``done`` whether it was made; ``output`` is what the station's command printed, or why the
    setting was not made. ``before`` names the check that it was made for.
    """

    setting: str
    value: str
    how: How
    done: bool
    seconds: float
    before: str
    output: str = ""


@dataclass(frozen=True)
class CheckOutcome:
    """One check of a run: its judged measurement, how long it took, and hashes of what was played and captured.

    ``check`` is the check's whole name, ``setup`` how the unit was set while it ran.
    """

    check: str
    kind: str
    setup: Mapping[str, str]
    judged: JudgedMeasurement
    seconds: float
    stimulus_sha256: str | None = None
    capture_sha256: str | None = None

    @property
    def entry(self) -> str:
        """Its name in the limit file, which checks under several setups share."""
        return entry_name(self.check)


@dataclass(frozen=True)
class Recorded:
    """Where a run stands in a log, and what it came to by the rules of that day.

    ``recorded`` is a UTC text; ``record_format`` says which facts a record of that day has. ``curves_thinned`` says
    that the points of its curves were removed since; their worst points and margins stay.
    """

    sequence: int
    attempt: int
    verdict: Verdict
    recorded: str
    record_format: int
    record_hash: str
    curves_thinned: bool = False


@dataclass(frozen=True, kw_only=True)
class RunHeader(Facts):
    """What a list says of a run: whose it is, what is known of it, and where it is recorded.

    ``finished`` and ``started`` are UTC, ``duration_seconds`` comes from a monotonic clock. ``record`` is None where it
    is in no log.
    """

    run_id: str
    serial: str
    model: str
    limits: LimitReference
    started: datetime
    finished: datetime
    duration_seconds: float
    record: Recorded | None = None

    @property
    def logged(self) -> Recorded:
        """Where it stands in the log.

        Raises
        ------
        RecordError
            It is in none.
        """
        if self.record is None:
            raise RecordError(f"the run {self.run_id} is in no log")
        return self.record

    @property
    def verdict(self) -> Verdict:
        """What the run came to, as it was recorded."""
        return self.logged.verdict

    @property
    def held(self) -> bool:
        """Whether it passed and its unit is not released all the same."""
        return self.released is False and self.verdict in RELEASING

    @property
    def state(self) -> str:
        """What people read of it: its verdict, or :data:`HOLD` where it is a pass that releases nothing."""
        return HOLD if self.held else self.verdict.value


@dataclass(frozen=True, kw_only=True)
class Run(RunHeader):
    """One unit, one attempt, all its checks: built up by the station, recorded, and read back as it was.

    ``checks`` holds those that were measured, in the limit file's order; ``missing`` names the checks that were
    not, each of which is invalid. ``problems`` are those of the run as a whole. A run that was read back brings the
    masks and stimuli of its own day with it in ``limits``.

    ``settings`` is how the unit was set, in the order in which it was. ``station_failed`` says that the station failed,
    so that nothing of it is a pass. ``source`` says in words where the run was found, ``captured`` (UTC) when the
    captures of a set were recorded.
    """

    limits: LimitFile
    checks: tuple[CheckOutcome, ...]
    missing: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    aborted: bool = False
    settings: tuple[SettingStep, ...] = ()
    station_failed: bool = False
    source: str = ""
    captured: datetime | None = None

    @property
    def verdict(self) -> Verdict:
        """The run's verdict; never a pass where anything that a mask judges was not measured."""
        if self.record is not None:
            return self.record.verdict
        if self.aborted:
            return Verdict.ABORTED
        verdicts = [check.judged.verdict for check in self.checks]
        if self.missing or self.station_failed or any(problem.blocks for problem in self.problems):
            verdicts.append(Verdict.INVALID)
        return worst(verdicts)

    @property
    def held(self) -> bool:
        """Whether it passed and its unit is not released all the same; records of format 3 have a problem for it."""
        noted = any(problem.code == NOT_RELEASED for problem in self.problems)
        return self.verdict in RELEASING and (self.released is False or noted)

    @property
    def stopped_after_fail(self) -> bool:
        """Whether it was aborted after a mask had failed: then it counts as a fail of the unit."""
        failed = any(check.judged.verdict is Verdict.FAIL for check in self.checks)
        unkept = any(problem.code == UNKEPT_FAIL for problem in self.problems)
        return (failed or unkept) and self.verdict is Verdict.ABORTED

    def check(self, name: str) -> CheckOutcome | None:
        """Return a check by its whole name; None where it was not measured."""
        return next((check for check in self.checks if check.check == name), None)

    def limits_of(self, name: str) -> Check | None:
        """Return what the limit file said of a check, by its whole name; None where it had none such."""
        return next((check for check in self.limits.checks if check.name == name), None)

    def mask(self, check: str, metric: str) -> Mask | None:
        """Return the mask of a metric or curve; None where none judges it."""
        limits = self.limits_of(check)
        return None if limits is None else limits.masks.get(metric)
