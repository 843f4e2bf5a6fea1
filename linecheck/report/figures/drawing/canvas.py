"""A figure laid out on paper: axes, masks, curves, labels and marks. Lengths are points, of which an inch has 72."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.data import Figure, LimitLine, Mark, Series
from linecheck.report.figures.drawing.frame import Frame, frame_of, x_ticks
from linecheck.report.figures.drawing.labels import Box, Labels, text_width
from linecheck.report.figures.drawing.palette import FAILS, INK, LINES, MARGINAL, QUIET_INK, REFERENCE
from linecheck.report.figures.drawing.reduce import drawn_series
from linecheck.report.figures.table import limit_line_at
from linecheck.report.figures.words import axis_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

__all__ = ["draw_figure", "shape_of"]

_HEIGHT, _LEFT, _BOTTOM, _TOP, _UNTITLED_TOP = 236.0, 48.0, 36.0, 22.0, 10.0
_CAPTION_HEIGHT, _SAMPLE, _LABEL_STEP = 11.0, 16.0, 11.0
_MAX_LABEL_LENGTH = 28
#: A curve of so few points shows them.
_MAX_DOTS = 60
#: A shape for each verdict: what passes is round, what does not has corners.
_SHAPES = {Verdict.PASS: "o", Verdict.MARGINAL: "D", Verdict.FAIL: "X", Verdict.INVALID: "s"}


def shape_of(verdict: Verdict | None) -> str:
    """Return the shape that marks a point with this verdict; a small triangle where none judges it."""
    return _SHAPES.get(verdict, "v") if verdict is not None else "v"


@dataclass(frozen=True)
class _Place:
    """The paper: its axes and their ends, and where the axes lie on it, points."""

    axes: Axes
    frame: Frame
    left: float
    bottom: float
    width: float
    height: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return where a point lies on the paper."""
        across, up = self.axes.transLimits.transform(self.axes.transScale.transform((x, y)))
        return self.left + across * self.width, self.bottom + up * self.height


def draw_figure(figure: Figure, width_inches: float, *, titled: bool = True) -> Canvas:
    """Return the figure on a canvas of 72 dots an inch."""
    from matplotlib.figure import Figure as Canvas

    names = [_cut(series.label) for series in figure.series]
    right = min(max((text_width(name, 8.0) for name in names), default=0.0) + _SAMPLE + 12.0, 170.0)
    width, top = 72.0 * width_inches, _TOP if titled else _UNTITLED_TOP
    bottom = _BOTTOM + (_CAPTION_HEIGHT if figure.caption else 0.0)
    canvas = Canvas(figsize=(width_inches, _HEIGHT / 72.0), dpi=72)
    inside = max(width - _LEFT - right, 60.0)
    box = (_LEFT / width, bottom / _HEIGHT, inside / width, (_HEIGHT - bottom - top) / _HEIGHT)
    axes = canvas.add_axes(box)
    frame = frame_of(figure)
    place = _Place(axes, frame, _LEFT, bottom, inside, _HEIGHT - bottom - top)
    _draw_axes(figure, place)
    _draw_words(canvas, figure, place, titled)
    labels = Labels(place.left, place.bottom, place.width, place.height)
    drawn = drawn_series(figure)
    _draw_masks(figure, place, labels)
    _draw_curves(drawn, place)
    _draw_names(canvas, drawn, place)
    _draw_marks(figure, place, labels)
    return canvas


def _cut(text: str) -> str:
    shown = visible(text).replace("\n", " ")
    return shown if len(shown) <= _MAX_LABEL_LENGTH else f"{shown[: _MAX_LABEL_LENGTH - 1]}…"


