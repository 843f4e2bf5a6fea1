"""Taking a recording apart: the tone, its harmonics, hum, other lines, and the noise that remains.

What is deterministic is fitted and subtracted, then the rest is estimated with few tapers: so the noise figure comes
near the statistical limit, and a line's level does not depend on any bandwidth.

Powers are mean squares re full scale 1.0 (a full-scale sine has 0.5).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linecheck.dsp.arrays import BoolArray, FloatArray
from linecheck.dsp.fits.tones import (
    ToneFit,
    fit_scaled_tones,
    fit_tones,
    fit_tones_and_lines,
    project,
    synthesise,
)
from linecheck.dsp.fits.trend import slow_trend
from linecheck.dsp.spectra.spectra import (
    Density,
    band_power,
    density,
    density_near,
    find_lines,
    usable_frames,
)

#: Mains products M = 1 … 5 (AES17-2015, 6.5.1).
HUM_ORDERS = 5
#: The grid wanders, and the two clocks differ: each mains frequency is searched within ±0.6 %.
MAINS_SPREAD = 0.006
#: A rest below this share of the record is what rounding leaves.
ROUNDING = 1e-11
#: Degree of the polynomial that the fundamental's level and phase may follow over a record.
DRIFT_DEGREE = 4
#: Up to so many products, sums at many frequencies are worked out one by one.
DIRECT_PRODUCTS = 3e7
#: Means over this share of the highest product's period lose 3 % of its power.
HUM_BLOCK = 0.1
FRAMES_AT_ONCE = 1 << 14
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
    nominal_hz : float
        What the fundamental's frequency should be; 0 where there is none.
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
    nominal_hz: float
    without_tone: FloatArray
    low_part: FloatArray

    def harmonic(self, order: int) -> Line | None:
        """Return the harmonic of an order; None where the record does not reach it."""
        return next((line for line in self.lines if line.order == order), None)

    def lines_between(self, low_hz: float, high_hz: float) -> tuple[Line, ...]:
        """Return the lines in a band, edges inclusive.

        A harmonic is in or out by its nominal frequency: no clock's error moves one that lies on an edge.
        """
        return tuple(
            line
            for line in self.lines
            if low_hz <= (line.order * self.nominal_hz if line.order else line.frequency_hz) <= high_hz
        )

    def noise_power(self, low_hz: float, high_hz: float, weight: FloatArray | None = None) -> Power:
        """Return the power of what remains in a band, with the share that fitting took out put back.

        A fitted tone takes two of the band's 2·B·T degrees of freedom with it.
        """
        value, uncertainty = band_power(self.noise, low_hz, high_hz, weight)
        fitted = len(self.lines_between(low_hz, high_hz))
        if self.tone is not None and low_hz <= self.tone.frequency_hz <= high_hz:
            fitted += 1 + DRIFT_DEGREE
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


def line_power(amplitude: complex, share: float) -> Power:
    """Return a line's power, the noise's share S/T taken off, and its standard uncertainty."""
    value = 0.5 * abs(amplitude) ** 2 - share
    return Power(value, float(np.sqrt(2.0 * max(value, 0.0) * share + share**2)))


def _orders(frequencies: FloatArray, fundamental: float, tolerance: float) -> list[int]:
    """Return which harmonic each frequency is, 0 for none."""
    if fundamental <= 0.0:
        return [0] * len(frequencies)
    nearest = np.rint(frequencies / fundamental)
    near = (np.abs(frequencies - nearest * fundamental) < tolerance) & (nearest >= 2)
    return [int(order) if hit else 0 for order, hit in zip(nearest, near, strict=True)]


def dissect(
    values: FloatArray,
    rate_hz: float,
    tone_hz: float | None,
    lowest_hz: float = 20.0,
    nominal_hz: float | None = None,
) -> Dissection:
    """Take a recording apart.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    tone_hz : float or None
        Frequency of the fundamental to about a third of a cycle over the record; None where there is no tone.
    lowest_hz : float
        What lies well below this is of no interest and taken out as a trend.
    nominal_hz : float, optional
        What the fundamental's frequency should be; ``tone_hz`` if left out.
    """
    record = values[len(values) - usable_frames(len(values)) :]
    frames = len(record)
    cutoff = 0.7 * min(lowest_hz, tone_hz or lowest_hz) / rate_hz - 1.0 / frames
    orders = _fitted_orders(tone_hz / rate_hz) if tone_hz is not None else np.zeros(0)
    frequencies = orders * (tone_hz or 0.0) / rate_hz
    lowest = max(3.0 / frames, 0.75 * cutoff)
    tones, others, rest = fit_tones_and_lines(record, frequencies, np.zeros(0))
    # Strong lines and trends bias the harmonics, and what that leaves looks like lines beside them: so first the lines
    # far from any harmonic, then the trend (lines would leak into it), then whatever else is there.
    lines = _new_lines(record, rest, lowest, others.frequencies, tones.frequencies, least=8.0)
    if len(lines):
        tones, others, rest = fit_tones_and_lines(record, tones.frequencies, lines, iterations=4)
    level, drift = record, np.zeros(frames)
    for _ in range(2):
        # Each leaks into the other's estimate a little: twice is enough.
        trend = slow_trend(rest, cutoff)
        creep = _drift(rest - trend, tones.frequencies)
        level, rest, drift = level - trend - creep, rest - trend - creep, drift + creep
        if not _matters(trend + creep, rest):
            break
        tones, others, rest = fit_tones_and_lines(level, tones.frequencies, others.frequencies, iterations=4)
    for _ in range(3):
        lines = _new_lines(record, rest, lowest, others.frequencies, tones.frequencies)
        if np.array_equal(lines, others.frequencies):
            break
        tones, others, rest = fit_tones_and_lines(level, tones.frequencies, lines, iterations=4)
    parts = _assemble(record - drift, rate_hz, tones, others, rest, max(cutoff, 0.0))
    return replace(parts, nominal_hz=nominal_hz or tone_hz or 0.0)


def _fitted_orders(frequency: float) -> FloatArray:
    """Return the orders below half the rate that are fitted together with a fundamental (cycles per frame)."""
    highest = min(FITTED_HARMONICS, int(0.4999 / frequency))
    return np.arange(1, max(highest, 1) + 1, dtype=np.float64)


def _drift(rest: FloatArray, tones: FloatArray) -> FloatArray:
    """Return what slow changes of the fundamental's level and phase leave of it in a rest.

    A level that creeps or a clock that warms up is no noise: the fundamental's complex amplitude may follow a Legendre
    polynomial of fourth degree over the record, which reaches about two cycles over the record from it.
    """
    frames = len(rest)
    left = np.zeros(frames)
    if not len(tones):
        return left
    cosine = synthesise(frames, tones[:1], np.ones(1, dtype=np.complex128))
    sine = synthesise(frames, tones[:1], np.full(1, -1j))
    energy, in_phase, across = np.zeros((3, DRIFT_DEGREE))
    time = np.linspace(-1.0, 1.0, frames)
    # In parts that stay in the processor's cache.
    parts = [slice(first, first + FRAMES_AT_ONCE) for first in range(0, frames, FRAMES_AT_ONCE)]
    for part in parts:
        aligned, turned = rest[part] * cosine[part], rest[part] * sine[part]
        for index, shape in enumerate(_legendre(time[part])):
            energy[index] += 0.5 * float(shape @ shape)
            in_phase[index] += float(shape @ aligned)
            across[index] += float(shape @ turned)
    for part in parts:
        gain, turn = np.zeros((2, len(time[part])))
        for index, shape in enumerate(_legendre(time[part])):
            gain += shape * (in_phase[index] / energy[index])
            turn += shape * (across[index] / energy[index])
        left[part] = gain * cosine[part] + turn * sine[part]
    return left


def _legendre(time: FloatArray) -> Iterator[FloatArray]:
    """Yield the Legendre polynomials of first to fourth degree."""
    below, here = np.ones(len(time)), time
    for degree in range(1, DRIFT_DEGREE + 1):
        yield here
        below, here = here, ((2 * degree + 1) * time * here - degree * below) / (degree + 1)


def _matters(trend: FloatArray, rest: FloatArray) -> bool:
    """Return whether a trend is more than the noise's share in its few degrees of freedom could be."""
    return float(np.mean(trend**2)) > 1e-3 * float(np.mean(rest**2))


