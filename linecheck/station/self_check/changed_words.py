"""How a path changed the words that it carried: turned, scaled, cut, dithered, converted, or past telling."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linecheck.station.self_check.correlate import correlation

__all__ = ["change_of"]

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

FULL_SCALE = 2.0**31
#: What correlates less than this with the words is none of theirs.
MIN_CORRELATION = 0.1
#: What holds that much of two channels' words mixes them.
MIXED = 0.3
#: A gain that is off by less is none: what dither and rounding leave of a fit.
GAIN_TOLERANCE = 1e-4
#: What is added to words is noise or dither below this, re the words; above it they were processed.
LITTLE_DB = -50.0
#: A path that loses so much of what lies above 0.46 of the rate has a converter's filter in it.
EDGE_DB = 10.0
EDGE_SHARE = 0.46
#: No converter's words are shorter.
MIN_BITS = 8
BLOCK = 4096


def change_of(words: IntArray, codes: IntArray, bits: int, channel: int) -> tuple[str, str, int | None]:
    """Return what was done to words, the same in a sentence's end, and where their first frame lies in the capture.

    Parameters
    ----------
    words, codes : int64 arrays, shape (frames, channels)
        Sent and received, left-justified in 32 bits.
    bits : int
        Word length that was sent.
    channel : int
        The one that is looked at.
    """
    sent, came = words / FULL_SCALE, codes / FULL_SCALE
    found = [_lag(sent[:, other], came[:, channel]) for other in range(words.shape[1])]
    other = int(np.argmax([abs(share) for _, share in found]))
    lag, share = found[other]
    if abs(share) < MIN_CORRELATION:
        return "absent", "what came back has nothing to do with the words that were sent", None
    mine, theirs = _overlap(words[:, other], codes[:, channel], lag)
    if np.array_equal(theirs, _negated(mine)):
        return "inverted", f"channel {channel + 1} came back inverted", lag
    also = [index + 1 for index, (_, share) in enumerate(found) if abs(share) > MIXED]
    if len(also) > 1:
        return (
            "mixed",
            f"channel {channel + 1} carries the words of channels {', '.join(map(str, also))}",
            lag,
        )
    cut = _cut(mine, theirs, bits)
    if cut is not None:
        return *cut, lag
    return *_scaled_or_filtered(mine / FULL_SCALE, theirs / FULL_SCALE), lag


def _lag(sent: FloatArray, came: FloatArray) -> tuple[int, float]:
    """Return where a signal begins in another and how well it fits there (1 alike, -1 inverted, 0 not there)."""
    products = correlation(came, sent)
    at = int(np.argmax(np.abs(products)))
    lag = at - (len(sent) - 1)
    mine, theirs = _overlap(sent, came, lag)
    norm = float(np.sqrt(np.sum(mine**2) * np.sum(theirs**2)))
    return lag, float(products[at]) / norm if norm > 0.0 else 0.0


def _overlap(sent: NDArray[np.generic], came: NDArray[np.generic], lag: int) -> tuple[FloatArray, FloatArray]:
    start, stop = max(0, -lag), min(len(sent), len(came) - lag)
    return np.asarray(sent[start:stop]), np.asarray(came[lag + start : lag + stop])


def _negated(words: NDArray[np.generic]) -> IntArray:
    """Return words with the other sign; the lowest has no opposite and may have become the highest."""
    return np.asarray(-words.astype(np.int64))


def _cut(sent: FloatArray, came: FloatArray, bits: int) -> tuple[str, str] | None:
    """Return which low bits were cut off and how, if any were."""
    mine, theirs = sent.astype(np.int64), came.astype(np.int64)
    together = int(np.bitwise_or.reduce(theirs))
    kept = 32
    while kept > MIN_BITS and not together >> (32 - kept) & 1:
        kept -= 1
    if kept >= bits:
        return None
    step = 1 << (32 - kept)
    error = (theirs - mine) / step
    if np.all((error > -1.0) & (error <= 0.0)):
        return "truncated", f"the words were cut from {bits} to {kept} bits by truncation"
    top = theirs >= 2**31 - step
    if np.all((np.abs(error) <= 0.5) | top):
        return "rounded", f"the words were cut from {bits} to {kept} bits by rounding"
    if np.all(np.abs(error) <= 2.0) and np.std(error) < 1.0:
        return "dithered", f"the words were cut from {bits} to {kept} bits with dither"
    return None


def _scaled_or_filtered(sent: FloatArray, came: FloatArray) -> tuple[str, str]:
    gain = float(np.dot(sent, came) / np.dot(sent, sent))
    left = float(np.mean((came - gain * sent) ** 2) / np.mean((gain * sent) ** 2))
    left_db = 10.0 * np.log10(max(left, 1e-30))
    turned = " and inverted" if gain < 0.0 else ""
    if left_db < LITTLE_DB:
        if abs(abs(gain) - 1.0) > GAIN_TOLERANCE or gain < 0.0:
            return "gain", f"the words came back {20.0 * np.log10(abs(gain)):+.3f} dB in level{turned}"
        level = 10.0 * np.log10(max(2.0 * float(np.mean((came - gain * sent) ** 2)), 1e-30))
        return "dithered", f"something of {level:.1f} dBFS was added to the words: dither or noise"
    lost = _lost_above_the_edge(sent, came)
    moved = _lag(sent[-BLOCK:], came[-2 * BLOCK :])[0] - _lag(sent[:BLOCK], came[: 2 * BLOCK])[0]
    drift = moved - (min(len(came), 2 * BLOCK) - BLOCK)
    if lost > EDGE_DB or abs(drift) >= 1:
        seen = f"{lost:.0f} dB are missing above {EDGE_SHARE:g} of the rate" if lost > EDGE_DB else ""
        slow = f"the last words come {drift:+d} frames off" if abs(drift) >= 1 else ""
        return "rate_converted", "a rate converter is in the path: " + " and ".join(
            filter(None, (seen, slow))
        )
    return (
        "processed",
        f"the words were changed past recognition ({left_db:.0f} dB of them are wrong){turned}",
    )


def _lost_above_the_edge(sent: FloatArray, came: FloatArray) -> float:
    """Return by how much what lies above the edge fell more than what lies below, dB."""
    levels = []
    for values in (sent, came):
        power = np.abs(np.fft.rfft(values)) ** 2
        edge = int(2.0 * EDGE_SHARE * len(power))
        levels.append(np.mean(power[edge:]) / np.mean(power[len(power) // 20 : edge]))
    return float(10.0 * np.log10(levels[0] / max(levels[1], 1e-30)))
