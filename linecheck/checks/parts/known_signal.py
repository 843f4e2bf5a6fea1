"""A capture of a known signal held against the signal: what its own smooth response would make of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.responses.sweeps import Transfer, transfer

#: A capture converter is flat up to this part of its rate, 20 kHz at 44.1 kHz (common practice, no source).
CAPTURE_EDGE = 0.4536
#: A response is fitted over so much to either side, at most.
MAX_HALF_WIDTH_HZ = 20.0
#: All over the band it is read at so many frequencies, from this bin on and so many bins short of the last.
POINTS, FIRST_BIN, LAST_BINS = 400, 8, 32


@dataclass(frozen=True)
class Spectra:
    """A captured signal and its reference at the same frequencies (by the unit's clock), re one moment of both."""

    captured: ComplexArray
    reference: ComplexArray
    spacing_hz: float
    frames: int


class AllOver(NamedTuple):
    """A response all over the band: at which bins of a spectrum, ascending, and what was found there."""

    bins: IntArray
    found: Transfer


def aligned(spectra: Spectra) -> tuple[Spectra, int]:
    """Take the unit's own delay off the captured spectrum, so that gains next to each other have the same phase.

    Also returns that delay in frames.
    """
    delay = int(np.argmax(likeness(spectra.captured, spectra.reference, spectra.frames)))
    cycles = np.arange(len(spectra.captured)) * (delay / spectra.frames)
    turn = np.exp(2j * np.pi * np.mod(cycles, 1.0))
    return replace(spectra, captured=spectra.captured * turn), delay


def likeness(captured: ComplexArray, reference: ComplexArray, frames: int) -> FloatArray:
    """Return how alike a captured signal and a reference are that begins at each of so many frames.

    The spectra go from 0 Hz as far as the reference's. Each frequency counts by its phase alone, so that the peak is
    sharp whatever the response.
    """
    from scipy.fft import irfft

    cross = np.zeros(frames // 2 + 1, dtype=np.complex128)
    count = len(reference)
    strength = np.maximum(np.abs(reference), 1e-3 * np.max(np.abs(reference)))
    cross[:count] = captured[:count] * np.conj(reference) / strength
    return np.abs(irfft(cross, frames))


def read_all_over(spectra: Spectra, lowest_hz: float = 0.0) -> AllOver:
    """Return the response some 35 times an octave."""
    first = max(FIRST_BIN, round(lowest_hz / spectra.spacing_hz))
    bins = np.unique(np.geomspace(first, len(spectra.captured) - LAST_BINS, POINTS).astype(np.int64))
    reach = np.clip(bins // 100, 2, int(MAX_HALF_WIDTH_HZ / spectra.spacing_hz)).astype(np.int64)
    return AllOver(bins, transfer(spectra.captured, spectra.reference, bins, reach))


def modelled(spectra: Spectra, response: AllOver) -> tuple[FloatArray, FloatArray]:
    """Return a captured signal and what its response makes of the reference, both shape (frames,).

    In between, the response is drawn smoothly, level and phase apart: near a steep edge, or where the unit's delay
    differs with frequency, a straight line between two complex gains is none.
    """
    from scipy.fft import irfft
    from scipy.interpolate import CubicSpline

    places, gains = response.bins, response.found.gains
    bins = np.arange(places[0], places[-1] + 1)
    phase = CubicSpline(places, np.unwrap(np.angle(gains)))(bins)
    drawn = CubicSpline(places, np.abs(gains))(bins) * np.exp(1j * phase)
    both = np.zeros((2, len(spectra.captured)), dtype=np.complex128)
    both[:, bins] = spectra.captured[bins], drawn * spectra.reference[bins]
    signal, model = irfft(both, spectra.frames)
    return signal, model
