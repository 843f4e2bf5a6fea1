"""Frequency and impulse responses: levels between lines, corners, the stop band, and what comes before the peak.

============================ ============================================================================
:class:`Response`            levels over frequency with their uncertainties
:func:`level_at`             the level at any frequency between two lines
:func:`falls_to`             where a response first falls to a level, going up or down
:func:`stop_band`            where the stop band begins and how deep it is
:func:`without_coupling`     a response freed of the slow part that a coupling capacitor adds
:class:`Impulse`             an impulse response, its peak at time zero
:func:`impulse_of`           from the lines of a signal with odd multiples only
============================ ============================================================================
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import BoolArray, ComplexArray, FloatArray, IntArray

#: A lobe of the stop band rises at least so far out of the notch ahead of it, dB.
MIN_LOBE_DB = 1.0
#: A level that is no surer than that is no more than noise may make: it takes 10 times the noise's power to be surer.
HIDDEN_DB = 2.0
#: The same of a point that stands for itself: it takes 15 times the noise's power, which among 10,000 points of noise
#: alone one has once in 300 trials.
LONE_DB = 1.65
#: Energy ahead of the main lobe is there from so many standard deviations on.
RINGING_DEVIATIONS = 4.0
#: What the main lobe's beginning, which lies between two points, leaves uncertain in it, dB.
LOBE_EDGE_DB = 3e-6
#: What is there ahead of the impulse response counts as its noise where it is so much more than the lines tell.
AHEAD_SHARE = 1.15
#: An onset is looked for so many times more closely than points lie; no more closely than this part of their distance.
FINE, MIN_STEP = 8, 0.005


@dataclass(frozen=True)
class Response:
    """Levels over frequency.

    Attributes
    ----------
    frequencies_hz : float64 array, shape (lines,)
        Ascending.
    level_db, uncertainty_db : float64 arrays, shape (lines,)
        The uncertainty of one line has nothing to do with that of another.
    common_db : float
        What all of them share: the uncertainty of the level that they are relative to.
    """

    frequencies_hz: FloatArray
    level_db: FloatArray
    uncertainty_db: FloatArray
    common_db: float = 0.0

    @property
    def spread_db(self) -> FloatArray:
        """Each line's whole standard uncertainty."""
        return np.hypot(self.uncertainty_db, self.common_db)

    def between(self, low_hz: float, high_hz: float) -> Response:
        """Return the lines from ``low_hz`` to ``high_hz``, inclusive."""
        return self._part((self.frequencies_hz >= low_hz) & (self.frequencies_hz <= high_hz))

    def first(self, count: int) -> Response:
        """Return the lowest lines, ``count`` of them."""
        return self._part(slice(count))

    def less(self, level: Level) -> Response:
        """Return the levels re another one, whose uncertainty they then share."""
        levels = self.level_db - level.value
        return Response(self.frequencies_hz, levels, self.uncertainty_db, level.uncertainty)

    def _part(self, which: BoolArray | slice) -> Response:
        return Response(
            self.frequencies_hz[which], self.level_db[which], self.uncertainty_db[which], self.common_db
        )


class Level(NamedTuple):
    """A level and its standard uncertainty, dB."""

    value: float
    uncertainty: float


class Corner(NamedTuple):
    """A frequency and its standard uncertainty, Hz."""

    frequency_hz: float
    uncertainty_hz: float


class StopBand(NamedTuple):
    """A stop band: from where, and the least attenuation in it.

    ``resolved`` is False where noise is as strong as what the filter lets through: the attenuation is at least that.
    """

    start: Corner
    attenuation: Level
    resolved: bool