def _new_lines(
    record: FloatArray,
    rest: FloatArray,
    lowest: float,
    lines: FloatArray,
    tones: FloatArray,
    *,
    least: float = 1.5,
) -> FloatArray:
    """Add the lines that stand out of a rest to those that there are, at most 60 in all (cycles per frame).

    A line stays one and a half cycles over the record away from every other, and ``least`` from every tone: closer ones
    cannot be told apart, and their powers would not add. What is left at the level of rounding has no lines.
    """
    frames = len(rest)
    if float(np.std(rest)) < ROUNDING * float(np.std(record)):
        return lines
    kept: list[float] = []
    for line in (*lines, *find_lines(rest, 1.0, lowest, 0.4999)):
        alone = float(np.min(np.abs(np.array(kept) - line), initial=1.0)) * frames >= 1.5
        if alone and float(np.min(np.abs(tones - line), initial=1.0)) * frames >= least:
            kept.append(float(line))
    return np.array(kept[:60])


def _assemble(
    record: FloatArray, rate_hz: float, tones: ToneFit, others: ToneFit, rest: FloatArray, cutoff: float
) -> Dissection:
    """Turn the fits into lines with uncertainties."""
    frames = len(record)
    seconds = frames / rate_hz
    noise = density(rest, rate_hz)

    def line(frequency: float, amplitude: complex, order: int) -> Line:
        near = density_near(noise, frequency * rate_hz)
        return Line(frequency * rate_hz, line_power(amplitude, near / seconds), order)

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
    low = density_near(noise, 2.0 * cutoff * rate_hz)
    tone, amplitude, amplitude_u, frequency_u, without = None, 0.0, 0.0, 0.0, record - tones.constant
    if len(tones.frequencies):
        tone = line(fundamental, tones.amplitudes[0], 1)
        near = density_near(noise, tone.frequency_hz)
        amplitude = abs(tones.amplitudes[0])
        # Cramér–Rao bounds of one tone in noise of density S: var A = S/T, var f = 3 S / (π² A² T³).
        amplitude_u = float(np.sqrt(near / seconds))
        frequency_u = float(np.sqrt(3.0 * near / seconds**3) / (np.pi * amplitude)) if amplitude else 0.0
        without = record - synthesise(frames, tones.frequencies[:1], tones.amplitudes[:1], tones.constant)
    hum = _near_hum(others.frequencies * rate_hz, seconds) & (np.array(orders, dtype=int) == 0)
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
        nominal_hz=0.0,
        without_tone=without,
        low_part=low_part,
    )


