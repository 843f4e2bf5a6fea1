"""Faults that a simulated run can be given by name, alone or several at once.

============================  ================================================================================
:data:`FAULTS`                every fault
:func:`find_faults`           from names to faults
:class:`Bench`                what one play is made of, before a fault and after it
============================  ================================================================================

A fault acts where it would in life: on the unit's make (its :class:`Bench`), on the samples that reach its
converter, or on the finished capture.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, StreamEvent
from linecheck.errors import StationError, UsageError
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

Samples = NDArray[np.int32]
Value = TypeVar("Value")
AnyFault = TypeVar("AnyFault", bound="NamedFault")


@dataclass(frozen=True)
class OutputChannel:
    """One channel of the unit's output.

    ``peak_volts`` of a full-scale sine, negative where the polarity is inverted; ``noise_volts`` rms within
    20 Hz to 20 kHz; ``hum_db`` at the mains frequency and its multiples, re the unit's ``output_volts``.
    """

    peak_volts: float
    noise_volts: float
    hum_db: tuple[float, ...] = ()
    offset_volts: float = 0.0


@dataclass(frozen=True)
class Bench:
    """A unit on the bench.

    ``clock_factor`` multiplies the unit's clock, ``output_rail`` is where its output clips (full scale is
    1), ``capture_gain`` is what the cabling does to the voltage.
    """

    unit: SimulatedUnit
    rate_hz: int
    full_scale_volts: tuple[float, ...]
    channels: tuple[OutputChannel, ...]
    clock_factor: float = 1.0
    output_rail: float | None = None
    capture_gain: float = 1.0


@dataclass(frozen=True)
class Moment:
    """Frames between which the stimulus lies in the capture, and how often the interface has played."""

    start: int
    stop: int
    plays: int
    generator: np.random.Generator

    @property
    def middle(self) -> int:
        """The frame in the middle of the stimulus."""
        return (self.start + self.stop) // 2

    def inside(self, capture: Capture) -> int:
        """Draw a frame well inside the captured part of the stimulus."""
        length = max(0, min(self.stop, capture.frames) - self.start)
        return self.start + int(self.generator.integers(length // 4, max(length * 3 // 4, length // 4 + 1)))

    def block(self) -> int:
        """Draw the length of a driver's block."""
        return int(self.generator.choice((256, 441, 480, 512, 1024)))


def unchanged(value: Value, *_: object) -> Value:
    """Change nothing."""
    return value


@dataclass(frozen=True)
class NamedFault:
    """A fault's name, and what it does in plain words."""

    name: str
    text: str


@dataclass(frozen=True)
class Fault(NamedFault):
    """A fault of a unit or of its capture, and what it changes."""

    bench: Callable[[Bench], Bench] = unchanged
    samples: Callable[[Samples, np.random.Generator], Samples] = unchanged
    capture: Callable[[Capture, Moment], Capture] = unchanged


def find_faults(names: Sequence[str], known: Sequence[AnyFault], of: str = "") -> tuple[AnyFault, ...]:
    """Return faults by their names, which commas may separate.

    Raises
    ------
    UsageError
        A name is unknown; ``of`` says in words what it would be a fault of.
    """
    by_name = {fault.name: fault for fault in known}
    wanted = [name.strip() for text in names for name in text.split(",") if name.strip()]
    for name in wanted:
        if name not in by_name:
            listed = ", ".join(sorted(by_name))
            raise UsageError(f"there is no fault{of} named {name[:40]!r}; the faults are: {listed}")
    return tuple(by_name[name] for name in wanted)


def _unit(**changes: Any) -> Callable[[Bench], Bench]:  # noqa: ANN401 - any field's value
    """Return a change of the unit's parameters that per-channel values do not depend on."""
    return lambda bench: replace(bench, unit=bench.unit.model_copy(update=changes))


def _channel(
    change: Callable[[OutputChannel], OutputChannel], *, every: bool = False
) -> Callable[[Bench], Bench]:
    """Return a change of the last channel, or of every one."""

    def apply(bench: Bench) -> Bench:
        kept = () if every else bench.channels[:-1]
        return replace(bench, channels=kept + tuple(change(one) for one in bench.channels[len(kept) :]))

    return apply


def _inverted(one: OutputChannel) -> OutputChannel:
    return replace(one, peak_volts=-one.peak_volts)


def _dead(one: OutputChannel) -> OutputChannel:
    return replace(one, peak_volts=0.0)


def _one_leg(one: OutputChannel) -> OutputChannel:
    """Leave half the signal; what the open leg picks up is no longer cancelled by the other."""
    return replace(
        one,
        peak_volts=one.peak_volts / 2.0,
        noise_volts=max(one.noise_volts * 1.5, _re(one, -120.0)),
        hum_db=(-76.0, -88.0, -80.0),
    )


def _re(one: OutputChannel, level_db: float) -> float:
    """Return a level re the channel's full-scale sine in V rms."""
    return float(abs(one.peak_volts) / np.sqrt(2.0) * 10.0 ** (level_db / 20.0))


