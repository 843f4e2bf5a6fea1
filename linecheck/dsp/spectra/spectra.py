"""Power spectral densities, band powers and line spectra.

=============================  =====================================================================================
:func:`density`                sine-taper estimate of a density: near the statistical limit for a band's power
:func:`band_power`             the power of a density in a band, weighted or not, with its standard uncertainty
:func:`density_near`           the density around a frequency, for the uncertainty of a line there
:func:`empty_above`            from where on a recording holds nothing but the rounding of its words
:func:`find_lines`             lines that stand out of the noise
:func:`peak_places`            where between its bins a peak of a spectrum has its top
:func:`line_spectrum`          levels at a stated resolution bandwidth: lines read true whatever the resolution
:func:`averaged_records`       how many records a line spectrum averages, and how long they are
:func:`reduce_peaks`           fewer points by peak-hold, so that no line is lost
=============================  =====================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from linecheck.dsp.arrays import FloatArray, IntArray

#: A band's power from K of them has a spread of sqrt(1 + 1/(2 K)) times the statistical limit: 1.03 from 8.
TAPERS = 8
#: A line's power over the median power around it; noise alone exceeds that in about one bin in 10**9.
STANDS_OUT = 30.0
#: Peaks below this share of the greatest power are left: they may be the window's side lobes (-92 dB). Once what is
#: strong has been taken out, a further search finds them.
DEPTH = 3e-8
#: Anti-alias filters of captures begin here, as a part of the rate.
CLEAN_PART = 0.45
#: No converter's own noise is as low as six times what rounding to 24 bits leaves; the best are 20 dB above it. Medians
#: of so many bins are looked at. A recording is empty from an edge on that lies below this part of its reach, and where
#: between these parts of the edge there is ten times as much: what falls slowly to that level has no edge.
ROUNDED, EMPTY_TIMES, EMPTY_BINS, EMPTY_PART, EDGE, TIMES_BESIDE = 2.0**-23, 6.0, 24, 0.95, (0.6, 0.85), 10.0
BINS_AT_ONCE = 1 << 14
#: Of the four-term Blackman–Harris window, as long as it gets.
NOISE_BANDWIDTH_BINS = 2.0043528


@dataclass(frozen=True)
class Density:
    """A one-sided power spectral density.

    Attributes
    ----------
    values : float64 array, shape (bins,)
        Power per hertz at ``bin * spacing_hz``.
    spacing_hz : float
    seconds : float
        Length of the record that it comes from.
    tapers : int
    """

    values: FloatArray
    spacing_hz: float
    seconds: float
    tapers: int

    @property
    def frequencies_hz(self) -> FloatArray:
        """The bins' frequencies."""
        return np.arange(len(self.values), dtype=np.float64) * self.spacing_hz


@lru_cache(maxsize=64)
def usable_frames(frames: int) -> int:
    """Return the greatest record length up to ``frames`` that the transforms here are fast on."""
    from scipy.fft import prev_fast_len

    # The doubled record is transformed: twice a length that is fast is fast too.
    fast = prev_fast_len(frames + 1, real=True)
    return fast - 1 if 2 * fast > max(4, int(0.95 * 2 * (frames + 1))) else frames


