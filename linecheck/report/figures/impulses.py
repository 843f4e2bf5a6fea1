"""What follows from a recorded impulse response: the step response, how it dies away, the group delay, the phase.

====================  ==============================================================
:func:`step_of`       the running sum, which ends at 1
:func:`decibels_of`   the magnitude re the peak
:func:`delay_of`      the group delay over frequency
:func:`phase_of`      the phase over frequency, less that of one delay
====================  ==============================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linecheck.report.figures.data import Axis, Figure, FloatArray, Series
from linecheck.report.figures.source import Source, adding, at_places, one_where_alike
from linecheck.report.figures.words import fixed, place_text, plain_number

#: What lies deeper than this below a peak is noise, whatever converts it.
_DEEPEST_DB = -140.0
#: So many points of a record, which has 16 in a period of its highest frequency, have one crest.
_CREST = 5
#: A delay is told where the response is so high re its highest, dB: below, noise and the record's ends decide.
_LEAST_DB = -20.0
#: A record of T seconds tells frequencies from so many times 1/T on.
_LEAST_PERIODS = 3.0
#: A delay is told at so many frequencies, evenly spaced along a logarithmic axis.
_FREQUENCIES = 120
#: Of fewer points nothing is transformed.
_FEWEST = 8
#: The least that the axis of a delay spans, either way, µs: less is heard by nobody and resolved by no capture.
_LEAST_MICROSECONDS = 10.0
#: The phase is told without the delay that there is here, or at the nearest frequency that is told.
_REFERENCE_HZ = 1000.0
#: The least that the axis of a phase spans, either way, and what varies by less is told as varying by this, degrees.
_LEAST_DEGREES, _NOTHING_DEGREES = 5.0, 0.01
#: A delay that varies by less is told as varying by this, µs.
_NOTHING_MICROSECONDS = 0.01


def step_of(values: FloatArray) -> FloatArray | None:
    """Return the step response, the running sum of an impulse response, so scaled that it ends at 1.

    None where the sum is nothing beside what is summed, as without a level at zero frequency: then it ends nowhere.
    """
    summed = np.cumsum(values)
    if not len(values) or not abs(summed[-1]) > 1e-3 * float(np.max(np.abs(summed))):
        return None
    return np.asarray(summed / summed[-1])


def decibels_of(values: FloatArray) -> FloatArray:
    """Return the magnitude re the greatest, dB."""
    size = np.abs(values)
    return np.asarray(20.0 * np.log10(np.maximum(size / max(float(np.max(size)), 1e-300), 1e-12)))


def delay_of(seconds: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return frequencies in Hz, an impulse response's group delay at each in seconds, and its magnitude re the highest.

    The delay -dφ/dω is the real part of the transform of t·h(t) over that of h(t), which needs no phase unwrapped
    (Oppenheim and Schafer, Discrete-Time Signal Processing, the chapter on transforms: differentiation of X, from
    memory). Time counts from the zero of ``seconds``. The magnitude is in dB.

    Parameters
    ----------
    seconds, values : float64 arrays, shape (points,)
        Evenly spaced; at least two.
    """
    padded = _padded(len(values))
    whole, weighted = np.fft.rfft(values, padded), np.fft.rfft(seconds * values, padded)
    size = np.abs(whole)
    with np.errstate(divide="ignore", invalid="ignore"):
        delays = np.real(weighted / whole)
        levels = 20.0 * np.log10(size / max(float(np.max(size)), 1e-300))
    frequencies = np.arange(len(whole)) / (padded * _spacing(seconds))
    return frequencies, delays, levels


def phase_of(seconds: FloatArray, values: FloatArray, delay_seconds: float, first_hz: float) -> FloatArray:
    """Return an impulse response's phase at the frequencies of :func:`delay_of`, less that of a delay, degrees.

    It is arg H(f) + 2πf·delay, without jumps; at ``first_hz`` it lies within half a turn of nothing.

    Parameters
    ----------
    seconds, values : float64 arrays, shape (points,)
        Evenly spaced; at least two.
    delay_seconds : float
        By the clock of ``seconds``.
    first_hz : float
    """
    padded = _padded(len(values))
    whole = np.fft.rfft(values, padded)
    frequencies = np.arange(len(whole)) / (padded * _spacing(seconds))
    turned = whole * np.exp(2j * np.pi * np.mod(frequencies * (delay_seconds - seconds[0]), 1.0))
    cycles = np.unwrap(np.angle(turned)) / (2.0 * np.pi)
    first = int(np.searchsorted(frequencies, first_hz))
    return np.asarray(360.0 * (cycles - np.rint(cycles[min(first, len(cycles) - 1)])))


