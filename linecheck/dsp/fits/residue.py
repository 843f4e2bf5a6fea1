"""What a short record holds beside a tone of known frequency, in several bands, and what settles in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.level_courses import Level
from linecheck.dsp.fits.tones import fit_known_tones, fit_scaled_tones
from linecheck.dsp.fits.trend import slow_trend
from linecheck.dsp.spectra.spectra import Density, band_power, density, density_near, usable_frames

#: So many harmonics are fitted apart; higher ones count with the noise.
HARMONICS = 15
#: A trend is taken out where it is more than this share of a rest's power.
MATTERS = 1e-3
#: Time constants, s: close enough to each other for sums of them to follow any between. 3 ms is a corner of 53 Hz.
TIME_CONSTANTS = np.geomspace(0.003, 0.4, 12)
#: Means over this long are compared, s: fast enough for the shortest time constant.
BLOCK_SECONDS = 5e-4
#: What settles is taken out where it is more than this share of a rest's power.
SETTLING_MATTERS = 1e-3


@dataclass(frozen=True)
class Residue:
    """A tone, and what else there is.

    Attributes
    ----------
    amplitude, amplitude_uncertainty : float
        Peak amplitude of the tone.
    powers : tuple of (float, float)
        Mean square of everything else in each band, with its standard uncertainty.
    harmonics : tuple of (float, float)
        Mean square of each harmonic that was fitted, from the second on, with its standard uncertainty; what noise adds
        on average is taken off, so that one that noise hides may be negative.
    course : Level
        The tone as fitted, what is left without it and its harmonics, and the noise there.
    tone : float
        Its frequency as fitted, cycles per frame.
    noise : Density
        Of all that is left.
    """

    amplitude: float
    amplitude_uncertainty: float
    powers: tuple[tuple[float, float], ...]
    harmonics: tuple[tuple[float, float], ...]
    course: Level
    tone: float
    noise: Density


def residue(
    values: FloatArray,
    rate_hz: float,
    tone_hz: float,
    nominal_hz: float,
    bands: Sequence[tuple[float, float]],
    images_hz: Sequence[float] = (),
    *,
    count_images: bool = True,
) -> Residue:
    """Take a tone off a record and the power of the rest in bands, harmonics and noise together.

    The tone and its first harmonics are fitted together, so that a harmonic is in a band or out of it by its nominal
    frequency, and so that its level adds no uncertainty of its own. The rest is estimated by sine tapers; what fitting
    took out of a band's noise is put back. Couplings that settle after the change to this tone, and what moves too
    slowly to be in a band, are no part of it.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    tone_hz : float
        As captured, to about a third of a cycle over the record.
    nominal_hz : float
        What it should be.
    bands : sequence of (float, float)
        Lower and upper edges, inclusive.
    images_hz : sequence of float
        What the tone's images should be at; they are fitted like harmonics.
    count_images : bool
        Whether they are part of the rest.
    """
    record = values[len(values) - usable_frames(len(values)) :]
    frames, seconds = len(record), len(record) / rate_hz
    orders = np.arange(1, max(1, min(HARMONICS, int(0.499 * rate_hz / tone_hz))) + 1)
    nominals = np.concatenate((orders * nominal_hz, _apart(images_hz, nominal_hz, seconds, 0.499 * rate_hz)))
    known = nominals * (tone_hz / nominal_hz / rate_hz)
    cutoff = 0.7 * min([tone_hz, *(low for low, _ in bands)]) / rate_hz - 1.0 / frames
    fit, rest = fit_scaled_tones(record, known, iterations=1)
    if _is_slow(settling(rest, rate_hz, known), rest) or _is_slow(slow_trend(rest, cutoff), rest):
        # What settles has drawn the frequency off: held as it is known, then free again.
        fit, rest = fit_scaled_tones(_steadied(record, rate_hz, known, cutoff), known, iterations=1)
    noise = density(rest, rate_hz)
    shares = np.array([density_near(noise, float(place) * rate_hz) for place in fit.frequencies]) / seconds
    lines = 0.5 * np.abs(fit.amplitudes) ** 2 - shares
    variances = 2.0 * np.maximum(lines, 0.0) * shares + shares**2
    powers = []
    for low, high in bands:
        inside = (nominals >= low) & (nominals <= high)
        power, spread = band_power(noise, low, high)
        free = (high - low) * seconds
        restore = free / max(free - np.count_nonzero(inside), 0.5 * free)
        inside[0] = False
        inside[len(orders) :] &= count_images
        total = power * restore + float(np.sum(lines[inside]))
        deviation = np.sqrt((spread * restore) ** 2 + float(np.sum(variances[inside])))
        powers.append((max(total, 0.0), float(deviation)))
    each = zip(lines[1 : len(orders)].tolist(), np.sqrt(variances[1 : len(orders)]).tolist(), strict=True)
    course = Level(len(values) - frames, complex(fit.amplitudes[0]), rest, float(shares[0]) * frames)
    return Residue(
        abs(course.amplitude),
        float(np.sqrt(shares[0])),
        tuple(powers),
        tuple(each),
        course,
        float(fit.frequencies[0]),
        noise,
    )


def _is_slow(slow: FloatArray, rest: FloatArray) -> bool:
    """Return whether what moves slowly is more than the noise's share in its few degrees of freedom."""
    return float(np.mean(slow**2)) > MATTERS * float(np.mean(rest**2))


