"""What the kinds with steady tones share: their stimulus, and finding it in a capture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Self

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import Capture, Location, Parameters, Problem, Stimulus
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import peak_frequency
from linecheck.dsp.locating.locate import Span, hop_frames, loudest_span, tone_envelope
from linecheck.dsp.quantise import quantise

#: How long a stimulus sounds before the part that is measured: mutes release, filters and couplings settle.
SETTLE_SECONDS = 0.1

#: Clocks differ by up to this much; beyond it a tone is at the wrong rate.
CLOCK_TOLERANCE = 1e-3

#: Rates that are mixed up: that of the capture, and that which was played.
OTHER_RATES = ((44100, 48000), (48000, 44100), (96000, 48000), (48000, 96000))

#: A tone with less than this share of a capture's power is not what the capture is of, unless it was played as faintly.
FAINT = 0.01

RateHz = Annotated[int, Field(ge=8000, le=1_536_000, description="Sampling rate of the stimulus, Hz")]
#: Of stimuli that reach to 20 kHz.
WideRateHz = Annotated[int, Field(ge=44100, le=1_536_000, description="Sampling rate of the stimulus, Hz")]
Bits = Annotated[int, Field(ge=8, le=32, description="Word length of the stimulus, bit")]
Seconds = Annotated[float, Field(ge=0.1, le=60.0, description="Length of the part that is measured, s")]
Seed = Annotated[int, Field(ge=0, le=2**32 - 1, description="Seed of the dither")]
BandEdge = Annotated[float, Field(ge=0.0, le=400_000.0)]
BandHz = Annotated[
    tuple[BandEdge, BandEdge],
    Field(strict=False, description="Lower and upper edge of the band, inclusive, Hz"),
]
ResolutionHz = Annotated[
    float, Field(ge=0.1, le=1000.0, description="Bandwidth at which a spectrum's levels are stated, Hz")
]


class BandAnalysis(Parameters):
    """The band that something is read in."""

    band_hz: BandHz = (20.0, 20000.0)

    @model_validator(mode="after")
    def _ascends(self) -> Self:
        if self.band_hz[0] >= self.band_hz[1]:
            raise ValueError(f"band_hz must ascend, got [{self.band_hz[0]:g}, {self.band_hz[1]:g}]")
        return self


class SteadyParameters(Parameters):
    """Parameters that every steady stimulus has."""

    rate_hz: RateHz = 44100
    bits: Bits = 24
    seconds: Seconds = 1.0
    seed: Seed = 1


def refuse_beyond(name: str, frequency_hz: float, rate_hz: int) -> None:
    """Refuse a frequency that a rate does not hold.

    Raises
    ------
    ValueError
        It is at half the rate or above.
    """
    if frequency_hz >= 0.5 * rate_hz:
        raise ValueError(f"{name} must be below half of rate_hz ({rate_hz / 2:g} Hz), got {frequency_hz:g}")


def ramped(values: FloatArray, rate_hz: int, ramp_seconds: float) -> FloatArray:
    """Fade both ends of (frames, channels) in and out along a raised cosine, so that nothing clicks."""
    frames = min(round(ramp_seconds * rate_hz), len(values) // 2)
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / max(frames, 1))
    shaped = values.copy()
    shaped[:frames] *= fade[:, None]
    shaped[len(shaped) - frames :] *= fade[::-1, None]
    return shaped


def steady_stimulus(
    parameters: SteadyParameters,
    amplitudes: Sequence[FloatArray],
    frequencies_hz: Sequence[FloatArray],
    phases: Sequence[FloatArray],
    ramp_seconds: float,
) -> Stimulus:
    """Return a sum of steady sines in each channel: ramp in, settle, the measured part, ramp out.

    Parameters
    ----------
    parameters : SteadyParameters
    amplitudes, frequencies_hz, phases : sequences of float64 arrays, one array per channel, shape (tones,)
        Peak amplitudes (full scale 1.0), frequencies, and phases of cosines at the first frame.
    ramp_seconds : float
    """
    rate = parameters.rate_hz
    frames = round((2.0 * ramp_seconds + SETTLE_SECONDS + parameters.seconds) * rate)
    time = np.arange(frames, dtype=np.float64)
    values = np.zeros((frames, len(amplitudes)))
    made: dict[bytes, FloatArray] = {}
    for channel, tones in enumerate(zip(amplitudes, frequencies_hz, phases, strict=True)):
        key = b"".join(np.asarray(part, dtype=np.float64).tobytes() for part in tones)
        if key not in made:
            made[key] = sum_of_cosines(time, rate, *tones)
        values[:, channel] = made[key]
    return Stimulus(
        quantise(ramped(values, rate, ramp_seconds), parameters.bits, parameters.seed), rate, parameters.bits
    )


def sum_of_cosines(
    time: FloatArray, rate: int, amplitudes: FloatArray, frequencies_hz: FloatArray, phases: FloatArray
) -> FloatArray:
    """Return a sum of steady cosines at times in frames; phases are those at frame 0."""
    values = np.zeros(len(time))
    for amplitude, frequency, phase in zip(amplitudes, frequencies_hz, phases, strict=True):
        cycles = time * (frequency / rate)
        cycles -= np.rint(cycles)
        cycles *= 2.0 * np.pi
        cycles += phase
        values += amplitude * np.cos(cycles, out=cycles)
    return values


def _strongest_elsewhere(capture: Capture, nominal_hz: float) -> Problem:
    """Say what is there where the tone is not: a tone at another rate, another tone, or nothing."""
    rate = capture.rate_hz
    best_hz, best_prominence = 0.0, 0.0
    for values in capture.scaled:
        if np.ptp(values) > 0.0:
            frequency, prominence = peak_frequency(values, 5.0 / rate, 0.499)
            if prominence > best_prominence:
                best_hz, best_prominence = frequency * rate, prominence
    if best_prominence < 1e4:
        return Problem(
            "stimulus_not_found",
            f"the stimulus ({nominal_hz:g} Hz) is not in the capture: is the unit playing, is the cable in place? "
            "May be the unit's own fault.",
        )
    if abs(best_hz / nominal_hz - 1.0) <= CLOCK_TOLERANCE:
        return Problem(
            "stimulus_not_found",
            f"the stimulus ({nominal_hz:g} Hz) is in the capture, but sounds nowhere long enough by itself: it comes "
            "and goes, or something louder is beside it. May be the unit's own fault.",
        )
    return _wrong_rate(best_hz, nominal_hz) or Problem(
        "stimulus_not_found",
        f"the stimulus ({nominal_hz:g} Hz) is not in the capture; the strongest tone there is at {best_hz:.2f} Hz",
    )


def _wrong_rate(found_hz: float, nominal_hz: float) -> Problem | None:
    """Return a problem where a tone is off by the ratio of two usual rates, or by more than clocks ever are."""
    ratio = found_hz / nominal_hz
    rates = (32000, 44100, 48000, 88200, 96000, 176400, 192000, 352800, 384000)
    mixed = [(a, b) for a in rates for b in rates if a != b and abs(ratio * b / a - 1.0) < CLOCK_TOLERANCE]
    if mixed:
        reason = "as if {1} Hz were played or captured at {0} Hz".format(*mixed[0])
    elif CLOCK_TOLERANCE < abs(ratio - 1.0) < 0.02:
        reason = f"{1e6 * (ratio - 1.0):+.0f} ppm off, more than ±1000 ppm"
    else:
        return None
    message = f"the tone of {nominal_hz:g} Hz is at {found_hz:.2f} Hz, {reason}. May be the unit's own fault."
    return Problem("wrong_rate", message)


def at_another_rate(captured: int, played: int) -> Problem:
    """Say that a stimulus sounds at the ratio of two usual rates."""
    return Problem(
        "wrong_rate",
        f"the stimulus sounds at {captured / played:.4g} times its frequency, as if {played} Hz were played or "
        f"captured at {captured} Hz. May be the unit's own fault.",
    )


def ppm_off(ratio: float) -> Problem:
    """Say that a stimulus sounds off its frequency by more than clocks ever are."""
    return Problem(
        "wrong_rate",
        f"the stimulus is {1e6 * (ratio - 1.0):+.0f} ppm off in frequency, more than ±1000 ppm. May be the unit's own "
        "fault.",
    )


def in_no_channel(capture: Capture, tones_hz: Sequence[float], what: str = "the stimulus") -> Problem:
    """Say what is wrong where no channel has a stimulus: some of its tones are there at another rate, or nothing is."""
    return find_at_other_rates(capture, tones_hz) or Problem(
        "stimulus_not_found",
        f"{what} is in no channel: is the unit playing, are the cables in place? May be the unit's own fault.",
    )


def find_at_other_rates(capture: Capture, tones_hz: Sequence[float]) -> Problem | None:
    """Return a problem where one of the tones shows clearly at the ratio of two usual rates."""
    for values in capture.scaled:
        if not np.ptp(values) > 0.0:
            continue
        for tone in tones_hz:
            for factor in (48000 / 44100, 44100 / 48000, 2.0, 0.5):
                expected = tone * factor / capture.rate_hz
                found, prominence = peak_frequency(
                    values, expected * (1.0 - CLOCK_TOLERANCE), expected * (1.0 + CLOCK_TOLERANCE)
                )
                if prominence > 1000.0:
                    return _wrong_rate(found * capture.rate_hz, tone)
    return None


def _find_tone(values: FloatArray, frequency: float) -> float | None:
    """Return where a tone stands out near a frequency (cycles per frame), within the clocks' tolerance, or None."""
    if not np.ptp(values) > 0.0:
        return None
    spread = frequency * CLOCK_TOLERANCE + 2.0 / len(values)
    found, prominence = peak_frequency(values, frequency - spread, frequency + spread)
    near = abs(found - frequency) < frequency * 1.1 * CLOCK_TOLERANCE + 0.5 / len(values)
    # Noise alone has a prominence of 10 to 20 (:func:`peak_frequency`).
    return found if prominence > 100.0 and near else None


