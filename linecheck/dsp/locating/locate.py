"""Finding when a steady signal of known tones sounds in a longer recording.

==========================  ===========================================================================
:func:`tone_envelope`       amplitude of a tone over time, block by block
:func:`steady_span`         the longest stretch over which an envelope is there, and its settled inside
:func:`loudest_span`        the same of the strongest of several envelopes
:func:`tone_blocks`         complex amplitude of a tone, block by block
==========================  ===========================================================================
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import BoolArray, ComplexArray, FloatArray

#: Four hops under a Hann-like weight: selective enough that hum and offsets do not pass for a tone.
_WEIGHTS = np.array([0.1464466, 0.3535534, 0.3535534, 0.1464466])


#: Of the points so near to one on either side most belong to the plateau, and none is so many times as high.
AROUND, LOUDER = 4, 2.0
#: So many clicks louder than a signal are looked past.
MAX_CLICKS = 8


@dataclass(frozen=True)
class Span:
    """A stretch of an envelope, in hops: where it sounds, and its settled inside; ``stop`` is one past the last."""

    start: int
    stop: int
    settled_start: int
    settled_stop: int
    level: float


def hop_frames(frequency: float, rate_hz: float) -> int:
    """Return the length of an envelope's block: 4 ms, or one period of the tone (cycles per frame) if longer."""
    return round(max(0.004 * rate_hz, 1.0 / frequency))


def tone_blocks(values: FloatArray, frequency: float, hop: int) -> ComplexArray:
    """Return the complex amplitude of a tone in each block of ``hop`` frames, phase re a continuous tone.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequency : float
        Cycles per frame.
    hop : int

    Returns
    -------
    complex128 array, shape (frames // hop,)
    """
    count = len(values) // hop
    inner = np.arange(hop) * frequency
    basis = np.exp(-2j * np.pi * inner)
    table = values[: count * hop].reshape(count, hop)
    sums = table @ basis.real + 1j * (table @ basis.imag)
    starts = np.arange(count) * (hop * frequency)
    blocks: ComplexArray = sums * np.exp(-2j * np.pi * (starts - np.rint(starts))) * (2.0 / hop)
    return blocks


def tone_envelope(values: FloatArray, frequency: float, hop: int) -> FloatArray:
    """Return the amplitude of a tone over time, shape (frames // hop - 3,); point k covers hops k to k + 3."""
    blocks = tone_blocks(values, frequency, hop)
    if len(blocks) < 4:
        return np.zeros(0)
    return np.abs(np.convolve(blocks, _WEIGHTS, mode="valid"))


def _runs(flags: BoolArray, gap: int) -> list[tuple[int, int]]:
    """Return (start, stop) of runs of True, joined across gaps of at most ``gap``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    runs: list[tuple[int, int]] = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if runs and start - runs[-1][1] <= gap:
            runs[-1] = (runs[-1][0], int(stop))
        else:
            runs.append((int(start), int(stop)))
    return runs


def _longest(envelope: FloatArray, gap: int) -> tuple[int, int] | None:
    """Return the longest stretch in which an envelope is above half its plateau.

    A click louder than the signal is shorter than the holes that the signal may have: it is looked past.
    """
    left, first = envelope, None
    for _ in range(MAX_CLICKS):
        if not len(left) or not np.max(left) > 0.0:
            break
        plateau = float(np.median(left[left > 0.5 * np.max(left)]))
        runs = _runs(left > 0.5 * plateau, gap)
        start, stop = max(runs, key=lambda run: run[1] - run[0])
        first = first or (start, stop)
        if stop - start > gap:
            return start, stop
        left = np.where(left > 0.5 * plateau, 0.0, left)
    return first


def steady_span(envelope: FloatArray, gap: int, sag: float = 0.03) -> Span | None:
    """Return the longest stretch where an envelope stays near its plateau; None where there is no plateau.

    Parameters
    ----------
    envelope : float64 array, shape (hops,)
    gap : int
        Holes of at most so many hops do not end the stretch: a dropout inside a stimulus is found later, as such.
    sag : float
        The settled inside may lie below the plateau by this share of it, more where the plateau itself ripples.
    """
    stretch = _longest(envelope, gap)
    if stretch is None:
        return None
    start, stop = stretch
    inside = envelope[start:stop]
    # The median, as a hole or a click inside would move the mean or the greatest value.
    plateau = float(np.median(inside))
    ripple = 1.4826 * float(np.median(np.abs(inside - plateau))) / plateau
    near = inside > plateau * (1.0 - max(sag, min(0.4, 4.0 * ripple)))
    # A click at either end is no part of it, nor what dies away of it.
    beside = near & (inside < LOUDER * plateau)
    most = np.convolve(beside, np.ones(2 * AROUND + 1))[AROUND : AROUND + len(beside)] > AROUND
    settled = np.flatnonzero(most & beside) if np.any(most & beside) else np.flatnonzero(near)
    if not len(settled):
        return None
    return Span(start, stop, start + int(settled[0]), start + int(settled[-1]) + 1, plateau)


def loudest_span(envelopes: Iterable[FloatArray], gap: int, sag: float = 0.03) -> Span | None:
    """Return the :func:`steady_span` of the envelope whose plateau is highest; None where none has one."""
    spans = (steady_span(envelope, gap, sag) for envelope in envelopes)
    return max((span for span in spans if span is not None), key=lambda span: span.level, default=None)
