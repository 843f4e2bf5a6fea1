"""The rule of regression: whether a value is unchanged, better or worse than in a baseline, or cannot be told.

========================  =======================================================================
:func:`alarm_sigmas`      how many standard uncertainties an alarm takes, for so many comparisons
:func:`compare_values`    one reading with the baseline's
:func:`margin_needed`     the smallest margin of which twice is found in 99 % of cases
========================  =======================================================================

Let d be the change towards worse, u its standard uncertainty, m the margin and z :func:`alarm_sigmas`.

- *worse* where d > m and d > z u: it matters, and noise does not explain it;
- *better* where the mirror image holds;
- *unchanged* where abs(d) + 1.645 u ≤ m: both one-sided tests at 5 % reject a change of m (Schuirmann 1987, J.
  Pharmacokinet. Biopharm. 15, 657-680, the two one-sided tests; the same as the 90 % interval within ± m);
- *unchanged* too where one is a bound (the truth is this or better) that lies within the margin of the other, or both
  are, and the new one passes its mask: what is too small to be measured is no evidence of a change;
- *cannot tell* otherwise. It passes where at least "worse by m" is rejected at 5 %, is marginal where a change of 2 m
  is out of the question (d + z u < 2 m), and is invalid where one may hide.

A true change of 2 m is found in 99 % of cases while (z + 2.33) u ≤ 2 m. Where the nominal value is best, any change is
one towards worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from linecheck.checks.parts.declared import Better
from linecheck.limits.verdict import Verdict

#: Chance of one false alarm or more in everything that one command compares.
FAMILY_ALPHA = 0.005
#: 95 % of a normal distribution lie below it (one-sided).
EQUIVALENCE_SIGMAS = 1.645
#: 99 % of a normal distribution lie below it (one-sided).
DETECTION_SIGMAS = 2.326


class Answer(StrEnum):
    """What a comparison with a baseline comes to."""

    UNCHANGED = "unchanged"
    BETTER = "better"
    WORSE = "worse"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty (k = 1); ``is_bound`` where the truth is this or better."""

    value: float
    uncertainty: float
    is_bound: bool = False


@dataclass(frozen=True)
class Change:
    """The answer, what it makes of the unit, and the numbers behind it.

    ``worse_by`` is the change towards worse in the metric's unit (where the nominal value is best, its size),
    ``uncertainty`` its standard uncertainty (k = 1).
    """

    answer: Answer
    verdict: Verdict
    worse_by: float
    uncertainty: float


def alarm_sigmas(comparisons: int) -> float:
    """Return how many standard uncertainties a change must exceed to be none of noise.

    Two-sided for each of ``comparisons`` independent comparisons, so that one false alarm or more among all of them
    has a chance of :data:`FAMILY_ALPHA` (Šidák 1967, J. Am. Stat. Assoc. 62, 626-633). Where they are not
    independent, the chance is smaller.
    """
    from scipy.special import ndtri

    each = -math.expm1(math.log1p(-FAMILY_ALPHA) / max(comparisons, 1))
    return float(-ndtri(0.5 * each))


def margin_needed(uncertainty: float, sigmas: float) -> float:
    """Return the smallest margin of which twice is found in 99 % of cases.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty of the change.
    sigmas : float
        :func:`alarm_sigmas`.
    """
    return 0.5 * (sigmas + DETECTION_SIGMAS) * uncertainty


def compare_values(
    new: Measured,
    base: Measured,
    better: Better,
    margin: float,
    sigmas: float,
    *,
    common: float = 0.0,
    passes: bool = False,
) -> Change:
    """Compare a value with the baseline's.

    Parameters
    ----------
    new, base : Measured
    better : {"more", "less", "nominal"}
    margin : float
        Above 0, in the metric's unit.
    sigmas : float
        :func:`alarm_sigmas`.
    common : float, optional
        The part of both uncertainties that is the same error in both, and so is none of their difference: that of one
        calibration.
    passes : bool, optional
        Whether the new value passes a mask: of a bound, whether it proves that.
    """
    worse_by = {"less": 1.0, "more": -1.0}.get(better, 1.0) * (new.value - base.value)
    if better == "nominal":
        worse_by = abs(worse_by)
    if new.is_bound or base.is_bound:
        change = _compare_bounds(new, base, better, margin, sigmas, worse_by)
        alike = (new.is_bound and base.is_bound) or (
            abs(worse_by) + EQUIVALENCE_SIGMAS * change.uncertainty <= margin
        )
        return replace(change, answer=Answer.UNCHANGED, verdict=Verdict.PASS) if passes and alike else change
    square = new.uncertainty**2 + base.uncertainty**2 - 2.0 * common**2
    uncertainty = math.sqrt(max(square, 0.0))
    beyond = max(margin, sigmas * uncertainty)
    if worse_by > beyond:
        return Change(Answer.WORSE, Verdict.FAIL, worse_by, uncertainty)
    if worse_by < -beyond:
        return Change(Answer.BETTER, Verdict.PASS, worse_by, uncertainty)
    if abs(worse_by) + EQUIVALENCE_SIGMAS * uncertainty <= margin:
        return Change(Answer.UNCHANGED, Verdict.PASS, worse_by, uncertainty)
    return _cannot_tell(worse_by, uncertainty, margin, sigmas)


def _cannot_tell(worse_by: float, uncertainty: float, margin: float, sigmas: float) -> Change:
    verdict = Verdict.INVALID
    if worse_by + EQUIVALENCE_SIGMAS * uncertainty <= margin:
        verdict = Verdict.PASS
    elif worse_by + sigmas * uncertainty < 2.0 * margin:
        verdict = Verdict.MARGINAL
    return Change(Answer.CANNOT_TELL, verdict, worse_by, uncertainty)


def _compare_bounds(
    new: Measured, base: Measured, better: Better, margin: float, sigmas: float, worse_by: float
) -> Change:
    """Compare where one of the values, or both, says only that the truth is this or better.

    A value can be worse than a bound, and a bound better than a value, by more than the noise of both: a line that was
    missed once is there the next time. All else cannot be told, and the bound is then taken at its word: what it
    hides in the baseline may have grown up to the bound, which is marginal at best.
    """
    noise = math.hypot(new.uncertainty, base.uncertainty)
    beyond = max(margin, sigmas * noise)
    if better == "nominal":
        return Change(Answer.CANNOT_TELL, Verdict.INVALID, worse_by, noise)
    if not new.is_bound and worse_by > beyond:
        return Change(Answer.WORSE, Verdict.FAIL, worse_by, noise)
    if not base.is_bound and worse_by < -beyond:
        return Change(Answer.BETTER, Verdict.PASS, worse_by, noise)
    uncertainty = math.hypot(*(side.uncertainty for side in (new, base) if not side.is_bound))
    change = _cannot_tell(worse_by, uncertainty, margin, sigmas)
    if base.is_bound and change.verdict is Verdict.PASS:
        return Change(change.answer, Verdict.MARGINAL, worse_by, uncertainty)
    return change