def density(values: FloatArray, rate_hz: float, top_hz: float | None = None) -> Density:
    """Estimate a one-sided power spectral density with sine tapers.

    The tapers of Riedel and Sidorenko (1995), ``sqrt(2/(N+1)) sin(πk(n+1)/(N+1))``: each tapered transform is the
    difference of two shifted values of one transform of the doubled record, so K tapers cost one transform. A band's
    power from K of them has 1 + 1/(2K) times the variance of the statistical limit (1.03 in spread at 8), and what lies
    outside the band leaks in by the inverse fourth power of its distance.

    Parameters
    ----------
    values : float64 array, shape (frames,)
        Free of strong lines: these are fitted and taken out before.
    rate_hz : float
    top_hz : float, optional
        Where it may end, below half the rate: what is not wanted need not be worked out.
    """
    from scipy.fft import rfft

    frames = len(values)
    length = 2 * (frames + 1)
    transform = rfft(values, length)
    # X(-m) = conj(X(m)) and X(length - m) = conj(X(m)): extend both ends by the greatest shift.
    beyond = np.conj(transform[-2 : -2 - TAPERS : -1])
    if top_hz is not None:
        last = 2 * int(np.ceil(top_hz / rate_hz * (frames + 1)))
        if last + TAPERS < len(transform):
            transform, beyond = transform[: last + 1], transform[last + 1 : last + 1 + TAPERS]
    padded = np.concatenate((np.conj(transform[TAPERS:0:-1]), transform, beyond))
    bins = (len(transform) + 1) // 2
    total = np.zeros(bins)
    # In parts that stay in the processor's cache.
    for first in range(0, bins, BINS_AT_ONCE):
        count = min(BINS_AT_ONCE, bins - first)
        for taper in range(1, TAPERS + 1):
            turn = np.exp(2j * np.pi * taper / length)
            below, above = 2 * first + TAPERS - taper, 2 * first + TAPERS + taper
            part = padded[below : below + 2 * count - 1 : 2] * turn
            part -= padded[above : above + 2 * count - 1 : 2] * np.conj(turn)
            total[first : first + count] += part.real**2 + part.imag**2
    # |1/2i|² · 2/(N+1) from the taper, 2 from one-sidedness, 1/rate from power to density.
    total *= 1.0 / (TAPERS * (frames + 1) * rate_hz)
    total[0] *= 0.5
    return Density(total, rate_hz / (frames + 1), frames / rate_hz, TAPERS)


def band_power(
    spectrum: Density, low_hz: float, high_hz: float, weight: FloatArray | None = None
) -> tuple[float, float]:
    """Return the power in a band (edges inclusive) and its standard uncertainty.

    Parameters
    ----------
    spectrum : Density
    low_hz, high_hz : float
    weight : float64 array, shape (bins,), optional
        Power gain of a weighting at the spectrum's frequencies.

    Returns
    -------
    power, uncertainty : float
        For white noise the uncertainty is power · sqrt((1 + 1/2K) / (B·T)).
    """
    edges = np.arange(len(spectrum.values) + 1) - 0.5
    low_edges = np.clip(edges * spectrum.spacing_hz, low_hz, high_hz)
    part = np.diff(low_edges)
    if weight is not None:
        part = part * weight
    used = slice(*_span(part))
    density_part, part = spectrum.values[used], part[used]
    power = float(density_part @ part)
    tapers = spectrum.tapers
    # The square of an estimate with K tapers is too great by 1 + 1/K on average.
    spread = (1.0 + 0.5 / tapers) / (1.0 + 1.0 / tapers)
    variance = spread * float((density_part**2) @ (part**2)) / (spectrum.spacing_hz * spectrum.seconds)
    return power, float(np.sqrt(variance))


def _span(values: FloatArray) -> tuple[int, int]:
    """Return the first and one past the last index of a non-zero value."""
    used = np.flatnonzero(values)
    return (int(used[0]), int(used[-1]) + 1) if len(used) else (0, 0)


def density_near(spectrum: Density, frequency_hz: float, *, bins: int = 40) -> float:
    """Return the mean density on both sides of a line, the few bins that its fit has emptied left out."""
    centre = round(frequency_hz / spectrum.spacing_hz)
    gap = spectrum.tapers // 2 + 2
    last = len(spectrum.values) - 1
    below = spectrum.values[max(1, centre - gap - bins) : max(1, centre - gap)]
    above = spectrum.values[min(last, centre + gap + 1) : min(last, centre + gap + 1 + bins)]
    around = np.concatenate((below, above))
    return float(np.mean(around)) if len(around) else float(np.mean(spectrum.values[1:]))


