"""Faults of wiring, levels, hum and supplies.

Each enters itself in :data:`cause_made.FAULTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from cause_bench import Array, Bench, Moment, mains_lines
from cause_made import (
    TRADE,
    Made,
    db,
    either,
    fault,
    logs,
    on_words,
    rounded,
    some,
)
from numpy.typing import NDArray

# Wiring and levels


@fault("missing_leg")
def _missing_leg(bench: Bench, draw: np.random.Generator) -> Made:
    index, name = either(draw)
    gains, noise = [1.0, 1.0], list(bench.unit.noise_volts)
    gains[index] = 0.5
    noise[index] *= logs(draw, 0.8, 8.0)
    hum = 4.0 * db(draw.uniform(-118.0, -75.0))
    rms = hum * np.array([1.0, db(-draw.uniform(3, 15)), db(-draw.uniform(5, 25))])

    def pick_up(volts: Array, rate_hz: float, moment: Moment) -> Array:
        volts[index] += mains_lines(volts.shape[1], rate_hz, moment, rms, (1, 3, 5))
        return volts

    bench = replace(bench, unit=replace(bench.unit, noise_volts=tuple(noise)))
    bench = bench.adding(dense=lambda x, rate, moment: x * np.array(gains)[:, None], volts=pick_up)
    return Made(
        bench,
        name,
        False,
        f"hum {hum * 1e6:.2g} µV",
        "half the voltage of a balanced pair; pick-up: " + TRADE,
    )


@fault("dead_channel")
def _dead_channel(bench: Bench, draw: np.random.Generator) -> Made:
    index, name = either(draw)
    keep = 1.0 - np.eye(2)[index]
    alive = draw.uniform() < 0.5
    bench = bench.adding(dense=lambda x, rate, moment: x * keep[:, None])
    if not alive:
        bench = replace(bench, output_gain=tuple(keep.tolist()))
    return Made(bench, name, False, "its noise is there" if alive else "not even its noise", TRADE)


@fault("no_signal")
def _no_signal(bench: Bench, draw: np.random.Generator) -> Made:
    alive = draw.uniform() < 0.5
    bench = bench.adding(words=on_words(lambda x, moment: 0.0 * x))
    if not alive:
        bench = replace(bench, output_gain=(0.0, 0.0))
    return Made(bench, None, False, "noise of the unit" if alive else "no cable", TRADE)


@fault("silent_recording")
def _silent_recording(bench: Bench, draw: np.random.Generator) -> Made:
    bench = bench.adding(frames=lambda taken, moment: replace(taken, samples=0 * taken.samples))
    return Made(bench, None, False, "zeros", TRADE)


@fault("swapped_channels")
def _swapped(bench: Bench, draw: np.random.Generator) -> Made:
    at_words = draw.uniform() < 0.5
    if at_words:
        bench = bench.adding(words=on_words(lambda x, moment: x[::-1].copy()))
    else:
        bench = bench.adding(
            frames=lambda taken, moment: replace(taken, samples=taken.samples[:, ::-1].copy())
        )
    return Made(bench, None, False, "in the words" if at_words else "in the cables", TRADE)


@fault("inverted_polarity")
def _inverted(bench: Bench, draw: np.random.Generator) -> Made:
    index, name = either(draw)
    both = draw.uniform() < 0.4
    signs = -np.ones(2) if both else 1.0 - 2.0 * np.eye(2)[index]
    bench = bench.adding(dense=lambda x, rate, moment: x * signs[:, None])
    return Made(bench, None if both else name, False, "", TRADE)


@fault("mono")
def _mono(bench: Bench, draw: np.random.Generator) -> Made:
    analogue = draw.uniform() < 0.5
    if analogue:
        bench = bench.adding(dense=lambda x, rate, moment: np.repeat(x.mean(axis=0)[None], 2, axis=0))
    else:
        bench = bench.adding(
            words=on_words(lambda x, moment: rounded(np.repeat(x.mean(axis=0)[None], 2, 0), 24))
        )
    return Made(bench, None, False, "outputs tied" if analogue else "in the words", TRADE)


@fault("channel_delay")
def _channel_delay(bench: Bench, draw: np.random.Generator) -> Made:
    index, name = either(draw)
    eighths = int(draw.choice((4, 6, 8, 8, 8, 16, 24, 64)))

    def late(x: Array, rate_hz: float, moment: Moment) -> Array:
        x = x.copy()
        x[index] = np.roll(x[index], eighths)
        return x

    return Made(bench.adding(dense=late), name, eighths < 8, f"{eighths / 8:g} samples", TRADE)


@fault("volume_down")
def _volume_down(bench: Bench, draw: np.random.Generator) -> Made:
    size = logs(draw, 0.15, 40.0)
    if draw.uniform() < 0.25:
        size = -logs(draw, 0.15, 2.5)
    gain, dithered = db(-size), draw.uniform() < 0.5

    def scaled(x: Array, moment: Moment) -> Array:
        dither = (moment.noise.random(x.shape) - moment.noise.random(x.shape)) * 2.0**-23 if dithered else 0.0
        return np.rint((x * gain + dither * (x != 0.0)) * 2.0**23) * 2.0**-23

    bench = bench.adding(words=on_words(scaled))
    return Made(bench, None, abs(size) < 0.44, f"{-size:.2f} dB", "gain, TPDF dither (AES17-2015)")


@fault("gain_wrong")
def _gain_wrong(bench: Bench, draw: np.random.Generator) -> Made:
    size = float(draw.choice((-1.0, -1.0, 1.0))) * logs(draw, 0.15, 20.0)
    if draw.uniform() < 0.5:
        bench = replace(bench, recorder=replace(bench.recorder, full_scale_volts=8.0 * db(size)))
        return Made(bench, None, abs(size) < 0.44, f"{size:.2f} dB in the full scale", TRADE)
    size = min(size, 2.5)
    bench = replace(bench, output_gain=(db(size), db(size)))
    return Made(bench, None, abs(size) < 0.44, f"{size:.2f} dB in the output", TRADE)


@fault("channel_gain")
def _channel_gain(bench: Bench, draw: np.random.Generator) -> Made:
    index, name = either(draw)
    size = float(draw.choice((-1.0, 1.0))) * logs(draw, 0.08, 20.0)
    size = min(size, 2.5)
    if abs(size + 6.02) < 0.4:
        size -= 1.5
    gains = np.ones(2)
    gains[index] = db(size)
    if draw.uniform() < 0.5:
        bench = bench.adding(dense=lambda x, rate, moment: x * gains[:, None])
    else:
        bench = replace(bench, output_gain=tuple(gains.tolist()))
    return Made(bench, name, abs(size) < 0.2, f"{size:.2f} dB", TRADE)


@fault("word_alignment")
def _word_alignment(bench: Bench, draw: np.random.Generator) -> Made:
    bits = int(draw.choice((1, 1, 2, 3, 4, 8, 8, 8)))
    bench = bench.adding(words=on_words(lambda x, moment: np.floor(x * 2.0 ** (23 - bits)) * 2.0**-23))
    return Made(bench, None, False, f"{bits} bits down", "arithmetic shift of 24-bit words")


# Hum and supplies


def _hum(bench: Bench, draw: np.random.Generator, orders: tuple[int, ...], falls: Array, why: str) -> Made:
    weights, name = some(draw, 0.3)
    hum = 4.0 * db(draw.uniform(-127.0, -70.0))
    rms = hum * falls

    def add(volts: Array, rate_hz: float, moment: Moment) -> Array:
        return volts + weights * mains_lines(volts.shape[1], rate_hz, moment, rms, orders)

    return Made(bench.adding(volts=add), name, hum < 4.0 * db(-119.0), f"{hum * 1e6:.2g} µV", why)


@fault("ground_loop")
def _ground_loop(bench: Bench, draw: np.random.Generator) -> Made:
    falls = np.array([0.0, -draw.uniform(2, 15), -draw.uniform(5, 25), -draw.uniform(10, 30)])
    return _hum(bench, draw, (1, 3, 5, 7), 10 ** (falls / 20), "odd multiples of the mains: " + TRADE)


@fault("supply_hum")
def _supply_hum(bench: Bench, draw: np.random.Generator) -> Made:
    # The ripple of a full-wave rectifier is a sawtooth nearly: its nth harmonic is 1/n, and less behind a regulator.
    power = draw.uniform(1.0, 2.0)
    falls = np.arange(1, 7) ** -power
    return _hum(bench, draw, (2, 4, 6, 8, 10, 12), falls, "Fourier series of a sawtooth, full-wave ripple")


@fault("supply_modulation")
def _supply_modulation(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw, 0.2)
    depth = logs(draw, 6e-7, 1e-2)

    def modulate(x: Array, rate_hz: float, moment: Moment) -> Array:
        lines = mains_lines(x.shape[1], rate_hz, moment, depth * np.sqrt(0.5) * np.array([1.0, 0.3]), (2, 4))
        return x * (1.0 + weights * lines)

    return Made(
        bench.adding(dense=modulate), name, depth < 4e-6, f"depth {depth:.2g}", "amplitude modulation"
    )


def _added_lines(
    frequencies_hz: Array, rms: Array, weights: Array, drift: float
) -> Callable[[Array, float, Moment], Array]:
    """Return multiples of the first of these lines, of these rms volts; above 88 kHz they fall.

    They wander together by a part ``drift`` three times a second.
    """

    def add(volts: Array, rate_hz: float, moment: Moment) -> Array:
        time = np.arange(volts.shape[1]) / rate_hz
        slow = moment.noise.uniform(0, 2 * np.pi)
        if drift:
            time = time + drift / (2 * np.pi * 3.0) * np.sin(2 * np.pi * 3.0 * time + slow)
        heard = frequencies_hz[frequencies_hz < 0.5 * rate_hz]
        late = np.cos(0.5 * np.pi * np.clip((heard / rate_hz - 0.458) / 0.042, 0.0, 1.0))
        phases = moment.noise.uniform(0, 2 * np.pi, len(heard))
        parts = np.sqrt(2.0) * rms[: len(heard)] * late * np.exp(1j * phases)
        return volts + weights * _multiples(parts, np.exp(2j * np.pi * frequencies_hz[0] * time))

    return add


def _multiples(parts: NDArray[np.complex128], turns: NDArray[np.complex128]) -> Array:
    """Return the imaginary part of the sum of ``parts[k] * turns ** (k + 1)``, by Horner's rule."""
    total = np.zeros(len(turns))
    for first in range(0, len(turns), 16_384):
        turn = turns[first : first + 16_384]
        value = np.zeros(len(turn), dtype=np.complex128)
        for part in parts[::-1]:
            value += part
            value *= turn
        total[first : first + 16_384] = value.imag
    return total


