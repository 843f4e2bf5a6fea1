"""How often a unit may be tested: the ``retest`` of a limit file, and where a unit stands by it.

::

    retest:
      most_attempts: 3                 # valid runs (pass, marginal or fail) of one unit; an aborted one that has
                                       # failed by then counts as a fail
      most_invalid: 5                  # invalid and aborted runs of one unit
      passes_after_fail: 2             # passes in a row that release a unit which has failed
      reasons: [reseated, repaired]    # codes, one of which every further run gives
      fresh_start: [repaired]          # with these, counting begins anew
      overrides: [engineering]         # codes by which somebody may let a run take place all the same

Testing until it passes is what this is against: every run counts, whatever came of it, and an invalid one is no way
round it. A unit is released by its last valid run, if that passed (or is marginal), and by as many passes in a row as
the file asks for where the unit has failed since counting began.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from linecheck.limits.verdict import RELEASING, Verdict

#: A code of a reason: short enough for a label that is scanned.
Code = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
Codes = Annotated[tuple[Code, ...], Field(strict=False, max_length=64)]
Count = Annotated[int, Field(ge=1, le=1000)]


class RetestPolicy(BaseModel):
    """How often a unit may be tested, and what a retest needs."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    most_attempts: Count | None = Field(
        None, description="how many valid runs (pass, marginal, fail) a unit may have; unlimited if left out"
    )
    most_invalid: Count | None = Field(
        None, description="how many invalid and aborted runs a unit may have; unlimited if left out"
    )
    passes_after_fail: Annotated[int, Field(ge=1, le=10)] = Field(
        1, description="how many passes in a row release a unit that has failed"
    )
    reasons: Codes = Field((), description="reason codes; every further run of a unit needs one")
    fresh_start: Codes = Field((), description="reasons that restart the count, as after a repair")
    overrides: Codes = Field((), description="codes that let somebody test a unit with no attempts left")

    @field_validator("fresh_start")
    @classmethod
    def _are_reasons(cls, codes: tuple[str, ...], found: ValidationInfo) -> tuple[str, ...]:
        known = found.data.get("reasons")
        for code in codes:
            if known is not None and code not in known:
                raise ValueError(f"{code} is none of the reasons: name it in reasons as well")
        return codes


class Attempt(NamedTuple):
    """One earlier run of a unit: what it came to, and why it was made where it was a repeat.

    ``has_failed`` says that a mask failed in it, which counts as a fail also where the run was aborted.
    """

    verdict: Verdict
    reason: str | None = None
    has_failed: bool = False

    @property
    def passed(self) -> bool | None:
        """Whether it says that the unit passed, or failed; None where it says nothing of the unit."""
        if self.verdict in RELEASING:
            return True
        stopped_after_fail = self.verdict is Verdict.ABORTED and self.has_failed
        return False if self.verdict is Verdict.FAIL or stopped_after_fail else None


@dataclass(frozen=True)
class Standing:
    """Where a unit stands since counting began: its last fresh start, or its first run.

    ``passes_in_row`` counts those since the last fail; invalid and aborted runs say nothing of a unit and break no row.
    """

    valid: int = 0
    invalid: int = 0
    has_failed: bool = False
    passes_in_row: int = 0

    @property
    def tested(self) -> bool:
        """Whether the unit has any run."""
        return self.valid + self.invalid > 0

    def passes_missing(self, policy: RetestPolicy) -> int:
        """Return how many more passes in a row release the unit, 0 where it is released."""
        wanted = policy.passes_after_fail if self.has_failed else 1
        return max(0, wanted - self.passes_in_row)


def standing(policy: RetestPolicy, attempts: Iterable[Attempt]) -> Standing:
    """Return where a unit stands after its runs, the first one first."""
    valid = invalid = passes = 0
    failed = False
    for attempt in attempts:
        if attempt.reason in policy.fresh_start:
            valid = invalid = passes = 0
            failed = False
        if attempt.passed is None:
            invalid += 1
            continue
        valid += 1
        passes = passes + 1 if attempt.passed else 0
        failed = failed or not attempt.passed
    return Standing(valid, invalid, failed, passes)


def refusal(policy: RetestPolicy, now: Standing, reason: str | None) -> str | None:
    """Return what is wrong with the reason given for a run; None if nothing is.

    A run that was made against a rule needs an override beside it: :func:`rule_broken`.
    """
    codes = ", ".join(policy.reasons)
    if reason is not None and policy.reasons and reason not in policy.reasons:
        return f"{reason!a} is not a retest reason; the limit file has {codes}"
    if now.tested and policy.reasons and reason is None:
        return f"this unit was tested before: say why it is tested again, one of {codes}"
    return None


def rule_broken(policy: RetestPolicy, now: Standing, reason: str | None) -> str | None:
    """Return which rule a further run would break; None if none."""
    if reason is not None and reason in policy.fresh_start:
        return None
    if policy.most_attempts is not None and now.valid >= policy.most_attempts:
        return f"it has had {now.valid} of {policy.most_attempts} attempts (retest.most_attempts)"
    if policy.most_invalid is not None and now.invalid >= policy.most_invalid:
        return (
            f"{now.invalid} of its runs were invalid or aborted; at most {policy.most_invalid} may be "
            "(retest.most_invalid)"
        )
    return None
