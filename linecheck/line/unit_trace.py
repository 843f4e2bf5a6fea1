"""The facts in a run's record besides its measurements, gathered while it goes on."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from linecheck.checks.base import Problem
from linecheck.errors import StationError, UsageError
from linecheck.files.text import visible
from linecheck.limits.model import LimitFile
from linecheck.limits.retest import Attempt, RetestPolicy, refusal, rule_broken, standing
from linecheck.limits.verdict import RELEASING, Verdict
from linecheck.run.facts import Purpose
from linecheck.run.model import NO_ATTEMPT_LEFT, NOT_RELEASED, Run
from linecheck.run.plan import Plan
from linecheck.station import environment
from linecheck.station.config.hand_over import BeforeConfig
from linecheck.station.config.station import ConditionsConfig, StationConfig

NO_CONDITIONS: Final[Mapping[str, str]] = {}


@dataclass(frozen=True)
class Override:
    """Somebody's permission to test a unit against a rule."""

    code: str
    by: str
    note: str | None = None


@dataclass(frozen=True)
class UnitFacts:
    """Facts given for a unit before its test, by name, and who lets it be tested against a rule."""

    said: Mapping[str, str] = field(default_factory=dict)
    override: Override | None = None

    @property
    def firmware(self) -> str | None:
        """The firmware expected of it."""
        return self.said.get("firmware")

    @property
    def reason(self) -> str | None:
        """The retest reason."""
        return self.said.get("reason")

    def with_reason(self, reason: str | None) -> UnitFacts:
        """Return the same with another reason, or with none."""
        others = {name: text for name, text in self.said.items() if name != "reason"}
        return replace(self, said=others if reason is None else others | {"reason": reason})


class AskedConditions:
    """Asks for the station's conditions while the unit is tested, so nobody waits for them."""

    def __init__(self, config: ConditionsConfig | None) -> None:
        self._found: tuple[dict[str, str], str | None] = ({}, None)
        self._thread: threading.Thread | None = None
        if config is not None:
            self._thread = threading.Thread(target=self._ask, args=(config,), name="conditions", daemon=True)
            self._thread.start()

    def _ask(self, config: ConditionsConfig) -> None:
        self._found = environment.conditions(config)

    def answer(self) -> tuple[Mapping[str, str], tuple[Problem, ...]]:
        """Wait for the answer, which has a time limit of its own; return it, and what went wrong."""
        if self._thread is not None:
            self._thread.join()
        facts, why = self._found
        if why is None:
            return facts, ()
        message = f"the station's conditions are unknown: {why}. Fix the command under [conditions]."
        return {}, (Problem("conditions_unknown", message, blocks=False),)


def admitted(
    policy: RetestPolicy | None, history: Sequence[Attempt], serial: str, facts: UnitFacts
) -> dict[str, str]:
    """Return the override that lets a run take place, as the record has it; empty if none is needed.

    Raises
    ------
    UsageError
        The reason or the override is none that the limit file knows, or a reason is missing.
    StationError
        The unit may not be retested.
    """
    if policy is None:
        if facts.override is not None:
            raise UsageError("--override: the limit file has no retest rules to override")
        return {}
    now = standing(policy, history)
    wrong = refusal(policy, now, facts.reason)
    if wrong is not None:
        raise UsageError(f"{serial}: {wrong} (--reason)", act="Scan the label again, then the retest reason.")
    broken = rule_broken(policy, now, facts.reason)
    override = facts.override
    if override is not None and override.code not in policy.overrides:
        known = ", ".join(policy.overrides) or "none"
        raise UsageError(
            f"--override: {override.code!a} is not a code of the limit file; its codes are {known}"
        )
    if broken is None:
        return {}
    if override is None:
        raise _no_attempt_left(policy, serial, broken)
    note = {} if override.note is None else {"note": override.note}
    return {"code": override.code, "by": override.by, "rule": broken} | note


def may_be_retested(policy: RetestPolicy | None, history: Sequence[Attempt], serial: str) -> None:
    """Refuse a unit that has no attempt left and that no retest reason gives another.

    Raises
    ------
    StationError
        It is one.
    """
    if policy is None or policy.fresh_start:
        return
    broken = rule_broken(policy, standing(policy, history), None)
    if broken is not None:
        raise _no_attempt_left(policy, serial, broken)


def reasons_that_count(policy: RetestPolicy | None, history: Sequence[Attempt]) -> tuple[str, ...]:
    """Return the reasons by which a unit may be tested again: fresh starts alone where it has no attempt left."""
    if policy is None:
        return ()
    broken = rule_broken(policy, standing(policy, history), None)
    return policy.reasons if broken is None else policy.fresh_start


def _no_attempt_left(policy: RetestPolicy, serial: str, broken: str) -> StationError:
    ways = [f"after {' or '.join(policy.fresh_start)} (--reason)"] if policy.fresh_start else []
    ways += ["with an override (--override)"] if policy.overrides else []
    may = f"It may be tested {' or '.join(ways)}." if ways else "Set it aside."
    return StationError(f"{serial} is not retested: {broken}. {may}", act=set_aside(policy))


def set_aside(policy: RetestPolicy) -> str:
    """Return what is done with a unit that has no attempt left, by who has a scanner alone."""
    if policy.fresh_start:
        return f"Set it aside: it has no attempt left. It is tested again once it is {' or '.join(policy.fresh_start)}."
    if policy.overrides:
        return "Set it aside: it has no attempt left. Fetch an engineer, who may allow one more."
    return "Set it aside: it has no attempt left."