def _near_hum(frequencies_hz: FloatArray, seconds: float) -> BoolArray:
    """Return which lines lie where a mains product of 50 or 60 Hz may."""
    near = np.zeros(len(frequencies_hz), dtype=bool)
    for mains in (50.0, 60.0):
        order = np.clip(np.rint(frequencies_hz / mains), 1, HUM_ORDERS)
        near |= np.abs(frequencies_hz - order * mains) < MAINS_SPREAD * order * mains + 1.0 / seconds
    return near


def _hidden_orders(mains_hz: float, tone_hz: float, seconds: float) -> BoolArray:
    """Return which mains products (nominal) the tone or one of its harmonics hides; 0 Hz is no tone."""
    products = mains_hz * np.arange(1, HUM_ORDERS + 1)
    if not tone_hz:
        return np.zeros(HUM_ORDERS, dtype=bool)
    nearest = np.maximum(1.0, np.rint(products / tone_hz)) * tone_hz
    return np.asarray(np.abs(products - nearest) <= 3.0 / seconds + MAINS_SPREAD * products)


def is_hum_hidden(tone_hz: float, seconds: float, mains_hz: float) -> bool:
    """Return whether a tone (nominal) or its harmonics hide every mains product in a record of ``seconds``."""
    return bool(np.all(_hidden_orders(mains_hz, tone_hz, seconds)))


def _powers_at(values: FloatArray, frequencies: FloatArray) -> FloatArray:
    """Return squared moduli of Fourier sums at many low frequencies (cycles per frame); of long records, roughly.

    A grid as fine as the record is long costs the square of its length; one transform, padded so that its bins are no
    coarser than the grid, does not.
    """
    from scipy.fft import next_fast_len, rfft

    if len(values) * len(frequencies) < DIRECT_PRODUCTS:
        sums = project(values, frequencies)
        return np.asarray(sums.real**2 + sums.imag**2)
    block = max(1, int(HUM_BLOCK / float(np.max(frequencies))))
    count = len(values) // block
    means = values[: count * block].reshape(count, block).mean(axis=1)
    length = next_fast_len(16 * count, real=True)
    transform = rfft(means, length)
    power = (transform.real**2 + transform.imag**2) * float(block) ** 2
    places = frequencies * (block * length)
    return np.asarray(np.interp(places, np.arange(len(power)), power))


def hum_lines(parts: Dissection, mains_hz: Sequence[float]) -> tuple[Line, ...]:
    """Return the mains products M = 1 … 5 of the mains frequency that explains most.

    The grid wanders, and the two clocks differ: each mains frequency is searched within ±0.6 %. Products that fall on
    the tone or a harmonic are left out; there is no line at all where a candidate would be left with none.

    Parameters
    ----------
    parts : Dissection
    mains_hz : sequence of float
        The candidates: 50, 60, or both where it is not known.
    """
    values, rate, seconds = parts.low_part, parts.rate_hz, parts.seconds
    steps = int(np.ceil(MAINS_SPREAD * max(mains_hz) * HUM_ORDERS * 4.0 * seconds))
    offsets = MAINS_SPREAD * np.linspace(-1, 1, 2 * steps + 1)
    grid = np.concatenate([mains * (1.0 + offsets) for mains in mains_hz])
    orders = np.arange(1, HUM_ORDERS + 1, dtype=np.float64)
    hidden = {mains: _hidden_orders(mains, parts.nominal_hz, parts.seconds) for mains in mains_hz}
    if any(np.all(dark) for dark in hidden.values()):
        return ()
    table = np.outer(grid, orders)
    sums = _powers_at(values, table.reshape(-1) / rate).reshape(table.shape)
    dark = np.repeat([hidden[mains] for mains in mains_hz], len(offsets), axis=0)
    row = int(np.argmax(np.sum(np.where(dark, 0.0, sums), axis=1)))
    best = table[row][~dark[row]]
    fit, _ = fit_scaled_tones(values, best / rate, iterations=3)
    if abs(fit.scale - 1.0) * float(np.max(best)) * seconds > 0.5:
        # Noise alone has no peak to settle on.
        fit = fit_tones(values, best / rate)
    return tuple(
        Line(float(frequency), line_power(amplitude, density_near(parts.noise, float(frequency)) / seconds))
        for frequency, amplitude in zip(fit.frequencies * rate, fit.amplitudes, strict=True)
    )