def _draw_axes(figure: Figure, place: _Place) -> None:
    """Draw the axes with their numbers, words and grid."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

    axes, frame = place.axes, place.frame
    if figure.x.log:
        axes.set_xscale("log")
    axes.set_xlim(frame.x_low, frame.x_high)
    axes.set_ylim(frame.y_low, frame.y_high)
    ticks = x_ticks(figure, frame)
    form = FuncFormatter(lambda value, _: axis_number(value))
    axes.xaxis.set_minor_locator(NullLocator())
    if ticks is not None and ticks[0]:
        axes.xaxis.set_major_locator(FixedLocator(ticks[0]))
        axes.xaxis.set_ticklabels(ticks[1])
    else:
        axes.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
        axes.xaxis.set_major_formatter(form)
    axes.yaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_formatter(form)
    axes.grid(True, color="#E3E3E3", linewidth=0.5)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2.5, width=0.6, labelsize=7.5)
    axes.set_xlabel(_labelled(figure.x.label, figure.x.unit), fontsize=8, labelpad=2)
    axes.set_ylabel(_labelled(figure.y.label, figure.y.unit), fontsize=8, labelpad=3)


def _draw_words(canvas: Canvas, figure: Figure, place: _Place, titled: bool) -> None:
    """Write the title, as large as it has room, and the caption."""
    width, height = canvas.get_figwidth() * 72.0, canvas.get_figheight() * 72.0
    if titled:
        title = visible(figure.title)
        size = min(9.0, 9.0 * (width - 12.0) / max(text_width(title, 9.0), 1.0))
        canvas.text(6.0 / width, 1.0 - 13.0 / height, title, fontsize=size, weight="bold")
    if figure.caption:
        caption = visible(figure.caption)
        size = min(7.0, 7.0 * (width - place.left - 6.0) / max(text_width(caption, 7.0), 1.0))
        canvas.text(place.left / width, 4.0 / height, caption, fontsize=size, color=QUIET_INK)


def _labelled(label: str, unit: str) -> str:
    return visible(f"{label}, {unit}" if unit else label)


def _draw_masks(figure: Figure, place: _Place, labels: Labels) -> None:
    for side in ("max", "min"):
        inner = [limit for limit in figure.limits if limit.side == side and limit.zone == "pass"]
        outer = [limit for limit in figure.limits if limit.side == side and limit.zone == "fail"]
        for index in range(max(len(inner), len(outer))):
            _draw_side(
                figure,
                place,
                labels,
                inner[index] if index < len(inner) else None,
                outer[index] if index < len(outer) else None,
                side,
            )


def _draw_side(
    figure: Figure, place: _Place, labels: Labels, inner: LimitLine | None, outer: LimitLine | None, side: str
) -> None:
    """Tint what lies beyond a limit, and say what that means."""
    edge = place.frame.y_high if side == "max" else place.frame.y_low
    lines = [line for line in (inner, outer) if line is not None]
    x = np.unique(np.concatenate([line.x for line in lines]))
    passes, fails = (
        np.full(len(x), np.nan) if line is None else limit_line_at(line, x, figure.x.log)
        for line in (inner, outer)
    )
    same = bool(np.array_equal(passes, fails, equal_nan=True))
    axes: Any = place.axes
    if inner is not None and not same:
        end = np.where(np.isnan(fails), edge, fails)
        axes.fill_between(x, passes, end, color=MARGINAL[0], linewidth=0, zorder=0.5)
        axes.plot(x, passes, color=MARGINAL[1], linewidth=0.9, zorder=2, gid=f"limit-pass-{side}")
    if outer is not None:
        axes.fill_between(
            x, fails, edge, facecolor=FAILS[0], edgecolor="#D8B5AE", hatch="////", linewidth=0, zorder=0.6
        )
        axes.plot(x, fails, color=FAILS[1], linewidth=1.1, zorder=2, gid=f"limit-fail-{side}")
    word = "above" if side == "max" else "below"
    if outer is not None:
        _zone_word(place, labels, x, fails, f"fails {word}", side, FAILS[1])
    if inner is not None and not same:
        _zone_word(place, labels, x, passes, f"marginal {word}", side, MARGINAL[1])


def _zone_word(
    place: _Place, labels: Labels, x: np.ndarray, y: np.ndarray, text: str, side: str, colour: str
) -> None:
    """Write beside a limit what lies beyond it, where there is room."""
    spans = np.flatnonzero(np.isfinite(y))
    if not len(spans):
        return
    ends = [place.at(float(x[index]), float(y[index])) for index in (spans[0], spans[-1])]
    x0, x1 = ends[0][0], ends[1][0]
    for share in (0.02, 0.98, 0.5, 0.3, 0.7):
        right = share > 0.5
        across = x0 + share * (x1 - x0)
        up = float(
            np.interp(
                across,
                [place.at(float(x[i]), float(y[i]))[0] for i in spans],
                [place.at(float(x[i]), float(y[i]))[1] for i in spans],
            )
        )
        box = labels.free(across, up + (2.0 if side == "max" else -9.0), text, 7.0, right=right)
        if box is not None:
            labels.take(box)
            _write(place, box, text, colour, to_right=right)
            return


def _write(place: _Place, box: Box, text: str, colour: str, *, to_right: bool = False) -> None:
    """Write in a box on the paper, from its left or to its right."""
    axes: Any = place.axes
    axes.annotate(
        text,
        (box[2] if to_right else box[0], box[1]),
        xycoords="figure points",
        fontsize=7.0,
        color=colour,
        ha="right" if to_right else "left",
        va="bottom",
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
        zorder=6,
        annotation_clip=False,
    )


def _draw_curves(drawn: tuple[Series, ...], place: _Place) -> None:
    axes: Any = place.axes
    for index, series in enumerate(drawn):
        colour, dash = _look(drawn, index)
        common = {"color": colour, "gid": f"curve-{index}", "zorder": 2.5 if series.is_reference else 3}
        if series.style == "stems":
            axes.vlines(series.x, place.frame.y_low, series.y, linewidth=1.0, linestyles=dash, **common)
            continue
        dots = series.style == "points" or len(series.x) <= _MAX_DOTS
        axes.plot(
            series.x,
            series.y,
            linewidth=0 if series.style == "points" else 0.8 if len(series.x) > 400 else 1.2,
            linestyle=dash if series.style == "line" else "none",
            marker="o" if dots else None,
            markersize=2.6,
            **common,
        )


def _look(drawn: tuple[Series, ...], index: int) -> tuple[str, Any]:
    """Return a curve's colour and dash."""
    series = drawn[index]
    if series.is_reference:
        number = sum(entry.is_reference for entry in drawn[:index])
        return REFERENCE[0], (REFERENCE[1], (0, (1, 1)))[number % 2]
    place = sum(not entry.is_reference for entry in drawn[:index])
    return LINES[(place if series.look is None else series.look) % len(LINES)]


