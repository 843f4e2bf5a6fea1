"""A recording at the lowest rate that its band of interest needs: what follows costs that much less."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray

#: The new rate over the highest frequency of interest: 44.1 kHz still holds 20 kHz.
MIN_RATE_OVER_TOP = 2.2
#: Where the complementary error function has fallen to 1e-9: the pass band's greatest error, and what is cut off.
REACH = 4.32
#: Blocks overlap by so many times what an edge takes to die away to that, and are so many times as long.
OVERLAP, BLOCK_OVERLAPS = 1.4, 8


@dataclass(frozen=True)
class Narrowed:
    """A recording at a lower rate.

    Attributes
    ----------
    values : float64 array, shape (channels, frames)
        Frame ``k`` is frame ``k * factor`` of the recording.
    rate_hz : float
    factor : int
    clear : tuple of int
        The frames between which the recording's own sharp ends do not show.
    """

    values: FloatArray
    rate_hz: float
    factor: int
    clear: tuple[int, int]

    def between(self, channel: int, start: int, stop: int) -> FloatArray:
        """Return what lies between two frames of the recording, its sharp ends left out."""
        first, last = self.inside(start, stop)
        return self.values[channel, first:last]

    def inside(self, start: int, stop: int) -> tuple[int, int]:
        """Return the frames here that lie between two frames of the recording."""
        first = max(-(-start // self.factor), self.clear[0])
        return first, max(first, min(-(-stop // self.factor), self.clear[1]))

    def seconds(self, start: int, frame: float) -> float:
        """Return when a frame comes, counted from the first here that lies at or after one of the recording."""
        return (self.inside(start, start)[0] + frame) / self.rate_hz


def narrowing_factor(rate_hz: float, top_hz: float) -> int:
    """Return the greatest whole number that a rate can be divided by with everything up to ``top_hz`` kept."""
    return max(1, int(rate_hz / (MIN_RATE_OVER_TOP * top_hz)))


def narrow(values: FloatArray, rate_hz: float, factor: int) -> Narrowed:
    """Divide the rate of a recording by a whole number.

    Its transform is cut off above a slope in the form of the complementary error function, which ends at half the new
    rate: below the slope nothing changes by more than one part in 10**9, nothing above half the new rate is left to
    fold back, and the response to an edge dies away within a few milliseconds. So blocks that overlap by that, short
    enough for the processor's cache, give what one transform of the whole would, in a quarter of its time.

    Parameters
    ----------
    values : float64 array, shape (channels, frames)
    rate_hz : float
    factor : int
        From :func:`narrowing_factor`; 1 changes nothing.
    """
    from scipy.fft import irfft, rfft
    from scipy.special import erfc

    channels, frames = values.shape
    if factor == 1:
        return Narrowed(values, rate_hz, 1, (0, frames))
    half = 0.5 / factor
    pass_band = half / (0.5 * MIN_RATE_OVER_TOP)
    width = 0.5 * (half - pass_band) / REACH
    # The slope's transform is a Gaussian of standard deviation 1 / (π · √2 · width).
    edge = int(np.ceil(REACH / (np.pi * width) / factor)) + 1
    overlap = int(OVERLAP * edge)
    block = 1 << int(np.ceil(np.log2(BLOCK_OVERLAPS * overlap)))
    hop = block - 2 * overlap
    padded = np.zeros((channels, factor * (hop * -(-frames // (hop * factor)) + 2 * overlap)))
    padded[:, factor * overlap : factor * overlap + frames] = values
    pieces = np.lib.stride_tricks.sliding_window_view(padded, factor * block, axis=1)[:, :: factor * hop]
    slope = 0.5 * erfc((np.arange(block // 2 + 1) / (factor * block) - 0.5 * (half + pass_band)) / width)
    slope[-1] = 0.0
    spectrum = rfft(pieces, axis=2)[:, :, : block // 2 + 1] * (slope / factor)
    whole = irfft(spectrum, block, axis=2)[:, :, overlap : block - overlap].reshape(channels, -1)
    result = whole[:, : -(-frames // factor)]
    result.setflags(write=False)
    count = result.shape[1]
    return Narrowed(result, rate_hz / factor, factor, (min(edge, count // 2), max(count - edge, count // 2)))
