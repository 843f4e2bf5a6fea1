"""Warnings about a limit file: masks that never decide, or decide wrongly.

==========================  =====================================================================
:func:`mask_warnings`            every warning about a check, with its place in the check
:func:`out_of_reach`        the masks that no unit passes with a stimulus as it is played
:func:`decided_before`      which other mask decides before one does
:func:`possible_range`      which values of a metric a unit can have, as the check is played
==========================  =====================================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from linecheck.checks.base import CurveSpec, Implied, MetricSpec, Range
from linecheck.checks.parts.superseded import implied_of_former, of_former
from linecheck.limits.masks import tightest
from linecheck.limits.model import Bounds, Check, Limit, Mask, Side

#: Which limit keeps what is worse out.
_WORSE_SIDE: Mapping[str, Side] = {"more": "min", "less": "max"}


@dataclass(frozen=True)
class MaskWarning:
    """A warning; ``place`` is where it stands under ``masks``: metric, bounds, side."""

    place: tuple[str, ...]
    text: str


def possible_range(check: Check, spec: MetricSpec | CurveSpec) -> Range:
    """Return the values that a unit can have, by the metric and by this check's stimulus."""
    possible = of_former(check.kind, check.kind.possible(check.stimulus, check.analysis))
    low, high = possible.get(spec.name, spec.possible)
    return max(low, spec.possible[0]), min(high, spec.possible[1])


def mask_warnings(check: Check, *, has_margins: bool) -> Iterator[MaskWarning]:
    """Yield every warning about a check's masks.

    Parameters
    ----------
    check : Check
    has_margins : bool
        Whether the file compares anything with a baseline; masked metrics that it leaves out are then doubtful.
    """
    for spec in check.masked:
        mask = check.masks[spec.name]
        beyond = list(_beyond(check, spec, mask))
        yield from beyond
        if not beyond:
            yield from _wrong_sense(spec, mask)
            implied = decided_before(check, spec)
            if implied is not None:
                yield MaskWarning((spec.name,), _decided_text(check, spec, implied))
        if has_margins and spec.name in check.uncompared and spec.name not in check.declined:
            text = f"is left out of every comparison with a baseline: {check.uncompared[spec.name]}"
            yield MaskWarning((spec.name,), f"{text}; give it one, or say false")


def out_of_reach(check: Check) -> Iterator[str]:
    """Yield the masks that a perfect unit fails, with its reading, as ``sinad: …``."""
    for spec in check.masked:
        why = _never_passed(spec, check.masks[spec.name].pass_, possible_range(check, spec))
        if why is not None:
            yield f"{spec.name}: {why}"


def _beyond(check: Check, spec: MetricSpec | CurveSpec, mask: Mask) -> Iterator[MaskWarning]:
    """Yield where a mask exceeds what a unit can have: nothing passes, nothing fails, or a limit has no effect."""
    inside = possible_range(check, spec)
    if (why := _never_passed(spec, mask.pass_, inside)) is not None:
        yield MaskWarning((spec.name, "pass"), f"no unit can pass: {why}{_slip(spec, mask.pass_)}")
        return
    idle = {place: limit for place, limit in mask.limits.items() if _says_nothing(place[1], limit, inside)}
    if all(("pass", side) in idle for side in mask.pass_.sides):
        why = "; ".join(_end_text(spec, side, inside) for side in mask.pass_.sides)
        yield MaskWarning((spec.name, "pass"), f"no unit can fail: {why}{_slip(spec, mask.pass_)}")
        return
    for (name, side), limit in idle.items():
        text = f"limits nothing: {_end_text(spec, side, inside)}, and this is {_limit_text(limit, spec.unit)}"
        yield MaskWarning((spec.name, name, side), text)


def _wrong_sense(spec: MetricSpec | CurveSpec, mask: Mask) -> Iterator[MaskWarning]:
    """Yield that a mask limits only the better side of a metric, or only one side of what may be off to either."""
    worse = _WORSE_SIDE.get(spec.better)
    if worse is None:
        yield from _one_sided(spec, mask)
    if worse is None or getattr(mask.pass_, worse) is not None:
        return
    other: Side = "max" if worse == "min" else "min"
    text = f"{spec.better} is better, so {other} alone passes every worse unit; expected {worse}"
    yield MaskWarning((spec.name, "pass", other), text)


def _one_sided(spec: MetricSpec | CurveSpec, mask: Mask) -> Iterator[MaskWarning]:
    """Yield that a mask leaves open how far a unit may be off to one side, where units can be."""
    if len(mask.pass_.sides) != 1:
        return
    ((given, limit),) = mask.pass_.sides.items()
    left_open: Side = "max" if given == "min" else "min"
    if limit != spec.possible[0 if left_open == "min" else 1]:
        word = "above" if left_open == "max" else "below"
        text = (
            f"a unit may be off to either side, and {given} alone passes everything {word} it; expected "
            f"{left_open} too"
        )
        yield MaskWarning((spec.name, "pass", given), text)


