"""Faults that a simulated loop can be given by name: each is what a detector of the self-check exists for.

What hidden processing does to a signal is simple here, and acts as the real thing does in what matters: on level, on
time, on noise, or between the sides.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from linecheck.checks.base import Capture, StreamEvent
from linecheck.dsp.arrays import FloatArray
from linecheck.errors import StationError
from linecheck.station.interfaces.simulated.faults import NamedFault, unchanged

Change = Callable[[FloatArray, "LoopPlay"], FloatArray]


@dataclass(frozen=True)
class LoopPlay:
    """What a fault may know of what is played: its name, both rates, how often the interface has played, and chance."""

    name: str
    rate_hz: int
    capture_rate_hz: int
    number: int
    generator: np.random.Generator


@dataclass(frozen=True)
class LoopFault(NamedFault):
    """A fault.

    Attributes
    ----------
    played : callable
        Changes the signal, shape (channels, frames), before the path's converters.
    captured : callable
        The same after them.
    delivered : callable
        Changes the finished capture.
    identity : callable
        Changes what the interface says of itself, given which opening it is.
    opened : callable
        Called as the devices are opened.
    """

    played: Change = unchanged
    captured: Change = unchanged
    delivered: Callable[[Capture, LoopPlay], Capture] = unchanged
    identity: Callable[[Mapping[str, str], int], Mapping[str, str]] = unchanged
    opened: Callable[[], None] = lambda: None


def _swapped(values: FloatArray, play: LoopPlay) -> FloatArray:
    return values[::-1].copy()


def _last(change: Callable[[FloatArray], FloatArray]) -> Change:
    """Return a change of the last channel alone."""

    def apply(values: FloatArray, play: LoopPlay) -> FloatArray:
        changed = values.copy()
        changed[-1] = change(values[-1])
        return changed

    return apply


def _scaled(decibels: float) -> Change:
    return lambda values, play: values * 10.0 ** (decibels / 20.0)


def _leaking(values: FloatArray, play: LoopPlay) -> FloatArray:
    others = np.sum(values, axis=0) - values
    return np.asarray(values + others * 10.0 ** (-60.0 / 20.0))


def _noisy(values: FloatArray, play: LoopPlay) -> FloatArray:
    return np.asarray(values + play.generator.standard_normal(values.shape) * 2e-5)


def _humming(values: FloatArray, play: LoopPlay) -> FloatArray:
    time = np.arange(values.shape[1]) * (2.0 * np.pi * 50.0 / play.capture_rate_hz)
    return np.asarray(values + 1e-4 * np.cos(time) + 5e-5 * np.cos(3.0 * time))


def _jittering(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Return what a clock that comes early and late makes of a signal: its slope times the time."""
    from scipy.fft import irfft, rfft, rfftfreq

    frames = values.shape[1]
    turns = 2j * np.pi * rfftfreq(frames, 1.0 / play.capture_rate_hz)
    slope = irfft(rfft(values, axis=1) * turns, frames, axis=1)
    early = 3e-9 * np.sin(2.0 * np.pi * 1500.0 * np.arange(frames) / play.capture_rate_hz)
    return np.asarray(values + slope * early)


def _distorting(values: FloatArray, play: LoopPlay) -> FloatArray:
    return np.asarray(values - 4e-4 * values**3)


def _clipping(values: FloatArray, play: LoopPlay) -> FloatArray:
    return np.clip(values, -0.7, 0.7)


def _duller(values: FloatArray, play: LoopPlay) -> FloatArray:
    from scipy.signal import lfilter

    keep = np.exp(-2.0 * np.pi * 12_000.0 / play.capture_rate_hz)
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], values, axis=1))


def _truncated(values: FloatArray, play: LoopPlay) -> FloatArray:
    return np.asarray(np.floor(values * 2.0**15) * 2.0**-15)


def _rounded(values: FloatArray, play: LoopPlay) -> FloatArray:
    return np.asarray(np.clip(np.rint(values * 2.0**15), -(2.0**15), 2.0**15 - 1.0) * 2.0**-15)


