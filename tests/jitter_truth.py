"""Captures of the jitter test signal whose jitter, modulation and added lines are known exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from linecheck.checks.base import Capture, Context
from linecheck.checks.jitter import KIND
from linecheck.dsp.fits.tones import synthesise

NAMES = ("left", "right")
RAMP_SECONDS = 0.01
SETTLE_SECONDS = 0.1
#: Peak amplitude of the tone re full scale: -3.01 dBFS.
AMPLITUDE = 2.0**-0.5


@dataclass(frozen=True)
class Beside:
    """What stands beside the tone of one channel.

    ``jitter`` holds (ps peak, Hz), ``modulation`` (peak relative change, Hz), ``lines`` (dB re the tone, Hz by the
    capture's clock). ``noise_db`` is white noise's power within 20 Hz to 20 kHz re the tone, ``random_ps`` the rms
    of jitter that is white up to half the capture's rate, ``walk`` the rms step of a random walk of the phase over
    a second, rad.
    """

    jitter: Sequence[tuple[float, float]] = ()
    modulation: Sequence[tuple[float, float]] = ()
    lines: Sequence[tuple[float, float]] = ()
    noise_db: float | None = -110.0
    random_ps: float = 0.0
    walk: float = 0.0
    phases: tuple[float, ...] = field(default=(0.4, 2.1, 5.0, 3.3))


def square(cycles_per_frame, frames, unit_frames, bits):
    """The lowest bit's square wave, odd harmonics of rate/192 up to half the rate, 0 and -1 steps of 2**(1 - bits).

    ``unit_frames`` is the unit's time in the middle of the record, in frames of its own.
    """
    orders = np.arange(1, 96, 2)
    # Of 96 zeros and 96 times -1: the sum of -exp(-2πi kn/192) over the second half, 2/192 of it.
    amplitudes = 2.0 / 192.0 * 2.0 / (1.0 - np.exp(-2j * np.pi * orders / 192.0))
    amplitudes = amplitudes * np.exp(2j * np.pi * orders * unit_frames / 192.0)
    return 2.0 ** (1 - bits) * synthesise(frames, orders / 192.0 * cycles_per_frame, amplitudes)


def samples(beside, rate_hz, rng, *, bits, stimulus_hz, seconds, clock, delay, tail):
    """One channel of a capture, shape (frames,)."""
    sounding = 2.0 * RAMP_SECONDS + SETTLE_SECONDS + seconds
    frames = int((delay + sounding / clock + tail) * rate_hz)
    time = np.arange(frames) / rate_hz
    unit = (time - delay) * clock
    edge = np.clip(np.minimum(unit, sounding - unit) / RAMP_SECONDS, 0.0, 1.0)
    late = sum(
        1e-12 * peak * np.cos(2.0 * np.pi * hz * unit + beside.phases[at])
        for at, (peak, hz) in enumerate(beside.jitter)
    )
    late = late + 1e-12 * beside.random_ps * rng.standard_normal(frames)
    gain = 1.0 + sum(peak * np.cos(2.0 * np.pi * hz * unit + 1.0) for peak, hz in beside.modulation)
    # Frame n = 0 of the sequence has the phasor (-1 + i) of half the tone's amplitude, times √2.
    cycles = 0.25 * stimulus_hz * unit
    angle = 2.0 * np.pi * (cycles - np.rint(cycles) + 0.25 * stimulus_hz * late) + 0.75 * np.pi
    if beside.walk:
        angle = angle + np.cumsum(rng.standard_normal(frames)) * beside.walk / np.sqrt(rate_hz)
    middle = float(unit[0] + unit[-1]) * 0.5 * stimulus_hz
    lowest_bit = square(stimulus_hz * clock / rate_hz, frames, middle, bits)
    values = (AMPLITUDE * gain * np.cos(angle) + lowest_bit) * (0.5 - 0.5 * np.cos(np.pi * edge))
    for level, hz in beside.lines:
        values += AMPLITUDE * 10.0 ** (level / 20.0) * np.cos(2.0 * np.pi * hz * time + 0.9)
    if beside.noise_db is not None:
        power = 0.5 * AMPLITUDE**2 * 10.0 ** (beside.noise_db / 10.0)
        values += np.sqrt(power * 0.5 * rate_hz / 19_980.0) * rng.standard_normal(frames)
    return values


def record(
    *channels,
    rate_hz=44_100,
    seed=0,
    bits=24,
    stimulus_hz=44_100,
    seconds=2.0,
    clock_ppm=0.0,
    delay=0.05,
    tail=0.05,
    mains_hz=50.0,
):
    """A capture of these channels."""
    made = [
        samples(
            beside,
            rate_hz,
            np.random.default_rng((seed, index)),
            bits=bits,
            stimulus_hz=stimulus_hz,
            seconds=seconds,
            clock=1.0 + 1e-6 * clock_ppm,
            delay=delay,
            tail=tail,
        )
        for index, beside in enumerate(channels)
    ]
    return Capture(np.array(made).T.copy(), rate_hz, mains_hz=mains_hz)


def measured(capture, analysis=None, **stimulus):
    """Locate and measure as the station does; what is found wrong fails the test."""
    parameters = KIND.stimulus_parameters(**stimulus)
    names = NAMES[: capture.channels]
    location = KIND.locate(capture, parameters, names)
    assert location.problems == ()
    result = KIND.measure(
        capture, location, parameters, KIND.analysis_parameters(**(analysis or {})), Context(names)
    )
    assert not [problem for problem in result.problems if problem.blocks]
    return location, result


def readings(result, channel="left"):
    """The readings of a channel by metric."""
    return {reading.metric: reading for reading in result.readings if reading.channel == channel}


def notes(result, channel="left"):
    """What is said of the sidebands of a channel, the strongest first."""
    return [
        problem for problem in result.problems if problem.code == "sideband" and problem.channel == channel
    ]
