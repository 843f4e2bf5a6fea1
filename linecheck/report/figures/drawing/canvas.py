"""A figure laid out on paper: axes, masks, curves, labels and marks. Lengths are points, of which an inch has 72."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import Any, Final

import numpy as np

from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.data import Axis, Figure, FloatArray, Guide, LimitLine, Mark, Series
from linecheck.report.figures.drawing.frame import Frame, frame_of
from linecheck.report.figures.drawing.labels import Box, Labels, end_of_leader, fitted, text_width
from linecheck.report.figures.drawing.palette import (
    FAILS,
    HATCHED,
    INK,
    LINES,
    MARGINAL,
    OVERLAY_DASHES,
    OVERLAYS,
    QUIET_INK,
    REFERENCE,
)
from linecheck.report.figures.drawing.paper import Paper, Path
from linecheck.report.figures.table import drawn_series, limit_line_at, with_unit
from linecheck.report.figures.words import axis_number, short_number

_HEIGHT, _LEFT, _BOTTOM, _TOP, _UNTITLED_TOP = 236.0, 48.0, 36.0, 22.0, 10.0
_CAPTION_HEIGHT, _SAMPLE = 11.0, 16.0
_MAX_LABEL_LENGTH = 28
#: Size and spacing of the curves' names, and of those that are many.
_NAMES, _SMALL_NAMES = (8.0, 0.5), (6.5, 0.25)
#: A curve of so few points shows them.
_MAX_DOTS = 60
#: A curve of more points than this is drawn thinner.
_MANY_POINTS = 250
#: Most words are narrower than their boxes, by this share.
_WORDS, _SMALL_WORDS, _SPARE = 7.0, 6.0, 0.12
#: Words beside each other are so far apart.
_GAP = 2.0
#: Where the name of a peak may stand: so far above it, and so many halves of its width to the right.
_TAG_SIZE = 6.5
_BESIDE_A_PEAK = tuple(product((1.5, 5.0, 9.0, 14.0), (0.0, 0.6, -0.6, 1.2, -1.2)))
#: Colour, width and dash of a line from top to bottom: of a place, and of a limit of one, as edges of masks are drawn.
GUIDES: Final[dict[str | None, tuple[str, float, tuple[float, ...]]]] = {
    None: (QUIET_INK, 0.7, (6, 2, 1, 2)),
    "pass": (MARGINAL[1], 0.9, (3, 2)),
    "fail": (FAILS[1], 0.9, ()),
}
_ROUND = [(math.cos(turn), math.sin(turn)) for turn in np.linspace(0.0, 2.0 * math.pi, 24, endpoint=False)]
#: A shape for each verdict, its corners about its middle: what passes is round, what does not has corners.
_SHAPES: Final[dict[Verdict | None, list[tuple[float, float]]]] = {
    Verdict.PASS: _ROUND,
    Verdict.MARGINAL: [(0.0, 1.41), (1.41, 0.0), (0.0, -1.41), (-1.41, 0.0)],
    Verdict.FAIL: [
        *((-1.0, -0.5), (-0.5, 0.0), (-1.0, 0.5), (-0.5, 1.0), (0.0, 0.5), (0.5, 1.0)),
        *((1.0, 0.5), (0.5, 0.0), (1.0, -0.5), (0.5, -1.0), (0.0, -0.5), (-0.5, -1.0)),
    ],
    Verdict.INVALID: [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)],
    None: [(-1.0, 1.0), (1.0, 1.0), (0.0, -1.0)],
}


def shape(
    at: tuple[float, float], verdict: Verdict | None, radius: float, name: str = "", order: float = 5.0
) -> Path:
    """Return what marks a point with this verdict; a small triangle where none judges it."""
    passes = verdict is Verdict.PASS
    corners = radius * np.array(_SHAPES.get(verdict, _SHAPES[None]))
    return Path(
        (corners,),
        INK,
        1.0 if passes else 0.5,
        fill="#ffffff" if passes else INK,
        at=at,
        name=name,
        order=order,
    )


class Axes:
    """A figure's axes on the paper: ``box`` is where they are, and :meth:`place` where its numbers are."""

    def __init__(self, figure: Figure, box: Box, paper: Paper) -> None:
        self.box, self.frame, self._log = box, frame_of(figure), figure.x.log
        left, bottom, right, top = box
        self.paper, self.labels = paper, Labels(left, bottom, right - left, top - bottom)

    def place(self, x: object, y: object) -> tuple[FloatArray, FloatArray]:
        """Return places on the paper; what lies far beyond the axes stays finite."""
        left, bottom, right, top = self.box
        ends, values = np.array(self.frame[:2]), np.asarray(x, dtype=float)
        if self._log:
            ends, values = np.log10(ends), np.log10(np.maximum(values, 1e-300))
        across = (values - ends[0]) / (ends[1] - ends[0])
        up = (np.asarray(y, dtype=float) - self.frame.y_low) / (self.frame.y_high - self.frame.y_low)
        return left + across * (right - left), bottom + up * (top - bottom)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return one place on the paper."""
        across, up = self.place(x, y)
        return float(across), float(up)

    def write(
        self, box: Box, text: str, colour: str, *, to_right: bool = False, size: float = _WORDS
    ) -> None:
        """Write in a free box on the paper, from its left or to its right, and keep it."""
        left, bottom, right, top = box
        self.labels.take((left - _GAP, bottom, right + _GAP, top), words=True)
        aside = _SPARE * (right - left)
        ground = (left + aside, bottom, right, top) if to_right else (left, bottom, right - aside, top)
        self.paper.box(ground, "#ffffff", opacity=0.8, order=6)
        x, anchor = (right, "end") if to_right else (left, "start")
        self.paper.write(x, bottom, text, size, up="bottom", colour=colour, anchor=anchor, order=6)


def draw_figure(figure: Figure, width: float, *, titled: bool = True) -> Paper:
    """Return the figure on a paper of this width."""
    drawn = drawn_series(figure)
    names = [text_width(_cut(series.label), 8.0) for series in drawn]
    right = min(1.1 * max(names, default=0.0) + _SAMPLE + 18.0, 170.0)
    top = _TOP if titled else _UNTITLED_TOP
    bottom = _BOTTOM + (_CAPTION_HEIGHT if figure.caption else 0.0)
    paper = Paper(width, _HEIGHT)
    end = max(width - right, _LEFT + 60.0)
    axes = Axes(figure, (_LEFT, bottom, end, _HEIGHT - top), paper)
    _draw_axes(figure, axes)
    if titled:
        title = visible(figure.title)
        size = fitted(title, 9.0, width - 12.0)
        paper.write(6.0, _HEIGHT - 13.0, title, size, colour=INK, bold=True)
    if figure.caption:
        caption = visible(figure.caption)
        paper.write(_LEFT, 4.0, caption, fitted(caption, 7.0, width - _LEFT - 6.0))
    _keep_clear(figure, drawn, axes)
    _draw_masks(figure, axes)
    _draw_guides(figure, axes)
    _draw_curves(drawn, axes)
    _draw_names(drawn, axes, at_ends=figure.names_at_ends)
    _draw_marks(figure, axes)
    _name_limits(figure, axes)
    _draw_tags(figure, axes)
    return paper


def _keep_clear(figure: Figure, drawn: Sequence[Series], axes: Axes) -> None:
    """Keep all words off the curves and the edges of masks."""
    for limit in figure.limits:
        edge = axes.place(limit.x, np.clip(limit.y, axes.frame.y_low, axes.frame.y_high))
        axes.labels.avoid(*edge, edge=True)
    for series in drawn:
        if not len(series.x):
            continue
        places = axes.place(series.x, np.clip(series.y, axes.frame.y_low, axes.frame.y_high))
        if series.style == "line":
            axes.labels.avoid(*places)
            continue
        for x, y in np.column_stack(places).tolist():
            axes.labels.take((x - 2.0, axes.box[1] if series.style == "stems" else y - 2.0, x + 2.0, y + 2.0))


def _draw_guides(figure: Figure, axes: Axes) -> None:
    """Draw the lines from top to bottom; the words of a place stand beside its own, at whichever end has room."""
    _, low, _, high = axes.box
    across = [axes.at(guide.x, axes.frame.y_low)[0] for guide in figure.guides]
    for guide, place in zip(figure.guides, across, strict=True):
        colour, width, dash = GUIDES[guide.zone]
        axes.paper.line([place, place], [low, high], colour, width, dash=dash, clip=axes.box, order=1.5)
        axes.labels.take((place - 1.0, low, place + 1.0, high))
    for guide, place in zip(figure.guides, across, strict=True):
        text = visible(guide.text)
        for up, right in product((low + 2.0, high - 10.0), (False, True)) if guide.zone is None else ():
            box = axes.labels.free(place + (-3.0 if right else 3.0), up, text, _WORDS, right=right)
            if box is not None:
                axes.write(box, text, QUIET_INK, to_right=right)
                break


def _name_limits(figure: Figure, axes: Axes) -> None:
    """Write what places limit, where the marks have left room."""
    across = [axes.at(guide.x, axes.frame.y_low)[0] for guide in figure.guides]
    for guide, place in zip(figure.guides, across, strict=True):
        if guide.zone is not None:
            _name_limit(axes, guide, (min(across), place, max(across)))


def _name_limit(axes: Axes, guide: Guide, places: tuple[float, float, float]) -> None:
    """Write what a place limits beside all such lines, on the side where it is not met, joined to its own.

    ``places`` are where the first, this and the last of them stand on the paper.
    """
    first, place, last = places
    text, colour = visible(guide.text), GUIDES[guide.zone][0]
    _, low, _, high = axes.box
    heights = sorted(
        np.arange(low + 4.0, high - 9.0, 11.0).tolist(), key=lambda up: abs(up - 0.5 * (low + high))
    )
    lower, higher = (first - 4.0, True), (last + 4.0, False)
    sides = (lower, higher) if guide.below else (higher, lower)
    for size, (x, to_right), up in product((_WORDS, _SMALL_WORDS), sides, heights):
        box = axes.labels.free(x, up, text, size, right=to_right)
        if box is not None:
            axes.write(box, text, colour, to_right=to_right, size=size)
            level = 0.5 * (box[1] + box[3])
            axes.paper.line([place, x], [level, level], QUIET_INK, 0.6, order=4)
            axes.paper.line([place, place], [level, level + 0.1], colour, 3.0, cap="round", order=4)
            return


def _draw_tags(figure: Figure, axes: Axes) -> None:
    """Write the names of peaks right above them, the highest first; one that has no room there is left out."""
    frame = axes.frame
    for tag in sorted(figure.tags, key=lambda tag: -tag.y):
        if not (frame.x_low <= tag.x <= frame.x_high and frame.y_low <= tag.y <= frame.y_high):
            continue
        across, up = axes.at(tag.x, tag.y)
        text = visible(tag.text)
        half = 0.5 * text_width(text, _TAG_SIZE)
        for above, aside in _BESIDE_A_PEAK:
            place = across - half + aside * half, up + above
            box = axes.labels.free(*place, text, _TAG_SIZE, on_edges=True)
            if box is not None:
                axes.write(box, text, INK, size=_TAG_SIZE)
                break


def _cut(text: str) -> str:
    shown = visible(text).replace("\n", " ")
    return shown if len(shown) <= _MAX_LABEL_LENGTH else f"{shown[: _MAX_LABEL_LENGTH - 1]}…"


def _draw_axes(figure: Figure, axes: Axes) -> None:
    """Draw the axes with their numbers, words and grid."""
    paper, frame, (left, bottom, right, top) = axes.paper, axes.frame, axes.box
    paper.box((0.0, 0.0, paper.width, paper.height), "#ffffff", order=0)
    paper.box(axes.box, "#ffffff", order=0)
    xs, ys = x_ticks(figure, frame), round_numbers(frame.y_low, frame.y_high, 7)
    across, up = axes.place(xs, frame.y_low)[0], axes.place(frame.x_low, ys)[1]
    grids = {
        "grid-x": [[(x, end) for x in across] for end in (bottom, top)],
        "grid-y": [[(end, y) for y in up] for end in (left, right)],
    }
    for name, ends in grids.items():
        if ends[0]:
            paper.strokes(ends, "#e3e3e3", 0.5, name=name, clip=axes.box, order=0.9)
    told = short_number if figure.x.log or figure.x.unit == "Hz" else axis_number
    for x, place in zip(across.tolist(), xs, strict=True):
        paper.write(x, bottom - 4.0, told(place), 7.5, up="top", anchor="middle")
    for y, place in zip(up.tolist(), ys, strict=True):
        paper.write(left - 4.0, y, axis_number(place), 7.5, up="middle", anchor="end")
    look: dict[str, Any] = {"colour": INK, "anchor": "middle"}
    paper.write(0.5 * (left + right), bottom - 15.0, _along(figure.x), 8.0, up="top", **look)
    paper.write(left - 36.0, 0.5 * (bottom + top), _along(figure.y), 8.0, turned=True, **look)
    paper.line([left, left, right], [top, bottom, bottom], QUIET_INK, 0.6, cap="square", order=2.5)


def _along(axis: Axis) -> str:
    return visible(with_unit(axis.label, axis.unit))


def x_ticks(figure: Figure, frame: Frame) -> list[float]:
    """Return where the x axis has numbers; a logarithmic one of many decades has one in each."""
    if not figure.x.log:
        return round_numbers(frame.x_low, frame.x_high, 8)
    steps = (1.0, 2.0, 5.0) if frame.x_high < 1e6 * frame.x_low else (1.0,)
    decades = range(math.floor(math.log10(frame.x_low)), math.ceil(math.log10(frame.x_high)) + 1)
    # Decimal powers as they are read, so that 0.001 is no 0.0010000000000000002.
    places = (step * float(f"1e{decade}") for decade in decades for step in steps)
    inside = [place for place in places if frame.x_low <= place <= frame.x_high]
    # A part of less than a decade has hardly any of them.
    return inside if len(inside) > 2 else round_numbers(frame.x_low, frame.x_high, 8)


def round_numbers(low: float, high: float, most: int) -> list[float]:
    """Return round numbers from one end to the other, at least two where there are: at most so many steps apart."""
    raw = (high - low) / most
    steps = [
        step * 10.0**power
        for power in range(math.floor(math.log10(raw)) + 1, math.floor(math.log10(raw)) - 3, -1)
        for step in (5.0, 2.0, 1.0)
    ]
    for step in steps[max(sum(step >= raw * (1.0 - 1e-9) for step in steps) - 1, 0) :]:
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last > first:
            break
    return [step * number for number in range(first, last + 1)]


def _draw_masks(figure: Figure, axes: Axes) -> None:
    limits: dict[tuple[str, str], LimitLine] = {(limit.zone, limit.side): limit for limit in figure.limits}
    for side in ("max", "min"):
        inner, outer = limits.get(("pass", side)), limits.get(("fail", side))
        if inner is not None or outer is not None:
            _draw_side(figure, axes, inner, outer, side)


def _draw_side(
    figure: Figure, axes: Axes, inner: LimitLine | None, outer: LimitLine | None, side: str
) -> None:
    """Tint what lies beyond a limit, and say what that means."""
    edge = axes.box[3 if side == "max" else 1]
    x = np.unique(np.concatenate([line.x for line in (inner, outer) if line is not None]))
    passes, fails = (
        np.full(len(x), np.nan) if line is None else limit_line_at(line, x, figure.x.log)
        for line in (inner, outer)
    )
    is_marginal = inner is not None and not np.array_equal(passes, fails, equal_nan=True)
    x, up = axes.place(x, passes)
    down, line = axes.place(x, fails)[1], axes.paper.line
    if is_marginal:
        end = np.where(np.isnan(down), edge, down)
        axes.paper.area(x, up, end, MARGINAL[0], clip=axes.box, order=0.5)
        line(x, up, MARGINAL[1], 0.9, clip=axes.box, order=2, name=f"limit-pass-{side}")
    word = "above" if side == "max" else "below"
    if outer is not None:
        axes.paper.area(x, down, edge, **HATCHED, clip=axes.box, order=0.6)
        line(x, down, FAILS[1], 1.1, clip=axes.box, order=2, name=f"limit-fail-{side}")
        _zone_word(axes, x, down, f"fails {word}", side, FAILS[1])
    if is_marginal:
        _zone_word(axes, x, up, f"marginal {word}", side, MARGINAL[1])


def _zone_word(axes: Axes, x: FloatArray, y: FloatArray, text: str, side: str, colour: str) -> None:
    """Write beside a limit what lies beyond it, where there is room: beyond it, or else on its other side."""
    limited = np.isfinite(y)
    if not np.any(limited):
        return
    places, heights = x[limited], y[limited]
    shares, asides = (0.02, 0.98, 0.5, 0.3, 0.7, 0.15, 0.85), (2.0, -2.0 - 1.25 * _WORDS)
    for aside, share in product(asides if side == "max" else asides[::-1], shares):
        right = share > 0.5
        across = float(places[0] + share * (places[-1] - places[0]))
        up = float(np.interp(across, places, heights)) + aside
        box = axes.labels.free(across, up, text, _WORDS, right=right)
        if box is not None:
            axes.write(box, text, colour, to_right=right)
            return


def _draw_curves(drawn: Sequence[Series], axes: Axes) -> None:
    """Draw the curves; a point is a stroke that has hardly a length, whose round ends are the dot."""
    for index, series in enumerate(drawn):
        colour, dash = look_of(drawn, index)
        order = 2.5 if series.is_reference else 3.0
        name, (x, y) = f"curve-{index}", axes.place(series.x, series.y)
        if series.style == "stems":
            ends = [np.column_stack([x, end]) for end in (np.full(len(x), axes.box[1]), y)]
            axes.paper.strokes(ends, colour, 1.0, name=name, clip=axes.box, order=order)
            continue
        if series.style == "line":
            look: dict[str, Any] = {"dash": dash, "cap": "butt" if dash else "square"}
            axes.paper.line(x, y, colour, _width(series), name=name, clip=axes.box, order=order, **look)
        few = len(series.x) <= _MAX_DOTS and not series.is_thin
        if len(series.x) and (series.style == "points" or few):
            axes.paper.strokes(
                # A bitmap shows no stroke without any length.
                [np.column_stack([x, end]) for end in (y, y + 0.1)],
                colour,
                _dot(series),
                cap="round",
                clip=axes.box,
                order=3.1,
                name=name if series.style == "points" else "",
            )


def _ends(drawn: Sequence[Series], axes: Axes) -> list[tuple[float, float]]:
    """Return where each curve ends on the paper; at the upper right of the axes where it has no point."""
    frame = axes.frame
    return [
        axes.at(entry.x[-1], np.clip(entry.y[-1], frame.y_low, frame.y_high))
        if len(entry.x)
        else axes.box[2:]
        for entry in drawn
    ]


def _apart(wanted: Sequence[float], low: float, high: float, least: float) -> list[float]:
    """Return heights in the order of those wanted, at least so far apart, between two ends if there is room."""
    order = sorted(range(len(wanted)), key=lambda index: -wanted[index])
    found, above = [0.0] * len(wanted), high + least
    for index in order:
        found[index] = above = min(wanted[index], above - least)
    below = low - least
    for index in reversed(order):
        found[index] = below = max(found[index], below + least)
    return found


def _draw_names(drawn: Sequence[Series], axes: Axes, *, at_ends: bool) -> None:
    """Write the curves' names beside the axes, each with a piece of its line; what has no room is counted.

    With ``at_ends`` each stands as high as its curve ends and is joined to it by a thin line.
    """
    _, bottom, right, top = axes.box
    size, spacing = _NAMES if _room(top - bottom, *_NAMES) >= len(drawn) else _SMALL_NAMES
    room = _room(top - bottom, size, spacing)
    listed = len(drawn) if len(drawn) <= room else room - 1
    names = [_cut(series.label) for series in drawn[:listed]]
    if listed < len(drawn):
        names.append(f"and {len(drawn) - listed} more")
    step = size * (1.0 + spacing)
    heights = [top - 5.0 - step * index for index in range(len(names))]
    if at_ends and listed == len(drawn):
        ends = _ends(drawn, axes)
        heights = _apart([up for _, up in ends], bottom + 4.0, top - 4.0, step)
        for (x, y), up in zip(ends, heights, strict=True):
            axes.paper.line([x, right, right + 5.0], [y, y, up], QUIET_INK, 0.4)
    for index, (name, up) in enumerate(zip(names, heights, strict=True)):
        ink = QUIET_INK
        if index < listed:
            colour, dash = look_of(drawn, index)
            # A light line's name is as dark as other words.
            ink = QUIET_INK if colour in OVERLAYS else colour
            sample = [right + 6.0, right + 6.0 + _SAMPLE]
            if drawn[index].style == "points":
                middle = sum(sample) / 2.0
                axes.paper.strokes(
                    [[(middle, up)], [(middle, up + 0.1)]], colour, _dot(drawn[index]), cap="round"
                )
            else:
                axes.paper.line(sample, [up, up], colour, _width(drawn[index]), dash=dash)
        axes.paper.write(right + 9.0 + _SAMPLE, up, name, size, up="middle", colour=ink)


def _room(height: float, size: float, spacing: float) -> int:
    """Return how many names have room below each other."""
    return int((height - size) / (size * (1.0 + spacing)))


def _dot(series: Series) -> float:
    """Return how wide a point is."""
    return 2.0 if series.is_reference else 2.8


def _width(series: Series) -> float:
    """Return how wide a curve's line is; that of a reference is thinner than all others."""
    if series.is_reference:
        return 0.4 if series.is_thin else 0.6
    return 0.8 if len(series.x) > _MANY_POINTS else 1.2


