"""Sidebands as marks in a figure: where each stands, at which offset, and what it is.

========================  ===================================================================
:func:`sideband_marks`    those of the stronger side over the distance from the tone
:func:`both_sides`        the figure of both sides over the offset from it, each line named
========================  ===================================================================
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from linecheck.checks.base import Curve, Problem
from linecheck.checks.parts.sideband_words import SIDEBAND
from linecheck.report.figures.data import Axis, Figure, Mark
from linecheck.report.figures.source import Source
from linecheck.report.figures.spectral import NEAR_HZ
from linecheck.report.figures.words import place_text, value_text

#: The words of a note begin with a pair's offset, or with a line's place and its distance from the tone.
_PAIR = re.compile(r"sidebands at ±([0-9.]{1,20}) Hz, [^:]{0,100}: (.{1,400})", re.DOTALL)
_LINE = re.compile(
    r"a line at ([0-9.]{1,20}) Hz(?: \(([^)]{1,200})\))?, ([0-9.]{1,20}) Hz (above|below) the tone"
)
_RUNS_WITH = re.compile(r"the offset is (.{1,200})", re.DOTALL)
_LEVEL = re.compile(r"(?:upper|lower|tone,) (-[0-9.]{1,10}) dB")
_RESOLUTION_HZ = 5.0
#: Sidebands of two channels are one within this.
_SAME_HZ = 0.5


def sideband_marks(curves: Sequence[Curve], problems: Iterable[Problem]) -> tuple[Mark, ...]:
    """Return a mark for each sideband that a check's notes name; those that all channels share have one.

    Parameters
    ----------
    curves : sequence of Curve
        The channels' curves over the distance from the tone; a mark stands on the curve of its
        channel, where that has a point there.
    problems : iterable of Problem
        The check's; notes about sidebands are read as they come, also out of the log.
    """
    found: list[tuple[float, str, str, Mark]] = []
    for problem in problems:
        told = _told(problem)
        curve = next((entry for entry in curves if entry.channel == problem.channel), None)
        if told is None or curve is None or not len(curve.x):
            continue
        offset, words = told
        found.append((offset, words, problem.channel or "", _on_curve(curve, offset, words, problem.message)))
    return tuple(_merged(found))


def both_sides(source: Source, figure: Figure) -> Figure:
    """Return both sides of the tone along a linear axis, as far as pairs go, with the lines named.

    A pair has its words at its stronger line, and a mark at the other one.
    """
    curves = [item.curve for item in source.items]
    marks = [
        mark
        for entry in sideband_marks(curves, source.check.judged.problems)
        for mark in _both(entry, curves)
    ]
    pairs = (1.1 * abs(mark.x) for mark in marks if mark.text.startswith("pair"))
    end = max(NEAR_HZ, *pairs, 0.0)
    low, high = (
        float(np.clip(way(curve.x[at] for curve in curves), -end, end)) for way, at in ((min, 0), (max, -1))
    )
    inside = tuple(mark for mark in (*figure.marks, *marks) if low <= mark.x <= high)
    told = [f"{mark.text}, {value_text(mark.y, figure.y.unit)}." for mark in inside if mark.text]
    floor = [float(np.median(curve.y)) for curve in curves]
    told = told or ["No line stands out of the floor."]
    told.append(
        f"The floor lies about {value_text(max(floor), figure.y.unit)}; the tone itself is taken out."
    )
    return replace(
        figure,
        alt=" ".join(
            (f"{figure.title}.", f"From {place_text(low, 'Hz')} to {place_text(high, 'Hz')}.", *told)
        ),
        x=Axis(figure.x.label, figure.x.unit, low=low, high=high),
        marks=inside,
        caption="; ".join(filter(None, (figure.caption, "the tone, 0 dB at an offset of 0, is taken out"))),
    )


def _both(mark: Mark, curves: Sequence[Curve]) -> list[Mark]:
    """Return a mark as it stands over offsets with a sign: of a pair one on either side, the higher with the words."""
    if not mark.text.startswith("pair"):
        sign = -1.0 if " at −" in mark.text else 1.0
        return [replace(mark, x=sign * mark.x, y=_highest(curves, sign * mark.x, mark.y))]
    sides = [replace(mark, x=x, y=_highest(curves, x, mark.y)) for x in (-mark.x, mark.x)]
    stronger = max(sides, key=lambda side: side.y)
    return [side if side is stronger else replace(side, text="") for side in sides]


def _highest(curves: Sequence[Curve], place: float, other: float) -> float:
    """Return the highest that any curve is at a place; what else is known of it where none has a point there."""
    found = [
        float(level) for curve in curves for level in curve.y[np.abs(curve.x - place) <= _SAME_HZ].tolist()
    ]
    return max(found, default=other)


def _told(problem: Problem) -> tuple[float, str] | None:
    """Return a sideband's offset, and in few words what it is; None for what names no sideband."""
    if problem.code != SIDEBAND:
        return None
    pair, line = _PAIR.match(problem.message), _LINE.match(problem.message)
    if pair is not None:
        nature, _, rest = pair[2].partition(";")
        runs = _RUNS_WITH.search(rest)
        source = f"; {_source(runs[1])}" if runs else ""
        return float(pair[1]), f"pair at ±{place_text(float(pair[1]), 'Hz', 5)}: {_nature(nature)}{source}"
    if line is not None:
        source = f" ({_source(line[2])})" if line[2] else ""
        sign = "+" if line[4] == "above" else "−"
        place = place_text(float(line[1]), "Hz")
        return float(line[3]), f"lone line at {sign}{place_text(float(line[3]), 'Hz', 5)}: {place}{source}"
    return None


