"""How long audio takes from the playback to the capture, learnt from what was played and what came back.

Two streams that run on without a gap keep their distance, so a delay that was seen once tells where the next stimulus
will lie in the capture: the pause between two stimuli need not allow for what a driver may be wrong about.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.station.interfaces.sound.callbacks import Samples

#: Levels are compared in steps of this length, which is how closely a delay is known.
STEP_SECONDS = 0.001
SMOOTH_STEPS = 8
#: Below this agreement of the levels over time, what came back is not known to be what was played.
MIN_AGREEMENT = 0.97


def envelope(samples: Samples, rate_hz: int) -> FloatArray:
    """Return the level of all channels together in steps of a millisecond; what was never delivered counts as silence.

    Parameters
    ----------
    samples : int32 or float32 array, shape (frames, channels)
    rate_hz : int
    """
    steps = int(len(samples) / (rate_hz * STEP_SECONDS))
    if steps < 1:
        return np.zeros(0)
    edges = np.round(np.arange(steps + 1) * (rate_hz * STEP_SECONDS)).astype(np.int64)
    loud = np.abs(np.nan_to_num(samples.astype(np.float32))).sum(axis=1, dtype=np.float64)
    return np.asarray(np.add.reduceat(loud[: edges[-1]], edges[:-1]) / np.diff(edges))


def _smooth(level: FloatArray, mode: Literal["full", "valid"]) -> FloatArray:
    """Average over a few steps, so that the moments of a noise-like signal need not agree, only its level."""
    return np.convolve(level, np.full(SMOOTH_STEPS, 1.0 / SMOOTH_STEPS), mode=mode)


def lag_seconds(played: Samples, rate_hz: int, captured: Samples, capture_rate_hz: int) -> float | None:
    """Return how much later than the capture's first frame the first frame played arrived; below zero where before it.

    The lag at which the levels over time agree best; None where they agree nowhere, as those of silence do.

    Parameters
    ----------
    played, captured : int32 or float32 arrays, shape (frames, channels)
        Before and after what was played there is silence.
    rate_hz, capture_rate_hz : int
    """
    sent, back = envelope(played, rate_hz), envelope(captured, capture_rate_hz)
    if not len(sent) or len(back) < 2 * SMOOTH_STEPS or not np.max(sent) > 0.0:
        return None
    # What the capture's ends cut through is left out; before and after what was played there is silence.
    sent, back = _smooth(sent, "full"), _smooth(back, "valid")
    back = back - np.min(back)
    length = 1 << int(len(sent) + len(back)).bit_length()
    together = np.fft.irfft(np.fft.rfft(back, length) * np.conj(np.fft.rfft(sent, length)), length)
    lags = np.concatenate((np.arange(length // 2), np.arange(-length // 2, 0)))
    # By how alike the two are, not by their product: what the capture's ends cut off must not count against a lag.
    energy = np.concatenate(([0.0], np.cumsum(sent**2)))
    inside = energy[np.clip(len(back) - lags, 0, len(sent))] - energy[np.clip(-lags, 0, len(sent))]
    possible = inside > 0.25 * energy[-1]
    if not np.any(possible):
        return None
    alike = np.where(possible, together, 0.0) / np.sqrt(np.where(possible, inside, 1.0))
    lag = int(lags[np.argmax(alike)])
    expected = np.zeros(len(back))
    first, last = max(lag, 0), min(lag + len(sent), len(back))
    expected[first:last] = sent[first - lag : last - lag]
    # Half of what was played, at least, must be in the capture.
    if (
        float(np.sum(expected)) < 0.5 * float(np.sum(sent))
        or not np.ptp(expected) > 0.0
        or not np.ptp(back) > 0.0
    ):
        return None
    agreement = float(np.corrcoef(expected, back)[0, 1])
    return (lag + SMOOTH_STEPS - 1) * STEP_SECONDS if agreement >= MIN_AGREEMENT else None
