"""What stands beside a carrier, taken apart: jitter, amplitude modulation, added lines, and the noise around it.

The carrier's envelope ``u`` gives an amplitude ``abs(u) - 1`` and a phase ``angle(u)``. A line at an offset has a
phasor Φ in the phase and M in the amplitude; its upper and lower sideband are ``(M + iΦ) / 2`` and the conjugate of
``(M - iΦ) / 2``. So a pair that is antisymmetric in phase is jitter (M = 0), a symmetric one is amplitude modulation
(Φ = 0), and an added line stands on one side alone (M = ±iΦ). Taken from the angle, jitter of any size has no sidebands
of second order.

Levels are re the carrier: a power of 1 is a line as strong as it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.fits.tones import fit_known_tones, fit_lines, fit_tones, synthesise
from linecheck.dsp.fits.trend import slow_trend
from linecheck.dsp.spectra.demodulate import Baseband, SideDensities, side_densities
from linecheck.dsp.spectra.jitter_lines import Known
from linecheck.dsp.spectra.spectra import density_near, find_lines

Nature = Literal["jitter", "amplitude", "upper", "lower", "mixed"]

#: Lines this close, in cycles over the record, are one.
SAME_CYCLES = 1.5
MAX_LINES = 60
#: An added line above this level re the carrier is taken out before the phase is, so that it leaves no products.
STRONG = 1e-4
#: A part is there that differs from its model by this much of the line, and by this many standard deviations.
MIN_SHARE, MIN_DEVIATIONS = 0.25, 3.7
#: A line whose skirt is cut a number of bins from it errs by this part over that number: 1/(2π²) of its energy lies
#: beyond, and some of its mirror image this side (as measured, rms).
CUT_SHARE = 0.09


@dataclass(frozen=True)
class Quantity:
    """An amplitude, never negative, and its standard uncertainty."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Sideband:
    """A line beside the carrier, or a pair at one offset.

    Attributes
    ----------
    offset_hz, offset_uncertainty_hz : float
        Distance from the carrier.
    upper, lower : Quantity
        Amplitudes of the two sides re the carrier.
    phase : Quantity
        Peak deviation of the phase, rad.
    amplitude : Quantity
        Peak relative change of the amplitude.
    nature : str
        ``jitter``, ``amplitude``, ``upper`` or ``lower`` (added, on one side only), ``mixed``.
    """

    offset_hz: float
    offset_uncertainty_hz: float
    upper: Quantity
    lower: Quantity
    phase: Quantity
    amplitude: Quantity
    nature: Nature

    @property
    def stronger(self) -> Quantity:
        """The stronger side."""
        return max(self.upper, self.lower, key=lambda side: side.value)


@dataclass(frozen=True)
class Modulation:
    """A carrier's envelope taken apart.

    Attributes
    ----------
    sidebands : tuple of Sideband
        Ascending in offset.
    noise : SideDensities
        What remains, power re the carrier per hertz: either side, the amplitude (real), the phase (imaginary).
    seconds : float
    """

    sidebands: tuple[Sideband, ...]
    noise: SideDensities
    seconds: float


@dataclass(frozen=True)
class _Lines:
    """The lines of the two real signals at shared frequencies (cycles per sample), and what remains."""

    frequencies: FloatArray
    phase: ComplexArray
    amplitude: ComplexArray
    rest: ComplexArray


def take_apart(
    envelope: Baseband,
    least_hz: float,
    upper_reach_hz: float,
    lower_reach_hz: float,
    known: Known | None = None,
    beyond_hz: tuple[float, float] = (np.inf, np.inf),
) -> Modulation:
    """Take a carrier's envelope apart.

    Parameters
    ----------
    envelope : Baseband
        With what the stimulus itself contains taken out.
    least_hz : float
        Lines are looked for from here on; well below it lies drift.
    upper_reach_hz, lower_reach_hz : float
        How far each side is of interest.
    known : Known, optional
        Where lines may be the stimulus's own, and up to which amplitudes.
    beyond_hz : tuple of float
        How far beyond its reach each side is kept, upper and lower: the skirts of a line near the band's edge are cut.
    """
    values, rate = envelope.values, envelope.rate_hz
    reach = max(upper_reach_hz, lower_reach_hz)
    added: list[tuple[float, complex]] = []
    for _ in range(2):
        lines = _fitted(values, rate, least_hz, reach)
        strong = _strong_added(lines)
        if not strong or added:
            break
        # Two lines added to a carrier are no modulation of it: their products would be made here.
        added = strong
        values = values - _added(len(values), added)
    noise = side_densities(lines.rest, rate)
    whole = _with_added(lines, added)
    sidebands = _sidebands(whole, rate, noise, (upper_reach_hz, lower_reach_hz), known, beyond_hz)
    return Modulation(sidebands, noise, envelope.seconds)


