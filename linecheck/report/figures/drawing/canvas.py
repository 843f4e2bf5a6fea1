"""A figure laid out on paper: axes, masks, curves, labels and marks. Lengths are points, of which an inch has 72."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.data import Axis, Figure, Guide, LimitLine, Mark, Series
from linecheck.report.figures.drawing.frame import Frame, frame_of
from linecheck.report.figures.drawing.labels import Box, Labels, fitted, text_width
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
    THIN,
)
from linecheck.report.figures.table import drawn_series, limit_line_at, with_unit
from linecheck.report.figures.words import axis_number, short_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

#: At so many dots an inch a dot is a point, so that places on the canvas are lengths on paper.
DOTS_AN_INCH: Final = 72.0
_HEIGHT, _LEFT, _BOTTOM, _TOP, _UNTITLED_TOP = 236.0, 48.0, 36.0, 22.0, 10.0
_CAPTION_HEIGHT, _SAMPLE = 11.0, 16.0
_MAX_LABEL_LENGTH = 28
#: Size and spacing of the curves' names, and of those that are many.
_NAMES, _SMALL_NAMES = (8.0, 0.5), (6.5, 0.25)
#: A curve of so few points shows them.
_MAX_DOTS = 60
#: A curve of more points than this is drawn thinner.
_MANY_POINTS = 250
#: Where the name of a peak may stand: so far above it, and so many halves of its width to the right.
_TAG_SIZE = 6.5
_BESIDE_A_PEAK = tuple(product((1.5, 5.0, 9.0, 14.0), (0.0, 0.6, -0.6, 1.2, -1.2)))
#: Colour and dash of a line from top to bottom: of a place, and of the limits of one, as edges of masks are drawn.
GUIDES: dict[str | None, tuple[str, Any]] = {
    None: (QUIET_INK, (0, (6, 2, 1, 2))),
    "pass": (MARGINAL[1], (0, (3, 2))),
    "fail": (FAILS[1], "solid"),
}
#: The thin line from words to what they name.
_LEADER: dict[str, Any] = {
    "xycoords": "figure points",
    "textcoords": "figure points",
    "arrowprops": {"arrowstyle": "-", "color": QUIET_INK, "linewidth": 0.6, "shrinkA": 0.0, "shrinkB": 0.0},
}
#: A shape for each verdict: what passes is round, what does not has corners.
_SHAPES = {Verdict.PASS: "o", Verdict.MARGINAL: "D", Verdict.FAIL: "X", Verdict.INVALID: "s"}


def shape_of(verdict: Verdict | None) -> str:
    """Return the shape that marks a point with this verdict; a small triangle where none judges it."""
    return _SHAPES.get(verdict, "v") if verdict is not None else "v"


def draw_figure(figure: Figure, width_inches: float, *, titled: bool = True) -> Canvas:
    """Return the figure on a canvas of :data:`DOTS_AN_INCH`."""
    from matplotlib.figure import Figure as Canvas

    drawn = drawn_series(figure)
    names = [text_width(_cut(series.label), 8.0) for series in drawn]
    right = min(1.1 * max(names, default=0.0) + _SAMPLE + 14.0, 170.0)
    width, top = DOTS_AN_INCH * width_inches, _TOP if titled else _UNTITLED_TOP
    bottom = _BOTTOM + (_CAPTION_HEIGHT if figure.caption else 0.0)
    canvas = Canvas(figsize=(width_inches, _HEIGHT / DOTS_AN_INCH), dpi=DOTS_AN_INCH)
    inside, height = max(width - _LEFT - right, 60.0), _HEIGHT - bottom - top
    axes = canvas.add_axes((_LEFT / width, bottom / _HEIGHT, inside / width, height / _HEIGHT))
    labels = Labels(_LEFT, bottom, inside, height)
    _draw_axes(figure, axes)
    if titled:
        title = visible(figure.title)
        _write_on(canvas, 6.0, _HEIGHT - 13.0, title, fitted(title, 9.0, width - 12.0), weight="bold")
    if figure.caption:
        caption = visible(figure.caption)
        _write_on(canvas, _LEFT, 4.0, caption, fitted(caption, 7.0, width - _LEFT - 6.0), color=QUIET_INK)
    _keep_clear(drawn, axes, labels)
    _draw_masks(figure, axes, labels)
    _draw_guides(figure, axes, labels)
    _draw_curves(drawn, axes)
    ends = _ends(drawn, axes) if figure.names_at_ends else None
    _draw_names(drawn, canvas, _LEFT + inside, bottom, height, ends)
    _draw_marks(figure, axes, labels)
    _name_limits(figure, axes, labels)
    _draw_tags(figure, axes, labels)
    return canvas


def _keep_clear(drawn: Sequence[Series], axes: Axes, labels: Labels) -> None:
    """Keep all words off the curves."""
    for series in drawn:
        if not len(series.x):
            continue
        places = axes.transData.transform(np.column_stack([series.x, np.clip(series.y, *axes.get_ylim())]))
        if series.style == "line":
            labels.avoid(*places.T)
            continue
        floor = axes.bbox.y0
        for x, y in places.tolist():
            labels.take((x - 2.0, floor if series.style == "stems" else y - 2.0, x + 2.0, y + 2.0))


def _draw_guides(figure: Figure, axes: Axes, labels: Labels) -> None:
    """Draw the lines from top to bottom, each with its words beside it, or joined to it from where there is room."""
    across = [float(axes.transData.transform((guide.x, 0.0))[0]) for guide in figure.guides]
    for guide, place in zip(figure.guides, across, strict=True):
        colour, dash = GUIDES[guide.zone]
        axes.axvline(guide.x, color=colour, linewidth=0.9 if guide.zone else 0.7, linestyle=dash, zorder=1.5)
        labels.take((place - 1.0, axes.bbox.y0, place + 1.0, axes.bbox.y1))
    ends = axes.bbox.y0 + 2.0, axes.bbox.y1 - 10.0
    for guide, place in sorted(
        zip(figure.guides, across, strict=True), key=lambda entry: entry[0].zone is not None
    ):
        text, colour = visible(guide.text), GUIDES[guide.zone][0]
        for up, right in product(ends, (False, True)) if guide.zone is None else ():
            box = labels.free(place + (-3.0 if right else 3.0), up, text, 7.0, right=right)
            if box is not None:
                labels.take(box)
                _write(axes, box, text, colour, to_right=right)
                break


def _name_limits(figure: Figure, axes: Axes, labels: Labels) -> None:
    """Write what places limit, where the marks have left room."""
    across = [float(axes.transData.transform((guide.x, 0.0))[0]) for guide in figure.guides]
    for guide, place in zip(figure.guides, across, strict=True):
        if guide.zone is not None:
            _name_limit(axes, labels, guide, (min(across), place, max(across)))


def _name_limit(axes: Axes, labels: Labels, guide: Guide, places: tuple[float, float, float]) -> None:
    """Write what a place limits beside all such lines, on the side where it is not met, joined to its own.

    ``places`` are where the first, this and the last of them stand on the paper.
    """
    first, place, last = places
    text, colour = visible(guide.text), GUIDES[guide.zone][0]
    middle = 0.5 * (axes.bbox.y0 + axes.bbox.y1)
    heights = sorted(
        np.arange(axes.bbox.y0 + 4.0, axes.bbox.y1 - 9.0, 11.0).tolist(), key=lambda up: abs(up - middle)
    )
    lower, higher = (first - 4.0, True), (last + 4.0, False)
    for (x, to_right), up in product((lower, higher) if guide.below else (higher, lower), heights):
        box = labels.free(x, up, text, 7.0, right=to_right)
        if box is None:
            continue
        labels.take(box)
        level = 0.5 * (box[1] + box[3])
        axes.annotate("", (place, level), (x, level), **_LEADER, annotation_clip=False, zorder=4)
        end = axes.transData.inverted().transform((place, level)).tolist()
        axes.plot(*end, color=colour, marker="o", markersize=3.0, linestyle="none", zorder=4)
        _write(axes, box, text, colour, to_right=to_right)
        return


def _draw_tags(figure: Figure, axes: Axes, labels: Labels) -> None:
    """Write the names of peaks right above them, the highest first; one that has no room there is left out."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    for tag in sorted(figure.tags, key=lambda tag: -tag.y):
        if not (left <= tag.x <= right and low <= tag.y <= high):
            continue
        across, up = axes.transData.transform((tag.x, tag.y)).tolist()
        text = visible(tag.text)
        half = 0.5 * text_width(text, _TAG_SIZE)
        for above, aside in _BESIDE_A_PEAK:
            box = labels.free(across - half + aside * half, up + above, text, _TAG_SIZE)
            if box is not None:
                labels.take(box)
                _write(axes, box, text, INK, size=_TAG_SIZE)
                break


