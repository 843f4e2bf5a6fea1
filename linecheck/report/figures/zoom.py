"""A part of a figure: between two places of its x axis, on the scale that is asked for.

=====================  ==============================================================
:class:`Zoom`          what is asked for; refuses what no axis can be
:func:`zoomed`         a figure within it, of the curves' own points there
=====================  ==============================================================

Points are chosen for drawing after this, so that a narrow part is drawn with all the points that the curve has there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Literal

import numpy as np

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.report.figures.data import Figure, FloatArray, LimitLine
from linecheck.report.figures.table import limit_line_at, shown
from linecheck.report.figures.words import place_text

Scale = Literal["linear", "logarithmic"]


@dataclass(frozen=True)
class Zoom:
    """From where to where the x axis goes, in its own unit, and on which scale; None where the figure says that."""

    low: float | None = None
    high: float | None = None
    scale: Scale | None = None

    def __bool__(self) -> bool:
        """Whether anything is asked for."""
        return self != Zoom()

    def check(self) -> None:
        """Refuse ends that no axis has.

        Raises
        ------
        UsageError
            They are no numbers, do not ascend, or begin at 0 or below where the scale is to be logarithmic.
        """
        for option, value in (("--from", self.low), ("--to", self.high)):
            if value is not None and not isfinite(value):
                raise UsageError(f"{option}: {value:g} is no place on an axis, give a number")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise UsageError(f"--from {self.low:g} --to {self.high:g}: the range must ascend")
        if self.scale == "logarithmic":
            for option, value in (("--from", self.low), ("--to", self.high)):
                if value is not None and value <= 0.0:
                    raise UsageError(f"{option} {value:g}: a logarithmic axis has no place at 0 or below")


def zoomed(figure: Figure, zoom: Zoom) -> Figure:
    """Return the figure within a range; its y axis fits what is inside.

    Raises
    ------
    UsageError
        No curve has a point there, or the scale cannot hold any; the text says how far the curves go.
    """
    if not zoom:
        return figure
    x = replace(
        figure.x,
        low=figure.x.low if zoom.low is None else zoom.low,
        high=figure.x.high if zoom.high is None else zoom.high,
        log=figure.x.log if zoom.scale is None else zoom.scale == "logarithmic",
    )
    if x.log and x.low is not None and x.low <= 0.0:
        # The axis begins with the curve where it was not asked to begin at or below 0.
        if zoom.low is not None:
            raise UsageError(
                f"--from {zoom.low:g}: {visible(figure.name)} has a logarithmic axis, which has no place at 0 or "
                "below; add --scale linear"
            )
        x = replace(x, low=None)
    y = replace(figure.y, low=None, high=None)
    if figure.y.low is not None and (zoom.low, zoom.high) == (None, None):
        y = figure.y
    part = replace(figure, x=x, y=y)
    series = tuple(shown(part, entry) for entry in figure.series)
    if not any(len(entry.x) for entry in series if not entry.is_reference):
        raise UsageError(f"{visible(figure.title)}: {_nothing(figure, part)}")
    inside = (min(entry.x[0] for entry in series if len(entry.x)), max(e.x[-1] for e in series if len(e.x)))
    low = float(inside[0]) if x.low is None else x.low
    high = float(inside[1]) if x.high is None else x.high
    limits = tuple(cut for limit in figure.limits for cut in _cut(limit, low, high, figure.x.log))
    marks = tuple(mark for mark in figure.marks if low <= mark.x <= high)
    alt = f"{figure.alt} Drawn from {place_text(low, x.unit)} to {place_text(high, x.unit)}."
    return replace(part, series=series, limits=limits, marks=marks, alt=alt)


def _nothing(figure: Figure, part: Figure) -> str:
    """Say why nothing of a figure is in a range, and how far its curves go."""
    unit = figure.x.unit
    places = np.concatenate([entry.x[np.isfinite(entry.x)] for entry in figure.series])
    if not len(places):
        return "its curves have no point"
    goes = f"its x axis goes from {place_text(float(places.min()), unit)} to {place_text(float(places.max()), unit)}"
    if part.x.log and not figure.x.log and not np.any(places > 0.0):
        return f"a logarithmic axis has no place at 0 or below, and {goes}"
    low, high = part.x.low, part.x.high
    asked = " ".join(
        f"{word} {place_text(end, unit)}" for word, end in (("from", low), ("to", high)) if end is not None
    )
    return f"no curve has a point {asked}: {goes}"


def _cut(limit: LimitLine, low: float, high: float, log_x: bool) -> Sequence[LimitLine]:
    """Return the part of a mask's edge between two places, with its corners; nothing where it has no limit there."""
    first, last = max(low, float(limit.x[0])), min(high, float(limit.x[-1]))
    if first > last:
        return ()
    corners = limit.x[(limit.x > first) & (limit.x < last)]
    x: FloatArray = np.unique(np.concatenate(([first], corners, [last])))
    return (replace(limit, x=x, y=limit_line_at(limit, x, log_x)),)
