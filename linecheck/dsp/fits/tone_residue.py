"""What a sum of many steady tones leaves once the tones are taken out, and its level over frequency.

==========================  ====================================================================================
:func:`take_out`            fits the tones with one clock ratio and their slow common drift, returns the rest
:func:`without_trend`       takes out what settles too slowly to be in the band
:func:`residue_spectrum`    levels of a rest at a stated resolution; peaks between bins read true
:func:`highest_residue`     the highest of them, with an uncertainty for a line as for noise
:func:`residue_power`       the power of a rest in a band
==========================  ====================================================================================

Frequencies are in cycles per frame unless they say Hz, powers mean squares re full scale 1.0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import ToneFit, fit_known_tones, fit_scaled_tones, synthesise
from linecheck.dsp.fits.trend import slow_trend
from linecheck.dsp.spectra.spectra import Density, band_power, density, line_spectrum

#: Degree of the polynomials that the tones' common level and timing may follow over a record.
DRIFT_DEGREE = 4
#: Drift is summed over so many blocks: each is short against a polynomial of that degree.
DRIFT_BLOCKS = 64
#: Drift of more than this share of the rest's power is worth a second look.
DRIFT_SHARE = 1e-3
#: A trend shows in means over this share of its shortest period, where they have so many times the noise's power.
TREND_BLOCK, TREND_FACTOR = 0.25, 4.0
#: The noise among lines is the median over so many bins.
NOISE_BLOCK = 64
#: Four points a bin of the resolution: noise has about 1.5 independent values in the bandwidth of one.
CELLS_PER_RESOLUTION = 1.5


@dataclass(frozen=True)
class TakenOut:
    """Tones taken out of a record: their fit, the record without their drift, and the rest."""

    tones: ToneFit
    steady: FloatArray
    rest: FloatArray

    @property
    def degrees(self) -> int:
        """How many complex degrees of freedom were taken out with the tones."""
        return len(self.tones.frequencies) + DRIFT_DEGREE


@dataclass(frozen=True)
class Residue:
    """Levels at a resolution bandwidth: a line of peak amplitude a reads a²/2, noise of density S reads S · resolution.

    Attributes
    ----------
    frequencies_hz, power, uncertainty, noise : float64 arrays, shape (points,)
        ``noise`` is the level of the noise around each point.
    resolution_hz : float
        What was reached.
    independent : float
        Number of independent segments that were averaged.
    """

    frequencies_hz: FloatArray
    power: FloatArray
    uncertainty: FloatArray
    noise: FloatArray
    resolution_hz: float
    independent: float


def take_out(record: FloatArray, frequencies: FloatArray, cutoff: float = 0.0) -> TakenOut:
    """Take steady tones out of a record, with what slow changes that all of them share leave of them.

    A clock that warms up moves every tone in time, a reference that settles moves every level: neither is noise, and
    both would stand beside each tone as a skirt. Level and timing may follow polynomials of fourth degree over the
    record, common to all tones: seven unknowns, which no product beside a tone can feign.

    Parameters
    ----------
    record : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        To about a third of a cycle over the record.
    cutoff : float
        What moves more slowly than this (a settling coupling capacitor) is taken out too; below every tone, 0 for none.
    """
    fit, rest = fit_scaled_tones(record, frequencies, iterations=2)
    settled = without_trend(record, rest, fit.frequencies, cutoff)
    if settled is not record:
        record = settled
        fit, rest = fit_scaled_tones(record, fit.frequencies, iterations=2)
    if not len(frequencies):
        return TakenOut(fit, record, rest)
    steady = record
    gain, late = np.zeros(DRIFT_DEGREE + 1), np.zeros(DRIFT_DEGREE + 1)
    for _ in range(4):
        signal = steady - rest - fit.constant
        slope = synthesise(len(record), fit.frequencies, 2j * np.pi * fit.frequencies * fit.amplitudes)
        more_gain, more_late, energy = _drift(rest, signal, slope)
        if energy < DRIFT_SHARE * float(np.sum(rest**2)):
            more = _over_time(more_gain, len(record)) * signal + _over_time(more_late, len(record)) * slope
            return TakenOut(fit, steady - more, rest - more)
        gain, late = gain + more_gain, late + more_late
        closer = record - _drifted(signal, slope, fit, gain, late)
        next_fit, next_rest = fit_scaled_tones(closer, fit.frequencies, iterations=2)
        if not np.sum(next_rest**2) < np.sum(rest**2):
            break  # what is wrong with this record is no drift
        steady, fit, rest = closer, next_fit, next_rest
    return TakenOut(fit, steady, rest)


def without_trend(record: FloatArray, rest: FloatArray, frequencies: FloatArray, cutoff: float) -> FloatArray:
    """Return a record less what moves more slowly than a cutoff; the record itself where nothing does.

    Parameters
    ----------
    record, rest : float64 arrays, shape (frames,)
        ``rest`` is what tones at ``frequencies``, every strong one of the record, leave of it.
    frequencies : float64 array, shape (tones,)
    cutoff : float
        Below every tone; 0 for none.
    """
    for _ in range(3):
        if not _moves_slowly(rest, cutoff):
            break
        # Each leaks into the other's estimate a little.
        record = record - slow_trend(rest, cutoff)
        _, rest = fit_known_tones(record, frequencies)
    return record


def _moves_slowly(rest: FloatArray, cutoff: float) -> bool:
    """Return whether the means of a rest's blocks have far more power than even noise would give them."""
    block = int(TREND_BLOCK / max(cutoff, 1e-9))
    count = len(rest) // block if cutoff > 0.0 else 0
    if count < 8:
        return False
    means = np.mean(rest[: count * block].reshape(count, block), axis=1)
    return float(np.mean(means**2)) * block > TREND_FACTOR * float(np.mean(rest**2))


