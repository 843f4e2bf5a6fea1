"""What the kinds with a periodic signal of many lines share: their stimulus, and finding it in a capture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.checks.base import Capture, Location, Problem, Stimulus
from linecheck.checks.parts.steady import (
    CLOCK_TOLERANCE,
    OTHER_RATES,
    SETTLE_SECONDS,
    SteadyParameters,
    at_another_rate,
    dead_channel,
    ends_early,
    in_no_channel,
    last_settled,
    ppm_off,
    ramped,
)
from linecheck.checks.parts.words import dropout, percent_off
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.continuity import breaks_of_period
from linecheck.dsp.fits.periodic import LineReader, PeriodicSignal, fitted_scale
from linecheck.dsp.locating.locate import loudest_span
from linecheck.dsp.quantise import quantise
from linecheck.dsp.spectra.narrow import Narrowed

#: A full-scale sine's.
RMS_AT_FULL_SCALE = float(np.sqrt(0.5))
#: The signal is there where its lines have so many times the power of what lies between them.
MIN_PROMINENCE = 10.0
#: Its power is watched in so many steps to half a period, over which it is the same everywhere.
STEPS = 5


def periodic_stimulus(
    signal: PeriodicSignal,
    parameters: SteadyParameters,
    level_dbfs: float,
    channels: int,
    ramp_seconds: float,
) -> Stimulus:
    """Return the same periodic signal in every channel: ramp in, settle, the measured part, ramp out.

    ``level_dbfs`` is its rms level re a full-scale sine.
    """
    frames = round((2.0 * ramp_seconds + SETTLE_SECONDS + parameters.seconds) * parameters.rate_hz)
    values = signal.samples(frames) * (RMS_AT_FULL_SCALE * 10.0 ** (level_dbfs / 20.0))
    table = ramped(np.repeat(values[:, None], channels, axis=1), parameters.rate_hz, ramp_seconds)
    return Stimulus(quantise(table, parameters.bits, parameters.seed), parameters.rate_hz, parameters.bits)


def peak_dbfs(signal: PeriodicSignal, level_dbfs: float) -> float:
    """Return the highest level that a periodic signal reaches, dB re a full-scale sine's peak."""
    peak = float(np.max(np.abs(signal.samples(signal.period))))
    return level_dbfs + 20.0 * float(np.log10(RMS_AT_FULL_SCALE * peak))


@dataclass(frozen=True)
class _Found:
    """One channel: the scale of its frequencies, and the power of its lines over that of what lies between."""

    scale: float
    prominence: float


def locate_periodic(
    capture: Capture, signal: PeriodicSignal, rate_hz: int, seconds: float, channels: tuple[str, ...]
) -> Location:
    """Find a periodic signal in a capture, and whether it is continuous.

    The part to measure is the last ``seconds`` of the settled inside. All lines give one clock ratio; the strongest
    channel decides. Raises nothing: what is wrong becomes a problem of the location (``stimulus_not_found``,
    ``wrong_rate``, ``capture_rate_low``, ``too_short``, ``dropout``).
    """
    top = float(signal.frequencies[-1]) * rate_hz
    if capture.rate_hz < rate_hz:
        message = f"captured at {capture.rate_hz} Hz, below the stimulus's own rate of {rate_hz} Hz"
        return Location.nowhere(channels, Problem("capture_rate_low", message))
    narrowed = capture.narrowed(max(20_000.0, top))
    half_period = 0.5 * signal.period / rate_hz * narrowed.rate_hz
    span = _sounding(narrowed, half_period, seconds)
    if span is None:
        return Location.nowhere(channels, _absent(capture, signal, rate_hz))
    start, stop = last_settled(*span, seconds, capture.rate_hz)
    frequencies = signal.frequencies * (rate_hz / narrowed.rate_hz)
    seen = [_look(narrowed.between(channel, start, stop), frequencies) for channel in range(capture.channels)]
    best = max(seen, key=lambda one: one.prominence)
    if best.prominence < MIN_PROMINENCE:
        return Location.nowhere(channels, _absent(capture, signal, rate_hz))
    if abs(best.scale - 1.0) > 1.1 * CLOCK_TOLERANCE:
        record = narrowed.between(seen.index(best), start, stop)
        return Location.nowhere(channels, _off(record, frequencies, best))
    found = tuple(
        one.prominence >= MIN_PROMINENCE and abs(one.scale / best.scale - 1.0) < 1e-5 for one in seen
    )
    problems = [dead_channel(name) for name, there in zip(channels, found, strict=True) if not there]
    short = ends_early((span[1] - span[0]) / capture.rate_hz, seconds)
    problems += [] if short is None else [short]
    for index, name in enumerate(channels):
        if found[index]:
            problems += _breaks(narrowed, index, name, (start, stop), half_period / best.scale)
    return Location(start, stop, found, best.scale, problems=tuple(problems))


