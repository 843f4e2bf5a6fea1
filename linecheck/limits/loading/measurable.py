"""Refusing masks that no unit can meet, and margins of what is never measured."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from linecheck.checks.base import CurveSpec
from linecheck.checks.parts.superseded import of_former
from linecheck.files.faults import FaultList
from linecheck.files.yaml import REFUSED, KeyPath
from linecheck.limits.decision import END_TOLERANCE
from linecheck.limits.masks import extent
from linecheck.limits.model import Check, Mask


def refuse_unmeasurable(check: Check, data: object, path: KeyPath, channels: int, faults: FaultList) -> None:
    """Add a fault for each mask that would make every unit invalid.

    Parameters
    ----------
    check : Check
    data : object
        What stands under ``masks``: also a mask that is wrong in another way is named.
    path : KeyPath
        Where that stands.
    channels : int
        How many the file declares.
    faults : FaultList
    """
    written = (
        {name for name, mask in data.items() if mask is not REFUSED} if isinstance(data, dict) else set()
    )
    never = _never_measured(check, channels)
    for name, reason in never.items():
        if name in written:
            message = f"can never be measured, so no unit can pass: {reason}"
            faults.add_key((*path, name), f"{message}; change that, or leave the mask out")
    for spec, (first, last), beyond in _too_wide(check, never):
        for place, x in beyond:
            message = (
                f"{spec.name} is measured from {first:.9g} to {last:.9g} {spec.x_unit}, "
                f"so no unit can be judged here; expected a point in that range, got {x:.9g}"
            )
            faults.add((*path, spec.name, *place, 0), message)


def refuse_incomparable(
    check: Check, margins: Mapping[str, float | None], path: KeyPath, channels: int, faults: FaultList
) -> None:
    """Add a fault for each margin that a check itself gives to what it never measures."""
    never = _never_measured(check, channels)
    for name, reason in never.items():
        if margins.get(name) is not None:
            message = f"can never be measured, so nothing can be compared: {reason}"
            faults.add_key((*path, name), f"{message}; change that, or leave the margin out")


def never_judged(check: Check, channels: int) -> list[str]:
    """Return why masks of a check can never be met by any unit; empty if all can.

    A limit file with such a mask is refused when it is loaded; this is for what changes afterwards.
    """
    never = _never_measured(check, channels)
    reasons = [f"{name} can never be measured: {never[name]}" for name in check.masks if name in never]
    reasons += [
        f"{spec.name} is measured from {first:.9g} to {last:.9g}, its mask goes further"
        for spec, (first, last), _ in _too_wide(check, never)
    ]
    return reasons


def _never_measured(check: Check, channels: int) -> Mapping[str, str]:
    """Return what a check never gives, each with why."""
    never = check.kind.never_measured(
        check.stimulus, check.analysis, channels, has_reference=check.reference is not None
    )
    return of_former(check.kind, never)


def _too_wide(
    check: Check, never: Mapping[str, str]
) -> Iterator[tuple[CurveSpec, tuple[float, float], list[tuple[KeyPath, float]]]]:
    """Yield the masked curves that end short of a limit: the curve's span, and the limit's ends beyond it."""
    spans = of_former(check.kind, check.kind.curve_spans(check.stimulus, check.analysis))
    for spec in check.masked:
        if isinstance(spec, CurveSpec) and spec.name in spans and spec.name not in never:
            beyond = list(_beyond(check.masks[spec.name], spec, spans[spec.name]))
            if beyond:
                yield spec, spans[spec.name], beyond


def _beyond(mask: Mask, spec: CurveSpec, span: tuple[float, float]) -> Iterator[tuple[KeyPath, float]]:
    """Yield each end of a limit that lies where its curve never goes: where it stands, and its place on the axis."""
    first, last = span
    spare = END_TOLERANCE if spec.log_x else 1e-9
    for place, limit in mask.limits.items():
        if not isinstance(limit, tuple):
            continue
        start, stop = extent(limit)
        for index, x in ((0, start), (len(limit) - 1, stop)):
            if not first - spare * abs(first) <= x <= last + spare * abs(last):
                yield (*place, index), x