def _steadied(record: FloatArray, rate_hz: float, tones: FloatArray, cutoff: float) -> FloatArray:
    """Return a record less what settles in it and its trend."""
    level = record - settling(fit_known_tones(record, tones)[1], rate_hz, tones)
    _, rest = fit_known_tones(level, tones)
    trend = slow_trend(rest, cutoff)
    return level - trend if _is_slow(trend, rest) else level


def _apart(images_hz: Sequence[float], nominal_hz: float, seconds: float, highest_hz: float) -> FloatArray:
    """Return the images that a record reaches and that no fitted harmonic hides."""
    kept = [
        image
        for image in images_hz
        if 0.0 < image < highest_hz
        and abs(image - min(round(image / nominal_hz), HARMONICS) * nominal_hz) * seconds > 2.0
    ]
    return np.array(kept)


def settling(rest: FloatArray, rate_hz: float, tones: FloatArray) -> FloatArray:
    """Return what dies away exponentially in what a fit of tones has left, shape (frames,).

    Least squares on decaying exponentials of several time constants, each less what the fit would take of it: low tones
    and their harmonics take most. A first-order high-pass answers any change of its input with one exponential.

    Parameters
    ----------
    rest : float64 array, shape (frames,)
    rate_hz : float
    tones : float64 array, shape (tones,)
        That have been fitted, with a constant; cycles per frame.

    Returns
    -------
    float64 array, shape (frames,)
        To be taken from what was fitted; zero where nothing settles.
    """
    frames = len(rest)
    block = max(1, round(BLOCK_SECONDS * rate_hz))
    if frames // block < 4 * len(TIME_CONSTANTS):
        return np.zeros(frames)
    places = np.arange(0, frames - block + 1, block) + 0.5 * (block - 1)
    rough = np.exp(-np.outer(places / rate_hz, 1.0 / TIME_CONSTANTS))
    means = _means(rest, block)
    found = rough @ np.linalg.lstsq(rough, means, rcond=1e-8)[0]
    if float(np.mean(found**2)) <= SETTLING_MATTERS * float(np.mean(rest**2)):
        return np.zeros(frames)
    shapes = np.exp(-np.outer(1.0 / TIME_CONSTANTS, np.arange(frames) / rate_hz))
    left = []
    for shape in shapes:
        _, rest_of_shape = fit_known_tones(shape, tones)
        left.append(_means(rest_of_shape, block))
    solution = np.linalg.lstsq(np.array(left).T, means, rcond=1e-10)[0]
    return np.asarray(solution @ shapes, dtype=np.float64)


def _means(values: FloatArray, block: int) -> FloatArray:
    """Return the means of adjoining blocks."""
    count = len(values) // block
    return np.asarray(values[: count * block].reshape(count, block).mean(axis=1), dtype=np.float64)