def decided_before(check: Check, spec: MetricSpec | CurveSpec) -> Implied | None:
    """Return by which other mask's metric a mask is decided before; None where it decides something.

    That is where whatever passes the other mask passes this one, and whatever does not fail the other does not fail
    this one. Of two masks that say the same the later one, in the kind's order, decides nothing.
    """
    implied = implied_of_former(check.kind, check.kind.implied(check.stimulus, check.analysis))
    relations = {(one.metric, one.by): one for one in implied}
    order = [each.name for each in check.masked]
    for (metric, by), one in relations.items():
        if metric != spec.name or by not in check.masks or not _covers(check, one):
            continue
        back = relations.get((by, metric))
        if back is None or not _covers(check, back) or order.index(by) < order.index(metric):
            return one
    return None


def _covers(check: Check, implied: Implied) -> bool:
    """Return whether one mask decides whatever another one does."""
    mask, by = check.masks[implied.metric], check.masks[implied.by]
    side, by_side = (_WORSE_SIDE.get(check.better(one)) for one in (implied.metric, implied.by))
    if side is None or by_side is None:
        return False
    open_side = "max" if side == "min" else "min"
    if getattr(mask.pass_, open_side) is not None:
        return False
    for bounds, by_bounds in ((mask.pass_, by.pass_), (mask.fail or mask.pass_, by.fail or by.pass_)):
        limit, by_limit = getattr(bounds, side), getattr(by_bounds, by_side)
        if limit is None:
            continue
        if by_limit is None or isinstance(by_limit, tuple):
            return False
        worst = implied.worst(by_limit)
        least = tightest(limit, side)
        if worst > least if side == "max" else worst < least:
            return False
    return True


def _decided_text(check: Check, spec: MetricSpec | CurveSpec, implied: Implied) -> str:
    by = next(one for one in check.kind.metrics if one.name == implied.by)
    limit = getattr(check.masks[implied.by].pass_, _WORSE_SIDE[by.better])
    worst = implied.worst(limit)
    word = "at most" if spec.better == "less" else "at least"
    return (
        f"never decides, because {implied.by} decides first: within its {_number(limit, by.unit)} this is {word} "
        f"{_number(worst, spec.unit)}, since {implied.because}; tighten this, or leave it out"
    )


def _never_passed(spec: MetricSpec | CurveSpec, bounds: Bounds, inside: Range) -> str | None:
    """Return why no unit passes; None where one can."""
    if bounds.min is not None and tightest(bounds.min, "min") > inside[1]:
        return f"{_end_text(spec, 'max', inside)}, and this asks for {_limit_text(bounds.min, spec.unit)}"
    if bounds.max is not None and tightest(bounds.max, "max") < inside[0]:
        return f"{_end_text(spec, 'min', inside)}, and this asks for {_limit_text(bounds.max, spec.unit)}"
    return None


def _end_text(spec: MetricSpec | CurveSpec, side: Side, inside: Range) -> str:
    """Return what a unit can have at least (``min``) or at most, and what makes it so."""
    end = 0 if side == "min" else 1
    value = _number(inside[end], spec.unit)
    if inside[end] == spec.possible[end]:
        return f"{spec.name} is never {'below' if side == 'min' else 'above'} {value}"
    return f"a perfect unit has at {'least' if side == 'min' else 'most'} {value} with this stimulus"


def _slip(spec: MetricSpec | CurveSpec, bounds: Bounds) -> str:
    """Return what a limit with the wrong sign, in per cent, or in thousandths of the unit may have meant."""
    limits = [limit for limit in bounds.sides.values() if not isinstance(limit, tuple) and limit]
    if not limits:
        return ""
    limit, (low, high) = limits[0], spec.possible
    if spec.unit == "dB" and high == 0.0 and 0.0 < limit < 1.0:
        return f"; if {limit:g} is in per cent, write {20.0 * math.log10(limit / 100.0):.4g}"
    if spec.unit == "V" and low < limit / 1000.0 < high < limit:
        return f"; if {limit:g} is in mV, write {limit / 1000.0:g}"
    if spec.unit == "dB" and not low <= limit <= high and low <= -limit <= high:
        return f"; is the sign wrong? {-limit:g} would be possible"
    return ""


def _says_nothing(side: Side, limit: Limit, inside: Range) -> bool:
    """Return whether every possible value lies on a limit's good side."""
    low, high = inside
    return tightest(limit, "min") <= low if side == "min" else tightest(limit, "max") >= high


def _limit_text(limit: Limit, unit: str) -> str:
    if not isinstance(limit, tuple):
        return _number(limit, unit)
    values = [value for _, value in limit]
    return f"{min(values):.6g} to {_number(max(values), unit)}"


def _number(value: float, unit: str) -> str:
    text = f"{value:.4g}" if abs(value) < 1e4 else f"{value:.6g}"
    return f"{text} {unit}" if unit else text