def _humming(one: OutputChannel) -> OutputChannel:
    return replace(one, hum_db=(-70.0, -82.0, -76.0, -90.0, -84.0))


def _noisy(one: OutputChannel) -> OutputChannel:
    return replace(one, noise_volts=max(one.noise_volts * 10.0, _re(one, -97.0)))


def _wrong_filter(bench: Bench) -> Bench:
    other = "sharp" if bench.unit.filter == "slow" else "slow"
    return _unit(filter=other)(bench)


def _leaking(bench: Bench) -> Bench:
    return _unit(crosstalk_db=max(bench.unit.crosstalk_db + 40.0, -86.0))(bench)


def _off_frequency(bench: Bench) -> Bench:
    return replace(bench, clock_factor=bench.clock_factor * (1.0 + 220e-6))


def _wrong_rate(bench: Bench) -> Bench:
    ratio = 48_000 / 44_100
    return replace(bench, clock_factor=ratio if bench.rate_hz % 11_025 == 0 else 1.0 / ratio)


def _into_the_rails(bench: Bench) -> Bench:
    """Raise the capture's input until a full-scale sine is 3 dB over the rails."""
    over = [volts / abs(one.peak_volts) for volts, one in _pairs(bench) if one.peak_volts != 0.0]
    return replace(bench, capture_gain=1.4 * max(over, default=1.0))


def _pairs(bench: Bench) -> list[tuple[float, OutputChannel]]:
    return list(zip(bench.full_scale_volts, bench.channels, strict=True))


def _output_clips(bench: Bench) -> Bench:
    return replace(bench, output_rail=0.8)


def _swap(samples: Samples, generator: np.random.Generator) -> Samples:
    return samples[:, ::-1]


def _sum(samples: Samples, generator: np.random.Generator) -> Samples:
    mixed = np.mean(samples, axis=1, dtype=np.float64, keepdims=True)
    return np.repeat(np.round(mixed).astype(np.int32), samples.shape[1], axis=1)


def _late(samples: Samples, generator: np.random.Generator) -> Samples:
    late = samples.copy()
    late[1:, -1] = samples[:-1, -1]
    late[0, -1] = 0
    return late


def _truncate(samples: Samples, generator: np.random.Generator) -> Samples:
    return samples & np.int32(-65536)


def _still(samples: Samples, generator: np.random.Generator) -> Samples:
    return np.zeros_like(samples)