def look_of(drawn: Sequence[Series], index: int) -> tuple[str, tuple[float, ...]]:
    """Return a curve's colour and dash, lengths of its width by turns; a stem has the ink's."""
    series = drawn[index]
    if series.style == "stems":
        return INK, ()
    if series.is_reference and series.look is not None:
        number = sum(entry.is_reference and entry.look == series.look for entry in drawn[:index])
        return OVERLAYS[number % len(OVERLAYS)], OVERLAY_DASHES[series.look % len(OVERLAY_DASHES)]
    if series.is_reference:
        number = sum(entry.is_reference for entry in drawn[:index])
        return REFERENCE[0], (REFERENCE[1], (1.0, 1.0))[number % 2]
    place = sum(not entry.is_reference and entry.style != "stems" for entry in drawn[:index])
    return LINES[(place if series.look is None else series.look) % len(LINES)]


def _draw_marks(figure: Figure, axes: Axes) -> None:
    """Draw the marks with their words, each joined to its point by a thin line."""
    x_low, x_high, y_low, y_high = axes.frame
    inside = [_held(mark, y_low, y_high) for mark in figure.marks if x_low <= mark.x <= x_high]
    points = [axes.at(mark.x, mark.y) for mark in inside]
    for x, y in points:
        axes.labels.take((x - 4.0, y - 4.0, x + 4.0, y + 4.0))
    order = sorted(range(len(inside)), key=lambda index: (inside[index].verdict is None, -inside[index].y))
    for index in order:
        mark, point = inside[index], points[index]
        axes.paper.items.append(
            shape(point, mark.verdict, 2.0 if mark.verdict is None else 3.0, f"mark-{index}")
        )
        box = axes.labels.near(point, visible(mark.text), _WORDS) if mark.text else None
        if box is None:
            continue
        _join(axes, point, box)
        # The words end at the side of their box that their line comes to, whatever width the font gives them.
        to_right = point[0] > 0.5 * (box[0] + box[2])
        axes.write(box, visible(mark.text), INK, to_right=to_right)


def _held(mark: Mark, low: float, high: float) -> Mark:
    """Return a mark that lies beyond the ends of the y axis at that end, saying so."""
    if low <= mark.y <= high:
        return mark
    side, at = ("below", low) if mark.y < low else ("above", high)
    return replace(mark, y=at, text=f"{mark.text} ({side} what is drawn)")


def _join(axes: Axes, point: tuple[float, float], box: Box) -> None:
    """Draw the line from a mark to its words, which ends where they begin."""
    across, up = end_of_leader(point, box)
    length = math.hypot(across - point[0], up - point[1])
    share = max(1.0 - 3.5 / length, 0.0) if length else 0.0
    start = (across + share * (point[0] - across), up + share * (point[1] - up))
    axes.paper.line([across, start[0]], [up, start[1]], QUIET_INK, 0.6, order=4)
    axes.labels.join((across, up), point)
