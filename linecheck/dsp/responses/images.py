"""Images: what a converter leaves of a signal mirrored about multiples of its rate.

A sampled signal's spectrum repeats with the rate F: what a reconstruction filter lets through at ν = mF ± f is the
audio at f, moved and (below mF) mirrored. So an image goes with its audio, and noise does not: summed over the bins of
a narrow band, the products of both tell the image's power from noise far above it, whatever is played.

=============================  =====================================================================================
:class:`Images`                what was found
:func:`find_images`            the converter's rate by the capture's clock, and the images' power in bands
=============================  =====================================================================================

Periodic correlation of this kind is that of cyclostationary signals (Gardner 1986, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.spectra.octaves import Bands
from linecheck.dsp.spectra.spectra import peak_places

#: Noise alone exceeds this over the median power once in 10**9 bins.
STANDS_OUT = 30.0
#: Width over which image and audio are taken to keep one ratio.
COHERENT_HZ = 400.0
#: Σ|X|⁴ over (Σ|X|²)² of a band that one line fills is 0.39, of noise a few parts in a hundred.
LINE_SHARE = 0.2
#: Bins of a Hann-windowed transform are correlated: Σw⁴ · N / (Σw²)².
HANN_OVERLAP = 35.0 / 18.0


@dataclass(frozen=True)
class Images:
    """Images in bands.

    Attributes
    ----------
    power, uncertainty : float64 arrays, shape (bands,)
        Mean squares with the noise taken off, so that a power may come out below zero, and standard uncertainties.
    sampling_hz : float or None
        The converter's rate by the capture's clock; None where nothing is an image.
    """

    power: FloatArray
    uncertainty: FloatArray
    sampling_hz: float | None


def find_images(values: FloatArray, rate_hz: float, nominal_hz: float, spread: float, bands: Bands) -> Images:
    """Find the images in a record.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
        The capture's rate, more than twice the converter's.
    nominal_hz : float
        The converter's nominal rate.
    spread : float
        How far the clocks may differ.
    bands : Bands
        What lies below half of the converter's rate counts as no image.
    """
    from scipy.fft import rfft

    frames = _usable_length(len(values))
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(frames) / frames)
    # Scaled so that squared moduli add up to mean squares.
    spectrum = rfft(values[:frames] * window) * np.sqrt(2.0 / 0.375) / frames
    spacing = rate_hz / frames
    cycles = _sampling_cycles(spectrum, frames, nominal_hz / spacing, spread)
    power, variance = _powers(spectrum, cycles or nominal_hz / spacing, spacing, bands)
    return Images(power, np.sqrt(variance), None if cycles is None else cycles * spacing)


def _usable_length(frames: int) -> int:
    """Return a length within 3 % below ``frames`` that is fast to transform."""
    from scipy.fft import next_fast_len

    return min(frames, next_fast_len(int(0.97 * frames), real=True))


def _sampling_cycles(spectrum: ComplexArray, frames: int, nominal: float, spread: float) -> float | None:
    """Return how many cycles of the converter's rate the record holds; None where nothing is an image.

    The square of a signal has a line at F where any part of it is an image of another part. Flattening the spectrum
    first lets the faint ones count.
    """
    from scipy.fft import irfft, rfft

    bins = len(spectrum)
    width = max(16, min(64, bins // 64))
    blocks = bins // width
    level = np.median(np.abs(spectrum[: blocks * width].reshape(blocks, width)) ** 2, axis=1)
    # A steep edge is not to stand out of the block that it lies in.
    level = np.maximum(level, np.maximum(np.append(level[1:], 0.0), np.append(0.0, level[:-1])))
    level = np.maximum(level, 1e-24 * float(np.max(level, initial=0.0)) + 1e-300)
    flat = spectrum / np.sqrt(level[np.minimum(np.arange(bins) // width, blocks - 1)])
    flat[:8] = 0.0
    power = np.abs(rfft(irfft(flat, frames) ** 2)) ** 2
    reach = spread * nominal + 1.0
    first, last = int(nominal - reach), int(np.ceil(nominal + reach)) + 1
    if last + 1 >= bins:
        return None
    peak = first + int(np.argmax(power[first:last]))
    around = power[max(1, first - 2000) : last + 2000]
    if power[peak] < STANDS_OUT * float(np.median(around)):
        return None
    return float(peak_places(power, np.array(peak)))


def _powers(
    spectrum: ComplexArray, cycles: float, spacing_hz: float, bands: Bands
) -> tuple[FloatArray, FloatArray]:
    """Return the images' power in each band, and its variance."""
    half = int(0.5 * cycles)
    width = max(16, round(COHERENT_HZ / spacing_hz))
    power, variance = np.zeros(len(bands)), np.zeros(len(bands))
    for order in range(1, int((len(spectrum) - 1) / cycles + 0.5) + 1):
        centre = round(order * cycles)
        kept = _hann_coherence(order * cycles - centre) ** 2
        above = spectrum[centre + 1 : centre + half + 1]
        # Below the multiple the audio is mirrored; a part of it may lie beyond the capture.
        nearest = max(1, centre - len(spectrum) + 1)
        below = spectrum[centre - half : centre - nearest + 1][::-1]
        mirrored = np.conj(spectrum[nearest : nearest + len(below)])
        for side, skipped, image, audio in (
            (1.0, 0, above, spectrum[1 : len(above) + 1]),
            (-1.0, nearest - 1, below, mirrored),
        ):
            offsets, part, spread = _coherent(image, audio, width)
            index = _band_index(bands, (centre + side * (skipped + offsets)) * spacing_hz)
            inside = index >= 0
            np.add.at(power, index[inside], part[inside] / kept)
            np.add.at(variance, index[inside], spread[inside] / kept**2)
    return power, variance