def empty_above(noise: Density, reach_hz: float, rate_hz: float) -> float | None:
    """Return from where on a recording holds nothing but the rounding of its words, Hz; None where it is not so.

    A converter has noise of its own up to the edge of its filter; what was converted from a lower rate has none above.

    Parameters
    ----------
    noise : Density
        Re full scale 1.0.
    reach_hz : float
        Up to where something should be.
    rate_hz : float
        The recording's.
    """
    blocks = int(min(reach_hz, CLEAN_PART * rate_hz) / noise.spacing_hz) // EMPTY_BINS
    if not blocks:
        return None
    level = np.median(noise.values[: blocks * EMPTY_BINS].reshape(blocks, EMPTY_BINS), axis=1)
    limit = EMPTY_TIMES * ROUNDED**2 / 12.0 / (0.5 * rate_hz)
    edge = blocks - int(np.argmax(level[::-1] > limit))
    if edge >= EMPTY_PART * blocks or level[edge - 1] <= limit:
        return None
    beside = level[int(EDGE[0] * edge) : max(int(EDGE[1] * edge), int(EDGE[0] * edge) + 1)]
    return float(edge * EMPTY_BINS * noise.spacing_hz) if np.median(beside) > TIMES_BESIDE * limit else None


def _windowed_power(values: FloatArray, padding: int) -> FloatArray:
    """Return squared peak amplitudes of a four-term Blackman–Harris windowed record, padded ``padding`` times."""
    from scipy.fft import next_fast_len, rfft

    from linecheck.dsp.spectra.windows import blackman_harris

    frames = len(values)
    window = blackman_harris(frames)
    length = next_fast_len(padding * frames, real=True)
    transform = rfft(values * window, length)
    return np.asarray((transform.real**2 + transform.imag**2) * (2.0 / np.sum(window)) ** 2)