def _cut(text: str) -> str:
    shown = visible(text).replace("\n", " ")
    return shown if len(shown) <= _MAX_LABEL_LENGTH else f"{shown[: _MAX_LABEL_LENGTH - 1]}…"


def _write_on(canvas: Canvas, x: float, y: float, text: str, size: float, **look: Any) -> None:  # noqa: ANN401 - matplotlib's own
    """Write at a place on the paper."""
    place = (x / DOTS_AN_INCH, y / DOTS_AN_INCH)
    canvas.text(*place, text, fontsize=size, transform=canvas.dpi_scale_trans, **look)


def _draw_axes(figure: Figure, axes: Axes) -> None:
    """Draw the axes with their numbers, words and grid.

    Of each tick matplotlib makes a dozen objects, and a page has hundreds: a path for all grid lines of an axis, and a
    text a number, take half of the time.
    """
    frame = frame_of(figure)
    axes.set_xlim(frame.x_low, frame.x_high)
    axes.set_ylim(frame.y_low, frame.y_high)
    if figure.x.log:
        axes.set_xscale("log")
    axes.xaxis.set_visible(False)
    axes.yaxis.set_visible(False)
    axes.spines[["top", "right"]].set_visible(False)
    across, up = x_ticks(figure, frame), _ticks(frame.y_low, frame.y_high, 7)
    _grid(axes, "x", [((x, frame.y_low), (x, frame.y_high)) for x in across])
    _grid(axes, "y", [((frame.x_low, y), (frame.x_high, y)) for y in up])
    told = short_number if figure.x.log or figure.x.unit == "Hz" else axis_number
    for place in across:
        x, y = axes.transData.transform((place, frame.y_low))
        _beside(axes, (x, y - 4.0), told(place), ha="center", va="top")
    for place in up:
        x, y = axes.transData.transform((frame.x_low, place))
        _beside(axes, (x - 4.0, y), axis_number(place), ha="right", va="center_baseline")
    box = axes.bbox
    _beside(axes, (0.5 * (box.x0 + box.x1), box.y0 - 15.0), _along(figure.x), 8.0, INK, ha="center", va="top")
    middle = box.x0 - 34.0, 0.5 * (box.y0 + box.y1)
    _beside(axes, middle, _along(figure.y), 8.0, INK, ha="right", va="center", rotation=90)


