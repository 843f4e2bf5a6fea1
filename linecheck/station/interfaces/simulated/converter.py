"""From samples at the unit's rate to what a capture converter sees at its own instants.

The samples are reconstructed band-limited on a dense grid (:mod:`linecheck.station.interfaces.simulated.filters`),
bent there by the output stage's transfer curve, freed of what the capture's anti-alias filter takes away,
and evaluated at any instants by a non-uniform Fourier sum: a kernel of a few points on an oversampled grid,
whose own response is divided out beforehand (exponential of semicircle; Barnett, Magland and af Klinteberg
2019, from memory). Clock error and jitter are nothing but instants.

============================  ================================================================================
:class:`Converter`            what the unit does to a signal, exactly
:func:`capture_at`            samples and instants in, the analogue signal at these instants out
:func:`transfer_curve`        harmonic levels to the coefficients of the output stage's transfer curve
============================  ================================================================================

A stimulus is worked through in blocks, so that memory and time per second stay the same whatever its length.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.station.interfaces.simulated.filters import (
    FILTER_REACH,
    OutputFilter,
    anti_alias_gain,
    anti_alias_reach,
    reconstruction_response,
)
from linecheck.station.interfaces.simulated.unit import FilterName

# Kernel: points across, and the exponent that suits them at an oversampling of 2 (Barnett et al.: 2.30 a
# point).
KERNEL_POINTS = 12
KERNEL_EXPONENT = 2.30 * KERNEL_POINTS
GRID_OVERSAMPLING = 2.0

# The grid on which the transfer curve works: its products are free of aliases up to this less half the
# capture's rate.
DENSE_RATE_HZ = 352_800
DENSE_BLOCK = 1 << 17
CHUNK_FRAMES = 1 << 13

FLAT = OutputFilter()

#: Where :attr:`Converter.slew` is stated.
SLEW_HZ = 10_000.0


@dataclass(frozen=True)
class Converter:
    """What a unit does to a signal between its input's samples and the capture's.

    Attributes
    ----------
    rate_hz : int
        The unit's nominal rate.
    capture_rate_hz : int
    filter : str
        Reconstruction filter.
    curve : tuple of float
        Coefficients of the transfer curve's bend d in y = x + d(x), of x**1, x**2, …; empty for a straight
        one.
    slew : float
        Amplitude of the third harmonic that the output stage's limited speed makes of a full-scale sine of
        :data:`SLEW_HZ`: with u the slope in parts of that sine's greatest it adds 4 · slew · u³.
    clip : float or None
        The output stage's rails, ± this, where full scale is 1.
    output : OutputFilter
    gains : tuple of float
        Per channel.
    crosstalk : float
        Amplitude at low frequency of each channel in every other.
    crosstalk_corner_hz : float
    """

    rate_hz: int
    capture_rate_hz: int
    filter: FilterName = "sharp"
    curve: tuple[float, ...] = ()
    slew: float = 0.0
    clip: float | None = None
    output: OutputFilter = FLAT
    gains: tuple[float, ...] = ()
    crosstalk: float = 0.0
    crosstalk_corner_hz: float = 10_000.0


@dataclass(frozen=True)
class _Block:
    """Sizes and responses that all blocks of one stimulus share.

    ``length`` input samples make ``dense`` grid points for the transfer curve and ``grid`` for the
    evaluation; ``pad`` of the samples at either end are spoilt by the transform's wrap. ``reconstruction``
    is the filter on the dense grid, ``final`` the anti-alias filter and the kernel's compensation on the
    lines that the capture keeps.
    """

    length: int
    pad: int
    oversampling: int
    grid: int
    reconstruction: ComplexArray
    final: FloatArray

    @property
    def core(self) -> int:
        """Input samples that a block is good for."""
        return self.length - 2 * self.pad


def capture_at(samples: FloatArray, positions: FloatArray, converter: Converter) -> FloatArray:
    """Return the analogue output at given instants.

    Parameters
    ----------
    samples : float64 array, shape (channels, frames)
        At the unit's rate, full scale 1.0.
    positions : float64 array, shape (captured frames,)
        Instants in periods of the unit's rate since the first sample's; they may lie outside the stimulus.
        Roughly ascending: no instant precedes an earlier one by more than a few periods.
    converter : Converter

    Returns
    -------
    float64 array, shape (channels, captured frames)
        Volts where ``gains`` are volts at full scale.
    """
    channels, frames = samples.shape
    captured = np.zeros((channels, len(positions)))
    block = _plan(converter.rate_hz, converter.capture_rate_hz, converter.filter, frames)
    reach = block.pad
    starts = np.arange(-reach, frames + reach, block.core)
    edges = np.searchsorted(np.maximum.accumulate(positions), np.append(starts, frames + reach))
    for start, first, last in zip(starts, edges[:-1], edges[1:], strict=True):
        if first < last:
            part = _padded(samples, int(start) - block.pad, block.length)
            if np.any(part):
                grid = _grid(part, block, converter)
                scale = block.grid / block.length
                where = (positions[first:last] - (start - block.pad)) * scale
                _evaluate(grid, where, captured[:, first:last])
    return captured


def _padded(samples: FloatArray, start: int, length: int) -> FloatArray:
    """Return ``length`` samples from ``start`` on, zero outside the stimulus."""
    part = np.zeros((len(samples), length))
    first, last = max(start, 0), min(start + length, samples.shape[1])
    if first < last:
        part[:, first - start : last - start] = samples[:, first:last]
    return part


@lru_cache(maxsize=8)
def _plan(rate_hz: int, capture_rate_hz: int, filter_name: FilterName, frames: int) -> _Block:
    """Choose block sizes that the transforms are fast on, and work out their responses."""
    from scipy.fft import next_fast_len

    oversampling = max(2, -(-DENSE_RATE_HZ // rate_hz))
    ratio = capture_rate_hz / rate_hz
    pad = FILTER_REACH + int(np.ceil((anti_alias_reach() + KERNEL_POINTS) / min(ratio, 8.0)))
    wanted = min(max(DENSE_BLOCK // oversampling, 8 * pad), frames + 4 * pad)
    length = 2 * next_fast_len(-(-wanted // 2), real=True)
    grid = next_fast_len(int(np.ceil(GRID_OVERSAMPLING * length * ratio)), real=True)
    reconstruction = reconstruction_response(filter_name, oversampling, length)
    lines = np.arange(min(len(reconstruction), int(np.ceil(length * ratio / 2.0))))
    final = anti_alias_gain(lines / (length * ratio)) / _kernel_response(lines / grid)
    return _Block(length, pad, oversampling, grid, reconstruction, final)


def _grid(samples: FloatArray, block: _Block, converter: Converter) -> FloatArray:
    """Return one block's output on the evaluation grid, shape (channels, grid)."""
    from scipy.fft import fft, irfft, rfft

    kept = len(block.final)
    bent = bool(converter.curve) or converter.slew > 0.0 or converter.clip is not None
    lines = len(block.reconstruction) if bent else kept
    # Samples are impulses: their spectrum repeats with the rate.
    spectrum = fft(samples)[:, np.arange(lines) % block.length] * block.reconstruction[:lines]
    if bent:
        dense = block.length * block.oversampling
        values = irfft(spectrum, dense) * block.oversampling
        slope = np.zeros(0)
        if converter.slew > 0.0:
            turn = 1j * np.arange(lines) * (converter.rate_hz / block.length / SLEW_HZ)
            slope = irfft(spectrum * turn, dense) * block.oversampling
        spectrum = rfft(_bend(values, slope, converter))[:, :kept] / block.oversampling
    spectrum = spectrum * (block.final * (block.grid / block.length))
    if converter.gains:
        spectrum *= np.array(converter.gains)[:, np.newaxis]
    frequency = np.arange(kept, dtype=np.float64) * (converter.rate_hz / block.length)
    if not converter.output.is_flat:
        spectrum *= converter.output.response(frequency)
    if converter.crosstalk > 0.0 and len(samples) > 1:
        leak = converter.crosstalk * (1.0 + 1j * frequency / converter.crosstalk_corner_hz)
        spectrum += (np.sum(spectrum, axis=0) - spectrum) * leak
    return np.asarray(irfft(spectrum, block.grid))