def _fitted(values: ComplexArray, rate: float, least_hz: float, reach: float) -> _Lines:
    """Find the lines of phase and amplitude and fit them at frequencies that both share."""
    phase = np.angle(values)
    if np.max(np.abs(phase)) > 2.0:
        phase = np.unwrap(phase)
    signals = phase, np.abs(values) - 1.0
    found = [_search(signal, rate, least_hz, reach) for signal in signals]
    frequencies = _merged(signals, found)
    fits, rests = [], []
    for signal, (_, trend) in zip(signals, found, strict=True):
        fit, rest = fit_known_tones(signal - trend, frequencies)
        rests.append(rest)
        fits.append(fit.amplitudes)
    return _Lines(frequencies, fits[0], fits[1], rests[1] + 1j * rests[0])


def _search(signal: FloatArray, rate: float, least_hz: float, reach: float) -> tuple[FloatArray, FloatArray]:
    """Return the frequencies (cycles per sample) of a real signal's lines, and its drift."""
    frames = len(signal)
    cutoff = 0.7 * least_hz / rate - 1.0 / frames
    frequencies, trend, rest = np.zeros(0), np.zeros(frames), signal - np.mean(signal)
    for step in range(4):
        new = _apart(frequencies, find_lines(rest, rate, least_hz, reach) / rate, frames)
        if step and len(new) == len(frequencies):
            break
        fit, rest = fit_lines(signal - trend, new, iterations=2)
        frequencies = fit.frequencies
        # Lines would leak into the drift, so they are out before it is taken; it does not leak into the search.
        trend = slow_trend(rest + trend, cutoff)
        rest = signal - trend - synthesise(frames, frequencies, fit.amplitudes, fit.constant)
    if len(frequencies):
        frequencies = fit_lines(signal - trend, frequencies, iterations=2)[0].frequencies
    return frequencies, trend


def _apart(known: FloatArray, new: FloatArray, frames: int) -> FloatArray:
    """Add new frequencies to those known, leaving out what cannot be told from another."""
    kept = list(known)
    for place in new:
        if len(kept) < MAX_LINES and all(abs(place - other) * frames >= SAME_CYCLES for other in kept):
            kept.append(float(place))
    return np.array(kept)