def line_levels(gains: ComplexArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return levels and standard uncertainties in dB of lines in noise.

    A line that is not resolved reads as its uncertainty, the level below which nothing can be told.

    Parameters
    ----------
    gains : complex128 array, shape (lines,)
    noise : float64 array, shape (lines,)
        Mean square modulus of what the noise adds to each.
    """
    power = np.abs(gains) ** 2 - noise
    spread = np.sqrt(noise**2 + 2.0 * np.maximum(power, 0.0) * noise)
    power = np.maximum(np.maximum(power, spread), 1e-300)
    return 10.0 * np.log10(power), 10.0 / np.log(10.0) * spread / power


def running_mean(values: FloatArray, reach: int) -> FloatArray:
    """Return the mean of each value and ``reach`` to either side, fewer at the ends."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    places = np.arange(len(values))
    first, last = np.maximum(places - reach, 0), np.minimum(places + reach + 1, len(values))
    return np.asarray((sums[last] - sums[first]) / (last - first))


def running_level(values: FloatArray, reach: int) -> FloatArray:
    """Return the mean power around each of many noise powers, from medians, so that single strong lines do not count.

    Powers of noise are distributed exponentially: their median is ln 2 of their mean.
    """
    padded = np.pad(values, reach, mode="reflect")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(np.median(around, axis=1) / np.log(2.0))


def is_resolved(uncertainty_db: FloatArray, index: int) -> bool:
    """Return whether a line stands above the noise, and those beside it do: among many lines noise lifts some."""
    return bool(np.all(uncertainty_db[max(0, index - 1) : index + 2] <= HIDDEN_DB))


def _nearest(frequencies: FloatArray, frequency: float, count: int) -> slice:
    first = int(np.searchsorted(frequencies, frequency)) - count // 2
    first = max(0, min(first, len(frequencies) - count))
    return slice(first, first + count)


def _weights(places: FloatArray, place: float) -> FloatArray:
    """Return Lagrange's weights of some points for the value at a place."""
    steps = np.subtract.outer(places, places) + np.eye(len(places))
    from_place = place - places
    others = np.where(np.eye(len(places), dtype=bool), 1.0, from_place[None, :])
    return np.asarray(np.prod(others, axis=1) / np.prod(steps, axis=1))


def level_at(response: Response, frequency_hz: float) -> Level | None:
    """Return the level at a frequency by a polynomial through the six nearest lines; None outside the lines.

    What the polynomial itself is off by adds to the uncertainty. One through four points differs from it by several
    times that: each two points more shrink the error by a factor, at least by the root of that from two points to four.
    With but one line on a side there is no such order, and the whole difference counts.
    """
    frequencies = response.frequencies_hz
    if len(frequencies) < 6 or not frequencies[0] <= frequency_hz <= frequencies[-1]:
        return None
    wide = _nearest(frequencies, frequency_hz, 6)
    place, places = float(np.log(frequency_hz)), np.log(frequencies[wide])
    weights = _weights(places, place)
    levels, spreads = response.level_db[wide], response.uncertainty_db[wide]
    value, noise = float(weights @ levels), float(np.sum((weights * spreads) ** 2))
    fewer = [np.zeros(6), np.zeros(6)]
    for count, less in zip((4, 2), fewer, strict=True):
        near = _nearest(frequencies, frequency_hz, count)
        inner = slice(near.start - wide.start, near.stop - wide.start)
        less[inner] = _weights(places[inner], place)
    change = weights - fewer[0]
    last, before = float(change @ levels), float((fewer[0] - fewer[1]) @ levels)
    last_square = max(last**2 - float(np.sum((change * spreads) ** 2)), 0.0)
    first, end = frequencies[wide][1], frequencies[wide][-2]
    shrinks = min(1.0, np.sqrt(last_square) / max(abs(before), 1e-300)) if first < frequency_hz < end else 1.0
    bend = last_square * shrinks
    return Level(value, float(np.sqrt(noise + bend + response.common_db**2)))


def _levels_between(response: Response, frequency_hz: float) -> Callable[[float], float]:
    """Return the polynomial of :func:`level_at` that holds between the two lines around a frequency, in Newton's form.

    A search for a level costs little with it.
    """
    near = _nearest(response.frequencies_hz, frequency_hz, 6)
    places, differences = np.log(response.frequencies_hz[near]), response.level_db[near].copy()
    for order in range(1, len(places)):
        steps = places[order:] - places[:-order]
        differences[order:] = (differences[order:] - differences[order - 1 : -1]) / steps
    pairs = list(zip(places.tolist(), differences.tolist(), strict=True))[::-1]

    def level(frequency_hz: float) -> float:
        place, total = math.log(frequency_hz), 0.0
        for at, difference in pairs:
            total = difference + (place - at) * total
        return total

    return level


def falls_to(response: Response, level_db: float, from_hz: float, *, upwards: bool = True) -> Corner | None:
    """Return the first frequency at which a response has fallen to a level, going up or down from ``from_hz``.

    None where it does not fall that far among its lines.
    """
    part = response.between(from_hz, np.inf) if upwards else response.between(0.0, from_hz)
    below = np.flatnonzero(part.level_db <= level_db)
    if not len(below) or len(part.level_db) < 2:
        return None
    low = int(below[0]) - 1 if upwards else int(below[-1])
    if low < 0 or low + 1 >= len(part.level_db):
        return None
    first, last = (float(edge) for edge in part.frequencies_hz[low : low + 2])
    if len(response.frequencies_hz) < 6:
        return Corner(first, last - first)
    level_between = _levels_between(response, math.sqrt(first * last))
    for _ in range(40):
        middle = math.sqrt(first * last)
        if (level_between(middle) <= level_db) == upwards:
            last = middle
        else:
            first = middle
    at, beside = level_at(response, first), level_at(response, first * (1.0 - 1e-5))
    if at is None or beside is None:
        return Corner(first, float(np.diff(part.frequencies_hz[low : low + 2])[0]))
    slope = abs(at.value - beside.value) / (1e-5 * first)
    return Corner(first, at.uncertainty / max(slope, 1e-12))


def stop_band(
    response: Response,
    from_hz: float,
    otherwise_hz: float | None = None,
    *,
    open_db: FloatArray | None = None,
) -> StopBand | None:
    """Return where a response's stop band begins, and its least attenuation.

    Going up from ``from_hz`` (a frequency in the transition band) the response falls to its first notch, out of which a
    lobe rises by at least 1 dB and four times its uncertainty. The attenuation is that of the highest level from this
    notch to the last line; the stop band begins at the lowest frequency from which on no level is higher than that.
    Where the response falls into the noise before there is a notch, the highest level from there on counts.
    Where it has neither notch nor noise, as behind an analogue low pass, the stop band begins at ``otherwise_hz``. None
    where that is not given, or lies beyond the lines.

    The points must lie closely enough to show every lobe: those of :func:`linecheck.dsp.responses.between_lines`, where
    lines do not. ``open_db`` is then what each of them leaves open, which makes no lobe and is part of what the
    attenuation is uncertain by.
    """
    part = response.between(from_hz, np.inf)
    left_open = (
        np.zeros(len(part.level_db)) if open_db is None else open_db[len(open_db) - len(part.level_db) :]
    )
    level, spread = part.level_db, part.uncertainty_db
    if len(level) < 2:
        return None
    lowest = np.minimum.accumulate(level)
    notch = np.flatnonzero(level > lowest + np.maximum(MIN_LOBE_DB, 4.0 * np.hypot(spread, left_open)))
    hidden = np.flatnonzero(spread > HIDDEN_DB)
    if len(notch):
        start = int(np.argmin(level[: int(notch[0]) + 1]))
    elif len(hidden):
        start = int(hidden[0])
    elif otherwise_hz is not None and otherwise_hz <= part.frequencies_hz[-1]:
        start = int(np.searchsorted(part.frequencies_hz, otherwise_hz))
    else:
        return None
    highest = start + int(np.argmax(level[start:]))
    # Between lines there are notches right beside a lobe: a point stands for itself there, further above the noise.
    resolved = is_resolved(spread, highest) if open_db is None else bool(spread[highest] <= LONE_DB)
    top = _lobe_top(level, highest) if resolved else float(level[highest])
    # Without notch or noise the band begins where it is said to: up to there the response may be as low by itself.
    begins = falls_to(response, top, from_hz) if len(notch) or len(hidden) else None
    if begins is None:
        begins = Corner(float(part.frequencies_hz[start]), 0.0)
    attenuation = Level(-top, float(np.hypot(spread[highest], left_open[highest])))
    return StopBand(begins, attenuation, resolved)


def _lobe_top(level_db: FloatArray, highest: int) -> float:
    """Return a lobe's top between its lines, by a parabola through the amplitudes of the highest three."""
    if not 0 < highest < len(level_db) - 1:
        return float(level_db[highest])
    below, above = (
        float(10.0 ** ((level_db[highest + side] - level_db[highest]) / 20.0)) for side in (-1, 1)
    )
    bend = 2.0 - below - above
    rise = (above - below) ** 2 / (8.0 * bend) if bend > 0.0 else 0.0
    return float(level_db[highest] + 20.0 * np.log10(1.0 + rise))


def without_coupling(frequencies_hz: FloatArray, gains: ComplexArray) -> ComplexArray:
    """Return a response without the high pass of the first order that a coupling capacitor makes.

    Its tail lasts for many times the impulse response that is looked at. Well above its corner f0 its phase is f0/f;
    that of everything else is odd and smooth, so both are told apart by a fit of f, f³ and 1/f from 100 Hz to 2 kHz.
    Where 1/f does not explain nine tenths of what the others leave, there is no such high pass.

    Parameters
    ----------
    frequencies_hz : float64 array, shape (lines,)
    gains : complex128 array, shape (lines,)
        Free of any delay greater than a period of 1 kHz.
    """
    low = (frequencies_hz >= 100.0) & (frequencies_hz <= 2000.0)
    if np.sum(low) < 8:
        return gains
    place = frequencies_hz[low] / 1000.0
    phase = np.unwrap(np.angle(gains[low]))
    turns = np.rint(np.median(phase) / np.pi) * np.pi
    columns = np.stack((place, place**3, 1.0 / place), axis=1)
    fitted, rest, _, _ = np.linalg.lstsq(columns, phase - turns, rcond=None)
    smooth = np.linalg.lstsq(columns[:, :2], phase - turns, rcond=None)[1]
    if not len(rest) or float(rest[0]) > 0.1 * float(smooth[0]):
        return gains
    return np.asarray(gains * (1.0 - 1j * 1000.0 * float(fitted[2]) / frequencies_hz))


@dataclass(frozen=True)
class Impulse:
    """An impulse response re its peak, which is at time zero and positive.

    Attributes
    ----------
    seconds, values : float64 arrays, shape (points,)
        From a quarter of the signal's period before the peak to a quarter after it.
    noise : float
        Standard deviation of what noise adds to each value; the first eighth is taken to hold nothing else.
    bandwidth_hz : float
        Up to which it goes.
    """

    seconds: FloatArray
    values: FloatArray
    noise: float
    bandwidth_hz: float

    def _energy(self, last: int) -> tuple[float, float]:
        """Return the energy (per point) up to a point, noise taken off, and its standard uncertainty."""
        part = self.values[:last]
        energy = max(float(np.sum(part**2)) - len(part) * self.noise**2, 0.0)
        return energy, self._spread(energy, len(part))

    def _spread(self, energy: float, count: int) -> float:
        """Return what noise makes uncertain in the energy of so many points."""
        # Points stand closer than independent ones do.
        dense = 1.0 / (2.0 * self.bandwidth_hz * (self.seconds[1] - self.seconds[0]))
        # The noise itself is known from as much as twice the record's half that is here.
        alone = 2.0 * count * self.noise**2 * (1.0 + count / len(self.values))
        return float(np.sqrt(dense * self.noise**2 * (4.0 * energy + alone)))

    @property
    def peak(self) -> int:
        """Index of the peak."""
        return int(np.argmin(np.abs(self.seconds)))

    def before_main_lobe_db(self) -> tuple[Level, bool]:
        """Return the energy before the main lobe re all of it; the lobe begins at the last change of sign.

        And whether that is only a bound, because noise hides how much less it is.
        """
        peak = self.peak
        negative = np.flatnonzero(self.values[:peak] <= 0.0)
        energy, spread = self._energy(int(negative[-1]) + 1 if len(negative) else 0)
        energy += self._beside_zero(int(negative[-1])) if len(negative) else 0.0
        whole, _ = self._energy(len(self.values))
        hidden = energy < RINGING_DEVIATIONS * spread
        value = max(energy + 2.0 * spread if hidden else energy, 1e-30 * whole)
        uncertainty = np.hypot(10.0 / np.log(10.0) * spread / value, LOBE_EDGE_DB)
        return Level(float(10.0 * np.log10(value / whole)), float(uncertainty)), hidden

    def _beside_zero(self, last: int) -> float:
        """Return what the sum of squares up to a point lacks of the integral to the zero right after that point.

        Euler and Maclaurin's terms for a square that is zero at a part of a step.
        """
        slope = float(self.values[last + 1] - self.values[last])
        part = -float(self.values[last]) / slope
        return slope**2 * (part**3 / 3.0 - part**2 / 2.0 + part / 6.0)

    def onset_seconds(self, share: float) -> tuple[float, float] | None:
        """Return how long before the peak the energy has come to a share of the whole, and the uncertainty.

        None where the noise ahead of the peak has more energy than that.
        """
        peak = self.peak
        wanted = share * self._energy(len(self.values))[0]
        squares = self.values[: peak + 2] ** 2 - self.noise**2
        # Up to each point, by the trapezoidal rule and its first correction (Euler and Maclaurin).
        sums = np.cumsum(squares) - 0.5 * squares - np.gradient(squares) / 12.0
        at = int(np.argmax(sums >= wanted))
        spread = self._spread(wanted, at)
        if peak * self.noise**2 > wanted or spread > 0.1 * wanted:
            return None
        first = max(0, int(np.argmax(sums >= wanted - 2.0 * spread)) - 2)
        last = max(at, int(np.argmax(sums >= wanted + 2.0 * spread))) + 2
        times, energy = _finely(self.seconds[first:last], sums[first:last], squares[first:last])
        early, found, late = np.interp((wanted - spread, wanted, wanted + spread), energy, times)
        step = self.seconds[1] - self.seconds[0]
        return float(-found), float(np.hypot(max(late - found, found - early), MIN_STEP * step))


def _finely(seconds: FloatArray, sums: FloatArray, squares: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return an energy that rises, with its slope at each point, between the points too; made to fall nowhere.

    Where noise makes it fall, it is midway between what it has reached before and what it never falls below after.
    """
    from scipy.interpolate import CubicHermiteSpline

    times = np.linspace(seconds[0], seconds[-1], FINE * (len(seconds) - 1) + 1)
    smooth = CubicHermiteSpline(seconds, sums, squares / (seconds[1] - seconds[0]))
    energy = smooth(times)
    after = np.minimum.accumulate(energy[::-1])[::-1]
    return times, 0.5 * (np.maximum.accumulate(energy) + after)


def impulse_of(orders: IntArray, gains: ComplexArray, fundamental_hz: float, noise: FloatArray) -> Impulse:
    """Return the impulse response of a unit from its gains at odd multiples of a fundamental.

    Parameters
    ----------
    orders : int64 array, shape (lines,)
        All odd ones from 1 on.
    gains : complex128 array, shape (lines,)
        With any common delay and either polarity.
    fundamental_hz : float
    noise : float64 array, shape (lines,)
        Mean square modulus of what the noise adds to each.
    """
    from scipy.fft import irfft, next_fast_len

    # So closely that its square, too, is smooth between points.
    points = 16 * next_fast_len(int(orders[-1]), real=True)
    spectrum = np.zeros(points // 2 + 1, dtype=np.complex128)
    spectrum[orders] = gains
    coarse = irfft(spectrum, points)
    place = _peak_place(orders, gains, int(np.argmax(np.abs(coarse))) / points)
    turned = gains * np.exp(2j * np.pi * np.mod(orders * place, 1.0))
    if np.sum(turned.real) < 0.0:
        turned = -turned
    cleared = without_coupling(np.asarray(orders * fundamental_hz), turned)
    height = 2.0 * float(np.sum(cleared.real))
    spectrum[orders] = cleared * (points / height)
    values = np.roll(irfft(spectrum, points), points // 4)[: points // 2]
    seconds = (np.arange(points // 2) - points // 4) / (points * fundamental_hz)
    deviation = float(np.sqrt(2.0 * np.sum(noise))) / height
    # What is there long before anything can be is noise too, or distortion, whatever the lines say.
    ahead = float(np.std(values[: points // 16]))
    deviation = ahead if ahead > AHEAD_SHARE * deviation else deviation
    # Where the noise fades out, it has fewer independent values: those of an even density.
    width = 2.0 * float(np.sum(noise)) ** 2 / max(float(np.sum(noise**2)), 1e-300)
    bandwidth = width if width > 0.0 else float(orders[-1])
    return Impulse(seconds, values, deviation, bandwidth * fundamental_hz)


def _peak_place(orders: IntArray, gains: ComplexArray, place: float) -> float:
    """Return where the sum of lines has its extreme, in periods, by Newton's steps from close by."""
    reach = 0.25 / float(orders[-1])
    start = place
    for _ in range(6):
        turned = gains * np.exp(2j * np.pi * np.mod(orders * place, 1.0))
        slope = -float(np.sum(orders * turned.imag)) * 2.0 * np.pi
        bend = -float(np.sum(orders.astype(np.float64) ** 2 * turned.real)) * (2.0 * np.pi) ** 2
        if bend == 0.0:
            break
        place = float(np.clip(place - slope / bend, start - reach, start + reach))
    return place
