"""Faults of words, noise, rates and continuity.

Each enters itself in :data:`cause_made.FAULTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import soxr
from cause_bench import Array, Bench, Moment, Words
from cause_made import (
    TRADE,
    Made,
    db,
    fault,
    logs,
    on_words,
    ringing_out,
    some,
    some_checks,
    unit_with,
)
from cause_tools import sox
from numpy.typing import NDArray
from scipy import fft

from linecheck.checks.base import Capture

# Words


def _shortened(bench: Bench, draw: np.random.Generator, bits: int) -> Made:
    top, cut = 2.0 ** (bits - 1), draw.uniform() < 0.6
    short = np.floor if cut else np.rint
    bench = bench.adding(words=on_words(lambda x, moment: np.minimum(short(x * top), top - 1) / top))
    return Made(
        bench,
        None,
        bits == 20 and not cut,
        "cut" if cut else "rounded",
        "truncation of two's complement words",
    )


@fault("truncated_16")
def _truncated_16(bench: Bench, draw: np.random.Generator) -> Made:
    return _shortened(bench, draw, 16)


@fault("truncated_20")
def _truncated_20(bench: Bench, draw: np.random.Generator) -> Made:
    return _shortened(bench, draw, 20)


@fault("bit_weight")
def _bit_weight(bench: Bench, draw: np.random.Generator) -> Made:
    """Bits of offset binary, the highest is 0: one is off by a part, stuck, or swapped with its neighbour."""
    how = str(draw.choice(("weight", "weight", "stuck", "swapped")))
    bit = int(draw.integers(0, 8) if how == "weight" else draw.integers(7, 17))
    error = float(draw.choice((-1, 1))) * logs(draw, 3e-6, 1e-2)
    weights, name = some(draw, 0.4)

    def stage(x: Array, moment: Moment) -> Array:
        x = x.copy()
        for index in np.flatnonzero(weights[:, 0]):
            codes = np.rint(x[index] * 2.0**23).astype(np.int64) + 2**23
            place = 23 - bit
            here = (codes >> place) & 1
            if how == "weight":
                x[index] += (here - 0.5) * error * 2.0 ** (place - 23)
            elif how == "stuck":
                x[index] -= (here - 1) * 2.0 ** (place - 23)
            else:
                below = (codes >> (place - 1)) & 1
                x[index] += (below - here) * 2.0 ** (place - 24)
        return x

    size = f"bit {bit} {how}" + (f" {error:.1e}" if how == "weight" else "")
    weak = how == "weight" and abs(error) * 2.0**-bit < 1e-5
    return Made(bench.adding(words=on_words(stage)), name, weak, size, "weighted sum of a word's bits")


@fault("wrong_limits_words")
def _wrong_limits_words(bench: Bench, draw: np.random.Generator) -> Made:
    def stage(x: Array, moment: Moment) -> Array:
        return (
            np.clip(
                np.rint(x * 2.0**15 + moment.noise.random(x.shape) - moment.noise.random(x.shape)),
                -(2**15),
                2**15 - 1,
            )
            * 2.0**-15
        )

    return Made(
        bench.adding(words=on_words(stage)),
        None,
        False,
        "16 bits",
        "TPDF dither (Lipshitz, Wannamaker and Vanderkooy 1992)",
    )


# Noise


@fault("noise_white")
def _noise_white(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    times = 1.0 + logs(draw, 0.15, 60.0)
    noise = np.array(bench.unit.noise_volts) * (1.0 + (times - 1.0) * weights[:, 0])
    return Made(
        unit_with(bench, noise_volts=tuple(noise.tolist())),
        name,
        times < 2.0,
        f"× {times:.2f}",
        "white noise",
    )


def _noise(density: Callable[[Array], Array], weights: Array) -> Callable[[Array, float, Moment], Array]:
    """Return a stage that adds noise of a density in V/√Hz."""

    def add(volts: Array, rate_hz: float, moment: Moment) -> Array:
        frames = volts.shape[1]
        hz = np.arange(frames // 2 + 1) * (rate_hz / frames)
        shape = density(np.maximum(hz, 1.0)) * np.sqrt(0.5 * rate_hz)
        lines = fft.rfft(moment.noise.standard_normal(volts.shape), axis=-1)
        return volts + weights * fft.irfft(lines * shape, frames, axis=-1)

    return add


@fault("noise_flicker")
def _noise_flicker(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    white, corner = 5.5e-6 / np.sqrt(20e3), logs(draw, 300.0, 1e6)
    slope = draw.uniform(0.9, 1.3)
    bench = bench.adding(volts=_noise(lambda hz: white * (corner / hz) ** (0.5 * slope), weights))
    return Made(
        bench,
        name,
        corner < 2e3,
        f"corner {corner:.0f} Hz",
        "1/f noise: density √(corner/f) of the white one",
    )


@fault("one_bit_noise")
def _one_bit_noise(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw, 0.1)
    order, clock = int(draw.integers(2, 6)), float(draw.choice((2.8224e6, 5.6448e6)))
    level = 4.0 * db(draw.uniform(-83.0, -35.0))  # rms in 20 to 100 kHz

    def density(hz: Array) -> Array:
        shape = lambda f: (2.0 * np.sin(np.pi * f / clock)) ** order  # noqa: E731
        band = np.linspace(20e3, 1e5, 801)
        return shape(hz) * level / np.sqrt(np.mean(shape(band) ** 2) * 8e4)

    bench = bench.adding(volts=lambda v, r, m: _limited(_noise(density, weights)(0.0 * v, r, m), r) + v)
    what = "noise transfer (1 - 1/z)ⁿ of a noise shaper (Norsworthy, Schreier and Temes 1997, from memory)"
    return Made(bench, name, level < 4.0 * db(-75.0), f"order {order}, {level:.2g} V", what)


def _limited(volts: Array, rate_hz: float) -> Array:
    lines = fft.rfft(volts, axis=-1)
    place = np.linspace(0.0, 0.5, lines.shape[1])
    return fft.irfft(
        lines * np.cos(0.5 * np.pi * np.clip((place - 0.458) / 0.042, 0, 1)), volts.shape[1], axis=-1
    )


@fault("clicks")
def _clicks(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    size, rate = logs(draw, 3e-4, 3.0), logs(draw, 1.0, 30.0)
    decay = logs(draw, 1e-5, 2e-3)

    def add(volts: Array, rate_hz: float, moment: Moment) -> Array:
        length = int(8 * decay * rate_hz) + 2
        shape = np.exp(-np.arange(length) / (decay * rate_hz))
        frames = volts.shape[1]
        train = np.zeros(frames + length)
        for _ in range(1 + moment.noise.poisson(rate * frames / rate_hz)):
            at = int(moment.noise.uniform(0.0, frames))
            train[at : at + length] += (
                moment.noise.choice((-1, 1)) * size * moment.noise.uniform(0.3, 1.0) * shape
            )
        return volts + weights * train[:frames]

    what = "decaying exponentials at moments of a Poisson process"
    return Made(
        bench.adding(volts=add), name, size < 3e-3, f"{size:.2g} V, {rate:.1f}/s, {decay * 1e6:.0f} µs", what
    )


# Rates and continuity


def _linear(values: Array, ratio: float, hold: bool) -> Array:
    """Return values at ``ratio`` times their rate, on straight lines between them or held."""
    places = np.arange(int(values.shape[1] * ratio)) / ratio
    if hold:
        return values[:, np.floor(places + 1e-9).astype(np.int64)]
    return np.stack([np.interp(places, np.arange(values.shape[1]), row) for row in values])


def _convert(values: Array, from_hz: float, to_hz: float, how: str) -> Array:
    if how.startswith("sox"):
        return sox(values, from_hz, "rate", how.split()[1], f"{to_hz:.0f}", out_rate_hz=to_hz)
    if how.startswith("soxr"):
        return soxr.resample(values.T, from_hz, to_hz, quality=how.split()[1]).T
    return _linear(values, to_hz / from_hz, how == "held")


@fault("rate_conversion")
def _rate_conversion(bench: Bench, draw: np.random.Generator) -> Made:
    how = str(draw.choice(("sox -q", "sox -l", "soxr QQ", "soxr LQ", "linear", "linear", "held")))
    how = how.replace("soxr", "by soxr") if how.startswith("soxr") else how
    other = float(draw.choice((48e3, 48e3, 48e3, 32e3, 96e3, 88.2e3, 192e3)))
    back = draw.uniform() < 0.35

    def stage(words: Words, moment: Moment) -> Words:
        kind = how.replace("by soxr", "soxr")
        if kind.startswith("soxr"):
            values = soxr.resample(words.values.T, words.rate_hz, other, quality=kind.split()[1]).T
        else:
            values = _convert(words.values, words.rate_hz, other, kind)
        if not back:
            return Words(values, other)
        values = (
            _linear(values, words.rate_hz / other, kind == "held")
            if kind in ("linear", "held")
            else (
                soxr.resample(values.T, other, words.rate_hz, quality=kind.split()[1]).T
                if kind.startswith("soxr")
                else _convert(values, other, words.rate_hz, kind)
            )
        )
        return Words(values, words.rate_hz)

    size = f"{how}, to {other:.0f} Hz" + (" and back" if back else "")
    return Made(
        bench.adding(words=ringing_out(stage)),
        None,
        "l" in how.split()[-1].lower()[:1] and "linear" not in how,
        size,
        f"{how} (SoX 14.4.2, libsoxr, or straight lines)",
    )


@fault("wrong_rate")
def _wrong_rate(bench: Bench, draw: np.random.Generator) -> Made:
    rate = float(draw.choice((48e3, 48e3, 88.2e3, 32e3, 22.05e3, 96e3)))
    return Made(
        bench.adding(words=lambda words, moment: replace(words, rate_hz=rate)),
        None,
        False,
        f"at {rate:.0f} Hz",
        TRADE,
    )


def _slips(length: int, count: int, moment: Moment, begins: int, ends: int) -> NDArray[np.int64]:
    """Return which of ``length`` places are kept, in order: some are left out or come twice between two places."""
    index = np.arange(length)
    for _ in range(1 + moment.noise.poisson(0.7)):
        at = int(moment.noise.uniform(begins, ends))
        twice = moment.noise.uniform() < 0.4
        index = np.concatenate(
            (index[:at], index[at - count : at] if twice else index[:0], index[at if twice else at + count :])
        )
    return index


@fault("unit_lost_samples")
def _unit_lost_samples(bench: Bench, draw: np.random.Generator) -> Made:
    count, hit = round(logs(draw, 1, 300)), some_checks(bench, draw, 0.3)

    def stage(x: Array, moment: Moment) -> Array:
        if moment.check not in hit:
            return x
        frames = x.shape[1]
        return x[:, _slips(frames, count, moment, int(0.15 * frames), int(0.85 * frames))]

    return Made(
        bench.adding(words=on_words(stage)),
        None,
        False,
        f"{count} words in {len(hit)} checks",
        TRADE,
    )


@fault("recorder_lost_samples")
def _recorder_lost_samples(bench: Bench, draw: np.random.Generator) -> Made:
    count, hit = round(logs(draw, 1, 3000)), some_checks(bench, draw, 0.3)

    def stage(taken: Capture, moment: Moment) -> Capture:
        if moment.check not in hit:
            return taken
        span = moment.ends - moment.begins
        first, last = ((moment.begins + part * span) * taken.rate_hz for part in (0.15, 0.85))
        index = _slips(taken.frames, count, moment, int(first), int(last))
        return replace(taken, samples=taken.samples[index])

    return Made(bench.adding(frames=stage), None, False, f"{count} frames in {len(hit)} checks", TRADE)


@fault("unit_gap")
def _unit_gap(bench: Bench, draw: np.random.Generator) -> Made:
    seconds, hit = logs(draw, 5e-4, 0.15), some_checks(bench, draw, 0.3)

    def stage(x: Array, moment: Moment) -> Array:
        if moment.check not in hit:
            return x
        x, length = x.copy(), max(1, round(seconds * 44_100))
        at = int(moment.noise.uniform(0.15, 0.8) * x.shape[1])
        x[:, at : at + length] = 0.0
        return x

    return Made(
        bench.adding(words=on_words(stage)),
        None,
        False,
        f"{1e3 * seconds:.1f} ms in {len(hit)} checks",
        TRADE,
    )


@fault("cut_short")
def _cut_short(bench: Bench, draw: np.random.Generator) -> Made:
    part, hit = draw.uniform(0.2, 0.9), some_checks(bench, draw, 0.2)

    def stage(taken: Capture, moment: Moment) -> Capture:
        if moment.check not in hit:
            return taken
        stop = moment.begins + part * (moment.ends - moment.begins)
        return replace(taken, samples=taken.samples[: int(stop * taken.rate_hz)].copy())

    return Made(bench.adding(frames=stage), None, False, f"{part:.0%} of {len(hit)} checks", TRADE)


@fault("bad_recording")
def _bad_recording(bench: Bench, draw: np.random.Generator) -> Made:
    count, hit = round(logs(draw, 1, 1e4)), some_checks(bench, draw, 0.2)
    value = float(draw.choice((np.nan, np.nan, np.inf)))

    def stage(taken: Capture, moment: Moment) -> Capture:
        samples = (taken.samples * 2.0**-31).astype(np.float32)
        if moment.check in hit:
            at = int(moment.noise.uniform(0.0, taken.frames - count))
            samples[at : at + count, : moment.noise.integers(1, 3)] = value
        return replace(taken, samples=samples, bits=None)

    return Made(bench.adding(frames=stage), None, False, f"{count} × {value}", "IEEE 754")