def _merged(signals: tuple[FloatArray, FloatArray], found: list[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Return the frequencies of both signals' lines once each, as that signal has it in which the line is stronger."""
    places = np.concatenate([frequencies for frequencies, _ in found])
    sizes = np.concatenate(
        [
            np.abs(fit_tones(signal - trend, frequencies).amplitudes)
            for signal, (frequencies, trend) in zip(signals, found, strict=True)
        ]
    )
    order = np.argsort(-sizes, kind="stable")
    return np.sort(_apart(np.zeros(0), places[order], len(signals[0])))


def _sides(phase: complex, amplitude: complex) -> tuple[complex, complex]:
    """Return the complex amplitudes of the upper and the lower sideband."""
    return 0.5 * (amplitude + 1j * phase), 0.5 * np.conj(amplitude - 1j * phase)


def _strong_added(lines: _Lines) -> list[tuple[float, complex]]:
    """Return strong lines on one side only: signed frequency, complex amplitude."""
    strong = []
    for frequency, phase, amplitude in zip(lines.frequencies, lines.phase, lines.amplitude, strict=True):
        upper, lower = _sides(phase, amplitude)
        if abs(upper) > STRONG and abs(lower) < MIN_SHARE * abs(upper):
            strong.append((float(frequency), upper))
        elif abs(lower) > STRONG and abs(upper) < MIN_SHARE * abs(lower):
            strong.append((-float(frequency), lower))
    return strong


def _added(samples: int, added: list[tuple[float, complex]]) -> ComplexArray:
    time = np.arange(samples) - 0.5 * (samples - 1)
    total = np.zeros(samples, dtype=np.complex128)
    for frequency, amplitude in added:
        cycles = time * frequency
        total += amplitude * np.exp(2j * np.pi * (cycles - np.rint(cycles)))
    return total


def _with_added(lines: _Lines, added: list[tuple[float, complex]]) -> _Lines:
    """Return the lines with those put back that were taken out as added."""
    frequencies, phase, amplitude = list(lines.frequencies), list(lines.phase), list(lines.amplitude)
    samples = len(lines.rest)
    for place, line in added:
        # One on the upper side is M = c, Φ = -ic; one on the lower M = c*, Φ = ic*.
        m, p = (line, -1j * line) if place > 0.0 else (np.conj(line), 1j * np.conj(line))
        gaps = np.abs(np.array(frequencies) - abs(place)) * samples
        nearest = int(np.argmin(gaps)) if len(gaps) else -1
        if nearest >= 0 and gaps[nearest] < SAME_CYCLES:
            # What the first fit has left of it.
            frequencies[nearest] = abs(place)
            phase[nearest] += p
            amplitude[nearest] += m
        else:
            frequencies.append(abs(place))
            phase.append(p)
            amplitude.append(m)
    order = np.argsort(frequencies)
    return _Lines(
        np.array(frequencies)[order], np.array(phase)[order], np.array(amplitude)[order], lines.rest
    )


def _sidebands(
    lines: _Lines,
    rate: float,
    noise: SideDensities,
    reaches: tuple[float, float],
    known: Known | None,
    beyond_hz: tuple[float, float],
) -> tuple[Sideband, ...]:
    """Turn phasors into sidebands with uncertainties."""
    seconds = len(lines.rest) / rate
    made = []
    for frequency, phase, amplitude in zip(lines.frequencies, lines.phase, lines.amplitude, strict=True):
        offset = float(frequency) * rate
        near = [
            density_near(part, offset) for part in (noise.upper, noise.lower, noise.imaginary, noise.real)
        ]
        # A side's complex amplitude errs by D/T in mean square, a real signal's phasor by 2S/T.
        errors = [near[0] / seconds, near[1] / seconds, 2.0 * near[2] / seconds, 2.0 * near[3] / seconds]
        upper, lower = _sides(phase, amplitude)
        doubts = [
            float(np.hypot(_doubt(known, sign * offset), _cut(side, (reach + more - offset) * seconds)))
            for sign, side, reach, more in zip((1.0, -1.0), (upper, lower), reaches, beyond_hz, strict=True)
        ]
        both = float(np.hypot(doubts[0], doubts[1]))
        parts = [
            _quantity(part, error, extra)
            for part, error, extra in zip(
                (upper, lower, phase, amplitude), errors, (*doubts, both, both), strict=True
            )
        ]
        nature = _nature(parts, errors, offset, reaches)
        # Cramér–Rao: var f = 3 S / (π² A² T³), in whichever signal the line stands out more.
        clearest = max(abs(phase) ** 2 / max(near[2], 1e-300), abs(amplitude) ** 2 / max(near[3], 1e-300))
        spread = float(np.sqrt(3.0 / (max(clearest, 1e-300) * seconds**3)) / np.pi)
        made.append(Sideband(offset, spread, parts[0], parts[1], parts[2], parts[3], nature))
    return tuple(made)


def _doubt(known: Known | None, place: float) -> float:
    if known is None:
        return 0.0
    nearest = int(np.argmin(np.abs(known.offsets_hz - place)))
    return float(known.doubt[nearest]) if abs(known.offsets_hz[nearest] - place) < known.within_hz else 0.0


def _cut(side: complex, bins: float) -> float:
    """Return by how much a line errs whose skirt is cut so many bins from it."""
    return CUT_SHARE * abs(side) / max(bins, 1.0)


def _quantity(amplitude: complex, error: float, extra: float) -> Quantity:
    """Return a modulus with the noise's share taken off, whose mean square is ``error``."""
    value = float(np.sqrt(max(abs(amplitude) ** 2 - error, 0.0)))
    return Quantity(value, float(np.hypot(np.sqrt(0.5 * error), extra)))


def _nature(
    parts: list[Quantity], errors: list[float], offset: float, reaches: tuple[float, float]
) -> Nature:
    """Return which part alone explains the line; ``mixed`` where none does."""
    upper, lower, phase, amplitude = (part.value for part in parts)
    if offset > reaches[1]:
        return "upper"
    if offset > reaches[0]:
        return "lower"
    strength = max(phase, amplitude)
    # What each explanation leaves unexplained, in terms of a real signal's phasor.
    left: dict[Nature, tuple[float, float]] = {
        "jitter": (amplitude, errors[3]),
        "amplitude": (phase, errors[2]),
        "upper": (np.sqrt(2.0) * lower, 2.0 * errors[1]),
        "lower": (np.sqrt(2.0) * upper, 2.0 * errors[0]),
    }
    best = min(left, key=lambda name: left[name][0])
    misfit, error = left[best]
    if misfit <= max(MIN_SHARE * strength, MIN_DEVIATIONS * np.sqrt(0.5 * error)):
        return best
    return "mixed"