def _along(axis: Axis) -> str:
    return visible(with_unit(axis.label, axis.unit))


def x_ticks(figure: Figure, frame: Frame) -> list[float]:
    """Return where the x axis has numbers; a logarithmic one of many decades has one in each."""
    if not figure.x.log:
        return _ticks(frame.x_low, frame.x_high, 8)
    steps = (1.0, 2.0, 5.0) if frame.x_high < 1e6 * frame.x_low else (1.0,)
    decades = range(math.floor(math.log10(frame.x_low)), math.ceil(math.log10(frame.x_high)) + 1)
    # Decimal powers as they are read, so that 0.001 is no 0.0010000000000000002.
    places = (step * float(f"1e{decade}") for decade in decades for step in steps)
    inside = [place for place in places if frame.x_low <= place <= frame.x_high]
    # A part of less than a decade has hardly any of them.
    return inside if len(inside) > 2 else _ticks(frame.x_low, frame.x_high, 8)


def _ticks(low: float, high: float, most: int) -> list[float]:
    from matplotlib.ticker import MaxNLocator

    places = MaxNLocator(most, steps=[1, 2, 5, 10]).tick_values(low, high)
    return [float(place) for place in places if low <= place <= high]


def _grid(axes: Axes, name: str, lines: Sequence[tuple[tuple[float, float], tuple[float, float]]]) -> None:
    """Draw the lines of an axis' ticks as one path, ``grid-x`` or ``grid-y``, a line for each in their order."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    if lines:
        path = Path([end for line in lines for end in line], [Path.MOVETO, Path.LINETO] * len(lines))
        axes.add_artist(
            PathPatch(
                path, edgecolor="#E3E3E3", facecolor="none", linewidth=0.5, zorder=0.9, gid=f"grid-{name}"
            )
        )


def _beside(
    axes: Axes,
    place: tuple[float, float],
    text: str,
    size: float = 7.5,
    colour: str = QUIET_INK,
    **look: Any,  # noqa: ANN401 - matplotlib's own
) -> None:
    """Write beside an axis, at a place on the paper; an annotation of matplotlib's takes half as long again."""
    x, y = place
    paper: Any = axes.figure.dpi_scale_trans
    axes.text(x / DOTS_AN_INCH, y / DOTS_AN_INCH, text, transform=paper, fontsize=size, color=colour, **look)


