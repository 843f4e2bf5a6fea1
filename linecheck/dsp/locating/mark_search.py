"""Finding marks (:mod:`~linecheck.dsp.locating.marks`) in a recording, and reading them.

============================  =====================================================================================
:class:`SyncFinder`           where marks may be, block by block
:class:`PayloadReader`        what one of them says
============================  =====================================================================================

Both correlate with chirps that are made at the search's own rate, in the frequency domain: the bins left out on
the way back lower the rate at the same time, so that a recording at 192 kHz costs little more than one transform of it.
The magnitude of the analytic correlation is used, so neither polarity nor a turn of phase matters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.locating.marks import (
    BIT_SECONDS,
    BITS,
    CODE_BITS,
    HIGH_HZ,
    LOW_HZ,
    LOWEST_RATE_HZ,
    PAYLOAD_AT_SECONDS,
    SYNC_AT_SECONDS,
    SYNC_SECONDS,
    MarkCode,
    chirp,
    decode,
    decode_channel,
)

FloatBlock = NDArray[np.float32]
ComplexBlock = NDArray[np.complex64]

#: Clocks differ by up to this much.
CLOCK_TOLERANCE = 1.1e-3
#: Of the power in the chirps' band, a sync must explain so much. Noise alone explains one part in 550 on average, and
#: so much as this once in e**44 trials.
MIN_SHARE = 0.08
#: Re the loudest sample around; below it lies what single precision leaves of it.
MIN_AMPLITUDE = 3e-5
#: So far from its ends a block's own sharp edges show.
GUARD_SECONDS = 0.02
#: Power counts so far beside a sync, where a mark is silent: the end of something loud is no mark.
BESIDE_SECONDS = 0.012
#: Syncs closer than this are the same one.
APART_SECONDS = 0.05
#: Frames of a block at the search's rate: 6 to 8 seconds.
BLOCK_FRAMES = 2**17
#: Payloads are read at this rate or above, where the recording has it: polarity needs the phase.
PAYLOAD_RATE_HZ = 32_000
#: So much before and after its payload is read along with it.
MARGIN_SECONDS = 0.01
#: Where the weaker chirp of a bit comes this close to the stronger one, two marks sound at once.
MIXED = 0.6
#: Phases that agree less than this on a polarity tell none.
MIN_AGREEMENT = 0.5


@dataclass(frozen=True)
class Sync:
    """A place where a mark may be.

    Attributes
    ----------
    frame : float
        Where its sync begins.
    amplitude : float
        Peak amplitude of the chirp.
    share : float
        How much of the power in its band it explains, 0 to 1.
    """

    frame: float
    amplitude: float
    share: float


@dataclass(frozen=True)
class Payload:
    """What the bits of a mark say.

    Attributes
    ----------
    code : MarkCode or None
        None where their checksum is wrong.
    channel : int or None
        In which channel the mark was played; None where that cannot be told.
    mixed : bool
        Whether marks of different channels sound at once.
    polarity : int
        +1, -1 where inverted, 0 where that cannot be told.
    """

    code: MarkCode | None
    channel: int | None
    mixed: bool
    polarity: int


class _Correlator:
    """Correlation of blocks with chirps, at a rate lowered by a whole number."""

    def __init__(self, rate_hz: float, factor: int, frames: int, chirps: Sequence[FloatArray]) -> None:
        from scipy.fft import rfft

        self.rate_hz, self.factor, self.frames = rate_hz / factor, factor, frames
        half = frames // 2
        self.energies = [float(np.sum(entry**2)) for entry in chirps]
        place = np.arange(half) * (self.rate_hz / frames)
        rise = np.clip(np.minimum(place - 0.6 * LOW_HZ, 1.2 * HIGH_HZ - place) / (0.4 * LOW_HZ), 0.0, 1.0)
        # Without steps in any spectrum, what is loud dies away at once where it ends.
        band = (0.5 - 0.5 * np.cos(np.pi * rise)) / factor
        self._band = band.astype(np.float32)
        self._spectra = [
            (np.conj(rfft(entry, frames)[:half]) * (2.0 / energy) * band).astype(np.complex64)
            for entry, energy in zip(chirps, self.energies, strict=True)
        ]

    def spectrum(self, values: FloatBlock) -> ComplexBlock:
        """Return the lower bins of a block of ``frames * factor`` frames."""
        from scipy.fft import rfft

        return np.asarray(rfft(values)[: self.frames // 2], dtype=np.complex64)

    def amplitudes(self, spectrum: ComplexBlock, index: int) -> ComplexBlock:
        """Return the complex amplitude of a chirp that begins at each frame."""
        from scipy.fft import ifft

        product = np.zeros(self.frames, dtype=np.complex64)
        product[: self.frames // 2] = spectrum * self._spectra[index]
        return np.asarray(ifft(product, overwrite_x=True))

    def energy(self, spectrum: ComplexBlock, length: int) -> FloatArray:
        """Return the energy of the chirps' band in the ``length`` frames from each one on."""
        from scipy.fft import irfft

        inside = irfft(np.append(spectrum * self._band, np.complex64(0.0)), self.frames)
        total = np.concatenate(([0.0], np.cumsum(inside.astype(np.float64) ** 2)))
        return np.asarray(total[length:] - total[:-length])


