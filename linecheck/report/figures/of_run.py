"""Figures of one check of a run: every curve with its masks, its worst points, its sidebands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from linecheck.checks.parts.declared import difference_unit
from linecheck.limits.model import Mask
from linecheck.limits.verdict import JudgedCurve, Verdict
from linecheck.report.figures.curves import (
    Part,
    axes_of,
    curve_spec,
    energies_caption,
    hold_of,
    limit_lines,
    part_name,
    parts_of,
    title_of,
)
from linecheck.report.figures.data import Figure, Mark, Series
from linecheck.report.figures.sidebands import sideband_marks
from linecheck.report.figures.words import place_text, value_text
from linecheck.run.model import CheckOutcome, Run

__all__ = ["figures_of_check"]

_SETTLED = (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL)
_VERBS = {Verdict.PASS: "passes", Verdict.MARGINAL: "marginal", Verdict.FAIL: "fails"}


def figures_of_check(view: Run, check: CheckOutcome, *, reference: Run | None = None) -> tuple[Figure, ...]:
    """Return the figures of a check: one for each curve, all channels in it; a filter's response at two depths.

    Parameters
    ----------
    view : Run
        The run, whose masks are drawn.
    check : CheckOutcome
        One of its checks. A curve without a point gives no figure.
    reference : Run, optional
        Another run, whose curves of the same check are drawn beside these.
    """
    figures: list[Figure] = []
    for metric in dict.fromkeys(item.curve.metric for item in check.judged.curves):
        items = [item for item in check.judged.curves if item.curve.metric == metric and len(item.curve.x)]
        if items:
            others = _reference_series(reference, check, metric)
            figures += [_figure(view, check, items, others, part) for part in parts_of(metric)]
    return tuple(figures)


def _figure(
    view: Run, check: CheckOutcome, items: Sequence[JudgedCurve], others: Sequence[Series], part: Part
) -> Figure:
    first = items[0].curve
    spec = curve_spec(check.kind, first.metric)
    mask = view.mask(check.check, first.metric)
    span = (min(float(item.curve.x[0]) for item in items), max(float(item.curve.x[-1]) for item in items))
    marks = _all_worst(items)
    if check.kind == "jitter" and first.metric == "sidebands":
        marks += sideband_marks([item.curve for item in items], check.judged.problems)
    axes = axes_of(spec, first, part, [item.curve for item in items])
    title = title_of(check.check, spec, part)
    named = [(item.curve.channel or "pair", item.curve) for item in items]
    series = tuple(Series(name, curve.x, curve.y) for name, curve in named)
    return Figure(
        part_name(first.metric, part),
        title,
        _alt(title, items, mask, others),
        *axes,
        (*series, *others),
        limit_lines(mask, span, spec.log_x),
        marks,
        hold_of(spec),
        energies_caption(named) if part == "impulse" else _guard(view, mask),
    )


def _guard(view: Run, mask: Mask | None) -> str:
    """Return what the guarded rule adds to the limits that are drawn."""
    if mask is None or view.limits.decision != "guarded":
        return ""
    return "guarded: each point must lie inside the pass limits by twice its own uncertainty"


def _all_worst(items: Sequence[JudgedCurve]) -> tuple[Mark, ...]:
    """Return the worst point of every judged curve; channels that are worst at one place share their words."""
    found = [(item, mark) for item in items if (mark := _worst_mark(item)) is not None]
    groups: dict[tuple[Verdict | None, str], list[JudgedCurve]] = {}
    for item, mark in found:
        groups.setdefault((mark.verdict, place_text(mark.x, item.curve.x_unit)), []).append(item)
    marks = []
    for item, mark in found:
        alike = groups[mark.verdict, place_text(mark.x, item.curve.x_unit)]
        shared = _shared_words(alike) if alike[0] is item else ""
        marks.append(mark if len(alike) == 1 else replace(mark, text=shared))
    return tuple(marks)


def _shared_words(items: Sequence[JudgedCurve]) -> str:
    """Return the worst values of channels at one place, with the least of their margins."""
    curve, verdict = items[0].curve, items[0].verdict
    values = ", ".join(
        f"{item.curve.channel} {value_text(item.worst_y or 0.0, curve.unit)}" for item in items
    )
    margins = [item.margin for item in items if item.margin is not None]
    margin = f", {_margin(min(margins), curve.unit)}" if margins else ""
    place = place_text(items[0].worst_x or 0.0, curve.x_unit)
    verb = _VERBS[verdict] if verdict in _SETTLED else ""
    return f"worst at {place}: {values}, {verb}{margin}"


def _worst_mark(item: JudgedCurve) -> Mark | None:
    """Return the worst point of a judged curve, where one was found."""
    if item.worst_x is None or item.worst_y is None or item.verdict not in _SETTLED:
        return None
    curve = item.curve
    margin = "" if item.margin is None else f", {_margin(item.margin, curve.unit)}"
    where = f"{value_text(item.worst_y, curve.unit)} at {place_text(item.worst_x, curve.x_unit)}"
    channel = f" {curve.channel}" if curve.channel else ""
    text = f"worst{channel}: {where}, {_VERBS[item.verdict]}{margin}"
    return Mark(item.worst_x, item.worst_y, text, item.verdict)


def _margin(margin: float, unit: str) -> str:
    side = "inside" if margin >= 0.0 else "outside"
    return f"{value_text(abs(margin), difference_unit(unit))} {side}"


def _alt(title: str, items: Sequence[JudgedCurve], mask: Mask | None, others: Sequence[Series]) -> str:
    """Return in words what there is to see."""
    parts = [f"{title}."]
    for item in items:
        curve = item.curve
        low, high = place_text(float(curve.x[0]), curve.x_unit), place_text(float(curve.x[-1]), curve.x_unit)
        least, most = (
            value_text(float(np.min(curve.y)), curve.unit),
            value_text(float(np.max(curve.y)), curve.unit),
        )
        channel = curve.channel or "pair"
        parts.append(f"{channel}: from {low} to {high}, between {least} and {most}.")
        if (mark := _worst_mark(item)) is not None:
            parts.append(f"{mark.text}.")
        if item.verdict is Verdict.INVALID:
            parts.append(f"{channel} was not judged.")
    if mask is None:
        parts.append("No mask judges it.")
    if others:
        parts.append(f"Beside them, for comparison: {', '.join(series.label for series in others)}.")
    return " ".join(parts)


def _reference_series(reference: Run | None, check: CheckOutcome, metric: str) -> list[Series]:
    """Return the reference unit's curves of the same check."""
    other = None if reference is None else reference.check(check.check)
    if reference is None or other is None or other.kind != check.kind:
        return []
    return [
        Series(
            f"{reference.serial} {item.curve.channel or 'pair'}",
            item.curve.x,
            item.curve.y,
            is_reference=True,
        )
        for item in other.judged.curves
        if item.curve.metric == metric and len(item.curve.x)
    ]
