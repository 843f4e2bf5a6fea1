"""Densities of the audio band and of what lies far above it and far below it in level, with lines apart.

=============================  =====================================================================================
:func:`audio_part`             the audio band, fine in frequency
:func:`high_part`              what lies above: 1 µV of noise at 80 kHz beside 4 V of music
:class:`Part`                  a density without lines, and the lines
=============================  =====================================================================================
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.dissect import Line, Power
from linecheck.dsp.fits.tones import fit_lines
from linecheck.dsp.spectra.spectra import Density, density, density_near, find_lines, usable_frames

#: A search for lines goes on at most so often: what is strong hides what is faint.
SEARCHES = 3
MAX_LINES = 60
#: A mean of eight or more exponentials exceeds this over their median once in 10**9 bins or less.
STANDS_OUT = 5.0
BLOCK_BINS = 24

SEGMENT_SECONDS = 0.1
#: Of Hann segments that overlap by half, so many of each are independent.
INDEPENDENT = 0.947
#: A record is no shorter than so many segments; and since its ends count for less, it counts as a little shorter.
MIN_LENGTHS = 8
COUNTED = 0.95


@dataclass(frozen=True)
class Part:
    """A record's noise density without its lines, and its lines, ascending."""

    noise: Density
    lines: tuple[Line, ...]


def audio_part(values: FloatArray, rate_hz: float, low_hz: float, high_hz: float) -> Part:
    """Return the density up to a frequency, near the statistical limit, and the lines between two.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    low_hz, high_hz : float
    """
    record = values[len(values) - usable_frames(len(values)) :]
    return _apart(
        record - np.mean(record),
        rate_hz,
        (low_hz, high_hz),
        lambda rest: density(rest, rate_hz, top_hz=high_hz),
    )


def high_part(values: FloatArray, rate_hz: float, low_hz: float) -> Part:
    """Return the density and the lines above a frequency, whatever lies below.

    The second difference of the record, whose gain 4 sin²(πf/rate) is known exactly, falls by 12 dB an octave towards
    the low frequencies where programme is strong; the side lobes of the Hann window fall by 18 dB an octave. Together
    they keep a full-scale tone of 1 kHz 240 dB down at 20 kHz.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    low_hz : float
        Some way above what is strong.
    """
    edges = (low_hz, 0.499 * rate_hz)
    part = _apart(np.diff(values, 2), rate_hz, edges, lambda rest: _segmented(rest, rate_hz))
    gain = np.maximum(_gain(part.noise.frequencies_hz / rate_hz), 1e-30)
    lines = []
    for line in part.lines:
        turn = float(_gain(np.array([line.frequency_hz / rate_hz]))[0])
        lines.append(Line(line.frequency_hz, Power(line.power.value / turn, line.power.uncertainty / turn)))
    noise = Density(part.noise.values / gain, part.noise.spacing_hz, part.noise.seconds, part.noise.tapers)
    return Part(noise, tuple(lines))


def _gain(frequency: FloatArray) -> FloatArray:
    """Return the power gain of the second difference at frequencies in cycles per frame."""
    return np.asarray(16.0 * np.sin(np.pi * frequency) ** 4)


def _segmented(values: FloatArray, rate_hz: float) -> Density:
    """Return the density from Hann-windowed segments that overlap by half (Welch), a tenth of a second at most."""
    from scipy.fft import next_fast_len, rfft

    frames = len(values)
    wanted = min(int(SEGMENT_SECONDS * rate_hz), frames // MIN_LENGTHS)
    length = min(frames, next_fast_len(max(wanted, 16), real=True))
    count = max(1, round(2.0 * frames / length) - 1)
    starts = np.linspace(0, frames - length, count).astype(int)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    segments = np.lib.stride_tricks.sliding_window_view(values, length)[starts]
    spectra = rfft(segments * window, axis=1)
    power = np.mean(spectra.real**2 + spectra.imag**2, axis=0) * (2.0 / (rate_hz * np.sum(window**2)))
    tapers = max(1, round(INDEPENDENT * count))
    return Density(power, rate_hz / length, COUNTED * frames / rate_hz, tapers)


def _apart(
    record: FloatArray,
    rate_hz: float,
    edges_hz: tuple[float, float],
    estimate: Callable[[FloatArray], Density],
) -> Part:
    """Take the lines between two frequencies out of a record, where there are any, and estimate the rest's density."""
    spectrum = estimate(record)
    if not _may_have_lines(spectrum, edges_hz):
        return Part(spectrum, ())
    places, amplitudes, rest = np.zeros(0), np.zeros(0, dtype=np.complex128), record
    for _ in range(SEARCHES):
        found = find_lines(rest, rate_hz, *edges_hz) / rate_hz
        apart = [line for line in found if np.all(np.abs(places - line) * len(record) > 2.0)]
        if not apart or len(places) + len(apart) > MAX_LINES:
            break
        fit, rest = fit_lines(record, np.sort(np.concatenate((places, apart))))
        places, amplitudes = fit.frequencies, fit.amplitudes
    spectrum = estimate(rest) if len(places) else spectrum
    lines = []
    for frequency_hz, amplitude in zip(places * rate_hz, amplitudes, strict=True):
        share = density_near(spectrum, float(frequency_hz)) / spectrum.seconds
        power = max(0.5 * float(abs(amplitude)) ** 2 - share, 0.0)
        lines.append(Line(float(frequency_hz), Power(power, float(np.sqrt(2.0 * power * share + share**2)))))
    return Part(spectrum, tuple(lines))


def _may_have_lines(spectrum: Density, edges_hz: tuple[float, float]) -> bool:
    """Return whether any bin between two frequencies stands out of those around it."""
    blocks = len(spectrum.values) // BLOCK_BINS
    if blocks < 3:
        return True
    table = spectrum.values[: blocks * BLOCK_BINS].reshape(blocks, BLOCK_BINS)
    level = np.median(table, axis=1)
    # A steep edge is not to stand out of the block that it lies in.
    level = np.maximum(level, np.maximum(np.append(level[1:], 0.0), np.append(0.0, level[:-1])))
    last = np.full(len(spectrum.values) - table.size, level[-1])
    around = np.concatenate((np.repeat(level, BLOCK_BINS), last))
    inside = slice(int(np.ceil(edges_hz[0] / spectrum.spacing_hz)), int(edges_hz[1] / spectrum.spacing_hz))
    return bool(np.any(spectrum.values[inside] > STANDS_OUT * around[inside]))