def _longest_span(capture: Capture, frequencies: Sequence[float], seconds: float) -> tuple[Span | None, int]:
    """Return the span of the channel in which its tone is strongest, and the hop that it counts in."""
    hop = hop_frames(min(frequencies), capture.rate_hz)
    # A hole that is shorter ends nothing: the test of continuity finds it, as such.
    gap = int(0.3 * seconds * capture.rate_hz / hop)
    centred = (values - np.mean(values) for values in capture.scaled)
    envelopes = (tone_envelope(*channel, hop) for channel in zip(centred, frequencies, strict=True))
    return loudest_span(envelopes, gap), hop


def dead_channel(name: str, what: str = "the stimulus") -> Problem:
    """Return the problem of a channel that lacks what another has."""
    return Problem(
        "stimulus_not_found",
        f"{what} is not in this channel, though it is in another: the channel is dead, or its cable. "
        "May be the unit's own fault.",
        name,
    )


def rate_too_low(rate_hz: int, tone_hz: float) -> Problem:
    """Return the problem of a capture whose rate does not hold a tone."""
    return Problem(
        "capture_rate_low",
        f"captured at {rate_hz} Hz: a tone of {tone_hz:g} Hz cannot be in it; capture at a higher rate",
    )


def too_short(sounding: float, seconds: float, what: str = "the stimulus") -> Problem:
    """Return the problem of a stimulus that sounds for less than what is to be measured."""
    return Problem(
        "too_short",
        f"{what} sounds for {sounding:.3f} s of the {seconds:g} s that are to be measured: the capture ends too early "
        "or the unit stopped. May be the unit's own fault.",
    )


