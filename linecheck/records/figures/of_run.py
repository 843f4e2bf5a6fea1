"""Figures and strips of one check of a run.

=========================  =======================================================================
:func:`figures_of_check`   every curve of a check with its masks, its worst points, its sidebands
:func:`strips_of_check`    every judged value of a check between its limits
=========================  =======================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import Curve, CurveSpec
from linecheck.limits.masks import extent, limit_at
from linecheck.limits.model import Bounds, Limit, Mask
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.records.figures.data import Axis, Figure, LimitLine, Mark, Series, Strip
from linecheck.records.figures.sidebands import sideband_marks
from linecheck.records.figures.words import curve_name, file_name, place_text, plain_name, value_text
from linecheck.records.view import RunView
from linecheck.station.outcome import CheckOutcome

__all__ = ["curve_spec", "figures_of_check", "hold_of", "limit_lines", "strips_of_check", "x_label"]

#: From where to where a pass band is looked at, and how closely.
PASS_BAND_HZ, PASS_BAND_DB = (20.0, 20000.0), 1.0
#: An impulse response is looked at this far around its peak.
IMPULSE_MS = 1.5
_QUANTITIES = {"Hz": "frequency", "dBFS": "level", "ms": "time"}
_TITLES = {"crosstalk_over_frequency": "how far a driven channel lies above what it leaves in the other"}
_SETTLED = (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL)
_VERBS = {Verdict.PASS: "passes", Verdict.MARGINAL: "marginal", Verdict.FAIL: "fails"}


def figures_of_check(
    view: RunView, check: CheckOutcome, *, reference: RunView | None = None
) -> tuple[Figure, ...]:
    """Return the figures of a check: one for each curve, all channels in it; a filter's response at two depths.

    Parameters
    ----------
    view : RunView
        The run, whose masks are drawn.
    check : CheckOutcome
        One of its checks. A curve without a point gives no figure.
    reference : RunView, optional
        Another run, whose curves of the same check are drawn beside these.
    """
    figures: list[Figure] = []
    for metric in dict.fromkeys(item.curve.metric for item in check.judged.curves):
        items = [item for item in check.judged.curves if item.curve.metric == metric and len(item.curve.x)]
        if items:
            figures += _figures(view, check, items, _reference_series(reference, check, metric))
    return tuple(figures)


def _figures(
    view: RunView, check: CheckOutcome, items: Sequence[JudgedCurve], others: Sequence[Series]
) -> list[Figure]:
    """Return the figures of one curve of all channels."""
    metric = items[0].curve.metric
    if metric == "response":
        return [
            _figure(view, check, items, others, "pass-band"),
            _figure(view, check, items, others, "full-depth"),
        ]
    return [_figure(view, check, items, others, "impulse" if metric == "impulse" else "whole")]


def _figure(
    view: RunView,
    check: CheckOutcome,
    items: Sequence[JudgedCurve],
    others: Sequence[Series],
    part: Literal["whole", "pass-band", "full-depth", "impulse"],
) -> Figure:
    first = items[0].curve
    spec = curve_spec(check.kind, first.metric)
    mask = view.mask(check.check, first.metric)
    span = (
        min(float(item.curve.x[0]) for item in items),
        max(float(item.curve.x[-1]) for item in items),
    )
    marks = tuple(mark for item in items for mark in _worst_marks(item))
    if check.kind == "jitter" and first.metric == "sidebands":
        marks += sideband_marks([item.curve for item in items], check.judged.problems)
    axes = axes_of(spec, first, part, [item.curve for item in items])
    title = _title(check, spec, part)
    name = file_name(first.metric if part in ("whole", "impulse") else f"{first.metric}-{part}")
    series = tuple(Series(item.curve.channel or "pair", item.curve.x, item.curve.y) for item in items)
    return Figure(
        name,
        title,
        _alt(title, items, mask),
        *axes,
        (*series, *others),
        limit_lines(mask, span, spec.log_x),
        marks,
        hold_of(spec),
        _caption(items, part),
    )


def curve_spec(kind: str, metric: str) -> CurveSpec:
    """Return what a kind says of a curve; a guess where a record is of a kind or curve that is no more."""
    known = kinds().get(kind)
    specs = {spec.name: spec for spec in known.curves} if known is not None else {}
    return specs.get(metric) or CurveSpec(metric, "", "", plain_name(metric), log_x=False)


def hold_of(spec: CurveSpec) -> Literal["max", "min", "both"]:
    """Return which points matter most: the highest of what is unwanted, the lowest of what is wanted."""
    return {"less": "max", "more": "min", "nominal": "both"}[spec.better]  # type: ignore[return-value]


def axes_of(spec: CurveSpec, curve: Curve, part: str, curves: Sequence[Curve]) -> tuple[Axis, Axis]:
    """Return the axes of a curve's figure; a ``part`` of it has ends of its own."""
    x_unit, label = curve.x_unit, y_label(spec, curve)
    if part == "pass-band":
        inside = [entry.y[(entry.x >= PASS_BAND_HZ[0]) & (entry.x <= PASS_BAND_HZ[1])] for entry in curves]
        top = max((float(np.max(y, initial=0.0)) for y in inside), default=0.0)
        high = PASS_BAND_DB if top <= PASS_BAND_DB else float(np.ceil(top))
        x = Axis(x_label(x_unit), x_unit, True, *PASS_BAND_HZ)
        return x, Axis(label, curve.unit, low=-PASS_BAND_DB, high=high)
    if part == "impulse":
        return Axis("time from the peak", x_unit, low=-IMPULSE_MS, high=IMPULSE_MS), Axis(label, curve.unit)
    return Axis(x_label(x_unit, spec.name), x_unit, spec.log_x), Axis(label, curve.unit)


