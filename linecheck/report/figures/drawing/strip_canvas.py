"""Strips on paper: a value with its uncertainty between the zones that pass, are marginal and fail."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.data import Strip
from linecheck.report.figures.drawing.canvas import DOTS_AN_INCH, shape_of
from linecheck.report.figures.drawing.labels import fitted
from linecheck.report.figures.drawing.palette import FAILS, HATCHED, INK, MARGINAL, QUIET_INK
from linecheck.report.figures.strips import MAX_DOTS, binned, limits_text, usual_range, value_texts
from linecheck.report.figures.words import metric_name, plain_number

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

_ROW, _BAR, _NAME, _WORDS = 34.0, 12.0, 150.0, 122.0


def draw_strips(strips: Sequence[Strip], width_inches: float) -> Canvas:
    """Return the strips one below the other on a canvas of 72 dots an inch."""
    from matplotlib.figure import Figure as Canvas

    height, width = _ROW * max(len(strips), 1) + 4.0, DOTS_AN_INCH * width_inches
    canvas = Canvas(figsize=(width_inches, height / DOTS_AN_INCH), dpi=DOTS_AN_INCH)
    share = min(1.0, width / 482.0)
    left, right = _NAME * share, width - _WORDS * share
    for index, strip in enumerate(strips):
        bottom = height - _ROW * (index + 1) + 14.0
        box = (left / width, bottom / height, max(right - left, 40.0) / width, _BAR / height)
        _draw_bar(canvas.add_axes(box), strip)
        texts: tuple[tuple[float, float, str, float, dict[str, Any]], ...] = (
            (left - 8.0, 0.5, _name(strip), 8.0, {"ha": "right"}),
            (right + 8.0, 0.5, _told(strip), 8.0, {"weight": "bold"}),
            (right + 8.0, -0.4, strip.standing, 6.7, {}),
        )
        for x, up, text, size, look in texts:
            room = (left if x < left else width - right) - 10.0
            place = (x / width, (bottom + up * _BAR) / height)
            canvas.text(*place, text, fontsize=fitted(text, size, room), va="center_baseline", **look)
    return canvas


def _draw_bar(axes: Any, strip: Strip) -> None:  # noqa: ANN401 - matplotlib's axes
    """Draw the zones, the limits' numbers and the value."""
    axes.set_xlim(strip.low, strip.high)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.spines[:].set_linewidth(0.5)
    for kind, edge, end in strip.zones:
        if kind == "marginal":
            axes.axvspan(edge, end, facecolor=MARGINAL[0], linewidth=0)
            axes.axvline(edge, color=MARGINAL[1], linewidth=0.9)
        else:
            axes.axvspan(edge, end, **HATCHED, hatch="/////", linewidth=0)
            axes.axvline(edge, color=FAILS[1], linewidth=1.2)
    _draw_limits(axes, strip)
    _draw_others(axes, strip)
    if strip.reading.value is None:
        middle = 0.5 * (strip.low + strip.high)
        axes.text(middle, 0.5, "not measured", ha="center", va="center_baseline", fontsize=7, color=INK)
        return
    value, verdict = strip.reading.value, strip.judged.verdict
    axes.errorbar([value], [0.5], xerr=strip.spread, color=INK, linewidth=1.0, capsize=2.5, zorder=4)
    axes.plot(
        [value],
        [0.5],
        shape_of(verdict or Verdict.INVALID),
        markersize=6,
        markerfacecolor="white" if verdict is Verdict.PASS else INK,
        markeredgecolor=INK,
        zorder=5,
        clip_on=False,
    )


def _draw_others(axes: Any, strip: Strip) -> None:  # noqa: ANN401 - matplotlib's axes
    """Draw the values of earlier units: a tick each, or how many lie where there are too many for that."""
    if len(strip.others) <= MAX_DOTS:
        values = np.clip(np.asarray(strip.others), strip.low, strip.high)
        axes.vlines(values, 0.0, 0.35, color=QUIET_INK, linewidth=0.6, alpha=0.7)
        return
    counts = np.array(binned(strip.others, strip.low, strip.high))
    edges = np.linspace(strip.low, strip.high, len(counts) + 1)
    axes.stairs(0.9 * counts / counts.max(), edges, fill=True, color=QUIET_INK, alpha=0.45, linewidth=0)


def _draw_limits(axes: Any, strip: Strip) -> None:  # noqa: ANN401 - matplotlib's axes
    """Write the limits' numbers below the bar (without limits, where other units end); close ones stand apart."""
    edges: tuple[float | None, ...] = strip.edges
    if strip.others and all(edge is None for edge in edges):
        edges = usual_range(strip.others)
    kept = sorted({edge for edge in edges if edge is not None and strip.low <= edge <= strip.high})
    axes.set_xticks(kept, [""] * len(kept))
    axes.tick_params(length=2.0, width=0.5)
    close = 0.16 * (strip.high - strip.low)
    for index, edge in enumerate(kept):
        before = index > 0 and edge - kept[index - 1] < close
        after = index + 1 < len(kept) and kept[index + 1] - edge < close
        axes.annotate(
            plain_number(edge, 5),
            (edge, 0.0),
            (-3.0 if after else 3.0 if before else 0.0, -3.0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            fontsize=7,
            color=QUIET_INK,
            ha="right" if after else "left" if before else "center",
            va="top",
        )


def _name(strip: Strip) -> str:
    reading = strip.reading
    return visible(f"{strip.check}: {metric_name(reading.metric)} {reading.channel or ''}".strip())


def _told(strip: Strip) -> str:
    if strip.reading.value is None:
        return "invalid"
    verdict = strip.judged.verdict
    return value_texts(strip)[0] + (f", {verdict.value}" if verdict else "")


def strips_alt(strips: Sequence[Strip]) -> str:
    """Return all strips in words."""
    told = ("; ".join(filter(None, (_told(strip), strip.standing))) for strip in strips)
    return " ".join(
        f"{_name(strip)}: {text}. {limits_text(strip)}".rstrip()
        for strip, text in zip(strips, told, strict=True)
    )
