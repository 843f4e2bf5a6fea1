"""Third-octave bands by their exact frequencies, and powers in bands.

=============================  =====================================================================================
:func:`midband_hz`             exact midband frequency of a fractional-octave band
:func:`third_octaves`          midband frequencies and edges of the bands between two frequencies
:func:`band_levels`            powers of many bands from one density
=============================  =====================================================================================

Bands follow IEC 61260-1: the octave ratio is G = 10**(3/10), the reference 1 kHz, the midband frequencies of 1/b-octave
bands 1000 · G**(x/b) (odd b), their edges a factor G**(1/(2b)) away (from memory; the midband frequencies themselves
are those of IEC 61672-1:2013, table 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.spectra.spectra import Density

OCTAVE_RATIO = 10.0**0.3
REFERENCE_HZ = 1000.0


@dataclass(frozen=True)
class Bands:
    """Bands that adjoin: midband frequencies, lower and upper edges in hertz, each of shape (bands,)."""

    midband_hz: FloatArray
    lower_hz: FloatArray
    upper_hz: FloatArray

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.midband_hz)


def midband_hz(index: int, fraction: int = 3) -> float:
    """Return the exact midband frequency of the 1/``fraction``-octave band ``index`` places above 1 kHz's.

    For an odd fraction; with an even one the reference lies between two bands, half a place away.
    """
    place = index if fraction % 2 else index + 0.5
    return float(REFERENCE_HZ * OCTAVE_RATIO ** (place / fraction))


def bands_between(low_hz: float, high_hz: float, fraction: int) -> Bands:
    """Return the 1/``fraction``-octave bands whose midbands lie at or above a frequency and whose edges below another.

    A lowest frequency that is a nominal one (20 Hz for 19.95 Hz) takes in its band.
    """
    first = int(np.floor(fraction * np.log(low_hz / REFERENCE_HZ) / np.log(OCTAVE_RATIO))) - 1
    half = OCTAVE_RATIO ** (0.5 / fraction)
    chosen = []
    while (middle := midband_hz(first, fraction)) * half <= high_hz:
        if middle * half > low_hz * OCTAVE_RATIO ** (0.25 / fraction):
            chosen.append(middle)
        first += 1
    midbands = np.array(chosen)
    return Bands(midbands, midbands / half, midbands * half)


def third_octaves(low_hz: float, high_hz: float) -> Bands:
    """Return the 1/3-octave bands from one frequency up to another that no band's upper edge exceeds."""
    return bands_between(low_hz, high_hz, 3)


def band_levels(spectrum: Density, bands: Bands) -> tuple[FloatArray, FloatArray]:
    """Return the power in each band and its standard uncertainty, each of shape (bands,).

    As :func:`linecheck.dsp.spectra.spectra.band_power`, for many bands at once: of noise the uncertainty is
    power · sqrt((1 + 1/2K) / (B·T)).
    """
    spacing, tapers = spectrum.spacing_hz, spectrum.tapers
    # The square of an estimate with K tapers is too great by 1 + 1/K on average.
    spread = (1.0 + 0.5 / tapers) / (1.0 + 1.0 / tapers)
    lower, upper = bands.lower_hz / spacing, bands.upper_hz / spacing
    power = _between(spectrum.values, lower, upper) * spacing
    variance = spread * _between(spectrum.values**2, lower, upper, squared=True) * spacing / spectrum.seconds
    return power, np.sqrt(variance)


def _between(
    values: FloatArray, lower: FloatArray, upper: FloatArray, *, squared: bool = False
) -> FloatArray:
    """Return sums of values from one place to another, in bins; a bin reaches half a bin to either side.

    Those at the ends count by the part of them that lies inside, or by its square.
    """
    last = len(values) - 1
    lower, upper = np.minimum(lower, last + 0.5), np.minimum(upper, last + 0.5)
    first, final = (np.clip(np.rint(edges), 0, last).astype(np.int64) for edges in (lower, upper))
    starts, stops = first + 1, np.maximum(final, first + 1)
    # reduceat sums from each index to the next one; every second sum is that between two bands.
    inner = np.add.reduceat(np.append(values, 0.0), np.stack((starts, stops), axis=1).reshape(-1))[::2]
    inner = np.where(final > starts, inner, 0.0)
    one = first == final
    left = np.clip(np.where(one, upper, first + 0.5) - lower, 0.0, 1.0)
    right = np.where(one, 0.0, np.clip(upper - final + 0.5, 0.0, 1.0))
    power = 2 if squared else 1
    return np.asarray(inner + left**power * values[first] + right**power * values[final])