def _spacing(seconds: FloatArray) -> float:
    """Return how far apart evenly spaced places are: each is rounded, so that two of them tell less than all do."""
    return float(seconds[-1] - seconds[0]) / (len(seconds) - 1)


def _padded(points: int) -> int:
    """Return to what length zeros behind a record bring it: they put the transform's frequencies closer together."""
    return 8 << int(points - 1).bit_length()


def with_step(source: Source, figure: Figure) -> Figure:
    """Draw the step response over the impulse response."""
    steps = []
    for series in figure.series:
        step = None if series.is_reference else step_of(series.y)
        if step is not None:
            steps.append(replace(series, y=step, label=f"{series.label}, step"))
    if not steps:
        return figure
    steps = one_where_alike(steps, "step", figure.series)
    figure = replace(
        figure,
        series=(*figure.series, *steps),
        y=replace(figure.y, label="re its peak; step: re its end", unit="ratio"),
    )
    overshoot = 100.0 * (max(float(np.max(series.y)) for series in steps) - 1.0)
    words = f"step (its running sum) overshoots by {plain_number(overshoot, 3)} %"
    return adding(figure, f"The {words}.", words)


def decay(source: Source, figure: Figure) -> Figure | None:
    """Return how an impulse response rises and dies away, in dB, over all that was recorded."""
    title = f"{figure.title}, in dB"
    series = [_crests(replace(entry, y=decibels_of(entry.y))) for entry in figure.series]
    floor = min(float(np.median(entry.y)) for entry in series)
    lowest = max(10.0 * np.floor(floor / 10.0 - 1.0), _DEEPEST_DB)
    there = np.concatenate([entry.x[entry.y > lowest] for entry in series])
    told = [
        f"{entry.label}: at most {plain_number(_highest(entry, -np.inf, -1.0), 3)} dB up to 1 ms ahead of the peak, "
        f"at most {plain_number(_highest(entry, 1.0, np.inf), 3)} dB from 1 ms behind it on."
        for entry in series
    ]
    return replace(
        figure,
        name=f"{figure.name}-db",
        title=title,
        alt=" ".join((f"{title}.", *told)),
        x=replace(
            figure.x,
            low=min(figure.x.low or 0.0, 1.1 * float(np.min(there, initial=0.0))),
            high=max(figure.x.high or 0.0, 1.1 * float(np.max(there, initial=0.0))),
        ),
        y=Axis("magnitude re the peak", "dB", low=float(lowest), high=5.0),
        series=tuple(series),
        hold="max",
        caption=f"the highest of every {_CREST} points",
    )


def _crests(series: Series) -> Series:
    """Return the highest of every few points: the crests of what oscillates, without the zeros between them."""
    count = len(series.y) // _CREST
    top = np.argmax(series.y[: count * _CREST].reshape(count, _CREST), axis=1) + _CREST * np.arange(count)
    return replace(series, x=series.x[top], y=series.y[top])


def _highest(series: Series, low: float, high: float) -> float:
    inside = (series.x >= low) & (series.x <= high)
    return float(np.max(series.y[inside], initial=_DEEPEST_DB))


def group_delay(source: Source, figure: Figure) -> Figure | None:
    """Return the group delay re the peak, where the impulse response tells it."""
    told = [_DelaySeries.of(entry) for entry in figure.series]
    series = [entry.delays for entry in told if entry is not None]
    spread = _spread(series, _NOTHING_MICROSECONDS)
    latencies = source.values("latency")
    latency = f"; latency {at_places(latencies, 'ms')}" if latencies else ""
    return _over_frequency(
        figure,
        series,
        ("group delay re the impulse response's peak", "group-delay"),
        Axis("group delay re the peak", "µs"),
        _LEAST_MICROSECONDS,
        f"it varies by {plain_number(spread, 3)} µs there at most{latency}",
        latency,
    )