def _draw_masks(figure: Figure, axes: Axes, labels: Labels) -> None:
    limits: dict[tuple[str, str], LimitLine] = {(limit.zone, limit.side): limit for limit in figure.limits}
    for side in ("max", "min"):
        inner, outer = limits.get(("pass", side)), limits.get(("fail", side))
        if inner is not None or outer is not None:
            _draw_side(figure, axes, labels, inner, outer, side)


def _draw_side(
    figure: Figure, axes: Axes, labels: Labels, inner: LimitLine | None, outer: LimitLine | None, side: str
) -> None:
    """Tint what lies beyond a limit, and say what that means."""
    edge = axes.get_ylim()[side == "max"]
    x = np.unique(np.concatenate([line.x for line in (inner, outer) if line is not None]))
    passes, fails = (
        np.full(len(x), np.nan) if line is None else limit_line_at(line, x, figure.x.log)
        for line in (inner, outer)
    )
    is_marginal = inner is not None and not np.array_equal(passes, fails, equal_nan=True)
    if is_marginal:
        end = np.where(np.isnan(fails), edge, fails)
        axes.fill_between(x, passes, end, color=MARGINAL[0], linewidth=0, zorder=0.5)
        axes.plot(x, passes, color=MARGINAL[1], linewidth=0.9, zorder=2, gid=f"limit-pass-{side}")
    word = "above" if side == "max" else "below"
    if outer is not None:
        axes.fill_between(x, fails, edge, **HATCHED, hatch="////", linewidth=0, zorder=0.6)
        axes.plot(x, fails, color=FAILS[1], linewidth=1.1, zorder=2, gid=f"limit-fail-{side}")
        _zone_word(axes, labels, x, fails, f"fails {word}", side, FAILS[1])
    if is_marginal:
        _zone_word(axes, labels, x, passes, f"marginal {word}", side, MARGINAL[1])


def _zone_word(
    axes: Axes, labels: Labels, x: np.ndarray, y: np.ndarray, text: str, side: str, colour: str
) -> None:
    """Write beside a limit what lies beyond it, where there is room."""
    limited = np.isfinite(y)
    if not np.any(limited):
        return
    places, heights = axes.transData.transform(np.column_stack([x[limited], y[limited]])).T
    for share in (0.02, 0.98, 0.5, 0.3, 0.7, 0.15, 0.85):
        right = share > 0.5
        across = float(places[0] + share * (places[-1] - places[0]))
        up = float(np.interp(across, places, heights)) + (2.0 if side == "max" else -9.0)
        box = labels.free(across, up, text, 7.0, right=right)
        if box is not None:
            labels.take(box)
            _write(axes, box, text, colour, to_right=right)
            return


def _write(
    axes: Axes, box: Box, text: str, colour: str, *, to_right: bool = False, size: float = 7.0
) -> None:
    """Write in a box on the paper, from its left or to its right."""
    axes.annotate(
        text,
        (box[2] if to_right else box[0], box[1]),
        xycoords="figure points",
        fontsize=size,
        color=colour,
        ha="right" if to_right else "left",
        va="bottom",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
        zorder=6,
        annotation_clip=False,
    )