def ends_early(sounding: float, seconds: float, what: str = "the stimulus") -> Problem | None:
    """Return a problem where a stimulus sounds for less than what is to be measured, by more than its ends are told."""
    return too_short(sounding, seconds, what) if sounding < 0.9 * seconds - 0.05 else None


def last_settled(start: int, stop: int, seconds: float, rate_hz: int) -> tuple[int, int]:
    """Return the last ``seconds`` of a settled stretch, with part of what it has to spare kept clear of a fade-out."""
    spare = max(0, stop - start - round(seconds * rate_hz))
    stop -= min(int(0.6 * spare), int(0.06 * rate_hz))
    return max(start, stop - round(seconds * rate_hz)), stop


def locate_tone(
    capture: Capture, frequencies_hz: Sequence[float], seconds: float, channels: tuple[str, ...]
) -> Location:
    """Find a steady tone (one frequency per channel) in a capture.

    The part to measure is the last ``seconds`` of the settled inside (:func:`last_settled`).

    Raises nothing: what is wrong becomes a problem of the location (``stimulus_not_found``, ``wrong_rate``,
    ``too_short``), per channel where another channel has the tone.
    """
    rate = capture.rate_hz
    frequencies = [frequency / rate for frequency in frequencies_hz]
    if max(frequencies) >= 0.5:
        return Location.nowhere(channels, rate_too_low(rate, max(frequencies_hz)))
    span, hop = _longest_span(capture, frequencies, seconds)
    if span is None:
        return Location.nowhere(channels, _strongest_elsewhere(capture, frequencies_hz[0]))
    # Point k of the envelope covers hops k to k + 3; an edge lies in the first or last of them. A hop is kept clear.
    start = (span.settled_start + 2) * hop
    stop = min(capture.frames, (span.settled_stop + 1) * hop)
    # As far up as the test of continuity looks, so that one narrowing serves both.
    narrowed = capture.narrowed(max(20_000.0, 1.01 * max(frequencies_hz)))
    # As captured: a tone is fitted from there on, and the clocks' tolerance is many cycles over a record.
    tones = [
        _find_tone(narrowed.between(index, start, stop), frequency / narrowed.rate_hz)
        if stop - start > 4 * hop
        else None
        for index, frequency in enumerate(frequencies_hz)
    ]
    found = tuple(tone is not None for tone in tones)
    if not any(found):
        return Location.nowhere(channels, _strongest_elsewhere(capture, frequencies_hz[0]))
    if 0.5 * span.level**2 < FAINT * max(float(np.var(values)) for values in capture.scaled):
        # A harmonic of a tone that was captured at half the rate, or at a quarter, lies where the tone should be.
        louder = _strongest_elsewhere(capture, frequencies_hz[0])
        if louder.code == "wrong_rate":
            return Location.nowhere(channels, louder)
    problems = [
        dead_channel(name, f"{frequencies_hz[index]:g} Hz")
        for index, name in enumerate(channels)
        if not found[index]
    ]
    sounding = (span.stop - span.start + 3) * hop / rate
    if (stop - start) / rate < min(seconds, 0.98 * seconds - 8 * hop / rate) or sounding < 0.9 * seconds:
        problems.append(too_short(sounding, seconds))
    start = max(start, stop - round(seconds * rate))
    captured = tuple(() if tone is None else (tone * narrowed.rate_hz,) for tone in tones)
    return Location(start, stop, found, None, captured, tuple(problems))
