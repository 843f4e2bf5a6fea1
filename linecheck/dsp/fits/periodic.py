"""Periodic signals of many lines: made with a low crest factor, read in a recording by an unrelated clock.

A signal has lines at odd multiples of its fundamental only. What hum, noise and distortion of even order put on the
even multiples tells how far the lines themselves can be trusted; half a period later the signal is its own negative.

============================ ============================================================================
:class:`PeriodicSignal`      which lines, how strong, in which phase; one period of samples
:class:`LineReader`          the complex amplitudes of lines at any frequencies, from one transform
:func:`fitted_scale`         the scale that all lines share: the ratio of the two clocks
============================ ============================================================================

Frequencies are in cycles per frame; time zero is the middle of the record, as in :mod:`linecheck.dsp.fits.tones`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.spectra.windows import BLACKMAN_HARRIS, blackman_harris

#: A line is read from so many bins on either side of its own.
REACH_BINS = 2
#: Length of either taper of the flat window, as a part of the record.
TAPER = 0.2
#: How far two clocks are searched apart: a little more than they may be.
SEARCH = 1.5e-3


def period_frames(rate_hz: float, spacing_hz: float) -> int:
    """Return the period whose odd multiples lie about ``spacing_hz`` apart.

    A multiple of four frames, so that half the rate falls between two odd multiples and every line's images at
    multiples of the rate, plus or minus its frequency, fall on odd multiples too.
    """
    return 4 * max(2, round(0.5 * rate_hz / spacing_hz))


def spread_phases(orders: IntArray, period: float) -> FloatArray:
    """Return phases that spread lines evenly over half a period, one after another: a low crest factor.

    Schroeder (1970): the group delay of each line is where in the signal its power shall be. For neighbouring orders
    of equal power this is a chirp with a crest factor of about 1.7.
    """
    places = 0.5 * period * (np.arange(len(orders)) + 0.5) / len(orders)
    steps = np.diff(orders, prepend=0) / period
    return np.asarray(-2.0 * np.pi * np.cumsum(steps * places))


@dataclass(frozen=True)
class PeriodicSignal:
    """Lines of equal strength at odd multiples of the fundamental.

    Attributes
    ----------
    period : int
        Frames.
    orders : int64 array, shape (lines,)
        Odd, ascending, below half the period.
    """

    period: int
    orders: IntArray

    @cached_property
    def phases(self) -> FloatArray:
        """Phases of cosines at the first frame."""
        return spread_phases(self.orders, self.period)

    @property
    def frequencies(self) -> FloatArray:
        """Cycles per frame."""
        return self.orders / self.period

    @cached_property
    def _lines(self) -> ComplexArray:
        """Complex amplitude at every multiple from 0 to ``period - 1``: those of a sequence repeat with the rate."""
        lines = np.zeros(self.period, dtype=np.complex128)
        turns = np.exp(1j * self.phases) * np.sqrt(2.0 / len(self.orders))
        lines[self.orders] = turns
        lines[self.period - self.orders] = np.conj(turns)
        return lines

    def amplitudes(self, orders: IntArray) -> ComplexArray:
        """Return the complex amplitudes (peak) of lines of any order for a signal of rms 1; images are lines too."""
        return self._lines[orders % self.period]

    def samples(self, frames: int) -> FloatArray:
        """Return the signal with rms 1, shape (frames,)."""
        one = np.fft.irfft(0.5 * self.period * self._lines[: self.period // 2 + 1], self.period)
        return np.resize(one, frames)


class LineReader:
    """Lines of a record, read from one windowed transform of it.

    A line at a known frequency is the window's own transform around it, so its amplitude is a projection of a few bins
    on that: no bin need fall on the line.

    Parameters
    ----------
    values : float64 array, shape (frames,)
        Trimmed to a length that transforms fast.
    window : str
        ``flat``: smooth tapers over a fifth at either end; noise as of 1.3 / length, lines must be 30 bins apart.
        ``close``: four-term Blackman–Harris; noise as of 2.9 / length, lines must be 7 bins apart.
    """

    def __init__(self, values: FloatArray, window: Literal["flat", "close"]) -> None:
        from scipy.fft import prev_fast_len, rfft

        self.frames = prev_fast_len(len(values), real=True)
        #: Frame of the record's middle, where time zero is.
        self.middle = 0.5 * (self.frames - 1)
        self._window = window
        part = values[: self.frames]
        shape = _flat_window(self.frames) if window == "flat" else blackman_harris(self.frames)
        self._transform = rfft((part - np.mean(part)) * shape)

    def _around(self, frequencies: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """Return the bins around lines, phases re the middle, and their distance from the lines in bins."""
        places = frequencies * self.frames
        bins = np.rint(places).astype(np.int64)[:, None] + np.arange(-REACH_BINS, REACH_BINS + 1)
        last = len(self._transform) - 1
        values = self._transform[np.clip(bins, 0, last)]
        values[(bins < 1) | (bins > last)] = 0.0
        # The periodic Blackman–Harris window is centred half a frame later than the record.
        late = 0.5 if self._window == "close" else 0.0
        values *= np.exp(2j * np.pi * np.mod(bins * ((self.middle + late) / self.frames), 1.0))
        return values, bins - places[:, None]

    def _response(self, bins: FloatArray) -> FloatArray:
        """Return the window's transform over the record's length."""
        return _flat_response(bins) if self._window == "flat" else _close_response(bins)

    def read(self, frequencies: FloatArray) -> ComplexArray:
        """Return complex amplitudes (peak, phase in the middle of the record), shape (lines,)."""
        values, distance = self._around(frequencies)
        shape = self._response(distance)
        amplitudes = np.sum(values * shape, axis=1) * (2.0 / self.frames) / np.sum(shape**2, axis=1)
        if self._window == "close":
            amplitudes *= np.exp(-1j * np.pi * frequencies)
        return np.asarray(amplitudes)

    def noise(self, frequencies: FloatArray) -> FloatArray:
        """Return the mean square modulus of what noise adds to each line, from what the fit leaves around it."""
        values, distance = self._around(frequencies)
        shape = self._response(distance)
        fitted = np.sum(values * shape, axis=1, keepdims=True) / np.sum(shape**2, axis=1, keepdims=True)
        rest = np.sum(np.abs(values - fitted * shape) ** 2, axis=1)
        return np.asarray(rest * (_noise_over_rest(self._response) * (2.0 / self.frames) ** 2))

    def scale_error(self, frequencies: FloatArray) -> float:
        """Return by how much all frequencies must be scaled to fit best, less 1: one step of Gauss–Newton."""
        values, distance = self._around(frequencies)
        shape = self._response(distance)
        slope = (self._response(distance + 1e-4) - self._response(distance - 1e-4)) / 2e-4
        weight = np.sum(shape**2, axis=1, keepdims=True)
        amplitude = np.sum(values * shape, axis=1, keepdims=True) / weight
        slope = slope - shape * (np.sum(slope * shape, axis=1, keepdims=True) / weight)
        rest = values - amplitude * shape
        shift = -np.sum((rest * np.conj(amplitude)).real * slope, axis=1)
        energy = np.abs(amplitude[:, 0]) ** 2 * np.sum(slope**2, axis=1)
        places = frequencies * self.frames
        bottom = float(np.sum(energy * places**2))
        return float(np.sum(shift * places)) / bottom if bottom > 0.0 else 0.0


def _noise_over_rest(response: Callable[[FloatArray], FloatArray]) -> float:
    """Return the variance of a fitted amplitude over the energy that white noise leaves around it."""
    near = np.arange(-REACH_BINS, REACH_BINS + 1, dtype=np.float64)
    wide = np.arange(-60.0, 61.0)
    # Bins of windowed noise go together as the window's transform does with itself.
    table = response(np.subtract.outer(near, wide))
    covariance = table @ table.T
    shape = response(near)
    weight = shape / np.sum(shape**2)
    left = float(np.trace(covariance)) - float(shape @ covariance @ shape) / float(np.sum(shape**2))
    return float(weight @ covariance @ weight) / left


def _flat_window(frames: int) -> FloatArray:
    """Return the window whose transform is :func:`_flat_response`: a rectangle smoothed by a raised cosine."""
    window = np.ones(frames)
    count = min(frames // 2, int(np.ceil(TAPER * frames)))
    edge = np.minimum((np.arange(count) + 0.5) / (TAPER * frames), 1.0)
    window[:count] = edge - np.sin(2.0 * np.pi * edge) / (2.0 * np.pi)
    window[frames - count :] = window[:count][::-1]
    return window


def _flat_response(bins: FloatArray) -> FloatArray:
    turn = TAPER * bins
    near = np.abs(np.abs(turn) - 1.0) < 1e-6
    taper = np.where(near, 0.5, np.sinc(turn) / np.where(near, 1.0, 1.0 - turn**2))
    return np.asarray((1.0 - TAPER) * np.sinc((1.0 - TAPER) * bins) * taper)


def _close_response(bins: FloatArray) -> FloatArray:
    """Return the sum of the window's sincs, sin(πx)/(πx) at x less each order: they share one sine but for its sign."""
    whole = np.rint(bins)
    part = bins - whole
    part[np.abs(part) < 1e-12] = 1e-12  # the sinc of 0 is 1, and so is that of this
    total = BLACKMAN_HARRIS[0] / (whole + part)
    for order, coefficient in enumerate(BLACKMAN_HARRIS[1:], start=1):
        both = 1.0 / ((whole - order) + part) + 1.0 / ((whole + order) + part)
        total += (0.5 * abs(coefficient) * (-1.0) ** order) * both
    total *= np.sin(np.pi * part) * ((1.0 / np.pi) - (2.0 / np.pi) * (whole % 2.0))
    return np.asarray(total)


def fitted_scale(reader: LineReader, frequencies: FloatArray) -> float:
    """Return the scale at which lines are in a record: coarsely by the low ones, then closely by all.

    Parameters
    ----------
    reader : LineReader
    frequencies : float64 array, shape (lines,)
        Nominal, ascending; true within 1500 ppm.
    """
    places = frequencies * reader.frames
    # Low lines move by less than the distance to the next; enough of them to tell noise from lines.
    low = frequencies[: max(12, int(np.searchsorted(places, 1.0 / SEARCH * 2.0)))]
    step = 0.5 / (float(low[-1]) * reader.frames)
    scales = 1.0 + np.arange(-SEARCH, SEARCH + step, step)
    power = [float(np.sum(np.abs(reader.read(low * scale)) ** 2)) for scale in scales]
    scale = float(scales[int(np.argmax(power))])
    for count in (len(low), max(len(low), len(frequencies) // 5), len(frequencies)):
        for _ in range(3):
            scale *= 1.0 + reader.scale_error(frequencies[:count] * scale)
    return scale