def _local_median(power: FloatArray, width: int, places: IntArray | None = None) -> FloatArray:
    """Return the running level of a power spectrum: medians of adjoining blocks, joined by straight lines.

    Everywhere, or at some places alone.
    """
    blocks = max(1, len(power) // width)
    table = power[: blocks * width].reshape(blocks, -1)
    centres = (np.arange(blocks) + 0.5) * table.shape[1]
    return np.interp(np.arange(len(power)) if places is None else places, centres, np.median(table, axis=1))


def find_lines(
    values: FloatArray,
    rate_hz: float,
    low_hz: float,
    high_hz: float,
    *,
    most: int = 40,
) -> FloatArray:
    """Find lines that stand out of the noise around them.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    low_hz, high_hz : float
        The band that is searched.
    most : int
        At most so many lines, the strongest first.

    Returns
    -------
    float64 array, shape (lines,)
        Frequencies in hertz, ascending, to about a tenth of a bin.
    """
    power = _windowed_power(values, 2)
    spacing = 0.5 * rate_hz / (len(power) - 1)
    first, last = max(1, int(np.ceil(low_hz / spacing))), min(len(power) - 2, int(high_hz / spacing))
    inside = power[first : last + 1]
    least = DEPTH * float(np.max(power))
    peaks = first + np.flatnonzero(
        (inside > least) & (inside >= power[first - 1 : last]) & (inside > power[first + 1 : last + 2])
    )
    # Over many bins, and over few where the noise is steep: a line fills 8 of these at most.
    for width in (256, 24):
        if len(peaks):
            peaks = peaks[power[peaks] > STANDS_OUT * _local_median(power, width, peaks)]
    chosen: list[int] = []
    for peak in peaks[np.argsort(-power[peaks], kind="stable")]:
        # Within the main lobe (4 bins of the record, 8 here) there is one line, not two.
        if all(abs(int(peak) - other) > 8 for other in chosen):
            chosen.append(int(peak))
        if len(chosen) == most:
            break
    places = np.array(sorted(chosen), dtype=np.int64)
    if not len(places):
        return np.zeros(0)
    return peak_places(power, places) * spacing


def peak_places(power: FloatArray, peaks: IntArray) -> FloatArray:
    """Return where peaks of a power spectrum have their tops, in bins: parabolas through three logarithms."""
    left, middle, right = (np.log(np.maximum(power[peaks + shift], 1e-300)) for shift in (-1, 0, 1))
    curvature = left - 2.0 * middle + right
    offset = np.where(curvature < 0.0, 0.5 * (left - right) / np.where(curvature < 0.0, curvature, 1.0), 0.0)
    return np.asarray(peaks + np.clip(offset, -0.5, 0.5))


def line_spectrum(
    values: FloatArray, rate_hz: float, resolution_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return mean-square levels at a stated resolution bandwidth, with their standard uncertainties.

    Segments of the length at which the four-term Blackman–Harris window's noise bandwidth is ``resolution_hz`` overlap
    by half (all but independent under this window) and are averaged. Padded fourfold, so a line between two bins reads
    at most 0.06 dB low.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    resolution_hz : float

    Returns
    -------
    frequencies_hz, mean_square : float64 arrays, shape (bins,)
        A line of peak amplitude a reads a²/2; noise of density S reads S · resolution.
    uncertainty : float64 array, shape (bins,)
        Of the mean squares, from the noise around each bin and the number of independent segments.
    resolution_hz : float
        What was reached: coarser than asked for where the record is too short.
    """
    segment, count = averaged_records(len(values), rate_hz, resolution_hz)
    reached = NOISE_BANDWIDTH_BINS * rate_hz / segment
    starts = np.linspace(0, len(values) - segment, count).astype(int)
    total = sum(_windowed_power(values[start : start + segment], 4) for start in starts)
    mean_square = 0.5 * np.asarray(total) / count
    frequencies = np.linspace(0.0, 0.5 * rate_hz, len(mean_square))
    # The median of an average of few exponentials lies between 0.69 and 1 of its mean; this errs to the safe side.
    noise = np.minimum(_local_median(mean_square, 256) / np.log(2.0), mean_square)
    independent = max(1.0, 2.0 * len(values) / segment - 1.0)
    uncertainty = np.sqrt((noise**2 + 2.0 * (mean_square - noise) * noise) / independent)
    return (
        frequencies,
        mean_square,
        uncertainty,
        resolution_hz if abs(reached / resolution_hz - 1.0) < 0.01 else reached,
    )


def averaged_records(frames: int, rate_hz: float, resolution_hz: float) -> tuple[int, int]:
    """Return the length of the records that :func:`line_spectrum` averages, frames, and how many they are."""
    length = min(frames, max(16, round(NOISE_BANDWIDTH_BINS * rate_hz / resolution_hz)))
    return length, 1 + int(np.ceil(2 * (frames - length) / length))


def reduce_peaks(x: FloatArray, y: FloatArray, most: int = 2000) -> IntArray:
    """Return the indices of at most ``most`` points by peak-hold over groups of logarithmically growing width.

    Each group gives its highest point at that point's own place, so no line moves or is lost; the last
    point is kept.

    Parameters
    ----------
    x : float64 array, shape (points,)
        Ascending and positive.
    y : float64 array, shape (points,)
    """
    if len(x) <= most:
        return np.arange(len(x))
    edges = np.geomspace(x[0], x[-1], most - 1)
    starts = np.unique(np.concatenate(([0, len(x) - 1], np.searchsorted(x, edges[1:-1]))))
    highest = np.repeat(np.maximum.reduceat(y, starts), np.diff(np.append(starts, len(x))))
    # The first of equal ones in each group.
    at = np.flatnonzero(y == highest)
    group = np.searchsorted(starts, at, side="right")
    return at[np.concatenate(([True], np.diff(group) > 0))]
