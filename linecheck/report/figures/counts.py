"""What was counted, drawn: shares day by day, one station below the other, and what fails most."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from linecheck.report.figures.drawing.labels import fitted
from linecheck.report.figures.drawing.palette import FAILS, INK, LINES, QUIET_INK
from linecheck.report.figures.drawing.paper import Paper
from linecheck.report.figures.drawing.svg import element

WIDTH: Final = 482.0
_NAME, _TOLD, _ROW, _EDGE = 112.0, 92.0, 46.0, 16.0
_BAR_ROW, _BAR = 20.0, 11.0
_RULE: Final = "#BDBDBD"


class Point(NamedTuple):
    """A share of a day with its interval, 0 to 1; what stands at the day."""

    name: str
    low: float
    value: float
    high: float


class Track(NamedTuple):
    """Points of one station, in order of the days that all tracks have; None where a day has none."""

    name: str
    told: str
    points: Sequence[Point | None]


class Bar(NamedTuple):
    """A row of a Pareto figure: how many, and the cumulated share after it."""

    name: str
    number: int
    so_far: float


def shares_svg(tracks: Sequence[Track], days: Sequence[str], title: str, prefix: str) -> str:
    """Return shares over days, with their intervals, one track below the other, all on one scale."""
    lowest = min((point.low for track in tracks for point in track.points if point), default=0.0)
    low = next((edge for edge in (0.99, 0.95, 0.9, 0.8, 0.5) if edge <= lowest), 0.0)
    paper = Paper(WIDTH, _ROW * max(len(tracks), 1) + 2.0 * _EDGE)
    paper.box((0.0, 0.0, WIDTH, paper.height), "#ffffff")
    left, right = _NAME, WIDTH - _TOLD
    step = (right - left) / max(len(days), 1)
    for index, track in enumerate(tracks):
        bottom = paper.height - _EDGE - _ROW * (index + 1) + 8.0
        top = bottom + _ROW - 14.0

        def at(share: float, bottom: float = bottom, top: float = top) -> float:
            return bottom + (min(max(share, low), 1.0) - low) / (1.0 - low) * (top - bottom)

        for share in (low, 1.0):
            paper.line([left, right], 2 * [at(share)], _RULE, 0.5)
            paper.write(left - 5.0, at(share), f"{100.0 * share:.0f} %", 6.5, up="middle", anchor="end")
        middle = 0.5 * (bottom + top)
        paper.write(
            0.0, middle, track.name, fitted(track.name, 8.5, left - 36.0), up="middle", colour=INK, bold=True
        )
        paper.write(
            right + 8.0, middle, track.told, fitted(track.told, 8.0, _TOLD - 8.0), up="middle", colour=INK
        )
        places = [left + (number + 0.5) * step for number in range(len(days))]
        for x, point in zip(places, track.points, strict=True):
            if point is not None:
                paper.line([x, x], [at(point.low), at(point.high)], QUIET_INK, 1.0)
        drawn = [
            (x, at(point.value)) for x, point in zip(places, track.points, strict=True) if point is not None
        ]
        if drawn:
            paper.line([x for x, _ in drawn], [y for _, y in drawn], LINES[0][0], 1.2)
            for x, y in drawn:
                paper.box((x - 1.8, y - 1.8, x + 1.8, y + 1.8), LINES[0][0])
    shown = max(1, round(len(days) / 10))
    for number, day in enumerate(days):
        if number % shown == 0:
            paper.write(left + (number + 0.5) * step, 3.0, day[5:], 6.5, anchor="middle")
    alt = "; ".join(f"{track.name}: {track.told}" for track in tracks)
    return element(paper, prefix, title, f"{title}, {days[0]} to {days[-1]}: {alt}." if days else title)


def pareto_svg(bars: Sequence[Bar], title: str, prefix: str) -> str:
    """Return bars of counts, the longest first, each with what is cumulated after it."""
    paper = Paper(WIDTH, _BAR_ROW * max(len(bars), 1) + 4.0)
    paper.box((0.0, 0.0, WIDTH, paper.height), "#ffffff")
    left, right = 190.0, WIDTH - _TOLD
    longest = max((bar.number for bar in bars), default=1)
    for index, bar in enumerate(bars):
        bottom = paper.height - _BAR_ROW * (index + 1) + 5.0
        middle, end = bottom + 0.5 * _BAR, left + bar.number / longest * (right - left)
        paper.box((left, bottom, end, bottom + _BAR), FAILS[1], opacity=0.75)
        paper.write(
            left - 6.0,
            middle,
            bar.name,
            fitted(bar.name, 8.0, left - 8.0),
            up="middle",
            colour=INK,
            anchor="end",
        )
        paper.write(end + 5.0, middle, f"{bar.number}", 8.0, up="middle", colour=INK, bold=True)
        paper.write(WIDTH, middle, f"{100.0 * bar.so_far:.0f} % so far", 7.0, up="middle", anchor="end")
    return element(
        paper, prefix, title, f"{title}: " + "; ".join(f"{bar.name} {bar.number}" for bar in bars) + "."
    )


class Range(NamedTuple):
    """A row of a figure of ranges: where most units lie, or a single value; ``is_comparable`` says how it is drawn."""

    name: str
    low: float
    middle: float
    high: float
    is_comparable: bool


def ranges_svg(ranges: Sequence[Range], value: float, value_text: str, title: str, prefix: str) -> str:
    """Return ranges on one scale, one below the other, with a line through all at a value.

    What may not be compared is drawn dashed, without its middle.
    """
    ends = [value, *(end for each in ranges for end in (each.low, each.high))]
    low, high = min(ends), max(ends)
    margin = 0.06 * (high - low) or 1.0
    low, high = low - margin, high + margin
    paper = Paper(WIDTH, _BAR_ROW * len(ranges) + 30.0)
    paper.box((0.0, 0.0, WIDTH, paper.height), "#ffffff")
    left, right = 190.0, WIDTH - 12.0

    def at(number: float) -> float:
        return left + (number - low) / (high - low) * (right - left)

    for index, each in enumerate(ranges):
        middle = paper.height - 18.0 - _BAR_ROW * (index + 0.5)
        name = each.name if each.is_comparable else f"{each.name} (not to be compared)"
        paper.write(
            left - 6.0, middle, name, fitted(name, 8.0, left - 8.0), up="middle", colour=INK, anchor="end"
        )
        look: dict[str, tuple[float, ...]] = {} if each.is_comparable else {"dash": (2.0, 2.0)}
        paper.line(
            [at(each.low), at(each.high)],
            [middle, middle],
            LINES[0][0] if not look else QUIET_INK,
            2.4,
            **look,
        )
        if each.is_comparable:
            x = at(each.middle)
            paper.line([x, x], [middle - 5.0, middle + 5.0], LINES[0][0], 2.0)
    paper.line([at(value)] * 2, [12.0, paper.height - 14.0], INK, 1.0)
    paper.write(at(value), paper.height - 9.0, value_text, 8.0, anchor="middle", colour=INK, bold=True)
    for end, anchor in ((low + margin, "start"), (high - margin, "end")):
        paper.write(at(end), 2.0, f"{end:.6g}", 6.5, anchor=anchor)
    told = "; ".join(f"{each.name} {each.low:.6g} to {each.high:.6g}" for each in ranges)
    return element(paper, prefix, title, f"{title}: {value_text} among {told}.")