def _draw_curves(drawn: Sequence[Series], axes: Axes) -> None:
    """Draw the curves."""
    for index, series in enumerate(drawn):
        colour, dash = look_of(drawn, index)
        common: dict[str, Any] = {
            "color": colour,
            "gid": f"curve-{index}",
            "zorder": 2.5 if series.is_reference else 3,
        }
        if series.style == "stems":
            axes.vlines(series.x, axes.get_ylim()[0], series.y, linewidth=1.0, linestyles=dash, **common)
            continue
        if series.style == "line":
            axes.plot(series.x, series.y, linewidth=_width(series), linestyle=dash, **common)
        few = len(series.x) <= _MAX_DOTS and not series.is_thin
        if len(series.x) and (series.style == "points" or few):
            _draw_dots(axes, series, colour, common["gid"] if series.style == "points" else None)


def _draw_dots(axes: Axes, series: Series, colour: str, name: str | None) -> None:
    """Draw a curve's points as one path of strokes that have hardly a length, whose round ends are the dots.

    A marker for each takes five times as many bytes.
    """
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    low, high = axes.get_ylim()
    places = np.repeat(np.column_stack([series.x, series.y]), 2, axis=0)
    # A bitmap shows no stroke without any length.
    places[1::2, 1] += 1e-5 * (high - low)
    dots = PathPatch(
        Path(places, [Path.MOVETO, Path.LINETO] * len(series.x)),
        edgecolor=colour,
        facecolor="none",
        linewidth=2.0 if series.is_reference else 2.8,
        capstyle="round",
        zorder=3.1,
        gid=name,
    )
    dots.set_snap(False)
    axes.add_patch(dots)


def _ends(drawn: Sequence[Series], axes: Axes) -> list[tuple[float, float]]:
    """Return where each curve ends on the paper; at the right of the axes where it has no point."""
    nothing = float(axes.bbox.x1), float(axes.bbox.y1)
    places = [
        axes.transData.transform((entry.x[-1], np.clip(entry.y[-1], *axes.get_ylim()))).tolist()
        if len(entry.x)
        else nothing
        for entry in drawn
    ]
    return [(float(x), float(y)) for x, y in places]


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


def _draw_names(
    drawn: Sequence[Series],
    canvas: Canvas,
    right: float,
    bottom: float,
    height: float,
    ends: Sequence[tuple[float, float]] | None,
) -> None:
    """Write the curves' names beside the axes, each with a piece of its line; what has no room is counted.

    Each stands as high as its curve ends, if ``ends`` says where that is, and is joined to it by a thin line.
    A legend of matplotlib's own takes as long as the curves do.
    """
    from matplotlib.lines import Line2D

    size, spacing = _NAMES if _room(height, *_NAMES) >= len(drawn) else _SMALL_NAMES
    room = _room(height, size, spacing)
    listed = len(drawn) if len(drawn) <= room else room - 1
    names = [_cut(series.label) for series in drawn[:listed]]
    if listed < len(drawn):
        names.append(f"and {len(drawn) - listed} more")
    step = size * (1.0 + spacing)
    heights = [bottom + height - 5.0 - step * index for index in range(len(names))]
    if ends is not None and listed == len(drawn):
        heights = _apart([up for _, up in ends], bottom + 4.0, bottom + height - 4.0, step)
        for (x, y), up in zip(ends, heights, strict=True):
            joint = Line2D(
                [part / DOTS_AN_INCH for part in (x, right, right + 5.0)],
                [part / DOTS_AN_INCH for part in (y, y, up)],
                color=QUIET_INK,
                linewidth=0.4,
                transform=canvas.dpi_scale_trans,
            )
            canvas.add_artist(joint)
    for index, name in enumerate(names):
        up = heights[index]
        ink = QUIET_INK
        if index < listed:
            colour, dash = look_of(drawn, index)
            # A light line's name is as dark as other words.
            ink = QUIET_INK if colour in (*OVERLAYS, THIN) else colour
            sample = Line2D(
                [(right + 6.0) / DOTS_AN_INCH, (right + 6.0 + _SAMPLE) / DOTS_AN_INCH],
                2 * [up / DOTS_AN_INCH],
                color=colour,
                linestyle=dash,
                linewidth=_width(drawn[index]),
                transform=canvas.dpi_scale_trans,
            )
            canvas.add_artist(sample)
        _write_on(canvas, right + 9.0 + _SAMPLE, up, name, size, color=ink, va="center_baseline")


