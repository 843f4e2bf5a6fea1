"""Where words have room in a figure: boxes that overlap neither each other nor a curve. All lengths are points."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain, product
from math import ceil, hypot

import numpy as np

from linecheck.report.figures.data import FloatArray

#: Left, bottom, right, top.
Box = tuple[float, float, float, float]

#: How wide a letter is, in the size of the font: the wider ones of common sans-serif fonts on average.
_LETTER = 0.57
_LINE = 1.25
_STEPS = (8.0, 18.0, 28.0, 38.0, 50.0, 62.0, 76.0, 92.0, 110.0, 130.0)
#: Words keep this far from a curve.
_CLEARANCE = 1.0
#: Where nothing close to a point is free, places so far apart are tried all over the axes.
_GRID = 8.0


def text_width(text: str, size: float) -> float:
    """Return about how wide a text is; scripts with wide letters count double."""
    return size * _LETTER * sum(2 if ord(letter) > 0x2E7F else 1 for letter in text)


def fitted(text: str, size: float, room: float) -> float:
    """Return the size of a font in which a text has room: this one, or a smaller one."""
    return min(size, size * room / max(text_width(text, size), 1.0))


def end_of_leader(point: tuple[float, float], box: Box) -> tuple[float, float]:
    """Return where on the edge of the box of some words the line from their point ends."""
    return min(max(point[0], box[0]), box[2]), box[1] if box[1] > point[1] else box[3]


def _along(start: tuple[float, float], end: tuple[float, float]) -> list[tuple[float, float]]:
    """Return places on a line, a point apart or less."""
    steps = ceil(max(abs(end[0] - start[0]), abs(end[1] - start[1]), 1.0))
    return [
        (start[0] + (end[0] - start[0]) * step / steps, start[1] + (end[1] - start[1]) * step / steps)
        for step in range(steps + 1)
    ]


class Labels:
    """The words that stand in a figure's axes so far, and the curves that they keep clear of."""

    def __init__(self, left: float, bottom: float, width: float, height: float) -> None:
        self._inside: Box = (left, bottom, left + width, bottom + height)
        self._taken: list[Box] = []
        self._words: list[Box] = []
        #: The lowest and highest that each curve is in each column of a point's width, shape (curves, columns).
        self._low = np.zeros((0, int(width) + 1))
        self._high = self._low
        self._is_edge: list[bool] = []

    def take(self, box: Box, *, words: bool = False) -> None:
        """Keep a box for oneself; no line from other words to their point crosses one of ``words``."""
        self._taken.append(box)
        self._words += [box] * words

    def join(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Keep other words off a straight line."""
        for x, y in _along(start, end):
            self.take((x - 1.0, y - 1.0, x + 1.0, y + 1.0))

    def avoid(self, x: FloatArray, y: FloatArray, *, edge: bool = False) -> None:
        """Keep words off a curve, or the ``edge`` of a mask, through these places on the paper, x ascending."""
        if not len(x):
            return
        columns = np.arange(self._low.shape[1] + 1, dtype=float) + self._inside[0]
        # Its corners and where it crosses the edges of the columns: between them a line is straight.
        ends = columns[(columns >= x[0]) & (columns <= x[-1])]
        across = np.concatenate([x, ends, ends])
        up = np.concatenate([y, *2 * [np.interp(ends, x, y)]])
        # An edge belongs to the columns on both of its sides.
        column = np.floor(across - self._inside[0]).astype(int)
        column[len(column) - len(ends) :] -= 1
        there = (column >= 0) & (column < self._low.shape[1])
        low, high = np.full(self._low.shape[1], np.inf), np.full(self._low.shape[1], -np.inf)
        np.minimum.at(low, column[there], up[there])
        np.maximum.at(high, column[there], up[there])
        self._low, self._high = np.vstack([self._low, low]), np.vstack([self._high, high])
        self._is_edge.append(edge)

    def free(
        self, x: float, y: float, text: str, size: float, *, right: bool = False, on_edges: bool = False
    ) -> Box | None:
        """Return the box of a text whose lower left (or right) corner is here; None where it has no room."""
        width = text_width(text, size)
        left = x - width if right else x
        box = (left, y, left + width, y + _LINE * size)
        return box if self._is_free(box, on_edges=on_edges) else None

    def near(self, point: tuple[float, float], text: str, size: float) -> Box | None:
        """Return a free box close to a point, above it if there is room; None where there is none at all.

        The line that joins them crosses no other words, if that can be.
        """
        width, height = text_width(text, size), _LINE * size
        places = product(_STEPS, (True, False), (4.0, -0.5 * width, -width - 4.0))
        close = (
            (self._held(point[0] + aside, width), point[1] + (step if above else -step - height))
            for step, above, aside in places
        )
        free = filter(
            self._is_free,
            ((x, y, x + width, y + height) for x, y in chain(close, self._all_over(point, width, height))),
        )
        first = next(free, None)
        return next((box for box in chain([first], free) if box and not self._is_crossed(point, box)), first)

    def _all_over(
        self, point: tuple[float, float], width: float, height: float
    ) -> Iterator[tuple[float, float]]:
        """Yield places for a box of this size all over the axes, the nearest to a point first."""
        left, bottom, right, top = self._inside
        places = product(
            np.arange(left + 2.0, right - width, _GRID).tolist(),
            (*np.arange(bottom, top - height, _GRID).tolist(), top - height),
        )
        yield from sorted(
            places,
            key=lambda at: hypot(at[0] + 0.5 * width - point[0], at[1] + 0.5 * height - point[1]),
        )

    def _is_crossed(self, point: tuple[float, float], box: Box) -> bool:
        """Return whether the line from a point to its words comes close to others."""
        return any(
            left - _CLEARANCE < x < right + _CLEARANCE and bottom - _CLEARANCE < y < top + _CLEARANCE
            for x, y in _along(point, end_of_leader(point, box))
            for left, bottom, right, top in self._words
        )

    def _held(self, left: float, width: float) -> float:
        """Return a left edge with which a text stays between the axes' ends, if it can."""
        return max(min(left, self._inside[2] - width), self._inside[0] + 2.0)

    def _is_free(self, box: Box, *, on_edges: bool = False) -> bool:
        inside = self._inside
        if box[0] < inside[0] or box[1] < inside[1] or box[2] > inside[2] + 1.0 or box[3] > inside[3] + 1.0:
            return False
        if any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3]
            for other in self._taken
        ):
            return False
        columns = slice(
            max(int(box[0] - inside[0] - _CLEARANCE), 0), int(box[2] - inside[0] + _CLEARANCE) + 1
        )
        rows = ~np.array(self._is_edge) if on_edges and self._is_edge else slice(None)
        below = self._low[rows, columns] < box[3] + _CLEARANCE
        return not np.any(below & (self._high[rows, columns] > box[1] - _CLEARANCE))