def phase(source: Source, figure: Figure) -> Figure | None:
    """Return the phase without the delay at 1 kHz, where the impulse response tells it."""
    told = [_DelaySeries.of(entry) for entry in figure.series]
    series = [entry.phases for entry in told if entry is not None]
    delays = {
        entry.delays.label: entry.delay_microseconds
        for entry in told
        if entry is not None and not entry.delays.is_reference
    }
    if not delays:
        return None
    texts = {label: f"{fixed(delay, 2)} µs" for label, delay in delays.items()}
    same = len(set(texts.values())) == 1
    off = next(iter(texts.values())) if same else ", ".join(f"{name} {text}" for name, text in texts.items())
    spread = _spread(series, _NOTHING_DEGREES)
    return _over_frequency(
        figure,
        series,
        ("phase without the delay at 1 kHz", "phase"),
        Axis("phase, delay removed", "degrees"),
        _LEAST_DEGREES,
        f"it varies by {plain_number(spread, 3)}° there at most; the delay at 1 kHz is {off} re the peak",
        f"; delay at 1 kHz: {off}",
    )


def _spread(series: Sequence[Series], least: float) -> float:
    """Return by how much the curve that varies most does; ``least`` where that is less."""
    return max([least, *(float(np.ptp(entry.y)) for entry in series if not entry.is_reference)])


def _over_frequency(
    figure: Figure,
    series: Sequence[Series],
    named: tuple[str, str],
    y: Axis,
    least: float,
    told: str,
    caption: str,
) -> Figure | None:
    """Return the figure of what an impulse response tells over frequency; None where it tells nothing.

    Parameters
    ----------
    figure : Figure
        The impulse response's.
    series : sequence of Series
    named : tuple of str
        What it shows in words, and as the end of its name.
    y : Axis
    least : float
        What its y axis spans at least, either way.
    told, caption : str
        What else there is to say of it, for who does not see it and below it.
    """
    own = [entry for entry in series if not entry.is_reference]
    if not own:
        return None
    words, name = named
    title = figure.title.replace("impulse response re its peak", words)
    title = title if title != figure.title else f"{figure.title}, {words}"
    low = min(-least, *(float(np.min(entry.y)) for entry in own))
    high = max(least, *(float(np.max(entry.y)) for entry in own))
    more = 0.1 * (high - low)
    band = f"{place_text(own[0].x[0], 'Hz')} to {place_text(own[0].x[-1], 'Hz')}"
    return replace(
        figure,
        name=f"{figure.name}-{name}",
        title=title,
        alt=f"{title}. Told from {band}; {told}.",
        x=Axis("frequency", "Hz", log=True),
        y=replace(y, low=low - more, high=high + more),
        series=tuple(series),
        hold="both",
        caption=f"by Fourier transform of the recorded impulse response; told from {band}, down to −20 dB{caption}",
    )


@dataclass(frozen=True)
class _DelaySeries:
    """An impulse response's group delay, µs, its phase without the delay at 1 kHz, degrees, and that delay."""

    delays: Series
    phases: Series
    delay_microseconds: float

    @classmethod
    def of(cls, series: Series) -> _DelaySeries | None:
        """Return what an impulse response over milliseconds tells, up to where it first falls too low."""
        if len(series.x) < _FEWEST:
            return None
        seconds = series.x / 1000.0
        frequencies, delays, levels = delay_of(seconds, series.y)
        lowest, highest = _LEAST_PERIODS / float(seconds[-1] - seconds[0]), float(frequencies[-1])
        if not lowest < highest:
            return None
        kept = np.unique(np.searchsorted(frequencies, np.geomspace(lowest, highest, _FREQUENCIES)[:-1]))
        low = np.flatnonzero(~(levels[kept] > _LEAST_DB))
        kept = kept[: int(low[0]) if len(low) else len(kept)]
        if len(kept) < 2:
            return None
        at = kept[int(np.argmin(np.abs(frequencies[kept] - _REFERENCE_HZ)))]
        delay = float(delays[at])
        phases = phase_of(seconds, series.y, delay, float(frequencies[kept[0]]))[kept]
        x = frequencies[kept]
        return cls(replace(series, x=x, y=1e6 * delays[kept]), replace(series, x=x, y=phases), 1e6 * delay)
