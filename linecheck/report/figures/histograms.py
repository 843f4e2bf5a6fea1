"""What units read of a metric, drawn: a small histogram with its masks and the fit, many of them on a page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.report.figures.drawing.canvas import GUIDES, round_numbers
from linecheck.report.figures.drawing.labels import Box, text_width
from linecheck.report.figures.drawing.palette import HATCHED, INK, LINES, MARGINAL, QUIET_INK
from linecheck.report.figures.drawing.paper import Paper, Path
from linecheck.report.figures.drawing.svg import element
from linecheck.results.wording import significant
from linecheck.statistics.fits import Fit, Sample

WIDTH, _HEIGHT = 240.0, 128.0
_BOX: Final[Box] = (30.0, 18.0, 236.0, 106.0)
_SMALL: Final = 6.5
#: At least and at most so many bars from the smallest reading to the largest.
_MIN_BARS, _MAX_BARS = 5, 40
#: A limit farther from all readings than so many of their own spans is told at the edge, not drawn.
_REACH: Final = 3.0
#: Readings that lie closer together than anything measures are one bar.
_NO_SPAN: Final = 1e-100
#: Nor is anything as large as this.
_MAX_SPAN: Final = 1e305
#: A bar of a single unit among thousands is to be seen.
_MIN_BAR: Final = 1.2
_POINTS: Final = 90
_BAR: Final = LINES[0][0]
_BOUND: Final[dict[str, Any]] = {"fill": "#FFFFFF", "hatch": _BAR, "stroke": _BAR, "width": 0.6}
_RULE: Final = "#BDBDBD"

Limits = tuple[float | None, float | None]


@dataclass(frozen=True, eq=False)
class Pile:
    """Readings in bars: ``values`` and ``bounds`` are how many units each has, shape (bars,), between ``edges``."""

    edges: FloatArray
    values: IntArray
    bounds: IntArray


@dataclass(frozen=True, eq=False)
class Histogram:
    """What is drawn of a metric: limits are lower and upper, None where there is none."""

    sample: Sample
    unit: str
    passes: Limits
    fails: Limits
    fit: Fit | None


def pile_of(sample: Sample) -> Pile:
    """Return readings in bars of one width, as wide as many readings allow (Freedman and Diaconis 1981)."""
    low, high = _ends(sample)
    if high - low > _NO_SPAN:
        quarter, three = sample.ranked(np.rint(np.array([0.25, 0.75]) * sample.units).astype(np.int64))
        width = 2.0 * float(three - quarter) / sample.units ** (1.0 / 3.0)
        bars = _MAX_BARS if width <= 0.0 else min(max(math.ceil((high - low) / width), _MIN_BARS), _MAX_BARS)
        edges = np.linspace(low, high, bars + 1)
    else:
        half = 0.5 * (1e-3 * abs(low) or 1.0)
        edges = np.array([low - half, low + half])
    values, bounds = (
        np.rint(np.histogram(of, edges, weights=counts)[0]).astype(np.int64)
        for of, counts in ((sample.values, sample.counts), (sample.bounds, sample.bound_counts))
    )
    return Pile(edges, values, bounds)


def _ends(sample: Sample) -> tuple[float, float]:
    read = np.concatenate([sample.values, sample.bounds])
    return float(read.min()), float(read.max())


def histogram_svg(of: Histogram, title: str, prefix: str) -> str:
    """Return a histogram: bars, bounds hatched on them, the zones beyond the limits, and the fit's expected counts.

    Nothing of no reading, and of readings farther apart than a number can say.
    """
    if not of.sample.units or not -_ends(of.sample)[0] < _MAX_SPAN or not _ends(of.sample)[1] < _MAX_SPAN:
        return ""
    pile = pile_of(of.sample)
    low, high = _range(of, pile)
    x = np.linspace(low, high, _POINTS)
    expected = _expected(of.fit, x, float(pile.edges[1] - pile.edges[0]))
    tallest = int(np.max(pile.values + pile.bounds))
    top = 1.08 * max(float(tallest), float(np.max(expected, initial=0.0)))
    axes = _Axes(Paper(WIDTH, _HEIGHT), low, high, top)
    axes.paper.box((0.0, 0.0, WIDTH, _HEIGHT), "#ffffff", order=0.0)
    for is_upper in (False, True):
        axes.zones(of.passes[is_upper], of.fails[is_upper], is_upper=is_upper)
    axes.bars(pile)
    if len(expected):
        axes.paper.line(axes.across(x), axes.up(expected), INK, 1.1, clip=_BOX, order=4.0, name="fit")
    axes.scales(tallest, of.unit)
    return element(axes.paper, prefix, title, _told(of, pile, title))


def _range(of: Histogram, pile: Pile) -> tuple[float, float]:
    """Return from where to where a histogram goes: its bars, its fit where bounds hide a part, limits within reach."""
    low, high = float(pile.edges[0]), float(pile.edges[-1])
    span = high - low
    ends = [low, high]
    if of.fit is not None and of.sample.bounded:
        ends += [float(of.fit.best.percentile(z)[0]) for z in (-3.0, 3.0)]
    ends += [
        limit
        for limit in (*of.passes, *of.fails)
        if limit is not None and low - _REACH * span <= limit <= high + _REACH * span
    ]
    margin = 0.06 * (max(ends) - min(ends))
    return min(ends) - margin, max(ends) + margin


def _expected(fit: Fit | None, at: FloatArray, width: float) -> FloatArray:
    """Return how many units a fit expects in a bar about each place; nothing without a fit."""
    if fit is None:
        return np.empty(0)
    best = fit.best
    # The place moves the centre, so that one call has all of them.
    upto = [
        best.__class__(best.centre - edge, best.scale, best.skew).below(0.0) for edge in _sides(at, width)
    ]
    return np.asarray(fit.sample.units * (upto[1] - upto[0]))


def _sides(at: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
    return at - 0.5 * width, at + 0.5 * width


@dataclass(frozen=True)
class _Axes:
    """A paper with scales: values across, units up."""

    paper: Paper
    low: float
    high: float
    top: float

    def across(self, value: FloatArray) -> FloatArray:
        """Return where values are on the paper."""
        return _BOX[0] + (np.asarray(value) - self.low) / (self.high - self.low) * (_BOX[2] - _BOX[0])

    def up(self, units: FloatArray) -> FloatArray:
        """Return where so many units are on the paper."""
        return _BOX[1] + np.asarray(units) / self.top * (_BOX[3] - _BOX[1])

    def zones(self, passes: float | None, fails: float | None, *, is_upper: bool) -> None:
        """Tint what lies beyond the limits of one side, and name it above the axes."""
        far = _BOX[2] if is_upper else _BOX[0]
        edge = far if fails is None else float(np.clip(self.across(np.array(fails)), _BOX[0], _BOX[2]))
        if passes is not None and passes != fails:
            at = float(np.clip(self.across(np.array(passes)), _BOX[0], _BOX[2]))
            self.paper.box((min(at, edge), _BOX[1], max(at, edge), _BOX[3]), MARGINAL[0], order=0.5, name="")
            self._limit(passes, "pass", "marginal", _HEIGHT - 18.0, is_upper=is_upper)
        if fails is not None:
            self.paper.box((min(far, edge), _BOX[1], max(far, edge), _BOX[3]), order=0.6, **HATCHED)
            self._limit(fails, "fail", "fails", _HEIGHT - 9.0, is_upper=is_upper)

    def _limit(self, limit: float, kind: str, word: str, y: float, *, is_upper: bool) -> None:
        colour, width, dash = GUIDES[kind]
        text = f"{word} {'>' if is_upper else '<'} {significant(limit, 6)}"
        x = float(self.across(np.array(limit)))
        if not _BOX[0] <= x <= _BOX[2]:
            is_right = x > _BOX[2]
            text = f"{text} →" if is_right else f"← {text}"
            at, anchor = (_BOX[2], "end") if is_right else (_BOX[0], "start")
            self.paper.write(at, y, text, _SMALL, colour=colour, anchor=anchor)
            return
        self.paper.line(
            [x, x], [_BOX[1], _BOX[3]], colour, width, dash=dash, order=2.0,
            name=f"limit-{kind}-{'max' if is_upper else 'min'}",
        )  # fmt: skip
        # Beyond the limit where there is room, so that the words of two sides keep apart.
        is_roomy = (_BOX[2] - x if is_upper else x - _BOX[0]) > text_width(text, _SMALL)
        aside, anchor = (2.0, "start") if is_roomy == is_upper else (-2.0, "end")
        self.paper.write(x + aside, y, text, _SMALL, colour=colour, anchor=anchor)

    def bars(self, pile: Pile) -> None:
        """Draw bars of values, and on them those of bounds."""
        values, bounds = (
            np.where(units > 0, np.maximum(self.up(units.astype(float)) - _BOX[1], _MIN_BAR), 0.0)
            for units in (pile.values, pile.bounds)
        )
        x = self.across(pile.edges)
        parts: tuple[tuple[FloatArray, FloatArray, dict[str, Any], str], ...] = (
            (values, np.zeros_like(values), {"fill": _BAR, "opacity": 0.7}, "values"),
            (bounds, values, _BOUND, "bounds"),
        )
        for heights, feet, look, name in parts:
            drawn = tuple(_corners(x, _BOX[1] + feet, heights))
            if drawn:
                self.paper.items.append(Path(drawn, name=name, **look))

    def scales(self, tallest: int, unit: str) -> None:
        """Draw the axes: round values with their unit, and how many units the tallest bar has."""
        left, bottom, right, _ = _BOX
        self.paper.line([left, right], [bottom, bottom], QUIET_INK, 0.6, order=5.0)
        for value in round_numbers(self.low, self.high, 5):
            x = float(self.across(np.array(value)))
            self.paper.line([x, x], [bottom, bottom - 2.5], QUIET_INK, 0.6)
            if x < right - 18.0:
                self.paper.write(x, bottom - 10.0, significant(value, 6), _SMALL, anchor="middle")
        self.paper.write(right, bottom - 10.0, unit, _SMALL, anchor="end")
        y = float(self.up(np.array(tallest)))
        self.paper.line([left, right], [y, y], _RULE, 0.5, order=0.7)
        for units, at in ((0, bottom), (tallest, y)):
            self.paper.write(left - 3.0, at, str(units), _SMALL, up="middle", anchor="end")


def _corners(x: FloatArray, feet: FloatArray, heights: FloatArray) -> Iterator[FloatArray]:
    for left, right, foot, height in zip(x[:-1], x[1:], feet, heights, strict=True):
        if height > 0.0:
            gap = min(0.3, 0.1 * (right - left))
            yield np.array(
                [[left + gap, foot], [right - gap, foot], [right - gap, foot + height], [left + gap, foot + height]]
            )  # fmt: skip


def _told(of: Histogram, pile: Pile, title: str) -> str:
    """Return a histogram in words: every bar's units."""
    low, width = float(pile.edges[0]), float(pile.edges[1] - pile.edges[0])
    unit = f" {of.unit}" if of.unit else ""
    told = f"{title}: units in bars of {significant(width, 3)}{unit}, from {significant(low, 6)}{unit} up: "
    told += f"{_listed(pile.values)}."
    return f"{told} This or better, in the same bars: {_listed(pile.bounds)}." if of.sample.bounded else told


