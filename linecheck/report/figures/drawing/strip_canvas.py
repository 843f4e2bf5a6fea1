"""Strips on paper: a value with its uncertainty between the zones that pass, are marginal and fail."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.data import Strip
from linecheck.report.figures.drawing.canvas import shape
from linecheck.report.figures.drawing.labels import Box, fitted
from linecheck.report.figures.drawing.palette import FAILS, HATCHED, INK, MARGINAL, QUIET_INK
from linecheck.report.figures.drawing.paper import Paper
from linecheck.report.figures.strips import MAX_DOTS, binned, limits_text, usual_range, value_texts
from linecheck.report.figures.words import metric_name, plain_number

_ROW, _BAR, _NAME, _WORDS = 34.0, 12.0, 150.0, 122.0


def draw_strips(strips: Sequence[Strip], width: float) -> Paper:
    """Return the strips one below the other on a paper of this width."""
    paper = Paper(width, _ROW * max(len(strips), 1) + 4.0)
    paper.box((0.0, 0.0, width, paper.height), "#ffffff")
    share = min(1.0, width / 482.0)
    left, right = _NAME * share, width - _WORDS * share
    for index, strip in enumerate(strips):
        bottom = paper.height - _ROW * (index + 1) + 14.0
        _Bar(paper, strip, (left, bottom, max(right, left + 40.0), bottom + _BAR)).draw()
        texts: tuple[tuple[float, float, str, float, dict[str, Any]], ...] = (
            (left - 8.0, 0.5, _name(strip), 8.0, {"anchor": "end"}),
            (right + 8.0, 0.5, _told(strip), 8.0, {"bold": True}),
            (right + 8.0, -0.4, strip.standing, 6.7, {}),
        )
        for x, up, text, size, look in texts:
            room = (left if x < left else width - right) - 10.0
            at = bottom + up * _BAR
            paper.write(x, at, text, fitted(text, size, room), up="middle", colour=INK, **look)
    return paper


class _Bar:
    """A strip's line, with its zones, the limits' numbers, the values of other units and its own."""

    def __init__(self, paper: Paper, strip: Strip, box: Box) -> None:
        self.paper, self.strip, self.box = paper, strip, box

    def at(self, value: float) -> float:
        """Return where a value is, at the ends of the line what lies beyond them."""
        strip, (left, _, right, _) = self.strip, self.box
        share = (value - strip.low) / (strip.high - strip.low)
        return left + min(max(share, 0.0), 1.0) * (right - left)

    def draw(self) -> None:
        """Draw all of it."""
        left, bottom, right, top = self.box
        for kind, edge, end in self.strip.zones:
            low, high = sorted((self.at(edge), self.at(end)))
            look = HATCHED if kind == "fail" else {"fill": MARGINAL[0]}
            self.paper.box((low, bottom, high, top), **look)
            colour, width = (FAILS[1], 1.2) if kind == "fail" else (MARGINAL[1], 0.9)
            self.paper.line(2 * [self.at(edge)], [bottom, top], colour, width)
        self._draw_limits()
        self._draw_others()
        corners = ([left, right, right, left, left], [bottom, bottom, top, top, bottom])
        self.paper.line(*corners, QUIET_INK, 0.5, cap="square")
        middle, value = 0.5 * (bottom + top), self.strip.reading.value
        if value is None:
            across = 0.5 * (left + right)
            self.paper.write(across, middle, "not measured", 7.0, up="middle", colour=INK, anchor="middle")
            return
        low, high = (self.at(value + way * self.strip.spread) for way in (-1.0, 1.0))
        self.paper.line([low, high], [middle, middle], INK, 1.0)
        ends = [[(x, middle + up) for x in (low, high)] for up in (-2.5, 2.5)]
        self.paper.strokes(ends, INK, 1.0)
        verdict = self.strip.judged.verdict or Verdict.INVALID
        self.paper.items.append(
            shape((self.at(value), middle), verdict, 3.0, f"mark-{len(self.paper.items)}")
        )

    def _draw_others(self) -> None:
        """Draw the values of earlier units: a tick each, or how many lie where there are too many for that."""
        left, bottom, right, _ = self.box
        strip, height = self.strip, 0.35 * _BAR
        if not strip.others:
            return
        if len(strip.others) <= MAX_DOTS:
            ends = [[(self.at(value), bottom + up) for value in strip.others] for up in (0.0, height)]
            self.paper.strokes(ends, QUIET_INK, 0.6, opacity=0.7)
            return
        counts = np.array(binned(strip.others, strip.low, strip.high))
        x = np.repeat(np.linspace(left, right, len(counts) + 1), 2)[1:-1]
        heights = bottom + 0.9 * _BAR * np.repeat(counts, 2) / counts.max()
        self.paper.area(x, bottom, heights, QUIET_INK, opacity=0.45)

    def _draw_limits(self) -> None:
        """Write the limits' numbers below (without limits, where other units end); close ones stand apart."""
        strip, bottom = self.strip, self.box[1]
        edges: tuple[float | None, ...] = strip.edges
        if strip.others and all(edge is None for edge in edges):
            edges = usual_range(strip.others)
        kept = sorted({edge for edge in edges if edge is not None and strip.low <= edge <= strip.high})
        close = 0.16 * (strip.high - strip.low)
        for index, edge in enumerate(kept):
            before = index > 0 and edge - kept[index - 1] < close
            after = index + 1 < len(kept) and kept[index + 1] - edge < close
            x, aside = self.at(edge), -3.0 if after else 3.0 if before else 0.0
            anchor = "end" if after else "start" if before else "middle"
            self.paper.line([x, x], [bottom - 2.0, bottom], QUIET_INK, 0.5)
            self.paper.write(x + aside, bottom - 3.0, plain_number(edge, 5), 7.0, up="top", anchor=anchor)


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
