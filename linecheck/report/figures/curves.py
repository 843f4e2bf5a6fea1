"""Figures of curves: of a check of a run, with its masks and worst points, and of a comparison, with all sides.

===============================  ================================================================
:func:`figures_of_check`         every curve of a check, all channels in a figure
:func:`figures_of_comparison`    every curve of a comparison, and how the sides differ from the first
:func:`lobe_energies`            an impulse response's energy before and after its main lobe
===============================  ================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Literal

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import Curve, CurveSpec
from linecheck.checks.parts.declared import difference_unit
from linecheck.checks.parts.harmonic_curves import NAMES as HARMONICS
from linecheck.dsp.responses.lobes import beside_main_lobe_db
from linecheck.history.comparison.model import ComparedCurve, Comparison, Side
from linecheck.limits.masks import extent, limit_at
from linecheck.limits.model import Limit, Mask
from linecheck.limits.verdict import JudgedCurve, Verdict
from linecheck.report.figures.data import Axis, Figure, FloatArray, LimitLine, Mark, Series
from linecheck.report.figures.filters import pass_band_ends, transition, with_corners
from linecheck.report.figures.harmonics import harmonics
from linecheck.report.figures.impulses import decay, group_delay, phase, with_step
from linecheck.report.figures.overlay import Overlay, overlaid
from linecheck.report.figures.sidebands import both_sides, sideband_marks
from linecheck.report.figures.source import Maker, ManyMaker, Source, adding, borrowed, one_where_alike
from linecheck.report.figures.spectral import near_the_tone, with_lines, with_slopes, with_tone
from linecheck.report.figures.words import (
    curve_name,
    file_name,
    limit_text,
    metric_name,
    place_text,
    plain_name,
    value_text,
)
from linecheck.run.model import CheckOutcome, Run

_Part = Literal["whole", "pass-band", "full-depth", "impulse"]

#: From where to where a pass band is looked at.
_PASS_BAND_HZ = (20.0, 20000.0)
#: An impulse response is looked at this far around its peak.
IMPULSE_MS = 1.5
_QUANTITIES = {"Hz": "frequency", "dBFS": "level", "ms": "time"}
_ALONG = {"sidebands": "distance from the tone", "both_sides": "offset from the tone"}
_TITLES = dict.fromkeys(
    ("separation_over_frequency", "crosstalk_over_frequency"),
    "how far a driven channel lies above what it leaves in the other",
)


#: The figures that a curve is drawn in: a response at two depths.
_PARTS: dict[str, tuple[_Part, ...]] = {"response": ("pass-band", "full-depth"), "impulse": ("impulse",)}
_WHOLE: tuple[_Part, ...] = ("whole",)


def _with_wide_band(source: Source, figure: Figure) -> Figure:
    """Draw THD+N in the wide band beside that in the band."""
    wide = [
        Series(f"{item.curve.channel or 'pair'}, wide band", item.curve.x, item.curve.y)
        for item in source.curves("thd_n_wideband")
        if not _stands_alone(source.view, source.check, "thd_n_wideband")
    ]
    if not wide:
        return figure
    wide = one_where_alike(wide, "wide band", figure.series)
    own = [series for series in figure.series if not series.is_reference]
    told = " ".join(f"{series.label}: {_between(series.y, figure.y.unit)}." for series in wide)
    title = f"{source.check.check}: THD+N in the band and in the wide band, re the tone"
    mask = source.mask("worst_wideband")
    limit = None if mask is None else mask.pass_.max
    caption = (
        f"the wide band passes up to {limit_text(limit, figure.y.unit)}"
        if isinstance(limit, float | int)
        else ""
    )
    drawn = replace(figure, title=title, series=(*own, *wide, *figure.series[len(own) :]))
    return adding(drawn, told, caption)


#: What is added to the figure of a curve, by kind of check and curve: a row for each.
_ADDED: dict[tuple[str, str], Maker] = {
    ("tone", "spectrum"): with_tone,
    ("low_level_tone", "spectrum"): with_tone,
    ("quiet", "spectrum"): with_lines,
    ("multitone", "residue"): with_slopes,
    ("distortion_sweep", "thd_n"): _with_wide_band,
    ("reconstruction", "impulse"): with_step,
    ("reconstruction", "response"): with_corners,
    ("response", "response"): with_corners,
    ("jitter", "both_sides"): both_sides,
}
#: The figures that are drawn of a curve besides, from the last of its parts: a row for each curve.
_BESIDE: dict[str, tuple[Maker, ...]] = {
    "response": (transition,),
    "impulse": (decay, group_delay, phase),
    "sidebands": (near_the_tone,),
}
#: The same, where there is one for each channel.
_EACH_BESIDE: dict[tuple[str, str], ManyMaker] = {
    ("distortion_sweep", "thd_n"): harmonics,
    ("linearity", "gain_error"): harmonics,
}
#: Curves that are drawn in the figures of another one, unless they have a mask of their own.
_WITHIN = {
    ("distortion_sweep", "thd_n_wideband"): "thd_n",
    **{("distortion_sweep", name): "thd_n" for name in HARMONICS},
    **{("linearity", name): "gain_error" for name in ("thd_n", *HARMONICS)},
}
#: A metric that is the worst of all of a curve, and how: its flat mask limits the curve too.
_WORST_OF = {
    ("linearity", "gain_error"): ("largest_error", "largest"),
    ("distortion_sweep", "thd_n"): ("worst", "greatest"),
    ("multitone", "residue"): ("clean_range", "below"),
    ("crosstalk", "separation_over_frequency"): ("separation", "least"),
}


def _curve_spec(kind: str, metric: str) -> CurveSpec:
    """Return what a kind says of a curve; a guess where a record is of a kind or curve that is no more."""
    known = kinds().get(kind)
    specs = {spec.name: spec for spec in known.curves} if known is not None else {}
    return specs.get(metric) or CurveSpec(metric, "", "", plain_name(metric), log_x=False)


#: Which points matter most: the highest of what is unwanted, the lowest of what is wanted.
_HOLDS: dict[str, Literal["max", "min", "both"]] = {"less": "max", "more": "min"}


def _axes_of(
    spec: CurveSpec, curve: Curve, part: _Part, curves: Sequence[Curve], limits: Sequence[LimitLine] = ()
) -> tuple[Axis, Axis]:
    """Return the axes of a curve's figure; a ``part`` of it has ends of its own."""
    x_unit, label = curve.x_unit, curve_name(spec.name)
    if curve.resolution_hz is not None:
        label += f" ({curve.resolution_hz:.3g} Hz bandwidth)"
    along = _ALONG.get(spec.name) or _QUANTITIES.get(x_unit, "place")
    if part == "pass-band":
        inside = [entry.y[(entry.x >= _PASS_BAND_HZ[0]) & (entry.x <= _PASS_BAND_HZ[1])] for entry in curves]
        low, high = pass_band_ends(inside, limits)
        return Axis(along, x_unit, True, *_PASS_BAND_HZ), Axis(label, curve.unit, low=low, high=high)
    if part == "impulse":
        return Axis("time from the peak", x_unit, low=-IMPULSE_MS, high=IMPULSE_MS), Axis(label, curve.unit)
    return Axis(along, x_unit, spec.log_x), Axis(label, curve.unit)


