"""What is named in a spectrum: the tone, its harmonics, lines that stand out of the floor, and the floor's slopes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from linecheck.checks.base import Curve
from linecheck.report.figures.data import Axis, Figure, FloatArray, Series, Tag
from linecheck.report.figures.source import Source, adding
from linecheck.report.figures.words import place_text, plain_number, value_text

#: More names than these say nothing.
MAX_NAMED = 12
#: A line stands so far out of the points around it, dB, and so many of their standard deviations.
_STANDS_OUT_DB, _STANDS_OUT_DEVIATIONS = 10.0, 4.5
#: The floor is the median of so many points.
_PIECE = 64
#: A normal distribution's standard deviation over its median deviation.
_OF_MEDIAN = 1.4826
_RESOLUTION_HZ = 5.0
#: What the mains hum at, and up to which multiple a line there has the multiple's name.
_MAINS_HZ, _MAX_MULTIPLE = (50.0, 60.0), 20
#: A slope is fitted over each of these, where a curve has so many points there.
_PARTS_HZ, _FEWEST = ((20.0, 200.0), (200.0, 2000.0), (2000.0, 20000.0)), 12
#: How far from the tone a clock's own lines are: those of the mains, of data and of frames. A pair that is further away
#: is seen too.
NEAR_HZ = 5000.0


def with_tone(source: Source, figure: Figure) -> Figure:
    """Draw the tone, which its spectrum does not hold, at 0 dB, and name what stands out beside it."""
    tone_hz = next(iter(source.values("frequency").values()), source.played("frequency_hz"))
    tags = named_lines([item.curve for item in source.items], tone_hz)
    told = _told(tags, tone_hz is not None)
    if tone_hz is None or not tone_hz > 0.0:
        return adding(replace(figure, tags=tags), told)
    tone = Series("tone", np.array([tone_hz]), np.zeros(1), "stems")
    own = [series for series in figure.series if not series.is_reference]
    rest = figure.series[len(own) :]
    name = Tag(tone_hz, 0.0, place_text(tone_hz, "Hz"))
    words = f"The tone stands at {name.text}, 0 dB. {told}"
    return adding(replace(figure, series=(*own, tone, *rest), tags=(name, *tags)), words)


def with_lines(source: Source, figure: Figure) -> Figure:
    """Name the lines that stand out."""
    tags = named_lines([item.curve for item in source.items])
    return adding(replace(figure, tags=tags), _told(tags, False))


def _told(tags: Sequence[Tag], with_harmonics: bool) -> str:
    """Return in words which lines stand out."""
    if not tags:
        return "No line stands out of the floor."
    names = ", ".join(
        f"{f'harmonic {tag.text}' if with_harmonics and tag.text.isdigit() else tag.text} {value_text(tag.y, 'dB')}"
        for tag in tags
    )
    return f"Lines that stand out of the floor: {names}."


def named_lines(curves: Iterable[Curve], tone_hz: float | None = None) -> tuple[Tag, ...]:
    """Return names for the lines that stand out of the floor of any of these spectra, at most :data:`MAX_NAMED`.

    A harmonic of the tone has its number, anything else its frequency: that of the multiple of the mains, where it is
    one within the resolution. What all curves have has one name, above the highest.

    Parameters
    ----------
    curves : iterable of Curve
        Of one metric, over frequency.
    tone_hz : float, optional
        Whose harmonics these may be.
    """
    best: dict[str, tuple[float, Tag]] = {}
    for curve in curves:
        resolution = curve.resolution_hz or _RESOLUTION_HZ
        for x, y, over in standing_lines(curve.x, curve.y, resolution):
            text = _name(x, resolution, tone_hz)
            known = best.get(text)
            higher = known is None or y > known[1].y
            tag = Tag(x, y, text) if known is None or higher else known[1]
            best[text] = (over if known is None else max(over, known[0]), tag)
    strongest = sorted(best.values(), key=lambda entry: -entry[0])[:MAX_NAMED]
    return tuple(sorted((tag for _, tag in strongest), key=lambda tag: tag.x))


def _name(frequency_hz: float, resolution_hz: float, tone_hz: float | None) -> str:
    """Return a line's name."""
    if tone_hz:
        number = round(frequency_hz / tone_hz)
        if number >= 2 and abs(frequency_hz - number * tone_hz) <= resolution_hz:
            return str(number)
    for mains_hz in _MAINS_HZ:
        number = round(frequency_hz / mains_hz)
        if 1 <= number <= _MAX_MULTIPLE and abs(frequency_hz - number * mains_hz) <= 0.5 * resolution_hz:
            return place_text(number * mains_hz, "Hz")
    return place_text(frequency_hz, "Hz")


