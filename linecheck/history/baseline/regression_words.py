"""Comparisons with a baseline in plain words.

============================  ===========================================================
:func:`answer_text`           one reading against the baseline's, in one sentence
:func:`curve_text`            one curve, by its most telling band
:func:`moved_by`              by how much a value has moved within its margin
============================  ===========================================================

What follows a ± is twice the standard uncertainty.
"""

from __future__ import annotations

import math

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.history.comparison.accuracy import accuracy
from linecheck.limits.curve_profile import CurveChange
from linecheck.limits.regression import Answer, Change, Measured
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import number

__all__ = ["answer_text", "curve_text", "decimals_for", "fixed", "moved_by"]


def decimals_for(margin: float) -> int:
    """Return how many decimals show a tenth of a margin."""
    return max(0, 1 - math.floor(math.log10(margin)))


def fixed(value: float | None, unit: str, margin: float) -> str:
    """Return a value with as many decimals as its margin asks for."""
    if value is None:
        return number(None, "")
    decimals = decimals_for(margin)
    text = f"{round(value, decimals) + 0.0:.{decimals}f}"
    return f"{text} {unit}" if unit else text


def answer_text(
    name: str, change: Change, now: Measured, old: Measured, spec: MetricSpec, margin: float, moved: str = ""
) -> str:
    """Return one reading against the baseline's, in one sentence; ``moved`` is what :func:`moved_by` says of it."""
    bounds = old.is_bound or now.is_bound
    before = fixed(old.value, spec.unit if bounds else "", margin) + " or better" * old.is_bound
    after = fixed(now.value, spec.unit, margin) + " or better" * now.is_bound
    values = f"({before} → {after}, margin {number(margin, spec.unit)})"
    if change.answer is Answer.CANNOT_TELL:
        return f"{name}: {_why(change, now, old, spec.unit, margin)} {values}"
    if change.answer is Answer.UNCHANGED and moved:
        return f"{name} is unchanged within its margin, and has moved by {moved} {values}"
    if change.answer is Answer.UNCHANGED and bounds:
        return f"{name} is unchanged as far as it can be measured, and inside its mask {values}"
    return f"{name} {_said(change.answer, change.worse_by, change.uncertainty, spec, margin)} {values}"


def moved_by(change: Change, now: Measured, old: Measured, spec: MetricSpec, sigmas: float) -> str:
    """Return by how much a value that is unchanged has truly moved, as ``+0.30 ± 0.09 dB``; empty where it has not.

    It has where noise does not explain it (:func:`~linecheck.limits.regression.alarm_sigmas`) and where it is more than
    the accuracy of the metric, below which no difference means anything.
    """
    if change.answer is not Answer.UNCHANGED or now.is_bound or old.is_bound:
        return ""
    moved, least = now.value - old.value, accuracy(spec)
    if abs(moved) <= max(sigmas * change.uncertainty, least):
        return ""
    decimals = decimals_for(least)
    spread = f"{2.0 * change.uncertainty:.{decimals}f}"
    return f"{moved:+.{decimals}f} ± {spread} {spec.unit}".rstrip()


def curve_text(name: str, change: CurveChange, spec: CurveSpec, margin: float) -> str:
    """Return a curve against the baseline's, by its most telling band."""
    counted = f"compared at {change.compared} of {change.bands} places"
    if change.x is None or change.worse_by is None or change.uncertainty is None:
        return f"{name} cannot be compared: it has no place in common with the baseline's"
    values = (
        f"({fixed(change.base_value, '', margin)} → {fixed(change.value, spec.unit, margin)} "
        f"at {number(change.x, spec.x_unit, 5)}, margin {number(margin, spec.unit)}; {counted})"
    )
    if change.absent:
        return (
            f"{name} cannot be compared: it ends short of the baseline's, {change.absent} places are missing"
        )
    if change.answer is Answer.CANNOT_TELL:
        return (
            f"{name}: whether it is worse cannot be told: at most places twice the margin would drown in noise "
            f"{values}. It needs a longer stimulus or a wider margin"
        )
    return f"{name} {_said(change.answer, change.worse_by, change.uncertainty, spec, margin)} {values}"


def _said(
    answer: Answer, worse_by: float, uncertainty: float, spec: MetricSpec | CurveSpec, margin: float
) -> str:
    if answer is Answer.UNCHANGED:
        return "is unchanged"
    by = f"{fixed(abs(worse_by), spec.unit, margin)} ± {_short(2.0 * uncertainty)}"
    if spec.better == "nominal":
        return f"is worse: it differs by {by} from the baseline"
    return f"is {answer.value} by {by} than in the baseline"


def _why(change: Change, now: Measured, old: Measured, unit: str, margin: float) -> str:
    spread = f"the change is {fixed(change.worse_by, unit, margin)} ± {_short(2.0 * change.uncertainty)} for the worse"
    if now.is_bound and old.is_bound:
        return "whether it has changed cannot be told: it is too small to be measured, as in the baseline"
    if now.is_bound and change.verdict is Verdict.PASS:
        return "how much better it is cannot be told: it is too small to be measured now"
    if now.is_bound:
        return "whether it is worse cannot be told: it is only known to be so good or better now"
    if old.is_bound:
        return "whether it has changed cannot be told: it was too small to be measured in the baseline"
    if change.verdict is Verdict.PASS:
        return f"it is no worse, and whether it is better cannot be told: {spread}"
    if change.verdict is Verdict.MARGINAL:
        return f"whether it is worse cannot be told, but not by twice the margin: {spread}"
    return f"whether it is worse by twice the margin cannot be told: {spread}"


def _short(value: float) -> str:
    return f"{value:.2g}"