def _title_of(check: str, spec: CurveSpec, part: _Part) -> str:
    """Return a figure's title: the check by its whole name, and what is drawn."""
    more = {"pass-band": ", pass band", "full-depth": ", full depth"}.get(part, "")
    text = _TITLES.get(spec.name) or spec.text or curve_name(spec.name)
    return f"{check}: {text}{more}"


def _part_name(metric: str, part: str) -> str:
    """Return a figure's name: its curve's, and which part of it is drawn."""
    return file_name(metric if part in ("whole", "impulse") else f"{metric}-{part}")


def _limit_lines(mask: Mask | None, span: tuple[float, float], log_x: bool) -> tuple[LimitLine, ...]:
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
    lines = []
    for zone, side, limit in edges:
        if limit is None:
            continue
        first, last = extent(limit)
        low, high = max(first, span[0]), min(last, span[1])
        corners = [point[0] for point in limit] if isinstance(limit, tuple) else []
        if low <= high:
            x = np.unique(np.array([low, *(corner for corner in corners if low < corner < high), high]))
            lines.append(LimitLine(zone, side, x, limit_at(limit, x, log_x)))
    return tuple(lines)


def _energies_caption(curves: Iterable[tuple[str, Curve]]) -> str:
    """Return what stands below impulse responses: how much of the energy comes before the main lobe, and after."""
    told: dict[str, list[str]] = {}
    for name, curve in curves:
        before, after = lobe_energies(curve)
        if before is not None and after is not None:
            told.setdefault(f"{value_text(before, 'dB')} and {value_text(after, 'dB')}", []).append(name)
    texts = (f"{', '.join(names)} {energies}" for energies, names in told.items())
    return f"energy before and after the main lobe: {'; '.join(texts)}" if told else ""