@fault("switching_supply")
def _switching_supply(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw, 0.2)
    hz = logs(draw, 15e3, 88e3)
    rms = 4.0 * db(draw.uniform(-120.0, -75.0) if hz < 20e3 else draw.uniform(-88.0, -62.0))
    orders = np.arange(1, 7)
    levels = rms * orders ** -draw.uniform(1.0, 2.0)
    bench = bench.adding(volts=_added_lines(hz * orders, levels, weights, draw.choice((0.0, 1e-5, 1e-4))))
    weak = rms < 4.0 * db(-80.0 if hz > 20e3 else -112.0)
    return Made(bench, name, weak, f"{hz:.0f} Hz {rms * 1e6:.2g} µV", "switching residue: " + TRADE)


@fault("usb_frame_noise")
def _usb_frame_noise(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw, 0.2)
    base, rms = float(draw.choice((1e3, 8e3))), 4.0 * db(draw.uniform(-125.0, -80.0))
    orders = np.arange(1, int(90e3 / base))
    levels = rms * orders ** -draw.uniform(0.2, 1.0) * 10 ** (draw.uniform(-4, 4, len(orders)) / 20)
    bench = bench.adding(volts=_added_lines(base * (1 + draw.normal(0, 1e-5)) * orders, levels, weights, 0.0))
    what = "frames and microframes, Universal Serial Bus specification 2.0, 8.4.3"
    return Made(bench, name, rms < 4.0 * db(-119.0), f"{base:.0f} Hz {rms * 1e6:.2g} µV", what)


@fault("oscillation")
def _oscillation(bench: Bench, draw: np.random.Generator) -> Made:
    index, name = either(draw)
    weights = np.eye(2)[index][:, None]
    hz, rms = logs(draw, 21e3, 86e3), 4.0 * db(draw.uniform(-55.0, -6.0))
    bench = bench.adding(
        volts=_added_lines(np.array([hz]), np.array([rms]), weights, draw.choice((0.0, 1e-5)))
    )
    return Made(bench, name, False, f"{hz:.0f} Hz {rms:.2g} V", TRADE)
