"""Faults that a simulated loop can be given by name: each is what a detector of the self-check exists for.

============================  ================================================================================
:data:`LOOP_FAULTS`           every fault's name and what it does, in a line
:func:`find_faults`           from names to faults
:class:`LoopFault`            a fault: what it changes, and where in the path
============================  ================================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, StreamEvent
from linecheck.errors import StationError, UsageError
from linecheck.station.self_check import processed

__all__ = ["LOOP_FAULTS", "Course", "LoopFault", "find_faults"]

FloatArray = NDArray[np.float64]
Change = Callable[[FloatArray, "Course"], FloatArray]


@dataclass(frozen=True)
class Course:
    """What a fault may know of a play: its name, both rates, how often the interface has played, and chance."""

    name: str
    rate_hz: int
    capture_rate_hz: int
    plays: int
    generator: np.random.Generator


@dataclass(frozen=True)
class LoopFault:
    """A fault.

    Attributes
    ----------
    name, text : str
    played : callable or None
        Changes the signal, shape (channels, frames), before the path's converters.
    captured : callable or None
        The same after them.
    delivered : callable or None
        Changes the finished capture.
    identity : callable or None
        Changes what the interface says of itself, given which opening it is.
    opened : callable or None
        Called as the devices are opened.
    """

    name: str
    text: str
    played: Change | None = None
    captured: Change | None = None
    delivered: Callable[[Capture, Course], Capture] | None = None
    identity: Callable[[Mapping[str, str], int], Mapping[str, str]] | None = None
    opened: Callable[[], None] | None = None


def _swapped(values: FloatArray, course: Course) -> FloatArray:
    return values[::-1].copy()


def _last(change: Callable[[FloatArray], FloatArray]) -> Change:
    """Return a change of the last channel alone."""

    def apply(values: FloatArray, course: Course) -> FloatArray:
        changed = values.copy()
        changed[-1] = change(values[-1])
        return changed

    return apply


def _scaled(decibels: float) -> Change:
    return lambda values, course: values * 10.0 ** (decibels / 20.0)


def _leaking(values: FloatArray, course: Course) -> FloatArray:
    others = np.sum(values, axis=0) - values
    return np.asarray(values + others * 10.0 ** (-60.0 / 20.0))


def _noisy(values: FloatArray, course: Course) -> FloatArray:
    return np.asarray(values + course.generator.standard_normal(values.shape) * 2e-5)


def _humming(values: FloatArray, course: Course) -> FloatArray:
    time = np.arange(values.shape[1]) * (2.0 * np.pi * 50.0 / course.capture_rate_hz)
    return np.asarray(values + 1e-4 * np.cos(time) + 5e-5 * np.cos(3.0 * time))


def _jittering(values: FloatArray, course: Course) -> FloatArray:
    """Return what a clock that comes early and late makes of a signal: its slope times the time."""
    from scipy.fft import irfft, rfft, rfftfreq

    frames = values.shape[1]
    turns = 2j * np.pi * rfftfreq(frames, 1.0 / course.capture_rate_hz)
    slope = irfft(rfft(values, axis=1) * turns, frames, axis=1)
    early = 3e-9 * np.sin(2.0 * np.pi * 1500.0 * np.arange(frames) / course.capture_rate_hz)
    return np.asarray(values + slope * early)


def _distorting(values: FloatArray, course: Course) -> FloatArray:
    return np.asarray(values - 4e-4 * values**3)


def _clipping(values: FloatArray, course: Course) -> FloatArray:
    return np.clip(values, -0.7, 0.7)


def _duller(values: FloatArray, course: Course) -> FloatArray:
    from scipy.signal import lfilter

    keep = np.exp(-2.0 * np.pi * 12_000.0 / course.capture_rate_hz)
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], values, axis=1))


def _truncated(values: FloatArray, course: Course) -> FloatArray:
    return np.asarray(np.floor(values * 2.0**15) * 2.0**-15)


def _rounded(values: FloatArray, course: Course) -> FloatArray:
    return np.asarray(np.clip(np.rint(values * 2.0**15), -(2.0**15), 2.0**15 - 1.0) * 2.0**-15)


def _dithered(values: FloatArray, course: Course) -> FloatArray:
    dither = course.generator.random(values.shape) - course.generator.random(values.shape)
    return np.asarray(
        np.clip(np.floor(values * 2.0**15 + dither + 0.5), -(2.0**15), 2.0**15 - 1.0) * 2.0**-15
    )


def _converted(values: FloatArray, course: Course) -> FloatArray:
    """Convert to another family of rates and back, as a sound server that runs at its own rate does."""
    from scipy.signal import resample_poly

    there = resample_poly(values * 0.999, 147, 160, axis=1)
    return np.asarray(np.clip(resample_poly(there, 160, 147, axis=1), -1.0, 1.0)[:, : values.shape[1]])


def _fast_clock(values: FloatArray, course: Course) -> FloatArray:
    return processed.faster(values, 1.0 + 35e-6)


def _wrong_rate(values: FloatArray, course: Course) -> FloatArray:
    return processed.faster(values, 48_000.0 / 44_100.0)


def _late(values: FloatArray) -> FloatArray:
    return np.concatenate(([0.0], values[:-1]))


def _somewhere(frames: int, course: Course) -> int:
    """Return a frame well inside what is played."""
    return int(course.generator.integers(frames * 2 // 5, frames * 3 // 5))


def _one_frame_lost(capture: Capture, course: Course) -> Capture:
    return replace(capture, samples=np.delete(capture.samples, _somewhere(capture.frames, course), axis=0))


def _one_frame_twice(capture: Capture, course: Course) -> Capture:
    at = _somewhere(capture.frames, course)
    return replace(capture, samples=np.insert(capture.samples, at, capture.samples[at], axis=0))


def _block_lost(capture: Capture, course: Course) -> Capture:
    at = _somewhere(capture.frames, course)
    return replace(capture, samples=np.delete(capture.samples, slice(at, at + 480), axis=0))


def _lowest_bit(capture: Capture, course: Course) -> Capture:
    samples = capture.samples.copy()
    samples[_somewhere(capture.frames, course), -1] ^= np.int32(1 << (32 - (capture.bits or 32)))
    return replace(capture, samples=samples)


def _cut_short(capture: Capture, course: Course) -> Capture:
    return replace(capture, samples=capture.samples[: capture.frames * 4 // 5].copy())


def _zeros(capture: Capture, course: Course) -> Capture:
    return replace(capture, samples=np.zeros_like(capture.samples))


def _not_finite(capture: Capture, course: Course) -> Capture:
    values = (capture.samples * 2.0**-31).astype(np.float32)
    values[_somewhere(capture.frames, course), 0] = np.nan
    return replace(capture, samples=values, bits=None)


def _overrun(capture: Capture, course: Course) -> Capture:
    event = StreamEvent("overrun", 0.2, "the driver reported that input was lost")
    return replace(capture, events=(*capture.events, event))


def _vanish(capture: Capture, course: Course) -> Capture:
    if course.plays < 3 and course.name != "words":
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


_FAULTS: tuple[LoopFault, ...] = (
    LoopFault("swapped", "left and right are exchanged", played=_swapped),
    LoopFault("inverted", "every channel is inverted", played=lambda values, course: -values),
    LoopFault("inverted_right", "the right channel is inverted", played=_last(lambda values: -values)),
    LoopFault("dead_channel", "nothing comes back on the right channel", played=_last(np.zeros_like)),
    LoopFault("late_channel", "the right channel is one frame late", played=_last(_late)),
    LoopFault("wrong_level", "everything is 6 dB low, as of a mixer at half", played=_scaled(-6.0)),
    LoopFault("low_channel", "the right channel is 1 dB low", played=_last(lambda values: values * 0.891)),
    LoopFault("no_loop", "the loop is open: nothing comes back", played=lambda values, course: values * 0.0),
    LoopFault("crosstalk", "one channel in the other, 60 dB down", captured=_leaking),
    LoopFault("noisy", "noise of −92 dBFS", captured=_noisy),
    LoopFault("hum", "hum of −80 dBFS", captured=_humming),
    LoopFault("jittering", "a jitter of 3 ns at 1.5 kHz", captured=_jittering),
    LoopFault("distorting", "a third harmonic of −80 dB", played=_distorting),
    LoopFault("clipping", "the input clips 3 dB below full scale", captured=_clipping),
    LoopFault("duller", "treble is lost from 12 kHz on", captured=_duller),
    LoopFault("gain_control", "a gain control evens out loud and quiet", played=processed.gain_control),
    LoopFault("limiter", "a limiter holds everything below −6 dBFS", played=processed.limiter),
    LoopFault("gate", "a gate closes below −50 dBFS and opens within 20 ms", played=processed.gate),
    LoopFault("fader", "after silence the output fades in within 0.3 s", played=processed.fader),
    LoopFault("suppressor", "a noise suppressor takes steady noise out", played=processed.suppressor),
    LoopFault(
        "spatialiser", "a spatialiser mixes each side into the other, late", played=processed.spatialiser
    ),
    LoopFault("mono", "both channels play the mean of both", played=processed.mono),
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

#: Every fault's name and what it does.
LOOP_FAULTS: Mapping[str, str] = MappingProxyType({fault.name: fault.text for fault in _FAULTS})


def find_faults(names: Sequence[str]) -> tuple[LoopFault, ...]:
    """Return faults by their names, which commas may separate.

    Raises
    ------
    UsageError
        A name is unknown.
    """
    known = {fault.name: fault for fault in _FAULTS}
    wanted = [name.strip() for text in names for name in text.split(",") if name.strip()]
    for name in wanted:
        if name not in known:
            raise UsageError(
                f"there is no fault of a loop named {name[:40]!r}; they are: {', '.join(sorted(known))}"
            )
    return tuple(known[name] for name in wanted)
