"""Fitting sines: at known frequencies by linear least squares, at unknown ones by Gauss–Newton.

Frequencies are in cycles per frame. Time zero is the middle of the record, ``n - (N - 1) / 2``: there the cosine and
sine parts decouple, and a phase has its least variance. A tone is ``Re(c · exp(2πi f n))``, so ``abs(c)`` is its peak
amplitude and ``angle(c)`` its phase in the middle of the record.

============================ ============================================================================
:func:`project`              Fourier sums at any frequencies
:func:`fit_tones`            tones of known frequencies, and a constant
:func:`fit_known_tones`      the same with what they leave
:func:`fit_tones_and_lines`  tones of known ratio (harmonics, a multi-tone) and lines of unrelated frequencies
:func:`fit_scaled_tones`     only the tones
:func:`fit_lines`            only the lines
:func:`synthesise`           the sum of tones
:func:`peak_frequency`       coarse: the strongest line in a band of a windowed spectrum
:func:`fit_tapered`          tones beside far stronger lines, hum or drift, which must not leak into them
============================ ============================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from linecheck.dsp.arrays import BoolArray, ComplexArray, FloatArray
from linecheck.dsp.spectra.spectra import peak_places

#: Tones of at least this share of the strongest one's power steer a shared frequency.
STRONG_SHARE = 0.1
#: So many times follow each other in the finer of two tables of sines; below so many sines one table is as fast.
NEAR, WORTH_PRODUCTS = 16, 1500
#: How far a line moves from where it was found, in cycles over the record.
LINE_REACH = 0.3
#: Share of a record over which its weight rises at either end: noise counts 1.1 times as much, far lines vanish.
SLOPE = 0.125


@dataclass(frozen=True)
class ToneFit:
    """Fitted tones.

    Attributes
    ----------
    frequencies : float64 array, shape (tones,)
        Cycles per frame.
    amplitudes : complex128 array, shape (tones,)
        Peak amplitude and phase in the middle of the record.
    constant : float
        The constant part.
    scale : float
        Fitted frequencies over those handed in; 1 where they were held.
    """

    frequencies: FloatArray
    amplitudes: ComplexArray
    constant: float
    scale: float = 1.0


def _turns(cycles: FloatArray) -> ComplexArray:
    """Return exp(2πi · cycles), with whole cycles taken off first so that no precision is lost."""
    angle = (cycles - np.rint(cycles)) * (2.0 * np.pi)
    turns = np.empty(angle.shape, dtype=np.complex128)
    np.cos(angle, out=turns.real)
    np.sin(angle, out=turns.imag)
    return turns


def _turns_at(frequencies: FloatArray, first: float, step: int, count: int) -> ComplexArray:
    """Return exp(2πi · frequency · time) at evenly spaced times, shape (count, tones).

    Products of far and near ones: a sine costs twenty times a product, which adds one rounding of 1e-16.
    """
    if count * len(frequencies) < WORTH_PRODUCTS:
        return _turns(np.multiply.outer(first + step * np.arange(count), frequencies))
    near = step * np.arange(float(NEAR))
    far = first + step * NEAR * np.arange(-(-count // NEAR))
    table = _turns(np.multiply.outer(far, frequencies))[:, None] * _turns(
        np.multiply.outer(near, frequencies)
    )
    return table.reshape(-1, len(frequencies))[:count]


def _block_frames(frames: int) -> int:
    """Return the length of a block.

    The cost is a sine and cosine per tone for each frame of a block and for each block: least near the square root.
    """
    block: int = 1 << round(np.log2(max(64.0, min(1024.0, frames**0.5))))
    return block


class _Tables:
    """Tones over a record, time zero in its middle, as products of two tables: of blocks, and of frames in a block."""

    def __init__(self, frames: int, frequencies: FloatArray) -> None:
        self.frames, self.block = frames, _block_frames(frames)
        blocks = -(-frames // self.block)
        self._outer = _turns_at(frequencies, -0.5 * (frames - 1), self.block, blocks)
        self._inner = _turns_at(frequencies, 0.0, 1, self.block)
        with_constant = np.concatenate(([0.0], frequencies))
        pairs = np.subtract.outer(with_constant, with_constant), np.add.outer(with_constant, with_constant)
        difference, addition = _dirichlet(np.stack(pairs), frames)
        # Of the normal equations, of the constant and cosines, and of sines: on centred times these do not mix.
        self.cosines, self.sines = 0.5 * (difference + addition), 0.5 * (difference - addition)[1:, 1:]

    def project(self, values: FloatArray, which: BoolArray | slice = slice(None)) -> ComplexArray:
        """Return the projections on some of the tones."""
        outer, inner = self._outer[:, which], np.ascontiguousarray(self._inner[:, which])
        whole, rest = divmod(self.frames, self.block)
        table = values[: whole * self.block].reshape(whole, self.block)
        # Real and imaginary parts as columns side by side: one product of real matrices reads the record once.
        parts = inner.view(np.float64)
        sums = (table @ parts).view(np.complex128)
        # Of the conjugates' sum the conjugate: values are real.
        total = np.sum(sums * outer[:whole], axis=0)
        if rest:
            total += (values[whole * self.block :] @ parts[:rest]).view(np.complex128) * outer[whole]
        centred: ComplexArray = np.conj(total)
        return centred

    def synthesise(self, amplitudes: ComplexArray, constant: float) -> FloatArray:
        """Return the sum of the tones."""
        # Re(a·b) is the product of a's parts with those of b's conjugate.
        outer, inner = self._outer * amplitudes, np.conj(self._inner)
        table = outer.view(np.float64) @ inner.view(np.float64).T
        table += constant
        values: FloatArray = table.reshape(-1)[: self.frames]
        return values


def _tables(frames: int, frequencies: FloatArray) -> _Tables:
    """Return the tables of tones over a record, which the same tones in the next record of its length need again."""
    return _made_tables(frames, np.asarray(frequencies, dtype=np.float64).tobytes())


@lru_cache(maxsize=16)
def _made_tables(frames: int, frequencies: bytes) -> _Tables:
    return _Tables(frames, np.frombuffer(frequencies))


def project(values: FloatArray, frequencies: FloatArray) -> ComplexArray:
    """Return ``sum(values[n] · exp(-2πi f n))`` with n from the middle of the record.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        Cycles per frame.

    Returns
    -------
    complex128 array, shape (tones,)
    """
    return _tables(len(values), frequencies).project(values)


def synthesise(
    frames: int, frequencies: FloatArray, amplitudes: ComplexArray, constant: float = 0.0
) -> FloatArray:
    """Return the sum of tones, shape (frames,), time zero in the middle of the record."""
    return _tables(frames, frequencies).synthesise(amplitudes, constant)


def _dirichlet(cycles: FloatArray, frames: int) -> FloatArray:
    """Return ``sum(cos(2π f n))`` over a centred record of ``frames``: sin(πfN)/sin(πf), ±N at whole f.

    The centred times of an even number of frames are halves, so there the sum changes sign with every whole cycle.
    """
    whole = np.rint(cycles)
    part = cycles - whole
    sine = np.sin(np.pi * part)
    small = np.abs(sine) < 1e-12
    quotient = np.sin(np.pi * (part * frames)) / np.where(small, 1.0, sine)
    sign = np.where((whole % 2 != 0) & (frames % 2 == 0), -1.0, 1.0)
    result: FloatArray = sign * np.where(small, float(frames), quotient)
    return result


def fit_tones(values: FloatArray, frequencies: FloatArray) -> ToneFit:
    """Fit tones of known frequencies and a constant by linear least squares.

    The normal equations are written down in closed form (Dirichlet kernels), so the cost is one projection. This is the
    three-parameter sine fit of IEEE 1057, for many tones at once.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        Cycles per frame, distinct, between 0 and 0.5 exclusive.
    """
    return _fit(values, frequencies, _tables(len(values), frequencies))


def fit_known_tones(values: FloatArray, frequencies: FloatArray) -> tuple[ToneFit, FloatArray]:
    """Fit tones of known frequencies and a constant; return what they leave of the record too."""
    tables = _tables(len(values), frequencies)
    fit = _fit(values, frequencies, tables)
    return fit, values - tables.synthesise(fit.amplitudes, fit.constant)


def _fit(values: FloatArray, frequencies: FloatArray, tables: _Tables) -> ToneFit:
    sums = tables.project(values)
    cosine = np.linalg.solve(tables.cosines, np.concatenate(([float(np.sum(values))], sums.real)))
    sine = np.linalg.solve(tables.sines, sums.imag) if len(frequencies) else sums.imag
    return ToneFit(frequencies, np.asarray(cosine[1:] + 1j * sine, dtype=np.complex128), float(cosine[0]))


def fit_tones_and_lines(
    values: FloatArray, tones: FloatArray, lines: FloatArray, *, iterations: int = 5
) -> tuple[ToneFit, ToneFit, FloatArray]:
    """Fit tones that share one scale of frequency, and lines that have each their own, all together.

    Gauss–Newton on the frequencies, linear least squares on everything else. For a fundamental with harmonics this is
    the four-parameter sine fit of IEEE 1057 with the harmonics added; for a multi-tone the scale is the one clock ratio
    that all its tones share. In white noise it reaches the Cramér–Rao bound.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    tones : float64 array, shape (tones,)
        Cycles per frame; their scale may be off by about a third of a cycle over the record. May be empty.
    lines : float64 array, shape (lines,)
        Cycles per frame, to about a tenth of a cycle over the record; none moves by more than 0.3, so that those which
        are a cycle apart from each other and from the tones stay apart. May be empty.
    iterations : int
        At most so many steps; fewer where all frequencies have settled.

    Returns
    -------
    tones, lines : ToneFit
        The constant stands with the tones.
    residual : float64 array, shape (frames,)
        What the fit leaves.
    """
    frames, count = len(values), len(tones)
    centred_time = np.arange(frames, dtype=np.float64) - 0.5 * (frames - 1)
    scale, moved = 1.0, lines.copy()
    for step in range(iterations + 1):
        frequencies = np.concatenate((tones * scale, moved))
        tables = _tables(frames, frequencies)
        fit = _fit(values, frequencies, tables)
        residual = values - tables.synthesise(fit.amplitudes, fit.constant)
        if step == iterations or not len(frequencies):
            break
        # d/df of Re(c exp(2πi f n)) is Re(2πi n c exp(…)); centred, it is all but orthogonal to the linear part.
        slope = 2j * np.pi * fit.amplitudes
        # Only the strong tones steer: high orders that hold nothing but noise would weigh by the square of their order.
        power = np.abs(fit.amplitudes) ** 2
        steers = np.ones(len(frequencies), dtype=bool)
        steers[:count] = power[:count] > STRONG_SHARE * np.max(power[:count], initial=0.0)
        inner = np.zeros(len(frequencies))
        inner[steers] = (tables.project(residual * centred_time, steers) * np.conj(slope[steers])).real
        energy = np.abs(slope) ** 2 * frames * (float(frames) ** 2 - 1.0) / 24.0
        top = float(np.sum((tones * inner[:count])[steers[:count]]))
        bottom = float(np.sum((tones**2 * energy[:count])[steers[:count]]))
        change = top / bottom if bottom > 0.0 else 0.0
        scale += change
        shift = inner[count:] / np.where(energy[count:] > 0.0, energy[count:], np.inf)
        before = moved
        moved = np.clip(moved + shift, lines - LINE_REACH / frames, lines + LINE_REACH / frames)
        largest = max(
            abs(change) * float(np.max(tones, initial=0.0)),
            float(np.max(np.abs(moved - before), initial=0.0)),
        )
        if largest * frames < 1e-9:
            break
    return (
        ToneFit(frequencies[:count], fit.amplitudes[:count], fit.constant, scale),
        ToneFit(frequencies[count:], fit.amplitudes[count:], 0.0),
        residual,
    )


def fit_scaled_tones(
    values: FloatArray, frequencies: FloatArray, *, iterations: int = 5
) -> tuple[ToneFit, FloatArray]:
    """Fit tones whose frequencies are known but for one shared scale: :func:`fit_tones_and_lines` with no lines."""
    fit, _, residual = fit_tones_and_lines(values, frequencies, np.zeros(0), iterations=iterations)
    return fit, residual


def fit_lines(
    values: FloatArray, frequencies: FloatArray, *, iterations: int = 3
) -> tuple[ToneFit, FloatArray]:
    """Fit lines of unrelated frequencies and a constant: :func:`fit_tones_and_lines` with no tones."""
    constant, fit, residual = fit_tones_and_lines(values, np.zeros(0), frequencies, iterations=iterations)
    return ToneFit(fit.frequencies, fit.amplitudes, constant.constant), residual


def peak_frequency(values: FloatArray, low: float, high: float) -> tuple[float, float]:
    """Return the frequency of the strongest line in a band, and how far it stands out.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    low, high : float
        The band, cycles per frame.

    Returns
    -------
    frequency : float
        Cycles per frame, interpolated between the bins of a Hann-windowed spectrum (to about 0.02 bin).
    prominence : float
        Power of the peak's bin over the median power of the band widened to at least 64 bins; noise alone gives about
        10 to 20.
    """
    from scipy.fft import next_fast_len, rfft

    frames = len(values)
    # Hann and no window with lower side lobes: a fit that starts here must be within a third of a bin, and a wider main
    # lobe tells a peak's place less well in noise.
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(frames) / frames)
    length = next_fast_len(2 * frames, real=True)
    power = np.abs(rfft((values - np.mean(values)) * window, length)) ** 2
    first = max(2, int(np.ceil(low * length)))
    last = max(first + 1, min(len(power) - 2, int(np.floor(high * length)) + 1))
    peak = first + int(np.argmax(power[first:last]))
    spare = max(0, 128 - (last - first))
    around = power[max(1, first - spare) : min(len(power), last + spare)]
    typical = float(np.median(around))
    # With the record padded to twice its length the logarithm of Hann's main lobe is close to a parabola.
    place = float(peak_places(power, np.array(peak)))
    prominence = float(power[peak]) / typical if typical > 0.0 else float("inf")
    return place / length, prominence


@lru_cache(maxsize=64)
def taper(frames: int) -> FloatArray:
    """Return weights that are 1 but for a raised cosine at either end, shape (frames,)."""
    slope = min(max(1, round(SLOPE * frames)), frames // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(slope) + 0.5) / slope)
    weights: FloatArray = np.concatenate((rise, np.ones(frames - 2 * slope), rise[::-1]))
    weights.setflags(write=False)
    return weights


def fit_tapered(values: FloatArray, tones: FloatArray) -> tuple[ComplexArray, FloatArray, float]:
    """Fit tones by least squares, then add what a tapered look at the rest still finds of them.

    What least squares leave of a line x cycles over the record away falls with 1/x, under the taper with 1/x³.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    tones : float64 array, shape (tones,)
        Cycles per frame.

    Returns
    -------
    amplitudes : complex128 array, shape (tones,)
        Peak amplitudes, phases in the middle of the record.
    rest : float64 array, shape (frames,)
        What least squares leave.
    share : float
        The variance of each part of an amplitude, and the mean square that noise adds to a tone's, per noise density
        (power per cycle per frame): 1/frames for least squares, about 1.1 times that here.
    """
    fit, rest = fit_known_tones(values, tones)
    weights = taper(len(values))
    total = float(np.sum(weights))
    amplitudes: ComplexArray = fit.amplitudes + project(rest * weights, tones) * (2.0 / total)
    return amplitudes, rest, float(weights @ weights) / total**2
