"""Figures of a comparison: every curve with all sides in it, and how the others differ from the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from linecheck.checks.base import Curve, CurveSpec
from linecheck.history.comparison.model import ComparedCurve, Comparison, Side
from linecheck.limits.masks import limit_at
from linecheck.report.figures.curves import (
    PASS_BAND_HZ,
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
from linecheck.report.figures.data import Axis, Figure, Mark, Series
from linecheck.report.figures.words import curve_name, file_name, place_text, value_text

__all__ = ["figures_of_comparison"]

#: Curves that are smooth enough for their difference to say something at every place.
_SMOOTH = (
    "response",
    "thd_n",
    "thd_n_wideband",
    "thd_n_wide",
    "imd_over_level",
    "gain_error",
    "separation_over_frequency",
    "crosstalk_over_frequency",
)


def figures_of_comparison(comparison: Comparison) -> tuple[Figure, ...]:
    """Return the figures of a comparison, for each curve and channel.

    A filter's response is drawn at two depths. Where curves are smooth, a figure more has the differences from the
    first side: at the first side's places, the others between their own by straight lines.
    """
    figures: list[Figure] = []
    for compared in comparison.curves:
        sides = [
            (side, curve)
            for side, curve in zip(comparison.sides, compared.curves, strict=False)
            if curve is not None and len(curve.x)
        ]
        if sides:
            figures += [_overlay(comparison, compared, sides, part) for part in parts_of(compared.metric)]
            figures += _differences(comparison, compared, sides)
    return tuple(figures)


def _overlay(
    comparison: Comparison, compared: ComparedCurve, sides: Sequence[tuple[Side, Curve]], part: Part
) -> Figure:
    spec = _spec(compared)
    curves = [curve for _, curve in sides]
    span = min(float(curve.x[0]) for curve in curves), max(float(curve.x[-1]) for curve in curves)
    title = _titled(compared, spec, part)
    marks = _marks(comparison, compared) if part in ("whole", "full-depth") else ()
    return Figure(
        _named(compared, part),
        title,
        _alt(title, sides, marks),
        *axes_of(spec, curves[0], part, curves),
        tuple(Series(_told(side), curve.x, curve.y, look=_look(comparison, side)) for side, curve in sides),
        limit_lines(compared.mask, span, compared.log_x),
        marks,
        hold_of(spec),
        energies_caption([(side.label, curve) for side, curve in sides]) if part == "impulse" else "",
    )


def _spec(compared: ComparedCurve) -> CurveSpec:
    known = curve_spec(compared.kind, compared.metric)
    return replace(known, log_x=compared.log_x)


def _told(side: Side) -> str:
    return f"{side.label}: {side.name}" if side.name else side.label


def _titled(compared: ComparedCurve, spec: CurveSpec, part: Part) -> str:
    channel = f" ({compared.channel})" if compared.channel else ""
    return f"{title_of(compared.check, spec, part)}{channel}"


def _named(compared: ComparedCurve, part: str) -> str:
    """Return a name that no other figure of the comparison has."""
    return file_name(
        "-".join(filter(None, (compared.check, part_name(compared.metric, part), compared.channel)))
    )


def _marks(comparison: Comparison, compared: ComparedCurve) -> tuple[Mark, ...]:
    """Return where each side differs most from the first, if that is real."""
    marks = []
    for side, difference in zip(comparison.sides[1:], compared.differences, strict=False):
        if not difference.significant or None in (difference.x, difference.value, difference.difference):
            continue
        x, value, change = float(difference.x or 0.0), float(difference.value or 0.0), difference.difference
        amount, place = _signed(float(change or 0.0), compared.unit), place_text(x, compared.x_unit)
        marks.append(Mark(x, value, f"{side.label}: {amount} re {comparison.sides[0].label} at {place}"))
    return tuple(marks)


def _signed(value: float, unit: str) -> str:
    return ("+" if value > 0.0 else "") + value_text(value, unit)


def _alt(title: str, sides: Sequence[tuple[Side, Curve]], marks: Sequence[Mark]) -> str:
    parts = [f"{title}."]
    for side, curve in sides:
        least, most = (
            value_text(float(np.min(curve.y)), curve.unit),
            value_text(float(np.max(curve.y)), curve.unit),
        )
        parts.append(f"{_told(side)}: between {least} and {most}.")
    parts += [f"Largest difference of {mark.text}." for mark in marks]
    return " ".join(parts)


def _look(comparison: Comparison, side: Side) -> int:
    return [entry.label for entry in comparison.sides].index(side.label)


def _differences(
    comparison: Comparison, compared: ComparedCurve, sides: Sequence[tuple[Side, Curve]]
) -> list[Figure]:
    """Return the figure of the differences from the first side, where curves are smooth."""
    (first, base), others = sides[0], sides[1:]
    if compared.metric not in _SMOOTH or not others or compared.curves[0] is None:
        return []
    series = [
        replace(_difference(side, curve, base, compared.log_x), look=_look(comparison, side))
        for side, curve in others
    ]
    series = [entry for entry in series if len(entry.x)]
    if not series:
        return []
    spec = _spec(compared)
    title = f"{_titled(compared, spec, 'whole')}, less that of {_told(first)}"
    x, y = axes_of(spec, base, "whole", [base])
    if compared.metric == "response":
        x = Axis(x.label, x.unit, x.log, *PASS_BAND_HZ)
    label = f"{curve_name(compared.metric)}, less {first.label}"
    return [
        Figure(
            _named(compared, "difference"),
            title,
            f"{title}. {' '.join(_range(entry, y.unit) for entry in series)}",
            x,
            Axis(label, y.unit),
            tuple(series),
            hold="both",
        )
    ]


def _range(series: Series, unit: str) -> str:
    least, most = float(np.min(series.y)), float(np.max(series.y))
    return f"{series.label}: between {_signed(least, unit)} and {_signed(most, unit)}."


def _difference(side: Side, curve: Curve, base: Curve, log_x: bool) -> Series:
    """Return a side's curve less the first one's, at those of its places which both reach."""
    corners = tuple((float(x), float(y)) for x, y in zip(curve.x, curve.y, strict=True))
    change = limit_at(corners, base.x, log_x) - base.y
    kept = np.isfinite(change)
    return Series(_told(side), base.x[kept], change[kept])
