"""Taking a recording apart: the tone, its harmonics, hum, other lines, and the noise that remains.

What is deterministic is fitted and subtracted, then the rest is estimated with few tapers: so the noise figure comes
near the statistical limit, and a line's level does not depend on any bandwidth.

Powers are mean squares re full scale 1.0 (a full-scale sine has 0.5).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.spectra import Density, band_power, density, density_near, find_lines, usable_frames
from linecheck.dsp.tones import ToneFit, fit_lines, fit_scaled_tones, fit_tones, project, synthesise

__all__ = ["Dissection", "Line", "Power", "dissect", "hum_lines", "total"]

FloatArray = NDArray[np.float64]

#: Mains products M = 1 … 5 (AES17-2015, 6.5.1).
HUM_ORDERS = 5
#: So many harmonics are fitted together; higher ones are found as lines.
FITTED_HARMONICS = 30


@dataclass(frozen=True)
class Power:
    """A mean square with its standard uncertainty."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Line:
    """One line: its frequency, its power with the noise's share taken off, and which harmonic it is (0 for none)."""

    frequency_hz: float
    power: Power
    order: int = 0


@dataclass(frozen=True)
class Dissection:
    """A recording taken apart.

    Attributes
    ----------
    rate_hz, seconds : float
        Sampling rate and length of the record.
    tone : Line or None
        The fundamental; None where there is none.
    amplitude, amplitude_uncertainty : float
        Its peak amplitude.
    frequency_uncertainty_hz : float
    constant, constant_uncertainty : float
    lines : tuple of Line
        All other lines, harmonics included, ascending in frequency.
    noise : Density
        What remains.
    without_tone : float64 array, shape (frames,)
        The record less the tone and the constant, everything else in it.
    low_part : float64 array, shape (frames,)
        What remains, with the lines that are no harmonics and lie where hum does: no strong line far off leaks in.
    """

    rate_hz: float
    seconds: float
    tone: Line | None
    amplitude: float
    amplitude_uncertainty: float
    frequency_uncertainty_hz: float
    constant: float
    constant_uncertainty: float
    lines: tuple[Line, ...]
    noise: Density
    without_tone: FloatArray
    low_part: FloatArray

    def harmonic(self, order: int) -> Line | None:
        """Return the harmonic of an order; None where the record does not reach it."""
        return next((line for line in self.lines if line.order == order), None)

    def lines_between(self, low_hz: float, high_hz: float) -> tuple[Line, ...]:
        """Return the lines in a band, edges inclusive."""
        return tuple(line for line in self.lines if low_hz <= line.frequency_hz <= high_hz)

    def noise_power(self, low_hz: float, high_hz: float, weight: FloatArray | None = None) -> Power:
        """Return the power of what remains in a band, with the share that fitting took out put back.

        A fitted tone takes two of the band's 2·B·T degrees of freedom with it.
        """
        value, uncertainty = band_power(self.noise, low_hz, high_hz, weight)
        fitted = len(self.lines_between(low_hz, high_hz))
        if self.tone is not None and low_hz <= self.tone.frequency_hz <= high_hz:
            fitted += 1
        free = (high_hz - low_hz) * self.seconds
        restore = free / max(free - fitted, 0.5 * free)
        return Power(value * restore, uncertainty * restore)

    def residual_power(
        self, low_hz: float, high_hz: float, weight: FloatArray | None = None, *, harmonics: bool = True
    ) -> Power:
        """Return the power of everything but the tone (and, if asked, its harmonics) in a band."""
        lines = [line for line in self.lines_between(low_hz, high_hz) if harmonics or not line.order]
        gains = [1.0] * len(lines)
        if weight is not None:
            places = [line.frequency_hz for line in lines]
            gains = list(np.interp(places, self.noise.frequencies_hz, weight))
        weighted = [
            Power(gain * line.power.value, gain * line.power.uncertainty)
            for gain, line in zip(gains, lines, strict=True)
        ]
        return total([self.noise_power(low_hz, high_hz, weight), *weighted])


def total(powers: Iterable[Power]) -> Power:
    """Return the sum of independent powers; never below zero."""
    parts = list(powers)
    value = sum(part.value for part in parts)
    return Power(max(value, 0.0), float(np.sqrt(sum(part.uncertainty**2 for part in parts))))


def _line_power(amplitude: complex, noise_density: float, seconds: float) -> Power:
    """Return a line's power, the noise's share S/T taken off, and its standard uncertainty."""
    share = noise_density / seconds
    value = 0.5 * abs(amplitude) ** 2 - share
    return Power(value, float(np.sqrt(2.0 * max(value, 0.0) * share + share**2)))


def _orders(frequencies: FloatArray, fundamental: float, tolerance: float) -> list[int]:
    """Return which harmonic each frequency is, 0 for none."""
    if fundamental <= 0.0:
        return [0] * len(frequencies)
    nearest = np.rint(frequencies / fundamental)
    near = (np.abs(frequencies - nearest * fundamental) < tolerance) & (nearest >= 2)
    return [int(order) if hit else 0 for order, hit in zip(nearest, near, strict=True)]


def _fit_tone(values: FloatArray, frequency: float) -> tuple[ToneFit, FloatArray]:
    """Fit a fundamental (cycles per frame, as found) with its harmonics below half the rate."""
    highest = min(FITTED_HARMONICS, int(0.4999 / frequency))
    orders = np.arange(1, max(highest, 1) + 1, dtype=np.float64)
    return fit_scaled_tones(values, frequency * orders)