def _draw_names(canvas: Canvas, drawn: tuple[Series, ...], place: _Place) -> None:
    """Write each curve's name beside its end, with a piece of its line; names keep clear of each other."""
    from matplotlib.lines import Line2D

    ends = []
    for index, series in enumerate(drawn):
        if len(series.x):
            end = place.at(
                float(series.x[-1]), float(np.clip(series.y[-1], place.frame.y_low, place.frame.y_high))
            )
            ends.append((end[1], index))
    ends = _in_order(sorted(ends))
    heights = _spread([height for height, _ in ends], place.bottom + 5.0, place.bottom + place.height - 5.0)
    width, height = canvas.get_figwidth() * 72.0, canvas.get_figheight() * 72.0
    for up, (_, index) in zip(heights, ends, strict=True):
        colour, dash = _look(drawn, index)
        start = place.left + place.width + 5.0
        along = [start / width, (start + _SAMPLE) / width]
        sample = Line2D(
            along,
            [up / height] * 2,
            color=colour,
            linestyle=dash,
            linewidth=1.4,
            transform=canvas.transFigure,
        )
        canvas.add_artist(sample)
        canvas.text(
            (start + _SAMPLE + 3.0) / width,
            up / height,
            _cut(drawn[index].label),
            color=colour,
            fontsize=8,
            va="center_baseline",
        )