def _dithered(values: FloatArray, play: LoopPlay) -> FloatArray:
    dither = play.generator.random(values.shape) - play.generator.random(values.shape)
    return np.asarray(
        np.clip(np.floor(values * 2.0**15 + dither + 0.5), -(2.0**15), 2.0**15 - 1.0) * 2.0**-15
    )


def _converted(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Convert to another family of rates and back, as a sound server that runs at its own rate does."""
    from scipy.signal import resample_poly

    there = resample_poly(values * 0.999, 147, 160, axis=1)
    return np.asarray(np.clip(resample_poly(there, 160, 147, axis=1), -1.0, 1.0)[:, : values.shape[1]])


def _fast_clock(values: FloatArray, play: LoopPlay) -> FloatArray:
    return _faster(values, 1.0 + 35e-6)


def _wrong_rate(values: FloatArray, play: LoopPlay) -> FloatArray:
    return _faster(values, 48_000.0 / 44_100.0)


def _late(values: FloatArray) -> FloatArray:
    return np.concatenate(([0.0], values[:-1]))


def _somewhere(frames: int, play: LoopPlay) -> int:
    """Return a frame well inside what is played."""
    return int(play.generator.integers(frames * 2 // 5, frames * 3 // 5))


def _one_frame_lost(capture: Capture, play: LoopPlay) -> Capture:
    return replace(capture, samples=np.delete(capture.samples, _somewhere(capture.frames, play), axis=0))


def _one_frame_twice(capture: Capture, play: LoopPlay) -> Capture:
    at = _somewhere(capture.frames, play)
    return replace(capture, samples=np.insert(capture.samples, at, capture.samples[at], axis=0))


def _block_lost(capture: Capture, play: LoopPlay) -> Capture:
    at = _somewhere(capture.frames, play)
    return replace(capture, samples=np.delete(capture.samples, slice(at, at + 480), axis=0))


def _lowest_bit(capture: Capture, play: LoopPlay) -> Capture:
    samples = capture.samples.copy()
    samples[_somewhere(capture.frames, play), -1] ^= np.int32(1 << (32 - (capture.bits or 32)))
    return replace(capture, samples=samples)


def _cut_short(capture: Capture, play: LoopPlay) -> Capture:
    return replace(capture, samples=capture.samples[: capture.frames * 4 // 5].copy())


def _zeros(capture: Capture, play: LoopPlay) -> Capture:
    return replace(capture, samples=np.zeros_like(capture.samples))


def _not_finite(capture: Capture, play: LoopPlay) -> Capture:
    values = (capture.samples * 2.0**-31).astype(np.float32)
    values[_somewhere(capture.frames, play), 0] = np.nan
    return replace(capture, samples=values, bits=None)


def _overrun(capture: Capture, play: LoopPlay) -> Capture:
    event = StreamEvent("overrun", 0.2, "the driver reported that input was lost")
    return replace(capture, events=(*capture.events, event))


def _vanish(capture: Capture, play: LoopPlay) -> Capture:
    if play.number < 3 and play.name != "words":
        return capture
    raise StationError("the sound interface is gone: it stopped answering. Check its cable and power.")


def _two_devices() -> None:
    raise StationError(
        "2 devices are named 'unit': give the one that is meant a name of its own, or take the other away"
    )


def _other_device(identity: Mapping[str, str], opening: int) -> Mapping[str, str]:
    if opening < 2:
        return identity
    return {name: text.replace("serial 1001", "serial 2002") for name, text in identity.items()}


BLOCK_SECONDS = 0.005


def _blocks(values: FloatArray, play: LoopPlay) -> tuple[FloatArray, int]:
    """Return the rms of the loudest channel, block by block, and a block's length."""
    block = max(1, round(BLOCK_SECONDS * play.rate_hz))
    count = -(-values.shape[1] // block)
    padded = np.pad(values, ((0, 0), (0, count * block - values.shape[1])))
    power = np.mean(padded.reshape(len(values), count, block) ** 2, axis=2)
    return np.sqrt(np.max(power, axis=0)), block


def _applied(values: FloatArray, gains: FloatArray, block: int) -> FloatArray:
    """Return a signal under a gain that goes in straight lines from block to block."""
    places = (np.arange(len(gains)) + 1.0) * block
    return values * np.interp(np.arange(values.shape[1]), places, gains)


def _gain_control(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Even out loud and quiet, slowly: towards -20 dBFS, by no more than 12 dB."""
    levels, block = _blocks(values, play)
    gains, gain = np.ones(len(levels)), 1.0
    for index, level in enumerate(levels):
        wanted = float(np.clip(0.0707 / level, 0.25, 4.0)) if level > 3e-4 else gain
        gain += (wanted - gain) * (0.1 if wanted < gain else 0.01)
        gains[index] = gain
    return np.clip(_applied(values, gains, block), -1.0, 1.0)


def _limiter(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Hold the level at -6 dBFS."""
    levels, block = _blocks(values, play)
    return _applied(values, np.minimum(1.0, 0.3544 / np.maximum(levels, 1e-9)), block)


def _gate(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Close below -50 dBFS, by 40 dB; open within 20 ms."""
    levels, block = _blocks(values, play)
    gains, gain = np.ones(len(levels)), 1.0
    for index, level in enumerate(levels):
        gain += ((1.0 if level > 0.00224 else 0.01) - gain) * 0.25
        gains[index] = gain
    return _applied(values, gains, block)


def _fader(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Fade in within 0.3 s after half a second of silence."""
    levels, block = _blocks(values, play)
    gains, silent, gain = np.ones(len(levels)), 0.0, 1.0
    for index, level in enumerate(levels):
        silent = silent + BLOCK_SECONDS if level < 1e-6 else 0.0
        gain = 0.0 if silent > 0.5 else min(1.0, gain + BLOCK_SECONDS / 0.3)
        gains[index] = gain
    return _applied(values, gains, block)


def _suppressor(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Take out of each block's spectrum what is no higher than its median: steady noise, and no tone."""
    from scipy.signal import istft, stft

    length = 2048
    _, _, spectrum = stft(values, nperseg=length, axis=1)
    magnitude = np.abs(spectrum)
    floor = np.median(magnitude, axis=1, keepdims=True)
    gains = np.where(magnitude > 6.0 * floor + 1e-9, 1.0, 0.3)
    _, cleaned = istft(spectrum * gains, nperseg=length, time_axis=2, freq_axis=1)
    return np.asarray(cleaned[:, : values.shape[1]])


def _spatialiser(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Mix each side into the other, 14 dB down, inverted and 0.4 ms late."""
    late = round(0.0004 * play.rate_hz)
    others = np.roll(values[::-1], late, axis=1)
    others[:, :late] = 0.0
    return np.clip(values - 0.2 * others, -1.0, 1.0)


def _mono(values: FloatArray, play: LoopPlay) -> FloatArray:
    """Play the mean of both everywhere."""
    return np.repeat(np.mean(values, axis=0, keepdims=True), len(values), axis=0)


def _faster(values: FloatArray, ratio: float) -> FloatArray:
    """Return a signal as a clock plays it that is so many times as fast, to -100 dB in the audio band."""
    from scipy.fft import irfft, next_fast_len, rfft

    times = 8
    length = next_fast_len(values.shape[1], real=True)
    fine = irfft(rfft(values, length, axis=1), times * length, axis=1)[:, : times * values.shape[1]] * times
    places = np.arange(int((values.shape[1] - 1) / ratio)) * (ratio * times)
    whole = np.clip(places.astype(np.int64), 1, fine.shape[1] - 3)
    part = places - whole
    # Cubic through four points, Lagrange.
    a, b, c, d = (fine[:, whole + offset] for offset in (-1, 0, 1, 2))
    return np.asarray(
        -part * (part - 1.0) * (part - 2.0) / 6.0 * a
        + (part + 1.0) * (part - 1.0) * (part - 2.0) / 2.0 * b
        - (part + 1.0) * part * (part - 2.0) / 2.0 * c
        + (part + 1.0) * part * (part - 1.0) / 6.0 * d
    )


#: Every fault.
LOOP_FAULTS: tuple[LoopFault, ...] = (
    LoopFault("swapped", "left and right are exchanged", played=_swapped),
    LoopFault("inverted", "every channel is inverted", played=lambda values, play: -values),
    LoopFault("inverted_right", "the right channel is inverted", played=_last(lambda values: -values)),
    LoopFault("dead_channel", "nothing comes back on the right channel", played=_last(np.zeros_like)),
    LoopFault("late_channel", "the right channel is one frame late", played=_last(_late)),
    LoopFault("wrong_level", "everything is 6 dB low, as of a mixer at half", played=_scaled(-6.0)),
    LoopFault("low_channel", "the right channel is 1 dB low", played=_last(lambda values: values * 0.891)),
    LoopFault("no_loop", "the loop is open: nothing comes back", played=lambda values, play: values * 0.0),
    LoopFault("crosstalk", "one channel in the other, 60 dB down", captured=_leaking),
    LoopFault("noisy", "noise of −92 dBFS", captured=_noisy),
    LoopFault("hum", "hum of −80 dBFS", captured=_humming),
    LoopFault("jittering", "a jitter of 3 ns at 1.5 kHz", captured=_jittering),
    LoopFault("distorting", "a third harmonic of −80 dB", played=_distorting),
    LoopFault("clipping", "the input clips 3 dB below full scale", captured=_clipping),
    LoopFault("duller", "treble is lost from 12 kHz on", captured=_duller),
    LoopFault("gain_control", "a gain control evens out loud and quiet", played=_gain_control),
    LoopFault("limiter", "a limiter holds everything below −6 dBFS", played=_limiter),
    LoopFault("gate", "a gate closes below −50 dBFS and opens within 20 ms", played=_gate),
    LoopFault("fader", "after silence the output fades in within 0.3 s", played=_fader),
    LoopFault("suppressor", "a noise suppressor takes steady noise out", played=_suppressor),
    LoopFault("spatialiser", "a spatialiser mixes each side into the other, late", played=_spatialiser),
    LoopFault("mono", "both channels play the mean of both", played=_mono),
    LoopFault("truncated", "words are cut to 16 bits by truncation", played=_truncated),
    LoopFault("rounded", "words are cut to 16 bits by rounding", played=_rounded),
    LoopFault("dithered", "words are cut to 16 bits with dither", played=_dithered),
    LoopFault("rate_converter", "everything is converted to 44.1/48 kHz and back", played=_converted),
    LoopFault("fast_clock", "both clocks are 35 ppm apart", captured=_fast_clock),
    LoopFault("wrong_rate", "44.1 kHz is played as 48 kHz", captured=_wrong_rate),
    LoopFault("lost_frame", "one frame is lost", delivered=_one_frame_lost),
    LoopFault("doubled_frame", "one frame is there twice", delivered=_one_frame_twice),
    LoopFault("lost_block", "a block of 480 frames is lost", delivered=_block_lost),
    LoopFault("lowest_bit", "one lowest bit is turned", delivered=_lowest_bit),
    LoopFault("cut_short", "the capture ends early", delivered=_cut_short),
    LoopFault("zeros", "the capture is all zeros, as without permission to record", delivered=_zeros),
    LoopFault("not_finite", "a value of the capture is no number", delivered=_not_finite),
    LoopFault("overrun", "the driver reports that it lost input", delivered=_overrun),
    LoopFault("station_lost", "the interface vanishes during the check", delivered=_vanish),
    LoopFault("two_devices", "two devices have the name that the config gives", opened=_two_devices),
    LoopFault("other_device", "at the end another device answers to the name", identity=_other_device),
)