def lobe_energies(curve: Curve) -> tuple[float | None, float | None]:
    """Return the energies before and after an impulse response's main lobe, dB re all of the energy."""
    return beside_main_lobe_db(curve.y)


_VERBS = {Verdict.PASS: "passes", Verdict.MARGINAL: "marginal", Verdict.FAIL: "fails"}


def figures_of_check(
    view: Run, check: CheckOutcome, *, overlays: Sequence[Overlay] = ()
) -> tuple[Figure, ...]:
    """Return the figures of a check: one for each curve or more, all channels in it.

    Parameters
    ----------
    view : Run
        The run, whose masks are drawn.
    check : CheckOutcome
        One of its checks. A curve without a point gives no figure.
    overlays : sequence of Overlay
        Of other runs, whose curves of the same check are drawn beside these, with names of their own.
    """
    figures: list[Figure] = []
    for metric in dict.fromkeys(item.curve.metric for item in check.judged.curves if len(item.curve.x)):
        if _stands_alone(view, check, metric):
            figures += _figures_of_curve(Source(view, check, ()), metric, overlays)
    return tuple(figures)


def _stands_alone(view: Run, check: CheckOutcome, metric: str) -> bool:
    """Return whether a curve has figures of its own: it is judged, in no other's, and by no name of before."""
    successor = _curve_spec(check.kind, metric).superseded_by
    hosts = {_WITHIN.get((check.kind, metric)), None if successor is None else successor.name}
    is_elsewhere = any(item.curve.metric in hosts and len(item.curve.x) for item in check.judged.curves)
    return not is_elsewhere or view.mask(check.check, metric) is not None


def _figures_of_curve(source: Source, metric: str, overlays: Sequence[Overlay]) -> Iterable[Figure]:
    source = replace(source, items=source.curves(metric))
    others = overlaid(overlays, source.check, metric)
    if len(overlays) == 1:
        own = [Series("", item.curve.x, item.curve.y) for item in source.items]
        others = one_where_alike(others, overlays[0].name, own)
    figure: Figure | None = None
    for part in _PARTS.get(metric, _WHOLE):
        figure = _figure(source, others, part)
        add = _ADDED.get((source.check.kind, metric))
        yield (add(source, figure) if add is not None else None) or figure
    for maker in _BESIDE.get(metric, ()):
        made = None if figure is None else maker(source, figure)
        if made is not None:
            yield made
    each = _EACH_BESIDE.get((source.check.kind, metric))
    if each is not None and figure is not None:
        yield from each(source, figure)


def _figure(source: Source, others: Sequence[Series], part: _Part) -> Figure:
    view, check, items = source.view, source.check, source.items
    first = items[0].curve
    spec = _curve_spec(check.kind, first.metric)
    mask, whose = _mask_of(source, first.metric)
    span = (min(float(item.curve.x[0]) for item in items), max(float(item.curve.x[-1]) for item in items))
    marks = _worst_marks(items)
    if check.kind == "jitter" and first.metric == "sidebands":
        marks += sideband_marks([item.curve for item in items], check.judged.problems)
    limits = _limit_lines(mask, span, spec.log_x)
    axes = _axes_of(spec, first, part, [item.curve for item in items], limits)
    title = _title_of(check.check, spec, part)
    named = [(item.curve.channel or "pair", item.curve) for item in items]
    series = tuple(Series(name, curve.x, curve.y) for name, curve in named)
    caption = _energies_caption(named) if part == "impulse" else whose
    if part != "impulse" and mask is not None and view.limits.decision == "guarded":
        caption = "guarded: each point must lie inside the pass limits by twice its own uncertainty"
    limited = "No mask judges it." if mask is None else whose and f"The {whose}."
    return Figure(
        _part_name(first.metric, part),
        title,
        _alt(title, items, axes[0], marks, limited, others),
        *axes,
        (*series, *others),
        limits,
        marks,
        _HOLDS.get(spec.better, "both"),
        caption,
    )


