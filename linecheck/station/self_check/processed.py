"""What hidden processing does to a signal, shape (channels, frames): for the faults of a simulated loop.

Each is simple and acts as the real thing does in what matters: on level, on time, on noise, or between the sides.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["fader", "faster", "gain_control", "gate", "limiter", "mono", "spatialiser", "suppressor"]

FloatArray = NDArray[np.float64]

BLOCK_SECONDS = 0.005


class _Rated(Protocol):
    @property
    def rate_hz(self) -> int: ...


def _blocks(values: FloatArray, course: _Rated) -> tuple[FloatArray, int]:
    """Return the rms of the loudest channel, block by block, and a block's length."""
    block = max(1, round(BLOCK_SECONDS * course.rate_hz))
    count = -(-values.shape[1] // block)
    padded = np.pad(values, ((0, 0), (0, count * block - values.shape[1])))
    power = np.mean(padded.reshape(len(values), count, block) ** 2, axis=2)
    return np.sqrt(np.max(power, axis=0)), block


def _applied(values: FloatArray, gains: FloatArray, block: int) -> FloatArray:
    """Return a signal under a gain that goes in straight lines from block to block."""
    places = (np.arange(len(gains)) + 1.0) * block
    return values * np.interp(np.arange(values.shape[1]), places, gains)


def gain_control(values: FloatArray, course: _Rated) -> FloatArray:
    """Even out loud and quiet, slowly: towards -20 dBFS, by no more than 12 dB."""
    levels, block = _blocks(values, course)
    gains, gain = np.ones(len(levels)), 1.0
    for index, level in enumerate(levels):
        wanted = float(np.clip(0.0707 / level, 0.25, 4.0)) if level > 3e-4 else gain
        gain += (wanted - gain) * (0.1 if wanted < gain else 0.01)
        gains[index] = gain
    return np.clip(_applied(values, gains, block), -1.0, 1.0)


def limiter(values: FloatArray, course: _Rated) -> FloatArray:
    """Hold the level at -6 dBFS."""
    levels, block = _blocks(values, course)
    return _applied(values, np.minimum(1.0, 0.3544 / np.maximum(levels, 1e-9)), block)


def gate(values: FloatArray, course: _Rated) -> FloatArray:
    """Close below -50 dBFS, by 40 dB; open within 20 ms."""
    levels, block = _blocks(values, course)
    gains, gain = np.ones(len(levels)), 1.0
    for index, level in enumerate(levels):
        gain += ((1.0 if level > 0.00224 else 0.01) - gain) * 0.25
        gains[index] = gain
    return _applied(values, gains, block)


def fader(values: FloatArray, course: _Rated) -> FloatArray:
    """Fade in within 0.3 s after half a second of silence."""
    levels, block = _blocks(values, course)
    gains, silent, gain = np.ones(len(levels)), 0.0, 1.0
    for index, level in enumerate(levels):
        silent = silent + BLOCK_SECONDS if level < 1e-6 else 0.0
        gain = 0.0 if silent > 0.5 else min(1.0, gain + BLOCK_SECONDS / 0.3)
        gains[index] = gain
    return _applied(values, gains, block)


def suppressor(values: FloatArray, course: _Rated) -> FloatArray:
    """Take out of each block's spectrum what is no higher than its median: steady noise, and no tone."""
    from scipy.signal import istft, stft

    length = 2048
    _, _, spectrum = stft(values, nperseg=length, axis=1)
    magnitude = np.abs(spectrum)
    floor = np.median(magnitude, axis=1, keepdims=True)
    gains = np.where(magnitude > 6.0 * floor + 1e-9, 1.0, 0.3)
    _, cleaned = istft(spectrum * gains, nperseg=length, time_axis=2, freq_axis=1)
    return np.asarray(cleaned[:, : values.shape[1]])


def spatialiser(values: FloatArray, course: _Rated) -> FloatArray:
    """Mix each side into the other, 14 dB down, inverted and 0.4 ms late."""
    late = round(0.0004 * course.rate_hz)
    others = np.roll(values[::-1], late, axis=1)
    others[:, :late] = 0.0
    return np.clip(values - 0.2 * others, -1.0, 1.0)


def mono(values: FloatArray, course: _Rated) -> FloatArray:
    """Play the mean of both everywhere."""
    return np.repeat(np.mean(values, axis=0, keepdims=True), len(values), axis=0)


def faster(values: FloatArray, ratio: float) -> FloatArray:
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