def _off(record: FloatArray, frequencies: FloatArray, nominal: _Found) -> Problem:
    """Say how far off a signal is: by the ratio of two usual rates, where its lines stand out more so, or by ppm.

    Lines lie so densely that some of another rate are found for those that were played.
    """
    for captured, played in OTHER_RATES:
        lines = frequencies * (captured / played)
        there = _look(record, lines[lines < 0.49])
        if there.prominence > nominal.prominence and abs(there.scale - 1.0) < 1.1 * CLOCK_TOLERANCE:
            return at_another_rate(captured, played)
    return ppm_off(nominal.scale)


def _sounding(narrowed: Narrowed, half_period: float, seconds: float) -> tuple[int, int] | None:
    """Return the settled stretch (frames of the capture) of the loudest channel, None where there is none."""
    hop = round(half_period / STEPS)
    count = narrowed.values.shape[1] // hop
    if count < 4 * STEPS:
        return None
    centred = (values[: count * hop] - np.mean(values) for values in narrowed.values)
    powers = (np.sum(values.reshape(count, hop) ** 2, axis=1) / hop for values in centred)
    envelopes = (np.sqrt(np.convolve(power, np.full(STEPS, 1.0 / STEPS), mode="valid")) for power in powers)
    span = loudest_span(envelopes, int(0.3 * seconds * narrowed.rate_hz / hop))
    if span is None:
        return None
    # A point covers STEPS hops; an edge lies in the first or last of them.
    first, last = (span.settled_start + 1) * hop, (span.settled_stop + STEPS - 2) * hop
    return None if last - first < 4 * STEPS * hop else (first * narrowed.factor, last * narrowed.factor)


def _look(values: FloatArray, frequencies: FloatArray) -> _Found:
    """Fit the clock ratio in one channel, and compare its lines with what lies between them.

    The whole is tried, then either half, with the lines that it still tells apart: a break spoils one half at most.
    """
    if not np.ptp(values) > 0.0:
        return _Found(1.0, 0.0)
    whole, share = _fit(values, frequencies)
    # Where lines are nearly all that there is, no break has spoilt the fit.
    if share > 0.98:
        return whole
    half = len(values) // 2
    # Lines must be 7 bins apart for this window (:class:`LineReader`).
    apart = np.concatenate(([True], np.diff(frequencies) * half > 7.0))
    apart &= np.concatenate((apart[1:], [True]))
    parts = [_fit(part, frequencies[apart]) for part in (values, values[:half], values[half:])]
    return max(parts, key=lambda one: one[1])[0]


def _fit(values: FloatArray, frequencies: FloatArray) -> tuple[_Found, float]:
    """Return what a fit finds in a record, and the share of its power that the lines explain."""
    reader = LineReader(values, "close")
    scale = fitted_scale(reader, frequencies)
    lines = np.abs(reader.read(frequencies * scale)) ** 2
    between = np.abs(reader.read(0.5 * (frequencies[1:] + frequencies[:-1]) * scale)) ** 2
    rest = max(float(np.median(between)), 1e-30)
    share = 0.5 * float(np.sum(lines)) / max(float(np.var(values)), 1e-300)
    return _Found(scale, float(np.median(lines)) / rest), share


def _breaks(
    narrowed: Narrowed, channel: int, name: str, span: tuple[int, int], half_period: float
) -> list[Problem]:
    """Return a problem where the signal is not continuous."""
    found = breaks_of_period(narrowed.between(channel, *span), half_period)
    if not found:
        return []
    worst = max(found, key=lambda entry: abs(entry.size))
    # It shows again half a period later.
    seconds = narrowed.seconds(span[0], min(entry.frame for entry in found))
    what = {
        "jump": f"the stimulus jumps in time by {abs(worst.size) * narrowed.factor:.1f} frames",
        "hole": f"the level of the stimulus is not steady: {percent_off(worst.size)}",
        "burst": "a few samples do not belong to the stimulus",
    }[worst.kind]
    return [dropout(name, f"{what}, at {seconds:.3f} s")]


def _absent(capture: Capture, signal: PeriodicSignal, rate_hz: int) -> Problem:
    """Say what is there where the signal is not."""
    frequencies = signal.frequencies * rate_hz
    some = frequencies[np.searchsorted(frequencies, (1000.0, 3000.0, 9000.0)).clip(0, len(frequencies) - 1)]
    below = [float(tone) for tone in some if 2.2 * tone < 0.5 * capture.rate_hz]
    return in_no_channel(capture, below, "the stimulus (many lines at once)")