def x_label(unit: str, metric: str = "") -> str:
    """Return what runs along an axis, by its unit."""
    if metric == "sidebands":
        return "distance from the tone"
    return _QUANTITIES.get(unit, "place")


def y_label(spec: CurveSpec, curve: Curve) -> str:
    """Return what the y axis shows, with the bandwidth that its levels are stated at."""
    name = curve_name(spec.name)
    return name if curve.resolution_hz is None else f"{name} ({curve.resolution_hz:.3g} Hz bandwidth)"


def _title(check: CheckOutcome, spec: CurveSpec, part: str) -> str:
    more = {"pass-band": ", pass band", "full-depth": ", full depth"}.get(part, "")
    text = _TITLES.get(spec.name) or spec.text or curve_name(spec.name)
    return f"{check.check}: {text}{more}"


def limit_lines(mask: Mask | None, span: tuple[float, float], log_x: bool) -> tuple[LimitLine, ...]:
    """Return the edges of a mask over a curve's span.

    A mask without a fail mask fails what it does not pass: its edges are there for both.
    """
    if mask is None:
        return ()
    outer = mask.fail if mask.fail is not None else mask.pass_
    lines: list[LimitLine] = []
    zones: tuple[tuple[Literal["pass", "fail"], Bounds], ...] = (("pass", mask.pass_), ("fail", outer))
    for zone, bounds in zones:
        for side, limit in (("min", bounds.min), ("max", bounds.max)):
            if limit is not None:
                lines.append(_limit_line(zone, side, limit, span, log_x))  # type: ignore[arg-type]
    return tuple(line for line in lines if len(line.x))


def _limit_line(
    zone: Literal["pass", "fail"],
    side: Literal["min", "max"],
    limit: Limit,
    span: tuple[float, float],
    log_x: bool,
) -> LimitLine:
    corners = [point[0] for point in limit] if isinstance(limit, tuple) else []
    first, last = extent(limit)
    low, high = max(first, span[0]), min(last, span[1])
    if low > high:
        return LimitLine(zone, side, np.zeros(0), np.zeros(0))
    x = np.unique(np.array([low, *(corner for corner in corners if low < corner < high), high]))
    return LimitLine(zone, side, x, limit_at(limit, x, log_x))


def _worst_marks(item: JudgedCurve) -> list[Mark]:
    """Return the worst point of a judged curve, where one was found."""
    if item.worst_x is None or item.worst_y is None or item.verdict not in _SETTLED:
        return []
    curve = item.curve
    margin = "" if item.margin is None else f", {_margin(item.margin, curve.unit)}"
    where = f"{value_text(item.worst_y, curve.unit)} at {place_text(item.worst_x, curve.x_unit)}"
    channel = f" {curve.channel}" if curve.channel else ""
    return [
        Mark(
            item.worst_x,
            item.worst_y,
            f"worst{channel}: {where}, {_VERBS[item.verdict]}{margin}",
            item.verdict,
        )
    ]