def _hann_coherence(cycles: float) -> float:
    """Return what is left of the correlation of two Hann-windowed records that differ by a part of a cycle."""
    # The transform of w² = 3/8 - 1/2 cos + 1/8 cos 2: sincs at 0, ±1 and ±2.
    terms = ((0.0, 0.375), (1.0, -0.25), (-1.0, -0.25), (2.0, 0.0625), (-2.0, 0.0625))
    # Time zero in the middle turns the signs of the odd terms.
    return float(sum(abs(weight) * np.sinc(cycles - shift) for shift, weight in terms) / 0.375)


def _band_index(bands: Bands, frequency_hz: FloatArray) -> IntArray:
    """Return which band each frequency lies in, -1 for none."""
    index = np.searchsorted(bands.lower_hz, frequency_hz, side="right") - 1
    inside = (index >= 0) & (frequency_hz < bands.upper_hz[np.maximum(index, 0)])
    return np.where(inside, index, -1)


def _coherent(
    image: ComplexArray, audio: ComplexArray, width: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the middles of groups of ``width`` bins, the coherent power in each, and its variance."""
    groups = len(image) // width
    first = image[: groups * width].reshape(groups, width)
    second = audio[: groups * width].reshape(groups, width)
    source = np.sum(np.abs(second) ** 2, axis=1)
    together = np.abs(np.sum(first * np.conj(second), axis=1)) ** 2 / np.where(source > 0.0, source, 1.0)
    noise = np.maximum(np.sum(np.abs(first) ** 2, axis=1) - together, 0.0) / (width - HANN_OVERLAP)
    noise *= HANN_OVERLAP
    power = together - noise
    variance = 2.0 * np.maximum(power, 0.0) * noise + noise**2
    # What is no line has a power of its own in each record.
    spread_out = np.sum(np.abs(second) ** 4, axis=1) < LINE_SHARE * source**2
    variance += np.where(spread_out, HANN_OVERLAP / width * power**2, 0.0)
    return np.asarray((np.arange(groups) + 0.5) * width + 0.5), power, variance