def _mask_of(source: Source, metric: str) -> tuple[Mask | None, str]:
    """Return a curve's mask, or that of the metric that is its worst point, and then whose it is."""
    mask = source.mask(metric)
    worst, how = _WORST_OF.get((source.check.kind, metric), ("", ""))
    lent = borrowed(source.mask(worst), how) if mask is None and worst else None
    return (mask, "") if lent is None else (lent, f"limits are those of {metric_name(worst)}")


def _worst_marks(items: Sequence[JudgedCurve]) -> tuple[Mark, ...]:
    """Return the worst point of every judged curve; channels that are worst at one place share their words."""
    groups: dict[tuple[Verdict, str], list[JudgedCurve]] = {}
    for item in items:
        if item.worst_x is not None and item.worst_y is not None and item.verdict in _VERBS:
            place = place_text(item.worst_x, item.curve.x_unit)
            groups.setdefault((item.verdict, place), []).append(item)
    return tuple(
        Mark(
            item.worst_x or 0.0,
            item.worst_y or 0.0,
            _worst_text(verdict, place, group) if item is group[0] else "",
            verdict,
        )
        for (verdict, place), group in groups.items()
        for item in group
    )


def _worst_text(verdict: Verdict, place: str, items: Sequence[JudgedCurve]) -> str:
    """Return the worst values of channels at one place, with the least of their margins."""
    unit = items[0].curve.unit
    values = ", ".join(
        f"{item.curve.channel or ''} {value_text(item.worst_y or 0.0, unit)}".strip() for item in items
    )
    text = f"worst at {place}: {values}, {_VERBS[verdict]}"
    margin = min((item.margin for item in items if item.margin is not None), default=None)
    if margin is None:
        return text
    side = "inside" if margin >= 0.0 else "outside"
    return f"{text}, {value_text(abs(margin), difference_unit(unit))} {side}"


def _alt(
    title: str,
    items: Sequence[JudgedCurve],
    along: Axis,
    marks: Sequence[Mark],
    limited: str,
    others: Sequence[Series],
) -> str:
    """Return in words what there is to see; ``limited`` is what is to say of the limits."""
    parts = [f"{title}."]
    for item in items:
        channel = item.curve.channel or "pair"
        parts.append(f"{channel}: {_extremes(item.curve, along)}.")
        if item.verdict is Verdict.INVALID:
            parts.append(f"{channel} was not judged.")
    parts += [f"{mark.text}." for mark in marks if mark.text]
    if limited:
        parts.append(limited)
    if others:
        parts.append(f"Beside them, for comparison: {', '.join(series.label for series in others)}.")
    return " ".join(parts)


def _extremes(curve: Curve, along: Axis) -> str:
    """Return from where to where a curve goes along an axis, its lowest point and its highest, in words."""
    inside = (curve.x >= (along.low if along.low is not None else -np.inf)) & (
        curve.x <= (along.high if along.high is not None else np.inf)
    )
    x, y = curve.x[inside], curve.y[inside]
    if not len(x):
        return "nothing here"
    ends = (place_text(float(x[end]), curve.x_unit) for end in (0, -1))
    found = int(np.argmin(y)), int(np.argmax(y))
    levels = [value_text(float(y[at]), curve.unit) for at in found]
    if levels[0] == levels[1]:
        return f"from {' to '.join(ends)}, {levels[0]} throughout"
    places = (place_text(float(x[at]), curve.x_unit) for at in found)
    told = " and ".join(f"{level} (at {place})" for level, place in zip(levels, places, strict=True))
    return f"from {' to '.join(ends)}, between {told}"