def standing_lines(x: FloatArray, y: FloatArray, resolution_hz: float) -> list[tuple[float, float, float]]:
    """Return place, level and height over the floor (dB) of every line of a spectrum, the greatest height first.

    The floor is the median of the points around, its scatter the median distance from it: neither is moved by lines.
    Points as near as the resolution spreads a line are one.

    Parameters
    ----------
    x, y : float64 arrays, shape (points,)
        Frequency in Hz and level in dB.
    resolution_hz : float
    """
    count = len(x) // _PIECE
    if count < 2:
        return []
    pieces = y[: count * _PIECE].reshape(count, _PIECE)
    middles = np.median(pieces, axis=1)
    over = y - np.interp(np.arange(len(x)), _PIECE * (np.arange(count) + 0.5), middles)
    scatter = _OF_MEDIAN * float(np.median(np.abs(over)))
    left = np.flatnonzero(over > max(_STANDS_OUT_DB, _STANDS_OUT_DEVIATIONS * scatter))
    left = left[np.argsort(-y[left])]
    near = np.maximum(3.0 * resolution_hz, 2e-3 * x)
    found = []
    while len(left):
        top = left[0]
        found.append((float(x[top]), float(y[top]), float(over[top])))
        left = left[np.abs(x[left] - x[top]) > near[left]]
    return sorted(found, key=lambda line: -line[2])


def with_slopes(source: Source, figure: Figure) -> Figure:
    """Say how a residue rises or falls with frequency: what climbs is distortion or jitter, what is even is noise."""
    told = []
    for low, high in _PARTS_HZ:
        slope = slope_db_an_octave([item.curve for item in source.items], low, high)
        if slope is not None:
            told.append(f"{slope:+.1f} dB from {place_text(low, 'Hz')}".replace("-", "−"))
    if not told:
        return figure
    words = f"slope an octave: {', '.join(told)} (least squares)"
    return adding(figure, f"Its {words}.", words)


def slope_db_an_octave(curves: Iterable[Curve], low_hz: float, high_hz: float) -> float | None:
    """Return the slope of the straight line over the logarithm of frequency that fits all curves best; least squares.

    None where they have too few points there.
    """
    parts = [(curve.x >= low_hz) & (curve.x <= high_hz) for curve in curves]
    octaves = np.concatenate(
        [np.zeros(0), *(np.log2(curve.x[at]) for curve, at in zip(curves, parts, strict=True))]
    )
    levels = np.concatenate([np.zeros(0), *(curve.y[at] for curve, at in zip(curves, parts, strict=True))])
    if len(octaves) < _FEWEST:
        return None
    return float(np.polyfit(octaves, levels, 1)[0])


def near_the_tone(source: Source, figure: Figure) -> Figure | None:
    """Return the sidebands near the tone, along a linear axis: which are evenly spaced is seen.

    Of a record that has both sides these are drawn so, and this is not.
    """
    if source.curves("both_sides"):
        return None
    # A mark's words begin with what it is; lone lines are the mains' more often than not, and far away.
    pairs = (1.1 * mark.x for mark in figure.marks if mark.text.startswith("pair"))
    end = min(max(NEAR_HZ, *pairs, 0.0), max(float(item.curve.x[-1]) for item in source.items))
    marks = tuple(mark for mark in figure.marks if mark.x <= end)
    title = f"{figure.title}, near the tone"
    tags = named_lines([item.curve for item in source.items])
    inside = tuple(tag for tag in tags if tag.x <= end)
    told = [f"{mark.text}." for mark in marks if mark.text]
    told += [_told(inside, False)] if inside or not told else []
    return replace(
        figure,
        name=f"{figure.name}-near",
        title=title,
        alt=" ".join((f"{title}.", *told)),
        x=Axis(figure.x.label, figure.x.unit, low=0.0, high=end),
        y=replace(figure.y, label=f"stronger side ({plain_number(_resolution(source), 3)} Hz bandwidth)"),
        marks=marks,
        tags=inside,
    )


def _resolution(source: Source) -> float:
    return source.items[0].curve.resolution_hz or _RESOLUTION_HZ
