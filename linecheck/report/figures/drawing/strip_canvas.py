"""Strips on paper: a value with its uncertainty between the zones that pass, are marginal and fail."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.data import Strip
from linecheck.report.figures.drawing.density import MAX_DOTS, binned, usual_range
from linecheck.report.figures.drawing.labels import text_width
from linecheck.report.figures.drawing.palette import FAILS, INK, MARGINAL, QUIET_INK
from linecheck.report.figures.names import metric_name
from linecheck.report.figures.words import near_text, plain_number, value_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

__all__ = ["draw_strips", "strips_alt"]

_ROW, _BAR, _NAME, _WORDS = 34.0, 12.0, 150.0, 122.0
_SHAPES = {Verdict.PASS: "o", Verdict.MARGINAL: "D", Verdict.FAIL: "X"}


def draw_strips(strips: Sequence[Strip], width_inches: float, *, named: bool = True) -> Canvas:
    """Return the strips one below the other on a canvas of 72 dots an inch."""
    from matplotlib.figure import Figure as Canvas

    height = _ROW * max(len(strips), 1) + 4.0
    width = 72.0 * width_inches
    canvas = Canvas(figsize=(width_inches, height / 72.0), dpi=72)
    share = min(1.0, width / 482.0)
    left, right = _NAME * share, _WORDS * share
    for index, strip in enumerate(strips):
        bottom = height - _ROW * (index + 1) + 14.0
        box = (left / width, bottom / height, max(width - left - right, 40.0) / width, _BAR / height)
        axes: Any = canvas.add_axes(box)
        _draw_bar(axes, strip)
        name, told = _name(strip, named), _told(strip)
        for x, up, text, align, room, weight, full in (
            (left - 8.0, 0.5 * _BAR, name, "right", left - 10.0, "normal", 8.0),
            (width - right + 8.0, 0.5 * _BAR, told, "left", right - 10.0, "bold", 8.0),
            (width - right + 8.0, -0.4 * _BAR, strip.standing, "left", right - 10.0, "normal", 6.7),
        ):
            size = min(full, full * room / max(text_width(text, full), 1.0))
            canvas.text(
                x / width,
                (bottom + up) / height,
                text,
                fontsize=size,
                ha=align,
                va="center_baseline",
                weight=weight,
            )
    return canvas


def _draw_bar(axes: Any, strip: Strip) -> None:  # noqa: ANN401 - matplotlib's axes
    """Draw the zones, the limits' numbers and the value."""
    axes.set_xlim(strip.low, strip.high)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.spines[:].set_linewidth(0.5)
    for edges, side in (((strip.pass_max, strip.fail_max), "max"), ((strip.pass_min, strip.fail_min), "min")):
        end = strip.high if side == "max" else strip.low
        passes, fails = edges
        if passes is not None:
            axes.axvspan(passes, fails if fails is not None else end, facecolor=MARGINAL[0], linewidth=0)
            axes.axvline(passes, color=MARGINAL[1], linewidth=0.9)
        if fails is not None:
            axes.axvspan(fails, end, facecolor=FAILS[0], edgecolor="#D8B5AE", hatch="/////", linewidth=0)
            axes.axvline(fails, color=FAILS[1], linewidth=1.2)
    _draw_limits(axes, strip)
    _draw_others(axes, strip)
    if strip.value is None:
        middle = 0.5 * (strip.low + strip.high)
        axes.text(middle, 0.5, "not measured", ha="center", va="center_baseline", fontsize=7, color=INK)
        return
    spread = 2.0 * (strip.uncertainty or 0.0)
    axes.errorbar(
        [strip.value], [0.5], xerr=[[spread], [spread]], color=INK, linewidth=1.0, capsize=2.5, zorder=4
    )
    shape = _SHAPES.get(strip.verdict, "s") if strip.verdict is not None else "s"
    fill = "white" if strip.verdict is Verdict.PASS else INK
    axes.plot(
        [strip.value],
        [0.5],
        shape,
        markersize=6,
        markerfacecolor=fill,
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
    edges: tuple[float | None, ...] = (strip.fail_min, strip.pass_min, strip.pass_max, strip.fail_max)
    of_others = bool(strip.others) and all(edge is None for edge in edges)
    if of_others:
        edges = usual_range(strip.others)
    kept = sorted({edge for edge in edges if edge is not None and strip.low <= edge <= strip.high})
    axes.set_xticks(kept, [""] * len(kept))
    axes.tick_params(length=2.0, width=0.5)
    close = 0.16 * (strip.high - strip.low)
    for index, edge in enumerate(kept):
        before = index > 0 and edge - kept[index - 1] < close
        after = index + 1 < len(kept) and kept[index + 1] - edge < close
        axes.annotate(
            near_text(edge, "", strip.high - strip.low) if of_others else plain_number(edge, 5),
            (edge, 0.0),
            (-3.0 if after else 3.0 if before else 0.0, -3.0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            fontsize=7,
            color=QUIET_INK,
            ha="right" if after else "left" if before else "center",
            va="top",
        )


def _name(strip: Strip, named: bool) -> str:
    metric = f"{metric_name(strip.metric)} {strip.channel or ''}".strip()
    return visible(f"{strip.check}: {metric}" if named else metric)


def _told(strip: Strip) -> str:
    if strip.value is None:
        return "invalid"
    verdict = f", {strip.verdict.value}" if strip.verdict is not None else ""
    better = " or better" if strip.is_bound else ""
    return f"{near_text(strip.value, strip.unit, strip.high - strip.low)}{better}{verdict}"


def strips_alt(strips: Sequence[Strip]) -> str:
    """Return all strips in words."""
    return " ".join(
        f"{_name(strip, True)}: {_told(strip)}{_limit_words(strip)}{_standing(strip)}." for strip in strips
    )


def _standing(strip: Strip) -> str:
    return f"; {strip.standing}" if strip.standing else ""


def _limit_words(strip: Strip) -> str:
    low, high = strip.pass_min, strip.pass_max
    if low is not None and high is not None:
        return f"; passes from {plain_number(low)} to {value_text(high, strip.unit)}"
    if low is not None:
        return f"; passes from {value_text(low, strip.unit)}"
    return f"; passes up to {value_text(high, strip.unit)}" if high is not None else ""