def _crackle(samples: Samples, generator: np.random.Generator) -> Samples:
    """Let one sample in about 2000 jump by up to a twentieth of full scale, in the last channel."""
    frames = len(samples)
    where = generator.integers(0, frames, size=max(2, frames // 2000))
    jumps = generator.uniform(-0.05, 0.05, size=len(where)) * 2.0**31
    crackled = samples.copy()
    highest = 2.0**31 - 1.0
    crackled[where, -1] = np.clip(samples[where, -1] + jumps, -highest, highest).astype(np.int32)
    return crackled


def _gap(samples: Samples, generator: np.random.Generator) -> Samples:
    """Let nothing arrive for 480 samples in the middle."""
    middle = len(samples) // 2
    interrupted = samples.copy()
    interrupted[middle : middle + 480] = 0
    return interrupted


def _drop(capture: Capture, moment: Moment) -> Capture:
    where, length = moment.inside(capture), moment.block()
    return replace(capture, samples=np.delete(capture.samples, slice(where, where + length), axis=0))


def _repeat(capture: Capture, moment: Moment) -> Capture:
    where, length = moment.inside(capture), moment.block()
    samples = capture.samples.copy()
    length = min(length, where, len(samples) - where)
    samples[where : where + length] = samples[where - length : where]
    return replace(capture, samples=samples)


def _mute(capture: Capture, moment: Moment) -> Capture:
    return replace(capture, samples=np.zeros_like(capture.samples))


def _cut(capture: Capture, moment: Moment) -> Capture:
    end = moment.start + (moment.stop - moment.start) * 3 // 5
    return replace(capture, samples=capture.samples[:end].copy())


def _not_a_number(capture: Capture, moment: Moment) -> Capture:
    samples = capture.scaled.T.astype(np.float32)
    samples[moment.inside(capture), 0] = np.nan
    samples[moment.inside(capture), -1] = np.inf
    return replace(capture, samples=samples, bits=None)


def _overrun(capture: Capture, moment: Moment) -> Capture:
    where, length = moment.inside(capture), moment.block()
    event = StreamEvent("overrun", where / capture.rate_hz, "the driver reported that input was lost")
    samples = np.delete(capture.samples, slice(where, where + length), axis=0)
    return replace(capture, samples=samples, events=(*capture.events, event))


def _underrun(capture: Capture, moment: Moment) -> Capture:
    event = StreamEvent(
        "underrun", moment.middle / capture.rate_hz, "the driver reported a gap in the output"
    )
    return replace(capture, events=(*capture.events, event))


def _lose_station(capture: Capture, moment: Moment) -> Capture:
    if moment.plays < 2:
        return capture
    raise StationError(
        "the sound interface is gone: the simulated interface stopped answering. "
        "Check its cable and power, then run again."
    )


#: Every fault.
FAULTS: tuple[Fault, ...] = (
    Fault("swapped_channels", "left and right are exchanged", samples=_swap),
    Fault("inverted_polarity", "every channel's polarity is inverted", bench=_channel(_inverted, every=True)),
    Fault("inverted_polarity_right", "the right channel's polarity is inverted", bench=_channel(_inverted)),
    Fault("dead_channel", "the right channel is silent but for its noise", bench=_channel(_dead)),
    Fault(
        "missing_leg",
        "one leg of the right channel's balanced output is missing: 6 dB low, hum and noise up",
        bench=_channel(_one_leg),
    ),
    Fault("hum", "strong hum in all channels", bench=_channel(_humming, every=True)),
    Fault(
        "wrong_filter", "the other reconstruction filter: slow for sharp, sharp for slow", bench=_wrong_filter
    ),
    Fault("noisy", "20 dB more noise in all channels", bench=_channel(_noisy, every=True)),
    Fault("distorting", "harmonics of up to −75 dB", bench=_unit(harmonics_db=(-85.0, -75.0, -105.0, -90.0))),
    Fault(
        "rising_distortion",
        "distortion that climbs by 18 dB an octave, as of a slow output stage: −70 dB at 10 kHz",
        bench=_unit(slew_db=-70.0),
    ),
    Fault(
        "missing_filter",
        "the reconstruction filter is missing: sagging treble, images of everything",
        bench=_unit(filter="none"),
    ),
    Fault(
        "one_bit_noise",
        "the noise of a one-bit converter is not filtered: it rises steeply above 20 kHz",
        bench=_unit(shaped_noise_db=-60.0),
    ),
    Fault(
        "bit_weight",
        "the weight of the converter's top bit is off: its output steps back as the signal crosses zero",
        bench=_unit(bit_errors=(-1e-6,)),
    ),
    Fault(
        "coupling_capacitor",
        "the output's coupling capacitor is too small: 0.53 dB down at 20 Hz",
        bench=_unit(coupling_hz=7.2),
    ),
    Fault(
        "treble_droop",
        "a part of the output's filter has the wrong value: 0.9 dB down at 20 kHz",
        bench=_unit(lowpass_hz=60_000.0),
    ),
    Fault(
        "treble_peak",
        "a part of the output's filter has the wrong value: 0.8 dB up at 20 kHz",
        bench=_unit(lowpass_hz=60_000.0, lowpass_q=1.6),
    ),
    Fault("deemphasis", "50/15 µs de-emphasis is on: 9.5 dB down at 20 kHz", bench=_unit(deemphasis=True)),
    Fault(
        "clock_jitter",
        "the unit's clock is modulated by 30 ps at 8 kHz, as by the frames of a USB stream",
        bench=_unit(jitter_sine_ps=30.0, jitter_sine_hz=8_000.0),
    ),
    Fault(
        "supply_ripple",
        "the supply's 100 Hz ripple modulates the level: a line on either side of a tone, 126 dB below it",
        bench=_unit(modulation_db=-120.0),
    ),
    Fault(
        "frame_noise",
        "lines at 1 and 8 kHz, as of a USB stream's frames, whatever is played",
        bench=_unit(added_lines=((1_000.0, -134.0), (8_000.0, -124.0))),
    ),
    Fault("crosstalk", "40 dB more crosstalk between the channels", bench=_leaking),
    Fault("off_frequency_clock", "the unit's clock is a further 220 ppm fast", bench=_off_frequency),
    Fault("dropout", "the capture loses a block and the driver says nothing", capture=_drop),
    Fault("repeated_block", "the capture has one block twice and the driver says nothing", capture=_repeat),
    Fault("clipping", "the capture's input is driven 3 dB into its rails", bench=_into_the_rails),
    Fault("output_clipping", "the unit's output clips 1.9 dB below full scale", bench=_output_clips),
    Fault("stuck_low_bits", "the unit truncates to 16 bits", samples=_truncate),
    Fault("channel_delay", "the right channel is one sample late", samples=_late),
    Fault("mono", "every channel plays the mean of all", samples=_sum),
    Fault("crackle", "clicks in the right channel, as of a bad contact", samples=_crackle),
    Fault("silence", "the capture is all zeros, as without permission to record", capture=_mute),
    Fault("not_playing", "the unit plays nothing; its noise is there", samples=_still),
    Fault("wrong_rate", "the unit plays 44.1 kHz as 48 kHz, or the reverse", bench=_wrong_rate),
    Fault("cut_short", "the capture ends in the middle of the stimulus", capture=_cut),
    Fault("non_finite", "the capture holds values that are no numbers", capture=_not_a_number),
    Fault("overrun", "the driver reports that it lost input", capture=_overrun),
    Fault("underrun", "the driver reports a gap in its output", samples=_gap, capture=_underrun),
    Fault("station_lost", "the interface vanishes at the second check", capture=_lose_station),
)