def _between(y: FloatArray, unit: str, told: Callable[[float, str], str] = value_text) -> str:
    return f"between {told(float(np.min(y)), unit)} and {told(float(np.max(y)), unit)}"


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


#: The channels of a curve share a figure unless that takes more lines than this.
_MOST_LINES = 4
#: A longer caption would be too small to read; it is in the figure's words.
_LONGEST_CAPTION = 110


@dataclass(frozen=True)
class _Line:
    """A side's curve in a channel; ``look`` is the number of its colour and dash."""

    side: Side
    curve: Curve
    name: str
    look: int


def figures_of_comparison(comparison: Comparison) -> tuple[Figure, ...]:
    """Return the figures of a comparison, for each curve: all channels in one, unless that makes too many lines.

    A filter's response is drawn at two depths. Where curves are smooth, a figure more has the differences from the
    first side: at the first side's places, the others between their own by straight lines. A harmonic has one only
    where it differs or is judged.
    """
    figures: list[Figure] = []
    curves: dict[tuple[str, str], list[ComparedCurve]] = {}
    for curve in comparison.curves:
        differs = any(difference.significant for difference in curve.differences)
        if curve.metric in HARMONICS and not differs and curve.mask is None:
            continue
        curves.setdefault((curve.check, curve.metric), []).append(curve)
    for channels in curves.values():
        drawn = sum(_is_drawn(curve) for own in channels for curve in own.curves)
        for shared in [channels] if drawn <= _MOST_LINES else [[own] for own in channels]:
            lines = [_lines(comparison, own, len(shared), at) for at, own in enumerate(shared)]
            if any(lines):
                parts = _PARTS.get(shared[0].metric, _WHOLE)
                figures += [
                    _overlay(comparison, shared, sorted(chain(*lines), key=_by_look), part) for part in parts
                ]
                figures += _differences(comparison, shared, lines)
    return tuple(figures)


def _by_look(line: _Line) -> int:
    return line.look


def _is_drawn(curve: Curve | None) -> bool:
    return curve is not None and len(curve.x) > 0


def _lines(comparison: Comparison, compared: ComparedCurve, channels: int, channel: int) -> list[_Line]:
    """Return each side's curve in one of so many channels; one side looks the same in every figure."""
    more = f" {compared.channel}" if channels > 1 and compared.channel else ""
    return [
        _Line(side, curve, f"{_told(side)}{more}", channels * at + channel)
        for at, (side, curve) in enumerate(zip(comparison.sides, compared.curves, strict=False))
        if curve is not None and len(curve.x)
    ]


def _overlay(
    comparison: Comparison, shared: Sequence[ComparedCurve], lines: Sequence[_Line], part: _Part
) -> Figure:
    first, curves = shared[0], [line.curve for line in lines]
    spec = replace(_curve_spec(first.kind, first.metric), log_x=first.log_x)
    span = min(float(curve.x[0]) for curve in curves), max(float(curve.x[-1]) for curve in curves)
    title = _titled(shared, spec, part)
    marks = _marks(comparison, shared) if part in ("whole", "full-depth") else ()
    energies = _energies_of_sides(lines) if part == "impulse" else ""
    return Figure(
        _named(shared, part),
        title,
        _alt_of_sides(title, lines, marks, energies),
        *_axes_of(spec, curves[0], part, curves),
        tuple(Series(line.name, line.curve.x, line.curve.y, look=line.look) for line in lines),
        _limit_lines(first.mask, span, first.log_x),
        marks,
        _HOLDS.get(spec.better, "both"),
        energies if len(energies) <= _LONGEST_CAPTION else "",
    )


def _energies_of_sides(lines: Sequence[_Line]) -> str:
    """Return the energies of each side, once where all its channels have the same."""
    told: dict[tuple[str, str], str] = {}
    for line in lines:
        channel = line.name.removeprefix(_told(line.side))
        told.setdefault((line.side.label, _energies_caption([("", line.curve)])), channel)
    whole = [label for label, _ in told]
    texts = [
        f"{label}{'' if whole.count(label) == 1 else channel} {text.partition(': ')[2].strip()}"
        for (label, text), channel in told.items()
        if text
    ]
    return f"energy before and after the main lobe: {'; '.join(texts)}" if texts else ""


