"""Faults that no cause code describes: a room that names causes must say ``none_of_these`` of them.

:data:`UNKNOWN` holds makers as :data:`cause_made.FAULTS` does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from cause_bench import Array, Bench, Moment
from cause_effects import codec, effects
from cause_made import Made, Maker, db, logs, on_words
from cause_tools import opus
from scipy import signal


def _chorus(bench: Bench, draw: np.random.Generator) -> Made:
    return effects(
        bench,
        "chorus",
        "0.9",
        "0.9",
        f"{draw.uniform(20, 50):.1f}",
        f"{logs(draw, 0.02, 0.3):.3f}",
        f"{draw.uniform(0.3, 2):.2f}",
        "2",
        "-s",
    )


def _flanger(bench: Bench, draw: np.random.Generator) -> Made:
    return effects(bench, "flanger", "0", "2", "0", f"{logs(draw, 3, 50):.1f}", f"{draw.uniform(0.3, 5):.2f}")


def _tremolo(bench: Bench, draw: np.random.Generator) -> Made:
    return effects(bench, "tremolo", f"{draw.uniform(3.0, 17.0):.2f}", f"{logs(draw, 1, 30):.1f}")


def _wow(bench: Bench, draw: np.random.Generator) -> Made:
    """Speed that sways by a few parts in a thousand, three times a second."""
    depth, hz = logs(draw, 1e-5, 3e-3), draw.uniform(0.5, 6.0)

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        from scipy.interpolate import make_interp_spline

        count = x.shape[1]
        late = depth / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * np.arange(count) / rate_hz) * rate_hz
        places = np.clip(np.arange(count) - late, 0, count - 1)
        return np.stack([make_interp_spline(np.arange(count), row, k=3)(places) for row in x])

    return Made(
        bench.adding(dense=stage),
        None,
        depth < 3e-5,
        f"{depth:.2g} at {hz:.1f} Hz",
        "wow and flutter: position by a sine, cubic spline",
    )


def _pilot(bench: Bench, draw: np.random.Generator) -> Made:
    level = db(draw.uniform(-90, -40))

    def stage(x: Array, moment: Moment) -> Array:
        active = np.any(np.abs(x) > 0.0)
        tone = np.sin(2 * np.pi * 19_000.0 * np.arange(x.shape[1]) / 44_100.0)
        return x + (level * tone if active else 0.0)

    bench = bench.adding(words=lambda words, moment: replace(words, values=stage(words.values, moment)))
    return Made(
        bench, None, False, f"19 kHz {20 * np.log10(level):.0f} dB", "a pilot tone with the signal only"
    )


def _all_pass(bench: Bench, draw: np.random.Generator) -> Made:
    corner, order = logs(draw, 100, 5e3), int(draw.integers(1, 5))
    bench = bench.adding(
        transfers=lambda lines, hz: lines * ((1 - 1j * hz / corner) / (1 + 1j * hz / corner)) ** order
    )
    return Made(bench, None, False, f"{order} × {corner:.0f} Hz", "first-order all-pass")


def _notch(bench: Bench, draw: np.random.Generator) -> Made:
    hz, quality, depth = logs(draw, 1500, 6000), logs(draw, 2, 20), db(-logs(draw, 0.5, 30))

    def stage(lines: Array, f: Array) -> Array:
        across = 1j * f / hz / quality
        return lines * (1 - (f / hz) ** 2 + across * depth) / (1 - (f / hz) ** 2 + across)

    return Made(
        bench.adding(transfers=stage),
        None,
        False,
        f"{hz:.0f} Hz, Q {quality:.1f}, {20 * np.log10(depth):.1f} dB",
        "second-order notch",
    )


def _ring(bench: Bench, draw: np.random.Generator) -> Made:
    hz, part = logs(draw, 200, 9e3), logs(draw, 1e-4, 3e-2)

    def stage(x: Array, rate_hz: float, moment: Moment) -> Array:
        return x + part * x[::-1] * np.sin(2 * np.pi * hz * np.arange(x.shape[1]) / rate_hz)

    return Made(
        bench.adding(dense=stage),
        None,
        False,
        f"{part:.2g} of the other channel × {hz:.0f} Hz",
        "ring modulation",
    )


def _bursts(bench: Bench, draw: np.random.Generator) -> Made:
    period, size, length = draw.uniform(5e-3, 11e-3), logs(draw, 3e-5, 1e-2), draw.uniform(0.3e-3, 2e-3)

    def stage(volts: Array, rate_hz: float, moment: Moment) -> Array:
        on = np.mod(np.arange(volts.shape[1]) / rate_hz, period) < length
        return volts + size * on * moment.noise.standard_normal(volts.shape[1])

    return Made(
        bench.adding(volts=stage),
        None,
        False,
        f"{size:.2g} V every {1e3 * period:.1f} ms",
        "gated white noise",
    )


def _programme(bench: Bench, draw: np.random.Generator) -> Made:
    size = logs(draw, 1e-4, 1e-1)

    def stage(volts: Array, rate_hz: float, moment: Moment) -> Array:
        frames = volts.shape[1]
        pink = signal.lfilter([1.0], [1.0, -0.97], moment.noise.standard_normal(frames))
        beat = 0.3 + np.abs(
            np.sin(2 * np.pi * 1.9 * np.arange(frames) / rate_hz + moment.noise.uniform(0, 6))
        )
        notes = sum(
            np.sin(2 * np.pi * 220.0 * 2 ** (moment.noise.integers(0, 36) / 12) * np.arange(frames) / rate_hz)
            for _ in range(4)
        )
        return volts + size * beat * (pink / np.std(pink) + notes) * 0.4

    return Made(
        bench.adding(volts=stage),
        None,
        False,
        f"{size:.2g} V",
        "notes of a chord and noise that falls: a second programme",
    )


def _phaser(bench: Bench, draw: np.random.Generator) -> Made:
    decay, speed = f"{draw.uniform(0.1, 0.45):.2f}", f"{draw.uniform(0.2, 2.0):.2f}"
    return effects(bench, "phaser", "0.8", "0.9", f"{draw.uniform(1, 4):.1f}", decay, speed, "-s")


def _companded(bench: Bench, draw: np.random.Generator) -> Made:
    """Words of few bits on a logarithmic scale (the law of ITU-T G.711 with another number of bits)."""
    bits = int(draw.integers(9, 16))

    def stage(x: Array, moment: Moment) -> Array:
        bent = np.sign(x) * np.log1p(255.0 * np.abs(x)) / np.log(256.0)
        bent = np.rint(bent * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
        return np.sign(bent) * np.expm1(np.abs(bent) * np.log(256.0)) / 255.0

    return Made(bench.adding(words=on_words(stage)), None, False, f"{bits} bits of µ-law", "ITU-T G.711")


def _hump(bench: Bench, draw: np.random.Generator) -> Made:
    """A band of noise, as of a loop that is nearly unstable."""
    hz, size, quality = logs(draw, 300, 8e3), logs(draw, 1e-5, 1e-3), logs(draw, 3, 30)

    def stage(volts: Array, rate_hz: float, moment: Moment) -> Array:
        b, a = signal.iirpeak(hz, quality, fs=rate_hz)
        noise = signal.lfilter(b, a, moment.noise.standard_normal(volts.shape[1]))
        return volts + size * noise / np.std(noise)

    size_told = f"{size:.2g} V at {hz:.0f} Hz, Q {quality:.0f}"
    return Made(bench.adding(volts=stage), None, False, size_told, "white noise through a resonator")


def _shifted(bench: Bench, draw: np.random.Generator) -> Made:
    """Every frequency is moved by as many hertz: a single-sideband modulator."""
    hz = draw.uniform(0.5, 20.0)

    def stage(x: Array, moment: Moment) -> Array:
        turn = np.exp(2j * np.pi * hz * np.arange(x.shape[1]) / 44_100.0)
        return np.real(signal.hilbert(x, axis=-1) * turn)

    return Made(bench.adding(words=on_words(stage)), None, False, f"{hz:.1f} Hz", "analytic signal")


def _gate(bench: Bench, draw: np.random.Generator) -> Made:
    """What is faint is muted: below a threshold nothing comes."""
    threshold = db(draw.uniform(-75, -50))

    def stage(x: Array, moment: Moment) -> Array:
        course = signal.lfilter([0.002], [1.0, -0.998], np.abs(x), axis=-1)
        return x * (course > threshold)

    told = f"below {20 * np.log10(threshold):.0f} dBFS"
    return Made(bench.adding(words=on_words(stage)), None, False, told, "noise gate: mean of the magnitude")


UNKNOWN: dict[str, Maker] = {
    "opus": codec(opus, "Opus (opus-tools)", (96, 160, 256)),
    "chorus": _chorus,
    "flanger": _flanger,
    "tremolo": _tremolo,
    "wow": _wow,
    "pilot": _pilot,
    "all_pass": _all_pass,
    "notch": _notch,
    "ring": _ring,
    "bursts": _bursts,
    "programme": _programme,
    "phaser": _phaser,
    "companded": _companded,
    "hump": _hump,
    "shifted": _shifted,
    "gate": _gate,
}