def _room(height: float, size: float, spacing: float) -> int:
    """Return how many names have room below each other."""
    return int((height - size) / (size * (1.0 + spacing)))


def _width(series: Series) -> float:
    """Return how wide a curve's line is; that of a reference is thinner than all others."""
    if series.is_reference:
        return 0.4 if series.is_thin else 0.6
    return 0.8 if len(series.x) > _MANY_POINTS else 1.2


def look_of(drawn: Sequence[Series], index: int) -> tuple[str, Any]:
    """Return a curve's colour and dash: ``solid``, or an offset and lengths; a stem has the ink's."""
    series = drawn[index]
    if series.style == "stems":
        return INK, "solid"
    if series.is_thin:
        return THIN, "solid"
    if series.is_reference and series.look is not None:
        number = sum(entry.is_reference and entry.look == series.look for entry in drawn[:index])
        return OVERLAYS[series.look % len(OVERLAYS)], OVERLAY_DASHES[number % len(OVERLAY_DASHES)]
    if series.is_reference:
        number = sum(entry.is_reference for entry in drawn[:index])
        return REFERENCE[0], (REFERENCE[1], (0, (1, 1)))[number % 2]
    place = sum(not entry.is_reference and entry.style != "stems" for entry in drawn[:index])
    return LINES[(place if series.look is None else series.look) % len(LINES)]


def _draw_marks(figure: Figure, axes: Axes, labels: Labels) -> None:
    """Draw the marks with their words, each joined to its point by a thin line."""
    low, high = axes.get_xlim()
    inside = [_held(mark, *axes.get_ylim()) for mark in figure.marks if low <= mark.x <= high]
    points = [tuple(axes.transData.transform((mark.x, mark.y)).tolist()) for mark in inside]
    for x, y in points:
        labels.take((x - 4.0, y - 4.0, x + 4.0, y + 4.0))
    order = sorted(range(len(inside)), key=lambda index: (inside[index].verdict is None, -inside[index].y))
    for index in order:
        mark, point = inside[index], points[index]
        passes = mark.verdict is Verdict.PASS
        axes.plot(
            [mark.x],
            [mark.y],
            marker=shape_of(mark.verdict),
            markersize=4.0 if mark.verdict is None else 6.0,
            markerfacecolor="white" if passes else INK,
            markeredgecolor=INK,
            markeredgewidth=1.0 if passes else 0.5,
            linestyle="none",
            zorder=5,
            clip_on=False,
            gid=f"mark-{index}",
        )
        box = labels.near(point, visible(mark.text), 7.0) if mark.text else None
        if box is None:
            continue
        labels.take(box)
        _join(axes, point, box)
        # The words end at the side of their box that their line comes to, whatever width the font gives them.
        to_right = point[0] > 0.5 * (box[0] + box[2])
        _write(axes, box, visible(mark.text), INK, to_right=to_right)


def _held(mark: Mark, low: float, high: float) -> Mark:
    """Return a mark that lies beyond the ends of the y axis at that end, saying so."""
    if low <= mark.y <= high:
        return mark
    side, at = ("below", low) if mark.y < low else ("above", high)
    return replace(mark, y=at, text=f"{mark.text} ({side} what is drawn)")


def _join(axes: Axes, point: tuple[float, float], box: Box) -> None:
    """Draw the line from a mark to its words."""
    across = min(max(point[0], box[0]), box[2])
    up = box[1] if box[1] > point[1] else box[3]
    look = _LEADER | {"arrowprops": _LEADER["arrowprops"] | {"shrinkB": 3.5}}
    axes.annotate("", point, (across, up), **look, zorder=4, annotation_clip=False)