def with_release(
    policy: RetestPolicy | None, history: Sequence[Attempt], outcome: Run, reason: str | None
) -> Run:
    """Return a run that says whether it releases its unit, and what is missing if a pass does not."""
    rules = policy if policy is not None else RetestPolicy()
    after = standing(rules, [*history, Attempt(outcome.verdict, reason)])
    missing = after.passes_missing(rules) if outcome.verdict in RELEASING else 0
    if outcome.verdict in RELEASING and not missing:
        return replace(outcome, released=True)
    problems = outcome.problems
    if missing:
        more = "one more pass" if missing == 1 else f"{missing} more passes"
        message = f"the unit has failed before: it needs {more} in a row (retest.passes_after_fail)"
        problems += (Problem(NOT_RELEASED, message, blocks=False),)
    if outcome.verdict is not Verdict.FAIL and rule_broken(rules, after, None) is not None:
        problems += (Problem(NO_ATTEMPT_LEFT, set_aside(rules), blocks=False),)
    return replace(outcome, problems=problems, released=False)


def identified(
    config: StationConfig, limits: LimitFile, serial: str, firmware: str | None
) -> tuple[Mapping[str, str], tuple[Problem, ...]]:
    """Ask the unit to identify itself; return its answer, and the problems that it raises.

    Raises
    ------
    StationError
        It cannot be asked, or is another unit than the one that was scanned: nothing is run.
    """
    if config.identify is None:
        return {}, ()
    facts, why = environment.identity(config.identify, serial)
    if why is not None:
        raise StationError(
            f"the unit does not identify itself: {visible(why)}. Nothing was run.",
            act="Switch the unit on, connect it, then scan its label again.",
        )
    said = facts.get("serial")
    if said is not None and said != serial:
        raise StationError(
            f"the unit identifies itself as {visible(said)}, but {serial} was scanned: connect the unit that was "
            "scanned. Nothing was run.",
            act="Connect the unit that was scanned, then scan its label again.",
        )
    return facts, tuple(_other_than_expected(config, limits, facts, firmware))


def traced(
    outcome: Run,
    *,
    config: StationConfig,
    plan: Plan,
    facts: UnitFacts,
    purpose: Purpose,
    study: str | None,
    scanned: str | None,
    override: Mapping[str, str],
    identity: Mapping[str, str],
    before: Mapping[str, str],
    gates: Mapping[str, Any],
    conditions: Mapping[str, str] = NO_CONDITIONS,
) -> Run:
    """Return a run with all facts of its record besides its measurements.

    ``conditions`` are known once it has ended.
    """
    # The firmware is in it by now: it may be the unit that says it.
    said: dict[str, Any] = {name: text for name, text in facts.said.items() if name != "firmware"}
    clock = environment.clock_state(outcome.started, outcome.finished, outcome.duration_seconds)
    run = replace(
        outcome,
        **said,
        purpose=purpose,
        study=study,
        scanned=scanned,
        nest=config.nest,
        override=override,
        identity=identity,
        before=before,
        conditions=conditions,
        host=environment.host(),
        clock=clock,
        source_commit=environment.source_commit(),
        packages=environment.packages(),
        plan_sha256=environment.plan_sha256(plan),
        gates=gates,
        assets=tuple(asset.record(role) for role, asset in config.assets.items()),
    )
    stepped = clock["stepped_seconds"]
    if abs(stepped) < environment.STEPPED_SECONDS:
        return run
    message = f"the computer's clock was changed by {stepped:+.0f} s during the run: do not trust its times"
    problem = Problem("clock_stepped", message, blocks=False)
    return replace(run, problems=(*run.problems, problem))


def permitted(config: BeforeConfig | None, serial: str) -> tuple[Mapping[str, str], tuple[Problem, ...]]:
    """Ask whether a unit may be tested; return what its record says of that, and a note where nobody answered.

    Raises
    ------
    StationError
        It may not, or nobody answered and the station config refuses it then: nothing is run.
    """
    if config is None:
        return {}, ()
    ended = config.ended({"serial": serial})
    if ended.status == 0:
        return {"answer": "yes", "said": ended.answer or "nothing", "by": config.program}, ()
    if ended.status is not None:
        said = ended.answer or f"no more than exit status {ended.status}"
        raise StationError(
            f"{serial} may not be tested, says {config.program}: {said}. Nothing was run.",
            act="Set it aside, or put right what that says.",
        )
    why = visible(ended.why or "")
    if config.no_answer == "refuse":
        raise StationError(
            f"nobody says whether {serial} may be tested: {why}. Fix the command under [before]. Nothing was run."
        )
    message = f"nobody says whether the unit may be tested: {why}. Fix the command under [before]."
    return {"answer": "none", "said": why, "by": config.program}, (
        Problem("permission_unknown", message, blocks=False),
    )


def _other_than_expected(
    config: StationConfig, limits: LimitFile, facts: Mapping[str, str], firmware: str | None
) -> list[Problem]:
    problems = []
    said = facts.get("firmware")
    if firmware is not None and said is not None and said != firmware:
        message = f"the unit reports firmware {said}; {firmware} was expected"
        problems.append(Problem("other_firmware", message))
    for setting, expected in limits.setup.items():
        found = facts.get(setting)
        varies = any(check.setup.get(setting) != expected for check in limits.checks)
        if found not in (None, expected) and not varies and setting not in config.setup:
            message = f"the unit reports {setting} {found}; the limit file expects {expected}"
            problems.append(Problem("setting_mismatch", message))
    return problems