def dissect(values: FloatArray, rate_hz: float, tone_hz: float | None) -> Dissection:
    """Take a recording apart.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    tone_hz : float or None
        Frequency of the fundamental to about a third of a cycle over the record; None where there is no tone.
    """
    record = values[len(values) - usable_frames(len(values)) :]
    frames = len(record)
    tones, rest = _without(record, rate_hz, tone_hz)
    found = find_lines(rest, rate_hz, 3.0 * rate_hz / frames, 0.4999 * rate_hz) / rate_hz
    others, rest = fit_lines(rest, found)
    if len(found) and tone_hz is not None:
        # Lines that were not known bias the tone a little: once more without them.
        lines = synthesise(frames, others.frequencies, others.amplitudes)
        tones, tones_rest = _fit_tone(record - lines, tones.frequencies[0])
        others, rest = fit_lines(tones_rest + lines, others.frequencies)
    return _assemble(record, rate_hz, tones, others, rest)


def _without(values: FloatArray, rate_hz: float, tone_hz: float | None) -> tuple[ToneFit, FloatArray]:
    """Fit and take out the tone with its harmonics, or only the constant where there is no tone."""
    if tone_hz is not None:
        return _fit_tone(values, tone_hz / rate_hz)
    fit = fit_tones(values, np.zeros(0))
    return fit, values - fit.constant


def _assemble(
    record: FloatArray, rate_hz: float, tones: ToneFit, others: ToneFit, rest: FloatArray
) -> Dissection:
    """Turn the fits into lines with uncertainties."""
    frames = len(record)
    seconds = frames / rate_hz
    noise = density(rest, rate_hz)

    def line(frequency: float, amplitude: complex, order: int) -> Line:
        near = density_near(noise, frequency * rate_hz)
        return Line(frequency * rate_hz, _line_power(amplitude, near, seconds), order)

    fundamental = float(tones.frequencies[0]) if len(tones.frequencies) else 0.0
    orders = _orders(others.frequencies, fundamental, 1.5 / frames)
    lines = [
        line(float(frequency), amplitude, index + 2)
        for index, (frequency, amplitude) in enumerate(
            zip(tones.frequencies[1:], tones.amplitudes[1:], strict=True)
        )
    ]
    known = {entry.order for entry in lines}
    lines += [
        line(float(frequency), amplitude, order if order not in known else 0)
        for frequency, amplitude, order in zip(others.frequencies, others.amplitudes, orders, strict=True)
    ]
    low = density_near(noise, 0.0)
    tone, amplitude, amplitude_u, frequency_u, without = None, 0.0, 0.0, 0.0, record - tones.constant
    if len(tones.frequencies):
        tone = line(fundamental, tones.amplitudes[0], 1)
        near = density_near(noise, tone.frequency_hz)
        amplitude = abs(tones.amplitudes[0])
        # Cramér–Rao bounds of one tone in noise of density S: var A = S/T, var f = 3 S / (π² A² T³).
        amplitude_u = float(np.sqrt(near / seconds))
        frequency_u = float(np.sqrt(3.0 * near / seconds**3) / (np.pi * amplitude)) if amplitude else 0.0
        without = record - synthesise(frames, tones.frequencies[:1], tones.amplitudes[:1], tones.constant)
    hum = (others.frequencies * rate_hz < HUM_ORDERS * 61.0) & (np.array(orders, dtype=int) == 0)
    low_part = (
        rest + synthesise(frames, others.frequencies[hum], others.amplitudes[hum]) if np.any(hum) else rest
    )
    return Dissection(
        rate_hz=rate_hz,
        seconds=seconds,
        tone=tone,
        amplitude=amplitude,
        amplitude_uncertainty=amplitude_u,
        frequency_uncertainty_hz=frequency_u,
        constant=tones.constant,
        constant_uncertainty=float(np.sqrt(0.5 * low / seconds)),
        lines=tuple(sorted(lines, key=lambda entry: entry.frequency_hz)),
        noise=noise,
        without_tone=without,
        low_part=low_part,
    )


def hum_lines(parts: Dissection, mains_hz: Sequence[float]) -> tuple[Line, ...]:
    """Return the mains products M = 1 … 5 of the mains frequency that explains most.

    The grid wanders, and the two clocks differ: each mains frequency is searched within ±0.6 %. Orders that fall on the
    tone or a harmonic are left out.

    Parameters
    ----------
    parts : Dissection
    mains_hz : sequence of float
        The candidates: 50, 60, or both where it is not known.
    """
    values, rate, seconds = parts.low_part, parts.rate_hz, parts.seconds
    steps = int(np.ceil(0.006 * max(mains_hz) * HUM_ORDERS * 4.0 * seconds))
    grid = np.concatenate([mains * (1.0 + 0.006 * np.linspace(-1, 1, 2 * steps + 1)) for mains in mains_hz])
    orders = np.arange(1, HUM_ORDERS + 1)
    table = np.outer(grid, orders)
    sums = np.abs(project(values, table.reshape(-1) / rate).reshape(table.shape)) ** 2
    best = table[int(np.argmax(np.sum(sums, axis=1)))]
    fundamental = parts.tone.frequency_hz if parts.tone is not None else 0.0
    if fundamental:
        nearest = np.maximum(1.0, np.rint(best / fundamental)) * fundamental
        best = best[np.abs(best - nearest) > 3.0 / seconds]
    fit, _ = fit_scaled_tones(values, best / rate, iterations=3)
    if abs(fit.scale - 1.0) * float(np.max(best)) * seconds > 0.5:
        # Noise alone has no peak to settle on.
        fit = fit_tones(values, best / rate)
    return tuple(
        Line(float(frequency), _line_power(amplitude, density_near(parts.noise, float(frequency)), seconds))
        for frequency, amplitude in zip(fit.frequencies * rate, fit.amplitudes, strict=True)
    )
