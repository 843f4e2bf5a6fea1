"""What figures of runs and of comparisons share: how a curve's axes, title and mask are drawn.

============================  ================================================================
:func:`parts_of`              the figures that one curve is drawn in
:func:`axes_of`               the axes of one of them
:func:`limit_lines`           the edges of a mask over a curve's span
:func:`lobe_energies`         an impulse response's energy before and after its main lobe
============================  ================================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import Curve, CurveSpec
from linecheck.limits.masks import extent, limit_at
from linecheck.limits.model import Limit, Mask
from linecheck.report.figures.data import Axis, LimitLine
from linecheck.report.figures.words import curve_name, file_name, plain_name, value_text

__all__ = [
    "PASS_BAND_HZ",
    "Part",
    "axes_of",
    "curve_spec",
    "energies_caption",
    "hold_of",
    "limit_lines",
    "lobe_energies",
    "part_name",
    "parts_of",
    "title_of",
]

Part = Literal["whole", "pass-band", "full-depth", "impulse"]

#: From where to where a pass band is looked at, and how closely.
PASS_BAND_HZ, PASS_BAND_DB = (20.0, 20000.0), 1.0
#: An impulse response is looked at this far around its peak.
IMPULSE_MS = 1.5
_QUANTITIES = {"Hz": "frequency", "dBFS": "level", "ms": "time"}
_TITLES = dict.fromkeys(
    ("separation_over_frequency", "crosstalk_over_frequency"),
    "how far a driven channel lies above what it leaves in the other",
)


def parts_of(metric: str) -> tuple[Part, ...]:
    """Return the figures that a curve is drawn in: a response at two depths."""
    if metric == "response":
        return ("pass-band", "full-depth")
    return ("impulse",) if metric == "impulse" else ("whole",)


def curve_spec(kind: str, metric: str) -> CurveSpec:
    """Return what a kind says of a curve; a guess where a record is of a kind or curve that is no more."""
    known = kinds().get(kind)
    specs = {spec.name: spec for spec in known.curves} if known is not None else {}
    return specs.get(metric) or CurveSpec(metric, "", "", plain_name(metric), log_x=False)


def hold_of(spec: CurveSpec) -> Literal["max", "min", "both"]:
    """Return which points matter most: the highest of what is unwanted, the lowest of what is wanted."""
    return "max" if spec.better == "less" else "min" if spec.better == "more" else "both"


def axes_of(spec: CurveSpec, curve: Curve, part: Part, curves: Sequence[Curve]) -> tuple[Axis, Axis]:
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


def title_of(check: str, spec: CurveSpec, part: Part) -> str:
    """Return a figure's title: the check by its whole name, and what is drawn."""
    more = {"pass-band": ", pass band", "full-depth": ", full depth"}.get(part, "")
    text = _TITLES.get(spec.name) or spec.text or curve_name(spec.name)
    return f"{check}: {text}{more}"


def part_name(metric: str, part: str) -> str:
    """Return a figure's name: its curve's, and which part of it is drawn."""
    return file_name(metric if part in ("whole", "impulse") else f"{metric}-{part}")


def limit_lines(mask: Mask | None, span: tuple[float, float], log_x: bool) -> tuple[LimitLine, ...]:
    """Return the edges of a mask over a curve's span.

    A mask without a fail mask fails what it does not pass: its edges are there for both.
    """
    if mask is None:
        return ()
    outer = mask.fail if mask.fail is not None else mask.pass_
    edges: tuple[tuple[Literal["pass", "fail"], Literal["min", "max"], Limit | None], ...] = (
        ("pass", "min", mask.pass_.min),
        ("pass", "max", mask.pass_.max),
        ("fail", "min", outer.min),
        ("fail", "max", outer.max),
    )
    lines = [_limit_line(zone, side, limit, span, log_x) for zone, side, limit in edges if limit is not None]
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


def energies_caption(curves: Iterable[tuple[str, Curve]]) -> str:
    """Return what stands below impulse responses: how much of the energy comes before the main lobe, and after."""
    told = [text for text in (_energies(name, curve) for name, curve in curves) if text]
    return f"energy before and after the main lobe: {'; '.join(told)}" if told else ""


def _energies(name: str, curve: Curve) -> str:
    before, after = lobe_energies(curve)
    if before is None or after is None:
        return ""
    return f"{name} {value_text(before, 'dB')} and {value_text(after, 'dB')}"


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