def _drift(rest: FloatArray, signal: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return what a rest still holds of a signal's drift in level and time (frames), and how much energy that has.

    Least squares on Legendre polynomials times the signal, and times its slope; what the fit of the tones itself takes
    care of (a constant level, a constant and a linear timing) is left out.
    """
    frames = len(rest)
    edges = np.arange(0, frames, -(-frames // DRIFT_BLOCKS))
    sums = [
        np.add.reduceat(product, edges)
        for product in (signal * signal, signal * slope, slope * slope, signal * rest, slope * rest)
    ]
    centres = (edges + 0.5 * np.diff(np.append(edges, frames))) / frames * 2.0 - 1.0
    shapes = np.polynomial.legendre.legvander(centres, DRIFT_DEGREE).T
    level, timing = shapes[1:], shapes[2:]
    cross = (level * sums[1]) @ timing.T
    normal = np.block([[(level * sums[0]) @ level.T, cross], [cross.T, (timing * sums[2]) @ timing.T]])
    right = np.concatenate((level @ sums[3], timing @ sums[4]))
    solution = np.linalg.lstsq(normal, right, rcond=1e-15)[0]
    gain = np.concatenate(([0.0], solution[:DRIFT_DEGREE]))
    late = np.concatenate(([0.0, 0.0], solution[DRIFT_DEGREE:]))
    return gain, late, float(solution @ right)


def _over_time(coefficients: FloatArray, frames: int) -> FloatArray:
    """Return a Legendre series over a record."""
    series = np.polynomial.legendre.legval(np.linspace(-1.0, 1.0, frames), coefficients)
    return np.asarray(series, dtype=np.float64)


def _drifted(
    signal: FloatArray, slope: FloatArray, fit: ToneFit, gain: FloatArray, late: FloatArray
) -> FloatArray:
    """Return what drift adds to tones: (1 + gain) · signal(t + late) less the signal, to third order in the timing."""
    frames = len(signal)
    level, timing = _over_time(gain, frames), _over_time(late, frames)
    turn = 2j * np.pi * fit.frequencies
    bend = synthesise(frames, fit.frequencies, turn**2 * fit.amplitudes)
    twist = synthesise(frames, fit.frequencies, turn**3 * fit.amplitudes)
    moved = timing * (slope + timing * (0.5 * bend + timing * (twist / 6.0)))
    drifted: FloatArray = (1.0 + level) * moved + level * signal
    return drifted


def residue_spectrum(rest: FloatArray, rate_hz: float, resolution_hz: float) -> Residue:
    """Return the levels of a rest at a resolution bandwidth.

    Where a point is higher than both its neighbours, it reads the top of the parabola through all three (in dB): a line
    between two points then reads within 0.002 dB.
    """
    frequencies, power, uncertainty, reached = line_spectrum(rest, rate_hz, resolution_hz)
    logs = np.log(np.maximum(power, 1e-300))
    inner = np.flatnonzero((logs[1:-1] > logs[:-2]) & (logs[1:-1] >= logs[2:])) + 1
    rise, curvature = logs[inner + 1] - logs[inner - 1], logs[inner + 1] - 2.0 * logs[inner] + logs[inner - 1]
    higher = np.ones(len(power))
    higher[inner] = np.exp(np.minimum(-(rise**2) / (8.0 * np.minimum(curvature, -1e-12)), 0.1))
    independent = max(1.0, 2.0 * len(rest) * reached / (rate_hz * 2.0043528) - 1.0)
    # The stated spread tells the noise around a point: u² = (n² + 2 (P - n) n) / independent, with n a median over
    # ln 2. The median of an average of K exponential values is 1 - 1/(3 K) + 0.0265/K² of the mean.
    relative = np.minimum(independent * (uncertainty / np.maximum(power, 1e-300)) ** 2, 1.0)
    median = 1.0 - 1.0 / (3.0 * independent) + 0.0265 / independent**2
    noise = power * (1.0 - np.sqrt(1.0 - relative)) * (np.log(2.0) / median)
    spread = np.sqrt((noise**2 + 2.0 * (power - noise) * noise) / independent)
    return Residue(frequencies, power * higher, spread * higher, noise, reached, independent)


def highest_residue(residue: Residue, low_hz: float, high_hz: float) -> tuple[float, float, float]:
    """Return the highest level of a band (edges inclusive), its standard uncertainty, and its frequency in hertz.

    Where it is no higher than noise alone may reach somewhere in so wide a band, its uncertainty is that of the highest
    of so many values (Gumbel's distribution), not that of any one of them.
    """
    from scipy.special import gammaincc

    inside = np.flatnonzero((residue.frequencies_hz >= low_hz) & (residue.frequencies_hz <= high_hz))
    top = int(inside[np.argmax(residue.power[inside])])
    power, noise, degrees = float(residue.power[top]), float(residue.noise[top]), residue.independent
    frequency = float(residue.frequencies_hz[top])
    above = power / max(noise, 1e-300)
    cells = CELLS_PER_RESOLUTION * (high_hz - low_hz) / residue.resolution_hz
    if cells * float(gammaincc(degrees, degrees * above)) < 0.01:
        return power, float(residue.uncertainty[top]), frequency
    # An average of K exponential values has a tail that falls by e within noise / (K - (K - 1) noise / power).
    scale = noise / (degrees - (degrees - 1.0) / above)
    return power, float(np.pi / np.sqrt(6.0) * scale), frequency


def residue_power(taken: TakenOut, rate_hz: float, low_hz: float, high_hz: float) -> tuple[float, float]:
    """Return the power of a rest in a band, the share that went out with the tones put back, and its uncertainty."""
    spectrum = density(taken.rest, rate_hz)
    power, _ = band_power(spectrum, low_hz, high_hz)
    free = (high_hz - low_hz) * spectrum.seconds
    restore = free / max(free - taken.degrees, 0.5 * free)
    return power * restore, _spread(spectrum, low_hz, high_hz) * restore


def _spread(spectrum: Density, low_hz: float, high_hz: float) -> float:
    """Return the standard uncertainty of a band's power with lines in noise: n² + 2 (P - n) n in every bin."""
    first, last = (int(edge / spectrum.spacing_hz) for edge in (low_hz, high_hz))
    values = spectrum.values[first : last + 1]
    count = max(1, len(values) // NOISE_BLOCK)
    table = values[: len(values) // count * count].reshape(count, -1)
    centres = (np.arange(count) + 0.5) * table.shape[1]
    noise = np.minimum(np.interp(np.arange(len(values)), centres, np.median(table, axis=1)), values)
    tapers = spectrum.tapers
    share = (1.0 + 0.5 / tapers) / (1.0 + 1.0 / tapers)
    variance = share * float(np.sum(noise**2 + 2.0 * (values - noise) * noise))
    return float(np.sqrt(variance * spectrum.spacing_hz / spectrum.seconds))