def _nature(text: str) -> str:
    if "no jitter" in text:
        return "level modulated, no jitter"
    jitter = re.match(r"jitter of ([^ ]{1,20} ps)", text)
    words = f"jitter, {jitter[1]} peak" if jitter else text[:60]
    return f"{words}, and more" if " and more " in text else words


def _source(text: str) -> str:
    """Return what runs at an offset, the name of it first: ``mains, 3 × 50 Hz``."""
    order, _, name = text.partition(": ")
    name = name.removeprefix("the ")
    return f"{name}, {order}" if name else text


def _on_curve(curve: Curve, offset_hz: float, words: str, message: str) -> Mark:
    """Return the mark at the highest of the curve's points at an offset; as the note has it, where there is none.

    A curve has fewer points than its capture could give: of two lines close together it keeps the stronger.
    """
    near = np.flatnonzero(np.abs(curve.x - offset_hz) <= (curve.resolution_hz or _RESOLUTION_HZ))
    levels = [float(level) for level in _LEVEL.findall(message)]
    if len(near):
        index = int(near[np.argmax(curve.y[near])])
        return Mark(float(curve.x[index]), float(curve.y[index]), words)
    if levels:
        return Mark(offset_hz, max(levels), words)
    index = int(np.argmin(np.abs(curve.x - offset_hz)))
    return Mark(offset_hz, float(curve.y[index]), words)


def _merged(found: Sequence[tuple[float, str, str, Mark]]) -> list[Mark]:
    """Return one mark for what several channels have alike, the higher one, with the channels in its words."""
    groups: list[list[tuple[float, str, str, Mark]]] = []
    for entry in found:
        for group in groups:
            alike = abs(group[0][0] - entry[0]) <= _SAME_HZ and group[0][1][:4] == entry[1][:4]
            if alike and all(entry[2] != other[2] for other in group):
                group.append(entry)
                break
        else:
            groups.append([entry])
    marks = []
    for group in groups:
        top = max(group, key=lambda entry: entry[3].y)[3]
        channels = " and ".join(entry[2] for entry in group if entry[2])
        marks.append(Mark(top.x, top.y, f"{top.text} ({channels})" if channels else top.text))
    return marks