def _listed(counts: Iterable[int]) -> str:
    return ", ".join(map(str, counts))


def legend_svg(prefix: str) -> str:
    """Return what the marks of all histograms mean."""
    paper = Paper(482.0, 16.0)
    at = (0.0, 104.0, 210.0, 298.0, 394.0)
    words = (
        "units that read this",
        "units: this or better",
        "fitted process",
        "marginal, dashed",
        "fails, hatched",
    )
    paper.box((at[0], 3.0, at[0] + 14.0, 13.0), _BAR, opacity=0.7)
    paper.box((at[1], 3.0, at[1] + 14.0, 13.0), **_BOUND)
    paper.line([at[2], at[2] + 14.0], [8.0, 8.0], INK, 1.1)
    paper.box((at[3], 3.0, at[3] + 14.0, 13.0), MARGINAL[0])
    paper.box((at[4], 3.0, at[4] + 14.0, 13.0), **HATCHED)
    for x, kind in zip(at[3:], ("pass", "fail"), strict=True):
        colour, width, dash = GUIDES[kind]
        paper.line([x, x], [1.0, 15.0], colour, width, dash=dash)
    for x, text in zip(at, words, strict=True):
        paper.write(x + 18.0, 8.0, text, 8.0, up="middle", colour=INK)
    return element(paper, prefix, "Legend", "; ".join(words))
