"""Sidebands in words: what each of them is, what runs at its frequency, and what two captures say together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np

from linecheck.checks.base import Curve, Note, Taken
from linecheck.checks.parts.origins import frames_at, mains_at, rates_at
from linecheck.dsp.spectra.sidebands import Quantity, Sideband

#: Code of the note that names a sideband, and of the one that compares two captures.
SIDEBAND, COMPARED = "sideband", "compared_sidebands"
#: How far from what runs at a frequency a fitted one may lie, and from the difference of two rates, Hz.
FITTED_HZ, RATES_WITHIN_HZ = 0.05, 1.0
#: Lines of two captures are the same one within this (or three standard deviations), and alike within this.
SAME_HZ, ALIKE_DB = 0.5, 3.0
#: A line is not in a capture whose curve stands this much below it there.
ABSENT_DB = 6.0

_SMALLEST = 1e-12


def _db(amplitude: float) -> float:
    return float(20.0 * np.log10(max(amplitude, _SMALLEST)))


def _picoseconds(value: float) -> str:
    return f"{value:.0f} ps" if value >= 100.0 else f"{value:.3g} ps"


def sideband_note(
    band: Sideband, channel: str, carrier_hz: float, mains_hz: Sequence[float], jitter_ps: float
) -> Note:
    """Return what a sideband is, in words; its numbers are offset (Hz), level (dB), and their uncertainties.

    Parameters
    ----------
    band : Sideband
    channel : str
    carrier_hz : float
        The tone, as captured.
    mains_hz : sequence of float
        What the mains frequency may be.
    jitter_ps : float
        What the pair would be as jitter, ps peak.
    """
    is_line = band.nature in ("upper", "lower")
    message = _line(band, carrier_hz, mains_hz) if is_line else _pair(band, mains_hz, jitter_ps)
    strong = band.stronger
    decibels = 20.0 / np.log(10.0) * strong.uncertainty / max(strong.value, _SMALLEST)
    values = (band.offset_hz, band.offset_uncertainty_hz, _db(strong.value), float(decibels))
    return Note(SIDEBAND, message, channel, values=values)


def _pair(band: Sideband, mains_hz: Sequence[float], jitter_ps: float) -> str:
    """Return what a pair is, by its offset."""
    offset = band.offset_hz
    sides = f"upper {_level(band.upper)}, lower {_level(band.lower)}"
    jitter = f"jitter of {_picoseconds(jitter_ps)} peak"
    what = {
        "jitter": jitter,
        "amplitude": f"the level is modulated by {100.0 * band.amplitude.value:.2g} %, it is no jitter",
        "mixed": f"{jitter}, and more on the same offset (modulation of the level, or an added line)",
    }[band.nature]
    named = ", or ".join(filter(None, (_runs_at(offset, mains_hz), _rates_at(offset))))
    source = f"the offset is {named}" if named else f"look for what runs at {offset:.1f} Hz"
    return f"sidebands at ±{offset:.1f} Hz, {sides}: {what}; {source}"


def _line(band: Sideband, carrier_hz: float, mains_hz: Sequence[float]) -> str:
    """Return what an added line is, by its own frequency: it has nothing to do with the tone."""
    is_upper = band.nature == "upper"
    place = carrier_hz + (band.offset_hz if is_upper else -band.offset_hz)
    beside = f"{band.offset_hz:.1f} Hz {'above' if is_upper else 'below'} the tone"
    level = _level(band.upper if is_upper else band.lower)
    named = _runs_at(place, mains_hz)
    at, source = (f" ({named})", "") if named else ("", f"; look for what runs at {place:.1f} Hz")
    return f"a line at {place:.1f} Hz{at}, {beside}, {level}: added{source}"


def _level(side: Quantity) -> str:
    if side.value > 2.0 * side.uncertainty:
        return f"{_db(side.value):.1f} dB"
    return f"below {_db(3.0 * side.uncertainty):.0f} dB"


def _rates_at(offset_hz: float) -> str:
    """Return the two rates whose difference an offset is, in words; empty where it is none."""
    rates = rates_at(offset_hz, RATES_WITHIN_HZ)
    if rates is None:
        return ""
    lower, upper = (f"{rate / 1000:g} kHz" for rate in rates)
    return f"the difference of {upper} and {lower}: a sample-rate converter"


def _runs_at(frequency_hz: float, mains_hz: Sequence[float]) -> str:
    """Return what usually runs at a frequency, in words; empty where nothing comes to mind."""
    names = []
    frames = frames_at(frequency_hz, FITTED_HZ)
    if frames is not None:
        order, step = frames
        names.append(f"{order} × {step / 1000:g} kHz: {'USB microframes' if step == 8000 else 'USB frames'}")
    for mains in mains_hz:
        if order := mains_at(frequency_hz, mains, FITTED_HZ):
            names.append(f"{order} × {mains:g} Hz: the mains")
            break
    return ", or ".join(names)


@dataclass(frozen=True)
class _Line:
    """A sideband of one check."""

    check: int
    offset_hz: float
    offset_uncertainty_hz: float
    level_db: float
    level_uncertainty_db: float


def compare_sidebands(taken: Sequence[Taken]) -> tuple[Note, ...]:
    """Say which sidebands several captures of one unit share, and which only one of them has.

    Only checks with the same stimulus and different setups are compared. The same line on all of them, at a level
    alike, comes from inside the unit; a line on one of them, clearly absent from the others, comes with what is
    different there.
    """
    texts: dict[str, list[str]] = {}
    for group in _groups(taken):
        channels = dict.fromkeys(
            curve.channel for entry in group for curve in entry.measurement.curves if len(curve.x)
        )
        for channel in channels:
            if channel is not None:
                texts.setdefault(channel, []).extend(_channel_texts(group, channel))
    distinct = {tuple(entry) for entry in texts.values()}
    if len(texts) > 1 and len(distinct) == 1:
        return tuple(Note(COMPARED, text) for text in distinct.pop())
    return tuple(Note(COMPARED, text, channel) for channel, entry in texts.items() for text in entry)


def _groups(taken: Sequence[Taken]) -> list[list[Taken]]:
    """Return the checks that can be compared: the same stimulus, and setups of which no two are alike."""
    groups: list[list[Taken]] = []
    for entry in taken:
        for group in groups:
            if group[0].stimulus == entry.stimulus:
                if all(dict(other.setup) != dict(entry.setup) for other in group):
                    group.append(entry)
                break
        else:
            groups.append([entry])
    return [group for group in groups if len(group) > 1]


def _channel_texts(group: Sequence[Taken], channel: str) -> list[str]:
    """Return the sentences about one channel."""
    if any(_curve(entry, channel) is None for entry in group):
        return []
    names = [entry.check for entry in group]
    shared: list[_Line] = []
    alone: dict[int, list[_Line]] = {}
    differing: list[str] = []
    for cluster in _clusters(_lines(group, channel)):
        there = {line.check: line for line in cluster}
        absent = [index for index in range(len(group)) if index not in there]
        first = cluster[0]
        if not absent:
            if _alike(cluster):
                shared.append(first)
            else:
                levels = ", ".join(f"{line.level_db:.1f} dB on {names[line.check]}" for line in cluster)
                differing.append(f"{first.offset_hz:.1f} Hz ({levels})")
        elif len(cluster) == 1 and all(_is_absent(group[index], channel, first) for index in absent):
            alone.setdefault(first.check, []).append(first)
    texts = []
    if shared:
        texts.append(
            f"the same sidebands on {' and '.join(names)} ({_offsets(shared)}): their cause lies inside the unit"
        )
    if differing:
        texts.append(f"sidebands on {' and '.join(names)}, but of different strength: {', '.join(differing)}")
    for index, lines in sorted(alone.items()):
        texts.append(
            f"sidebands on {names[index]} only ({_offsets(lines)}): they come with {_difference(index, group)}"
        )
    return texts


def _lines(group: Sequence[Taken], channel: str) -> list[_Line]:
    return [
        _Line(index, *problem.values)
        for index, entry in enumerate(group)
        for problem in entry.measurement.problems
        if isinstance(problem, Note) and problem.code == SIDEBAND and problem.channel == channel
    ]


def _clusters(lines: list[_Line]) -> list[list[_Line]]:
    """Return the lines of the same offset, at most one of each check, the strongest first."""
    clusters: list[list[_Line]] = []
    for line in sorted(lines, key=lambda entry: -entry.level_db):
        for cluster in clusters:
            if all(other.check != line.check for other in cluster) and _same(cluster[0], line):
                cluster.append(line)
                break
        else:
            clusters.append([line])
    return [sorted(cluster, key=lambda entry: entry.check) for cluster in clusters]


def _same(first: _Line, second: _Line) -> bool:
    spread = float(np.hypot(first.offset_uncertainty_hz, second.offset_uncertainty_hz))
    return abs(first.offset_hz - second.offset_hz) <= max(SAME_HZ, 3.0 * spread)


def _alike(cluster: Iterable[_Line]) -> bool:
    lines = list(cluster)
    levels = [line.level_db for line in lines]
    spread = float(np.sqrt(sum(line.level_uncertainty_db**2 for line in lines)))
    return max(levels) - min(levels) <= ALIKE_DB + 3.0 * spread


def _curve(entry: Taken, channel: str) -> Curve | None:
    curves = entry.measurement.curves
    return next((curve for curve in curves if curve.channel == channel and len(curve.x)), None)


def _is_absent(entry: Taken, channel: str, line: _Line) -> bool:
    """Return whether a capture would show a line and does not."""
    curve = _curve(entry, channel)
    if curve is None:
        return False
    nearest = np.argsort(np.abs(curve.x - line.offset_hz))[:3]
    return bool(np.max(curve.y[nearest]) < line.level_db - ABSENT_DB)


def _offsets(lines: list[_Line]) -> str:
    strongest = sorted(lines, key=lambda entry: -entry.level_db)[:6]
    listed = ", ".join(f"{line.offset_hz:.1f} Hz" for line in strongest)
    return f"{listed} and {len(lines) - 6} more" if len(lines) > 6 else listed


def _difference(index: int, group: Sequence[Taken]) -> str:
    """Return how the setup of one check is another than that of the others, in words."""
    setups = [entry.setup for entry in group]
    different = [
        key for key in dict.fromkeys(chain(*setups)) if len({setup.get(key) for setup in setups}) > 1
    ]
    return " and ".join(f"{key} {setups[index].get(key, '(none)')}" for key in different)
