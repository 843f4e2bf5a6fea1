"""A sheet of paper as data: lines, areas and words, of which SVG, PNG and PDF are made.

All lengths are points, of which an inch has 72; y goes up from the paper's lower edge.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from linecheck.report.figures.data import FloatArray
from linecheck.report.figures.drawing.labels import Box
from linecheck.report.figures.drawing.palette import QUIET_INK

DOTS_AN_INCH: Final = 72.0
#: So far from the paper all is equally out of sight.
_FAR: Final = 1e5
#: Where the baseline of words is, in their size, below what they stand at.
_BASELINE: Final = {"baseline": 0.0, "bottom": -0.24, "middle": 0.37, "top": 0.76}


@dataclass(frozen=True)
class Path:
    """Lines, or the areas within them where there is a ``fill``; ``hatch`` is the colour of lines across it.

    What has a place ``at`` is drawn there: its lines are about it. Of a higher ``order`` is what covers others.
    """

    lines: tuple[FloatArray, ...]
    stroke: str = ""
    width: float = 1.0
    dash: tuple[float, ...] = ()
    cap: Literal["butt", "round", "square"] = "butt"
    fill: str = ""
    hatch: str = ""
    opacity: float = 1.0
    clip: Box | None = None
    at: tuple[float, float] | None = None
    name: str = ""
    order: float = 3.0


@dataclass(frozen=True)
class Words:
    """A line of text on its baseline; ``turned`` reads upwards."""

    x: float
    y: float
    text: str
    size: float
    colour: str = QUIET_INK
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    turned: bool = False
    order: float = 3.0


@dataclass
class Paper:
    """What stands on a sheet, in the order in which it was put there."""

    width: float
    height: float
    items: list[Path | Words] = field(default_factory=list)

    def ordered(self) -> Iterator[Path | Words]:
        """Yield what is below before what covers it."""
        return iter(sorted(self.items, key=lambda item: item.order))

    def line(self, x: object, y: object, colour: str, width: float, **look: Any) -> None:  # noqa: ANN401
        """Draw a line through these places; one that is not finite is a gap."""
        self.items.append(Path(tuple(_pieces(x, y)), colour, width, **look))

    def strokes(self, ends: object, colour: str, width: float, **look: Any) -> None:  # noqa: ANN401
        """Draw a line from each of some places to another, shape (2, lines, 2)."""
        lines = np.clip(np.asarray(ends, dtype=float), -_FAR, _FAR).swapaxes(0, 1)
        self.items.append(Path(tuple(lines), colour, width, **look))

    def area(self, x: object, low: object, high: object, fill: str, **look: Any) -> None:  # noqa: ANN401
        """Fill what lies between two lines, where both are finite."""
        x, low, high = np.broadcast_arrays(*(np.asarray(part, dtype=float) for part in (x, low, high)))
        gap = ~(np.isfinite(low) & np.isfinite(high))
        pairs = zip(
            _pieces(x, np.where(gap, np.nan, low)), _pieces(x, np.where(gap, np.nan, high)), strict=True
        )
        areas = tuple(np.concatenate([below, above[::-1]]) for below, above in pairs)
        self.items.append(Path(areas, fill=fill, **look))

    def box(self, box: Box, fill: str, **look: Any) -> None:  # noqa: ANN401
        """Fill a rectangle."""
        left, bottom, right, top = box
        self.area([left, right], bottom, top, fill, **look)

    def write(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        up: Literal["baseline", "bottom", "middle", "top"] = "baseline",
        **look: Any,  # noqa: ANN401
    ) -> None:
        """Write a text; ``up`` says which part of it ``y`` is."""
        self.items.append(Words(x, y - _BASELINE[up] * size, text, size, **look))


def _pieces(x: object, y: object) -> Iterator[FloatArray]:
    """Yield the parts of a line between its gaps, shape (points, 2)."""
    places = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float)])
    finite = np.isfinite(places).all(axis=1)
    edges = np.flatnonzero(np.diff(finite)) + 1
    for piece in np.split(np.arange(len(places)), edges):
        if len(piece) and finite[piece[0]]:
            yield np.clip(places[piece], -_FAR, _FAR)