def _told(side: Side) -> str:
    return f"{side.label}: {side.name}" if side.name else side.label


def _titled(shared: Sequence[ComparedCurve], spec: CurveSpec, part: _Part) -> str:
    channel = shared[0].channel if len(shared) == 1 else None
    return _title_of(shared[0].check, spec, part) + (f" ({channel})" if channel else "")


def _named(shared: Sequence[ComparedCurve], part: str) -> str:
    """Return a name that no other figure of the comparison has."""
    first = shared[0]
    channel = first.channel if len(shared) == 1 else None
    return file_name("-".join(filter(None, (first.check, _part_name(first.metric, part), channel))))


def _marks(comparison: Comparison, shared: Sequence[ComparedCurve]) -> tuple[Mark, ...]:
    """Return where each side differs most from the first, if that is real: in the channel where it does so most."""
    marks = []
    for at, side in enumerate(comparison.sides[1:]):
        real = [
            (compared.differences[at], compared)
            for compared in shared
            if at < len(compared.differences) and compared.differences[at].significant
        ]
        told = [(own, compared) for own, compared in real if None not in (own.x, own.value, own.difference)]
        if not told:
            continue
        difference, compared = max(told, key=lambda entry: abs(entry[0].difference or 0.0))
        x, value, change = float(difference.x or 0.0), float(difference.value or 0.0), difference.difference
        amount, place = _signed(float(change or 0.0), compared.unit), place_text(x, compared.x_unit)
        marks.append(Mark(x, value, f"{side.label}: {amount} re {comparison.sides[0].label} at {place}"))
    return tuple(marks)


def _signed(value: float, unit: str) -> str:
    return ("+" if value > 0.0 else "") + value_text(value, unit)


def _alt_of_sides(title: str, lines: Sequence[_Line], marks: Sequence[Mark], energies: str) -> str:
    parts = [f"{title}."]
    parts += [f"{line.name}: {_between(line.curve.y, line.curve.unit)}." for line in lines]
    parts += [f"Largest difference of {mark.text}." for mark in marks]
    parts += [f"{energies}."] if energies else []
    return " ".join(parts)


def _differences(
    comparison: Comparison, shared: Sequence[ComparedCurve], lines: Sequence[Sequence[_Line]]
) -> list[Figure]:
    """Return the figure of the differences from the first side, where curves are smooth."""
    compared, base = shared[0], next((curve for own in shared for curve in own.curves[:1] if curve), None)
    if compared.metric not in _SMOOTH or base is None:
        return []
    series = [
        line
        for own, drawn in zip(shared, lines, strict=True)
        if _is_drawn(own.curves[0])
        for line in _less_the_first(drawn, log_x=own.log_x)
    ]
    if not series:
        return []
    spec, first = (
        replace(_curve_spec(compared.kind, compared.metric), log_x=compared.log_x),
        comparison.sides[0],
    )
    title = f"{_titled(shared, spec, 'whole')}, less that of {_told(first)}"
    x, y = _axes_of(spec, base, "whole", [base])
    if compared.metric == "response":
        x = Axis(x.label, x.unit, x.log, *_PASS_BAND_HZ)
    label = f"{curve_name(compared.metric)}, less {first.label}"
    between = [f"{each.label}: {_between(each.y, y.unit, _signed)}." for each in series]
    alt = " ".join((f"{title}.", *between))
    name = _named(shared, "difference")
    return [Figure(name, title, alt, x, Axis(label, y.unit), tuple(series), hold="both")]


def _less_the_first(lines: Sequence[_Line], *, log_x: bool) -> Iterator[Series]:
    """Yield each curve less the first, at the first's places which both reach."""
    base = lines[0].curve
    for line in lines[1:]:
        corners = tuple((float(x), float(y)) for x, y in zip(line.curve.x, line.curve.y, strict=True))
        change = limit_at(corners, base.x, log_x) - base.y
        kept = np.isfinite(change)
        if np.any(kept):
            yield Series(line.name, base.x[kept], change[kept], look=line.look)