def _margin(margin: float, unit: str) -> str:
    side = "inside" if margin >= 0.0 else "outside"
    return f"{value_text(abs(margin), unit)} {side}"


def _alt(title: str, items: Sequence[JudgedCurve], mask: Mask | None) -> str:
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
        parts += [f"{mark.text}." for mark in _worst_marks(item)]
        if item.verdict is Verdict.INVALID:
            parts.append(f"{channel} was not judged.")
    if mask is None:
        parts.append("No mask judges it.")
    return " ".join(parts)


def _caption(items: Sequence[JudgedCurve], part: str) -> str:
    told = [_energies(item.curve) for item in items] if part == "impulse" else []
    return f"energy before and after the main lobe: {'; '.join(filter(None, told))}" if any(told) else ""


def _energies(curve: Curve) -> str:
    """Return how much of an impulse response's energy comes before its peak's lobe, and how much after."""
    before, after = lobe_energies(curve)
    if before is None or after is None:
        return ""
    return f"{curve.channel or 'pair'} {value_text(before, 'dB')} and {value_text(after, 'dB')}"


def lobe_energies(curve: Curve) -> tuple[float | None, float | None]:
    """Return the energies before and after the main lobe (between changes of sign), dB re all of the energy."""
    energy = curve.y**2
    whole = float(np.sum(energy))
    if not len(energy) or not np.isfinite(whole) or whole <= 0.0:
        return None, None
    peak = int(np.argmax(np.abs(curve.y)))
    other = np.sign(curve.y) != np.sign(curve.y[peak])
    before, after = np.flatnonzero(other[:peak]), np.flatnonzero(other[peak:])
    first = int(before[-1]) + 1 if len(before) else 0
    last = peak + int(after[0]) if len(after) else len(energy)
    return _decibels(float(np.sum(energy[:first])) / whole), _decibels(float(np.sum(energy[last:])) / whole)


def _decibels(ratio: float) -> float:
    return 10.0 * float(np.log10(max(ratio, 1e-30)))


def _reference_series(reference: RunView | None, check: CheckOutcome, metric: str) -> list[Series]:
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


def strips_of_check(view: RunView, check: CheckOutcome) -> tuple[Strip, ...]:
    """Return a strip for every judged value of a check; values that could not be measured are there without one."""
    strips = []
    for item in check.judged.readings:
        mask = view.mask(check.check, item.reading.metric)
        if item.verdict is not None and mask is not None:
            strips.append(_strip(check.check, item, mask))
    return tuple(strips)


def _strip(check: str, item: JudgedReading, mask: Mask) -> Strip:
    reading = item.reading
    outer = mask.fail if mask.fail is not None else mask.pass_
    edges = [_flat(limit) for limit in (mask.pass_.min, mask.pass_.max, outer.min, outer.max)]
    low, high = strip_range(reading.value, reading.uncertainty, edges)
    return Strip(
        check,
        reading.metric,
        reading.channel,
        reading.unit,
        reading.value,
        reading.uncertainty,
        reading.is_bound,
        item.verdict,
        item.margin,
        low,
        high,
        pass_min=edges[0],
        pass_max=edges[1],
        fail_min=edges[2],
        fail_max=edges[3],
    )


def _flat(limit: Limit | None) -> float | None:
    return None if limit is None or isinstance(limit, tuple) else float(limit)


def strip_range(
    value: float | None,
    uncertainty: float | None,
    edges: Sequence[float | None],
    others: Sequence[float] = (),
) -> tuple[float, float]:
    """Return from where to where a strip goes: all limits, the value with its uncertainty, and room around them.

    Parameters
    ----------
    value, uncertainty : float or None
    edges : sequence of float or None
        The limits: pass from, pass up to, fail below, fail above.
    others : sequence of float
        What else is to be seen.
    """
    spread = 2.0 * (uncertainty or 0.0)
    shown = [edge for edge in edges if edge is not None] + list(others)
    shown += [] if value is None else [value - spread, value + spread]
    shown = [entry for entry in shown if np.isfinite(entry)]
    if not shown:
        return -1.0, 1.0
    low, high = min(shown), max(shown)
    span = high - low
    if span <= 0.0:
        span = 0.2 * abs(low) or 1.0
    return low - 0.2 * span, high + 0.2 * span
