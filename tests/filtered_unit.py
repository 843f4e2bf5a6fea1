"""A unit that is nothing but its filter, captured by a clock of its own, exactly.

Samples are impulses, so their spectrum repeats with the unit's rate; it is multiplied by the filter's response and
transformed back at the capture's instants. The stimulus is padded to N samples, which the capture sees as L: the
clock's ratio is exactly N/L times the ratio of the nominal rates, and no interpolation comes in between.
"""

import numpy as np
from scipy.fft import fft, irfft, next_fast_len

from linecheck.checks.base import Capture


def through(
    stimulus,
    capture_rate_hz,
    response,
    *,
    clock_ppm=0.0,
    delay_seconds=0.1,
    tail_seconds=0.1,
    noise=0.0,
    gains=(1.0, 1.0),
    seed=0,
):
    """Return the capture and the true clock ratio; ``response`` is a function of Hz by the unit's clock, or several.

    ``noise`` is the standard deviation of the capture's white noise, re full scale.
    """
    rate = stimulus.rate_hz
    before = int(delay_seconds * rate)
    samples = stimulus.samples.T.astype(np.float64) * 2.0**-31
    wanted = before + samples.shape[1] + int(tail_seconds * rate) + 1
    step = capture_rate_hz / (rate * (1.0 + 1e-6 * clock_ppm))
    captured = next_fast_len(int(np.ceil(wanted * step)), real=True)
    frames = round(captured / step)
    ratio = frames * capture_rate_hz / (rate * captured)
    lines = np.arange(captured // 2 + 1)
    shape = np.full(len(lines), captured / frames, dtype=np.complex128)
    for part in response if isinstance(response, tuple) else (response,):
        exact = isinstance(part, Fir)
        shape *= part.on_lines(len(lines), frames) if exact else part(lines * (rate / frames))
    generator = np.random.default_rng(seed)
    values = np.empty((captured, len(samples)))
    known = {}
    for channel, played in enumerate(samples):
        key = played.tobytes()
        if key not in known:
            padded = np.zeros(frames)
            padded[before : before + len(played)] = played
            known[key] = irfft(fft(padded)[lines % frames] * shape, captured)
        values[:, channel] = gains[channel] * known[key]
    values += noise * generator.standard_normal(values.shape)
    return Capture(values, capture_rate_hz), ratio


class Fir:
    """The response of an impulse response sampled at a multiple of the unit's rate, over Hz."""

    def __init__(self, taps, zero, taps_per_sample, rate_hz):
        self.taps, self.zero, self.rate_hz = taps, zero, taps_per_sample * rate_hz
        self.taps_per_sample = taps_per_sample

    def __call__(self, frequencies_hz):
        # By rows of taps: a row's turns times those of its beginning are the turns of each tap.
        row = int(np.ceil(np.sqrt(len(self.taps))))
        rows = np.resize(np.append(self.taps, np.zeros(row * row - len(self.taps))), (row, row))
        turns = -2j * np.pi * np.asarray(frequencies_hz, dtype=np.float64) / self.rate_hz
        within = np.exp(np.outer(turns, np.arange(row))) @ rows.T
        return np.sum(within * np.exp(np.outer(turns, np.arange(row) * row - self.zero)), axis=1)

    def on_lines(self, count, frames):
        """The same at k · rate / frames for k = 0 … count - 1, by one transform."""
        padded = np.zeros(self.taps_per_sample * frames)
        padded[: len(self.taps)] = self.taps
        return fft(np.roll(padded, -self.zero))[:count]


def kaiser_low_pass(rate_hz, stop_db, half_length, *, cutoff=0.5, taps_per_sample=8):
    """A linear-phase low-pass: a sinc of that cutoff (part of the rate) under a Kaiser window (from memory)."""
    beta = 0.1102 * (stop_db - 8.7)
    reach = int(half_length * taps_per_sample)
    times = np.arange(-reach, reach + 1) / taps_per_sample
    taps = 2 * cutoff * np.sinc(2 * cutoff * times)
    taps *= np.i0(beta * np.sqrt(np.maximum(1 - (times / half_length) ** 2, 0.0))) / np.i0(beta)
    taps /= np.sum(taps)
    return taps, reach, Fir(taps, reach, taps_per_sample, rate_hz)


def zero_order_hold(rate_hz):
    """sin(πf/rate)/(πf/rate), half a period late: samples held until the next one."""
    return lambda hz: np.sinc(hz / rate_hz) * np.exp(-1j * np.pi * hz / rate_hz)


def de_emphasis(hz):
    """50/15 µs: a zero at 1/(2π·15 µs), a pole at 1/(2π·50 µs)."""
    return (1 + 2j * np.pi * hz * 15e-6) / (1 + 2j * np.pi * hz * 50e-6)