def _bend(values: FloatArray, slope: FloatArray, converter: Converter) -> FloatArray:
    """Apply the output stage's transfer curve, limited speed and rails."""
    if converter.curve:
        bend = np.full_like(values, converter.curve[-1])
        for coefficient in converter.curve[-2::-1]:
            bend *= values
            bend += coefficient
        bend += 1.0
        values = values * bend
    if converter.slew > 0.0:
        values = values + slope * slope * slope * (4.0 * converter.slew)
    return values if converter.clip is None else np.clip(values, -converter.clip, converter.clip)


def _kernel(distance: FloatArray) -> FloatArray:
    """Return the interpolation kernel at distances of -1 to 1 in half widths."""
    inside = np.maximum(1.0 - distance * distance, 0.0)
    return np.asarray(np.exp(KERNEL_EXPONENT * (np.sqrt(inside) - 1.0)))


def _kernel_response(frequency: FloatArray) -> FloatArray:
    """Return the kernel's Fourier transform at frequencies of 0 to 1/4 of the grid's rate."""
    nodes, weights = np.polynomial.legendre.leggauss(80)
    half = KERNEL_POINTS / 2.0
    heights = half * weights * _kernel(nodes)

    def transform(at: FloatArray) -> FloatArray:
        return np.asarray(np.cos(2.0 * np.pi * half * np.outer(at, nodes)) @ heights)

    highest = 0.26
    fit = np.polynomial.chebyshev.Chebyshev.interpolate(transform, 40, (0.0, highest))
    return np.asarray(fit(frequency))


def _evaluate(grid: FloatArray, positions: FloatArray, into: FloatArray) -> None:
    """Evaluate every channel between its grid's points, into an array of shape (channels, len(positions))."""
    half = KERNEL_POINTS / 2.0
    for first in range(0, len(positions), CHUNK_FRAMES):
        part = slice(first, first + CHUNK_FRAMES)
        base = np.ceil(positions[part] - half)
        distance = (base - positions[part]) / half
        index = base.astype(np.intp)
        for point in range(KERNEL_POINTS):
            weight = _kernel(distance + point / half)
            for channel in range(len(grid)):
                into[channel, part] += weight * grid[channel].take(index + point)


def transfer_curve(harmonics_db: tuple[float, ...]) -> tuple[float, ...]:
    """Return the coefficients of d in y = x + d(x) that gives a full-scale sine these harmonics.

    d(x) = Σ h_n (T_n(x) − T_n(0)): T_n(cos φ) = cos nφ, so that x = cos φ comes out with exactly h_n of cos
    nφ.

    Parameters
    ----------
    harmonics_db : tuple of float
        Of the 2nd, 3rd, … harmonic, re the fundamental.

    Returns
    -------
    tuple of float
        Of x**1, x**2, …
    """
    if not harmonics_db:
        return ()
    levels = np.concatenate(([0.0, 0.0], 10.0 ** (np.array(harmonics_db) / 20.0)))
    return tuple(np.polynomial.chebyshev.cheb2poly(levels)[1:].tolist())