class SyncFinder:
    """Finds syncs in one channel of a recording, block by block.

    Parameters
    ----------
    rate_hz : float
        Of the recording.

    Attributes
    ----------
    frames : int
        Length of a block.
    hop : int
        From one block's beginning to the next one's.
    first : int
        The recording's first frame lies this far inside the first block, behind zeros.
    """

    def __init__(self, rate_hz: float) -> None:
        self._factor = max(1, int(rate_hz // LOWEST_RATE_HZ))
        low_hz = rate_hz / self._factor
        sync = chirp(low_hz, SYNC_SECONDS)
        self._length, self._guard = len(sync), int(np.ceil(GUARD_SECONDS * low_hz))
        self._correlator = _Correlator(rate_hz, self._factor, BLOCK_FRAMES, [sync])
        self._beside = int(BESIDE_SECONDS * low_hz)
        self._apart = int(APART_SECONDS * low_hz)
        self.frames = BLOCK_FRAMES * self._factor
        self.hop = self.frames - (self._length + 2 * self._guard) * self._factor
        self.first = self._guard * self._factor

    def find(self, values: FloatBlock) -> list[Sync]:
        """Return the syncs that begin in the inside of a block, in frames from the block's beginning.

        Parameters
        ----------
        values : float32 array, shape (frames,)
        """
        spectrum = self._correlator.spectrum(values)
        amplitudes = self._correlator.amplitudes(spectrum, 0)
        energy = self._correlator.energy(spectrum, self._length + 2 * self._beside)
        inside = slice(self._guard, self._guard + self.hop // self._factor)
        around = slice(inside.start - self._beside, inside.stop - self._beside)
        explained = np.abs(amplitudes[inside]) ** 2 * self._correlator.energies[0]
        loudest = max(float(np.max(values)), -float(np.min(values)), 1e-30)
        floor = self._correlator.energies[0] * (MIN_AMPLITUDE * loudest) ** 2
        shares = explained / np.maximum(energy[around], floor)
        return [self._sync(amplitudes, shares, place) for place in _peaks(shares, MIN_SHARE, self._apart)]

    def _sync(self, amplitudes: ComplexBlock, shares: FloatArray, place: int) -> Sync:
        at = self._guard + place
        offset, height = _vertex(np.abs(amplitudes[at - 1 : at + 2]).astype(np.float64))
        return Sync((at + offset) * self._factor, height, min(1.0, float(shares[place])))


class PayloadReader:
    """Reads the bits of a mark whose sync has been found.

    Parameters
    ----------
    rate_hz : float
        Of the recording.

    Attributes
    ----------
    before : int
        The stretch to be read begins so many frames after the sync's beginning.
    frames : int
        Its length.
    """

    def __init__(self, rate_hz: float) -> None:
        from scipy.fft import next_fast_len

        factor = max(1, int(rate_hz // PAYLOAD_RATE_HZ))
        low_hz = rate_hz / factor
        seconds = BITS * BIT_SECONDS * (1.0 + CLOCK_TOLERANCE) + 2.0 * MARGIN_SECONDS
        frames = 2 * next_fast_len(int(np.ceil(0.5 * seconds * low_hz)))
        chirps = [chirp(low_hz, BIT_SECONDS, falling=falling) for falling in (True, False)]
        self._correlator = _Correlator(rate_hz, factor, frames, chirps)
        self.before = round((PAYLOAD_AT_SECONDS - SYNC_AT_SECONDS - MARGIN_SECONDS) * rate_hz)
        self.frames = frames * factor

    def read(self, values: FloatBlock, offset: float = 0.0) -> Payload:
        """Return what is read in the ``frames`` frames that begin ``before`` frames after a sync's beginning.

        Parameters
        ----------
        values : float32 array, shape (frames,)
        offset : float
            Frames by which the sync begins later than that.
        """
        spectrum = self._correlator.spectrum(values)
        envelopes = [self._correlator.amplitudes(spectrum, index) for index in (0, 1)]
        heights = np.zeros((2, BITS))
        phases = np.zeros((2, BITS))
        for bit in range(BITS):
            for index, envelope in enumerate(envelopes):
                heights[index, bit], phases[index, bit] = self._chirp(envelope, bit, offset)
        bits = (heights[1] > heights[0]).astype(np.uint8)
        mixed = np.min(heights, axis=0) > MIXED * np.max(heights, axis=0)
        number, inverse = np.split(mixed[CODE_BITS:], 2)
        code = decode(bits)
        return Payload(
            code,
            decode_channel(bits) if code is not None else None,
            code is not None and bool(np.any(number & inverse)),
            _polarity(heights, phases, bits) if code is not None else 0,
        )

    def _chirp(self, envelope: ComplexBlock, bit: int, offset: float) -> tuple[float, float]:
        """Return height and phase of a chirp near where a bit should begin."""
        rate = self._correlator.rate_hz
        seconds = MARGIN_SECONDS + bit * BIT_SECONDS
        reach = CLOCK_TOLERANCE * (seconds + PAYLOAD_AT_SECONDS) + 1.5e-4
        at = seconds * rate + offset / self._correlator.factor
        first = max(1, int(at - reach * rate))
        stop = min(len(envelope) - 1, int(at + reach * rate) + 2)
        place = first + int(np.argmax(np.abs(envelope[first:stop])))
        offset, height = _vertex(np.abs(envelope[place - 1 : place + 2]).astype(np.float64))
        turn = 2.0 * np.pi * 0.5 * (LOW_HZ + HIGH_HZ) / rate * offset
        return height, float(np.angle(envelope[place])) + turn


def _polarity(heights: FloatArray, phases: FloatArray, bits: NDArray[np.uint8]) -> int:
    """Return which way round the chirps came, by their phases."""
    place = np.arange(BITS)
    weights = heights[bits, place]
    agreement = float(np.sum(weights * np.cos(phases[bits, place])) / np.sum(weights))
    return int(np.sign(agreement)) if abs(agreement) > MIN_AGREEMENT else 0


def _peaks(values: FloatArray, least: float, apart: int) -> list[int]:
    """Return where values have their greatest in each run above ``least``; runs closer than ``apart`` are one."""
    above = np.flatnonzero(values > least)
    if not len(above):
        return []
    runs = np.split(above, np.flatnonzero(np.diff(above) > apart) + 1)
    return [int(run[np.argmax(values[run])]) for run in runs]


def _vertex(three: FloatArray) -> tuple[float, float]:
    """Return place and height of the top of a parabola through three points around a greatest one."""
    if len(three) < 3:
        return 0.0, float(np.max(three))
    left, middle, right = (float(value) for value in three)
    bend = left - 2.0 * middle + right
    offset = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    offset = min(0.5, max(-0.5, offset))
    return offset, middle - 0.25 * (left - right) * offset