def _in_order(ends: list[tuple[float, int]]) -> list[tuple[float, int]]:
    """Return ascending ends in which the earlier of curves that end close to each other is named above the later."""
    ordered: list[tuple[float, int]] = []
    start = 0
    for at in range(1, len(ends) + 1):
        if at == len(ends) or ends[at][0] - ends[at - 1][0] > 2.0 * _LABEL_STEP:
            run = ends[start:at]
            indexes = sorted((index for _, index in run), reverse=True)
            ordered += [(height, index) for (height, _), index in zip(run, indexes, strict=True)]
            start = at
    return ordered


def _spread(heights: list[float], low: float, high: float) -> list[float]:
    """Return ascending heights moved apart, within their ends where there is room."""
    placed: list[float] = []
    for height in heights:
        least = placed[-1] + _LABEL_STEP if placed else low
        placed.append(max(height, least))
    over = placed[-1] - high if placed else 0.0
    if over > 0.0:
        top = high
        for index in range(len(placed) - 1, -1, -1):
            placed[index] = min(placed[index], top)
            top = placed[index] - _LABEL_STEP
    return placed


def _draw_marks(figure: Figure, place: _Place, labels: Labels) -> None:
    """Draw the marks with their words, each joined to its point by a thin line."""
    frame, axes = place.frame, place.axes
    inside = [_held(mark, frame) for mark in figure.marks if frame.x_low <= mark.x <= frame.x_high]
    points = [place.at(mark.x, mark.y) for mark in inside]
    for point in points:
        labels.take((point[0] - 4.0, point[1] - 4.0, point[0] + 4.0, point[1] + 4.0))
    order = sorted(range(len(inside)), key=lambda index: (inside[index].verdict is None, -inside[index].y))
    for index in order:
        mark, point = inside[index], points[index]
        judged = mark.verdict is not None
        axes.plot(
            [mark.x],
            [mark.y],
            marker=shape_of(mark.verdict),
            markersize=6.0 if judged else 4.0,
            markerfacecolor="white" if mark.verdict is Verdict.PASS else INK,
            markeredgecolor=INK,
            markeredgewidth=1.0 if mark.verdict is Verdict.PASS else 0.5,
            linestyle="none",
            zorder=5,
            clip_on=False,
            gid=f"mark-{index}",
        )
        box = labels.near(point, visible(mark.text), 7.0) if mark.text else None
        if box is None:
            continue
        labels.take(box)
        _join(place, point, box)
        # The words end at the side of their box that their line comes to, whatever width the font gives them.
        to_right = point[0] > 0.5 * (box[0] + box[2])
        _write(place, box, visible(mark.text), INK, to_right=to_right)


def _held(mark: Mark, frame: Frame) -> Mark:
    """Return a mark that lies beyond the axes' ends at that end, saying so."""
    if frame.y_low <= mark.y <= frame.y_high:
        return mark
    side = "below" if mark.y < frame.y_low else "above"
    at = frame.y_low if side == "below" else frame.y_high
    return replace(mark, y=at, text=f"{mark.text} ({side} what is drawn)")


def _join(place: _Place, point: tuple[float, float], box: Box) -> None:
    """Draw the line from a mark to its words."""
    axes: Any = place.axes
    across = min(max(point[0], box[0]), box[2])
    up = box[1] if box[1] > point[1] else box[3]
    axes.annotate(
        "",
        point,
        (across, up),
        xycoords="figure points",
        textcoords="figure points",
        arrowprops={"arrowstyle": "-", "color": QUIET_INK, "linewidth": 0.6, "shrinkA": 0.0, "shrinkB": 3.5},
        zorder=4,
        annotation_clip=False,
    )
