"""Faults of clocks and jitter, and of distortion.

Each enters itself in :data:`cause_made.FAULTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from cause_bench import Array, Bench, Moment, Words
from cause_made import (
    FULL_PEAK,
    MEMORY,
    TRADE,
    Made,
    db,
    fault,
    logs,
    on_words,
    ringing_out,
    some,
    unit_with,
)
from cause_tools import dc_curve, follower, sox
from scipy import fft, signal

# Jitter and clocks


def _jittered(shift: Callable[[int, float, Moment], Array]) -> Callable[[Array, float, Moment], Array]:
    """Return a stage that is late by ``shift`` (seconds): two terms of Taylor's series, the rest is below -150 dB."""

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        count = x.shape[1]
        turns = 2j * np.pi * np.arange(count // 2 + 1) * (rate_hz / count)
        lines = fft.rfft(x, axis=-1)
        late = shift(count, rate_hz, moment)
        slope = fft.irfft(lines * turns, count, axis=-1)
        bend = fft.irfft(lines * turns**2, count, axis=-1)
        return x - late * slope + 0.5 * late**2 * bend

    return stage


def _sine_jitter(
    bench: Bench, draw: np.random.Generator, frequencies_hz: Array, rms: Array, why: str
) -> Made:
    def shift(count: int, rate_hz: float, moment: Moment) -> Array:
        time = np.arange(count) / rate_hz
        total = np.zeros(count)
        for hz, one in zip(frequencies_hz, rms, strict=True):
            total += np.sqrt(2) * one * np.sin(2 * np.pi * hz * time + moment.noise.uniform(0, 2 * np.pi))
        return total

    largest = float(np.max(rms))
    size = f"{largest * 1e12:.3g} ps at {frequencies_hz[int(np.argmax(rms))]:.1f} Hz"
    return Made(bench.adding(dense=_jittered(shift)), None, largest < 16e-12, size, why)


JITTER = (
    "sampling at t + j(t): Taylor's series of the signal; sidebands 2πfJ/√2 (narrow-band FM, from memory)"
)


@fault("jitter_mains")
def _jitter_mains(bench: Bench, draw: np.random.Generator) -> Made:
    mains = bench.mains_hz * (1 + 2e-4 * draw.standard_normal())
    orders = np.array([1, 2, 3]) if draw.uniform() < 0.5 else np.array([2, 4, 6])
    rms = logs(draw, 5e-12, 3e-9) * np.array([1.0, draw.uniform(0, 0.5), draw.uniform(0, 0.3)])
    return _sine_jitter(bench, draw, mains * orders, rms, JITTER)


@fault("jitter_frames")
def _jitter_frames(bench: Bench, draw: np.random.Generator) -> Made:
    base = float(draw.choice((1e3, 8e3)))
    orders = np.array([1, 2, 3]) if base < 2e3 else np.array([1])
    rms = logs(draw, 5e-12, 3e-9) * np.array([1.0, 0.5, 0.33])[: len(orders)]
    return _sine_jitter(bench, draw, base * orders, rms, JITTER)


@fault("jitter_other_clock")
def _jitter_other_clock(bench: Bench, draw: np.random.Generator) -> Made:
    hz = logs(draw, 130.0, 4500.0)
    while (
        abs(hz / 1000 - round(hz / 1000)) < 0.03
        or min(abs(hz / m - round(hz / m)) * m for m in (50, 60)) < 8.0
    ):
        hz = logs(draw, 130.0, 4500.0)
    return _sine_jitter(bench, draw, np.array([hz]), np.array([logs(draw, 5e-12, 3e-9)]), JITTER)


@fault("jitter_random")
def _jitter_random(bench: Bench, draw: np.random.Generator) -> Made:
    rms, corner = logs(draw, 3e-11, 8e-9), logs(draw, 10.0, 1500.0)

    def shift(count: int, rate_hz: float, moment: Moment) -> Array:
        lines = fft.rfft(moment.noise.standard_normal(count))
        hz = np.arange(len(lines)) * (rate_hz / count)
        late = fft.irfft(lines / (1 + 1j * hz / corner), count)
        return late * (rms / np.std(late))

    bench = bench.adding(dense=_jittered(shift))
    return Made(
        bench,
        None,
        rms < 2e-10,
        f"{rms * 1e12:.3g} ps, corner {corner:.0f} Hz",
        JITTER + ", first-order noise",
    )


@fault("clock_off")
def _clock_off(bench: Bench, draw: np.random.Generator) -> Made:
    ppm = float(draw.choice((-1, 1))) * logs(draw, 70.0, 950.0)
    return Made(unit_with(bench, clock_ppm=ppm), None, abs(ppm) < 100, f"{ppm:.0f} ppm", TRADE)


# Distortion


def _bent(weights: Array, curve: tuple[Array, Array]) -> Callable[[Array, float, Moment], Array]:
    """Return a stage of a curve of input and output volts on an even grid; a channel without weight stays as it is."""
    volts_in, volts_out = curve
    middle = np.abs(volts_in) < 0.6 * FULL_PEAK
    gain = float(volts_in[middle] @ volts_out[middle] / (volts_in[middle] @ volts_in[middle]))
    bend = volts_out / gain - volts_in
    first, step = volts_in[0], volts_in[1] - volts_in[0]

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        x = x.copy()
        for index in np.flatnonzero(weights[:, 0]):
            place = np.clip((x[index] * FULL_PEAK - first) / step, 0.0, len(bend) - 1.001)
            low = place.astype(np.int64)
            x[index] += (bend[low] + (place - low) * (bend[low + 1] - bend[low])) / FULL_PEAK
        return x

    return stage


def _pair(bias: float, supply: float, load: float) -> str:
    """A complementary pair of emitter followers, biased by ``bias`` volts each."""
    return f""".model qn NPN(IS=1e-14 BF=150 VAF=100)
.model qp PNP(IS=1e-14 BF=150 VAF=100)
VCC p 0 {supply:.5g}
VEE n 0 -{supply:.5g}
VIN d 0 0
VB1 b1 d {bias:.5g}
VB2 d b2 {bias:.5g}
RB1 b1 c1 220
RB2 b2 c2 220
Q1 p c1 out qn
Q2 n c2 out qp
RL out 0 {load:.5g}"""


def _stage(bias: float, supply: float, load: float, loop_gain: float) -> tuple[Array, Array]:
    drive, output = dc_curve(_pair(bias, supply, load), "VIN", 10.0)
    return follower(drive, output, loop_gain, 8.5)


@fault("unit_clipping")
def _unit_clipping(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    supply, load, gain = draw.uniform(3.2, 5.6), logs(draw, 600.0, 1e4), logs(draw, 3e2, 1e5)
    bench = bench.adding(dense=_bent(weights, _stage(0.64, supply, load, gain)))
    return Made(
        bench,
        name,
        supply > 5.5,
        f"supply ±{supply:.2f} V",
        "ngspice: emitter followers at their supply, in a loop",
    )


@fault("crossover")
def _crossover(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    bias, gain = draw.uniform(0.25, 0.53), logs(draw, 1e3, 6e4)
    curve = _stage(bias, 15.0, logs(draw, 600.0, 5e3), gain)
    dead = float(np.max(np.abs(curve[1] / np.median(np.gradient(curve[1], curve[0])) - curve[0])[100:-100]))
    bench = bench.adding(dense=_bent(weights, curve))
    what = "ngspice: class B emitter followers, too little bias, in a loop"
    return Made(
        bench,
        name,
        gain > 3e4 or bias > 0.5,
        f"bias {bias:.2f} V, loop gain {gain:.0f}, {dead * 1e6:.0f} µV",
        what,
    )


@fault("capture_clipping")
def _capture_clipping(bench: Bench, draw: np.random.Generator) -> Made:
    rail = draw.uniform(2.5, 5.6)
    recorder = replace(bench.recorder, full_scale_volts=rail, true_full_scale_volts=rail)
    return Made(replace(bench, recorder=recorder), None, rail > 5.55, f"full scale {rail:.2f} V", TRADE)


@fault("soft_limiter")
def _soft_limiter(bench: Bench, draw: np.random.Generator) -> Made:
    lost = logs(draw, 0.1, 8.0)
    knee = draw.uniform(-40.0, -8.0)
    attack, decay = logs(draw, 0.002, 0.05), logs(draw, 0.05, 0.5)
    if draw.uniform() < 0.6:
        points = f"-140,-140,{knee:.2f},{knee:.2f},0,{-lost:.3f}"
        effect = ("compand", f"{attack:.4f},{decay:.4f}", points)
        bench = bench.adding(
            words=ringing_out(lambda w, moment: replace(w, values=sox(w.values, w.rate_hz, *effect)))
        )
        return Made(bench, None, lost < 0.4, f"{lost:.2f} dB above {knee:.0f} dBFS", "sox compand")

    def controlled(x: Array, moment: Moment) -> Array:
        pole = np.exp(-1.0 / (decay * 44_100.0))
        power = signal.lfilter([1.0 - pole], [1.0, -pole], 2.0 * x**2, axis=-1).max(axis=0)
        level = 10.0 * np.log10(power + 1e-14)
        return x * 10 ** (-np.clip((level - knee) / -knee, 0.0, 1.2) * lost / 20)

    bench = bench.adding(words=ringing_out(on_words(controlled)))
    return Made(
        bench,
        None,
        lost < 0.4,
        f"{lost:.2f} dB above {knee:.0f} dBFS",
        "gain control by mean square, " + MEMORY,
    )


@fault("loudness")
def _loudness(bench: Bench, draw: np.random.Generator) -> Made:
    gain = float(draw.choice((-1, 1))) * logs(draw, 0.15, 10.0)
    which = draw.choice(("bass", "treble", "both", "loudness"))
    if which == "loudness":
        effects: tuple[str, ...] = ("loudness", f"{-logs(draw, 1.0, 20.0):.2f}", "65")
    else:
        bass = ("bass", f"{gain:+.2f}", f"{logs(draw, 60, 300):.0f}")
        treble = ("treble", f"{gain:+.2f}", f"{logs(draw, 2000, 9000):.0f}")
        effects = {"bass": bass, "treble": treble, "both": bass + treble}[which]
    # Its gain is taken down by what it raises, as a DSP without headroom must, or the converter has room for it.
    room = db(-max(gain, 0.0)) if draw.uniform() < 0.4 and which != "loudness" else 1.0
    room = min(room, db(2.5 - max(gain, 0.0))) if which != "loudness" else 1.0

    def shaped(words: Words, moment: Moment) -> Words:
        return replace(words, values=sox(0.4 * words.values, words.rate_hz, *effects) * (room / 0.4))

    return Made(
        bench.adding(words=ringing_out(shaped)), None, abs(gain) < 0.4, " ".join(effects), "sox " + which
    )


def _polynomial(bench: Bench, draw: np.random.Generator, order: int) -> Made:
    weights, name = some(draw)
    part = db(draw.uniform(-113.0, -62.0))

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        bend = 2.0 * part * x**2 if order == 2 else -4.0 * part * x**3
        return x + weights * bend

    what = "x² = (1 - cos 2θ)/2, x³ = (3 sin θ - sin 3θ)/4"
    return Made(bench.adding(dense=stage), name, part < db(-107.0), f"{20 * np.log10(part):.1f} dB", what)


@fault("distortion_even")
def _distortion_even(bench: Bench, draw: np.random.Generator) -> Made:
    return _polynomial(bench, draw, 2)


@fault("distortion_odd")
def _distortion_odd(bench: Bench, draw: np.random.Generator) -> Made:
    return _polynomial(bench, draw, 3)


@fault("slew_limited")
def _slew_limited(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    fastest = 2 * np.pi * 20e3  # of a full-scale sine, full scales a second
    slew = fastest * logs(draw, 1.05, 12.0)
    unity_hz = logs(draw, 1e6, 1e7)

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        count = x.shape[1]
        turns = 2j * np.pi * np.arange(count // 2 + 1) * (rate_hz / count)
        slope = fft.irfft(fft.rfft(x, axis=-1) * turns, count, axis=-1)
        part = np.clip(slope / slew, -0.9999, 0.9999)
        # The input pair needs atanh(v'/SR) · SR/ωt to move the output at v': what is beyond the linear part distorts.
        return x - weights * (np.arctanh(part) - part) * (slew / (2 * np.pi * unity_hz))

    third = (fastest / slew) ** 2 * fastest / (2 * np.pi * unity_hz) / 12.0
    what = "tanh law of a differential pair into an integrator (Gray and Meyer, from memory)"
    return Made(
        bench.adding(dense=stage),
        name,
        third < db(-98.0),
        f"third harmonic {20 * np.log10(third):.0f} dB at 20 kHz",
        what,
    )


@fault("noise_follows_signal")
def _noise_follows(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw, 0.3)
    size = db(draw.uniform(-113.0, -65.0))
    slow = draw.uniform() < 0.5

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        follows = x
        if slow:
            pole = np.exp(-1.0 / (0.01 * rate_hz))
            follows = np.sqrt(2.0 * np.abs(signal.lfilter([1.0 - pole], [1.0, -pole], x**2, axis=-1)))
        noise = moment.noise.standard_normal(x.shape) * (size * np.sqrt(0.5 * rate_hz / 20e3) * np.sqrt(0.5))
        return x + weights * follows * noise

    return Made(
        bench.adding(dense=stage),
        name,
        size < db(-110.0),
        f"{20 * np.log10(size):.0f} dB",
        "product of signal and white noise",
    )
