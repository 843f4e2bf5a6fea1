"""The words that a digital loop gives back: every frame is compared, the last one too.

============================  ================================================================================
:func:`random_words`          full-width pseudo-random words, different in each channel
:func:`compare_words`         what came back, held against what was sent
:class:`WordsFound`           one of ``identical``, ``moved``, ``modified``, ``absent``, with what was seen
============================  ================================================================================

Random words know their place: in a second of 24-bit words hardly one is there twice, so that each word that came back
says by itself from where it comes. What is lost, doubled, late or in another channel shows in the places; what is
changed shows in words that have none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.station.self_check.probe import correlation

#: ``identical``: bit for bit. ``moved``: the same bits, but shifted, dropped, repeated or in the wrong channel.
#: ``modified``: other bits. ``absent``: nothing of it came back.
Outcome = Literal["identical", "moved", "modified", "absent"]

#: Such a share of the words must have its place for the bits to be called the same. Of changed ones next to none has.
MOSTLY = 0.5
#: Values beyond this, in steps of 32 bits, are as wrong as they can be.
FARTHEST = 2.0**40
#: Runs of one lag that are shorter than this are chance.
MIN_RUN = 4
#: From this share of frames on, and off by no more than so many steps, it is dither that changed them.
FEW, MIN_STEPS = 0.01, 2

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


@dataclass(frozen=True)
class WordsFound:
    """What a comparison came to.

    Attributes
    ----------
    outcome : Outcome
    what : str
        What was seen, as one word: ``identical``, ``lost``, ``repeated``, ``shifted``, ``swapped``, ``cut_short``,
        ``inverted``, ``gain``, ``truncated``, ``rounded``, ``dithered``, ``rate_converted``, ``changed``, ``mixed``,
        ``processed``, ``not_finite``, ``silent``, ``absent``.
    text : str
        The same as a plain sentence's end, with numbers.
    different : int
        In how many frames any channel differs.
    """

    outcome: Outcome
    what: str
    text: str
    different: int


def random_words(frames: int, channels: int, bits: int, seed: int, peak: float = 1.0) -> NDArray[np.int32]:
    """Return words that are uniform over the whole range, left-justified: int32, shape (frames, channels).

    Parameters
    ----------
    frames, channels, bits : int
    seed : int
        The bits come from PCG64, whose raw output NumPy guarantees to keep.
    peak : float
        Share of full scale that no word exceeds.
    """
    raw = np.random.PCG64(np.random.SeedSequence((seed, bits))).random_raw(frames * channels)
    words = (raw >> np.uint64(64 - bits)).astype(np.int64) - (1 << (bits - 1))
    if peak < 1.0:
        words = np.trunc(words * peak).astype(np.int64)
    return (words << (32 - bits)).astype(np.int32).reshape(frames, channels)


def compare_words(
    sent: NDArray[np.int32],
    received: NDArray[np.int32] | NDArray[np.float32] | FloatArray,
    bits: int,
    random: slice = slice(None),
) -> WordsFound:
    """Compare every frame that was sent with what came back.

    Parameters
    ----------
    sent : int32 array, shape (frames, channels)
        Left-justified.
    received : int32, float32 or float64 array, shape (more frames, channels)
        As the interface gave it: integers left-justified, floats with full scale 1.0.
    bits : int
        Word length that was sent.
    random : slice
        Frames that are random words, different in each channel; what is done to words is told from these.
    """
    frames = len(sent)
    if received.ndim != 2 or received.shape[1] != sent.shape[1]:
        came = received.shape[1] if received.ndim == 2 else 0
        return WordsFound("absent", "absent", f"{came} channels came back of {sent.shape[1]}", frames)
    if not np.issubdtype(received.dtype, np.integer) and not np.all(np.isfinite(received)):
        count = int(np.sum(~np.isfinite(received)))
        text = f"of the values that came back {count} {'are not numbers' if count > 1 else 'is not a number'}"
        return WordsFound("modified", "not_finite", text, frames)
    codes, exact = _codes(received)
    dead = [index + 1 for index in range(codes.shape[1]) if not np.any(codes[:, index])]
    if dead:
        which = "every channel" if len(dead) == sent.shape[1] else f"channel {', '.join(map(str, dead))}"
        return WordsFound("absent", "silent", f"{which} came back as zeros", frames)
    words = sent.astype(np.int64)
    lags = [_lags(words[:, index], codes[:, index], random) for index in range(sent.shape[1])]
    whole = [exact and found.share >= MOSTLY for found in lags]
    if all(whole):
        return _same_bits(words, codes, lags, 1 << (32 - bits))
    return _other_bits(words[random], codes, bits, whole, frames)


def _codes(received: NDArray[np.int32] | NDArray[np.float32] | FloatArray) -> tuple[IntArray, bool]:
    """Return samples as whole numbers of 32 bits, and whether nothing was rounded for that."""
    if np.issubdtype(received.dtype, np.integer):
        return received.astype(np.int64), True
    scaled = np.clip(received.astype(np.float64) * 2.0**31, -FARTHEST, FARTHEST)
    rounded = np.rint(scaled)
    return rounded.astype(np.int64), bool(np.array_equal(rounded, scaled))


@dataclass(frozen=True)
class _Lags:
    """Where the words of one channel came back: frames sent that have a place, and how far behind that is."""

    places: IntArray
    lags: IntArray
    share: float

    @property
    def first(self) -> int:
        """The lag of the first words."""
        return int(self.lags[0])


def _lags(sent: IntArray, received: IntArray, random: slice) -> _Lags:
    """Return where each word that was sent only once came back; its share is of the random words."""
    words, where, counts = np.unique(sent, return_index=True, return_counts=True)
    alone, sent_at = words[counts == 1], where[counts == 1]
    back, back_at, back_counts = np.unique(received, return_index=True, return_counts=True)
    found = np.searchsorted(back, alone)
    found = np.minimum(found, len(back) - 1)
    there = (back[found] == alone) & (back_counts[found] <= 2)
    order = np.argsort(sent_at[there])
    places = sent_at[there][order].astype(np.int64)
    lags = back_at[found[there]][order].astype(np.int64) - places
    kept = _in_runs(lags)
    telling = np.zeros(len(sent), dtype=bool)
    telling[random] = True
    share = float(np.sum(telling[places[kept]])) / max(1, int(np.sum(telling[sent_at])))
    return _Lags(places[kept], lags[kept], share)


def _in_runs(lags: IntArray) -> NDArray[np.bool_]:
    """Return which lags stand in a run of equal ones that is too long for chance."""
    if not len(lags):
        return np.zeros(0, dtype=bool)
    edges = np.flatnonzero(np.concatenate(([True], np.diff(lags) != 0, [True])))
    return np.repeat(np.diff(edges) >= MIN_RUN, np.diff(edges))


def _same_bits(words: IntArray, codes: IntArray, lags: Sequence[_Lags], step: int) -> WordsFound:
    """Tell apart what has the same bits: all of it in place, or some of it elsewhere, or few of them changed."""
    frames, lag = len(words), lags[0].first
    different = _different(words, codes, lag)
    count = int(np.sum(different))
    if not count:
        return WordsFound("identical", "identical", f"all {frames} frames came back bit for bit", 0)
    first = int(np.argmax(different))
    moved = _moved(lags, frames, len(codes))
    if moved is not None:
        return WordsFound("moved", *moved, count)
    if _came_as_silence(different, codes, lag):
        text = f"the same bits came back, but {_frames(count)} from number {first} on came as silence"
        return WordsFound("moved", "lost", text, count)
    if count > frames * FEW and _small_steps(words, codes, lag, different) <= MIN_STEPS * step:
        text = f"{count} of {frames} frames came back a few low bits off: dither was added"
        return WordsFound("modified", "dithered", text, count)
    there = codes[lag + first] if 0 <= lag + first < len(codes) else None
    change = "" if there is None else _smallest_change(words[first], there)
    text = f"{count} of {frames} frames came back with other bits, the first is number {first}{change}"
    return WordsFound("modified", "changed", text, count)


def _different(words: IntArray, codes: IntArray, lag: int) -> NDArray[np.bool_]:
    """Return in which frames any channel differs at a lag; where nothing came back every channel does."""
    different = np.ones(len(words), dtype=bool)
    start, stop = max(0, -lag), min(len(words), len(codes) - lag)
    if stop > start:
        different[start:stop] = np.any(words[start:stop] != codes[lag + start : lag + stop], axis=1)
    return different


def _moved(lags: Sequence[_Lags], frames: int, captured: int) -> tuple[str, str] | None:
    """Say what moved, if anything did."""
    if len({found.first for found in lags}) > 1:
        late = ", ".join(f"{found.first - lags[0].first:+d}" for found in lags[1:])
        return "shifted", f"the same bits came back, but the channels are {late} frames apart"
    for found in lags:
        steps = np.flatnonzero(np.diff(found.lags))
        if len(steps):
            at = int(found.places[steps[0] + 1])
            change = int(found.lags[steps[0] + 1] - found.lags[steps[0]])
            more = f", and {len(steps) - 1} more such places" if len(steps) > 1 else ""
            if change < 0:
                return (
                    "lost",
                    f"the same bits came back, but without {_frames(-change)} before number {at}{more}",
                )
            return (
                "repeated",
                f"the same bits came back, but with {_frames(change)} too many before number {at}{more}",
            )
    missing = frames + lags[0].first - captured
    if missing > 0:
        return "cut_short", f"the same bits came back, but without the last {missing} of {_frames(frames)}"
    if lags[0].first < 0:
        return "cut_short", f"the same bits came back, but without the first {_frames(-lags[0].first)}"
    return None


def _frames(count: int) -> str:
    return f"{count} frame{'s' if count != 1 else ''}"


def _came_as_silence(different: NDArray[np.bool_], codes: IntArray, lag: int) -> bool:
    """Return whether all that differs is zero in every channel: a hole that was filled."""
    places = np.flatnonzero(different) + lag
    inside = places[(places >= 0) & (places < len(codes))]
    return len(inside) == len(places) and not np.any(codes[inside])


def _small_steps(words: IntArray, codes: IntArray, lag: int, different: NDArray[np.bool_]) -> int:
    """Return how far most of the words that differ are off."""
    places = np.flatnonzero(different)
    places = places[(places + lag >= 0) & (places + lag < len(codes))]
    return int(np.median(np.max(np.abs(codes[places + lag] - words[places]), axis=1))) if len(places) else 0


def _smallest_change(sent: IntArray, back: IntArray) -> str:
    channel = int(np.argmax(sent != back))
    was, came = (int(side[channel]) & 0xFFFFFFFF for side in (sent, back))
    return f" (channel {channel + 1}: {was:08x} came back as {came:08x})"


def _other_bits(
    words: IntArray, codes: IntArray, bits: int, whole: Sequence[bool], frames: int
) -> WordsFound:
    """Say how random words were changed in a channel that has not its own, or that they are not there at all."""
    channels = words.shape[1]
    for index in range(channels):
        for other in range(channels):
            if other != index and _lags(words[:, other], codes[:, index], slice(None)).share >= MOSTLY:
                text = (
                    f"the same bits came back, but channel {index + 1} carries those of channel {other + 1}"
                )
                return WordsFound("moved", "swapped", text, frames)
    changed = next((index for index in range(channels) if not whole[index]), 0)
    what, text = _change_of(words, codes, bits, changed)
    return WordsFound("absent" if what == "absent" else "modified", what, text, frames)


def _change_of(words: IntArray, codes: IntArray, bits: int, channel: int) -> tuple[str, str]:
    """Return what was done to words, and the same in a sentence's end.

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
        return "absent", "what came back is unrelated to the words that were sent"
    mine, theirs = _overlap(words[:, other], codes[:, channel], lag)
    if np.array_equal(theirs, -mine.astype(np.int64)):
        return "inverted", f"channel {channel + 1} came back inverted"
    also = [index + 1 for index, (_, share) in enumerate(found) if abs(share) > MIXED]
    if len(also) > 1:
        return "mixed", f"channel {channel + 1} carries the words of channels {', '.join(map(str, also))}"
    return _cut(mine, theirs, bits) or _scaled_or_filtered(mine / FULL_SCALE, theirs / FULL_SCALE)


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
        f"the words are changed beyond recognition ({left_db:.0f} dB of them are wrong){turned}",
    )


def _lost_above_the_edge(sent: FloatArray, came: FloatArray) -> float:
    """Return by how much what lies above the edge fell more than what lies below, dB."""
    levels = []
    for values in (sent, came):
        power = np.abs(np.fft.rfft(values)) ** 2
        edge = int(2.0 * EDGE_SHARE * len(power))
        levels.append(np.mean(power[edge:]) / np.mean(power[len(power) // 20 : edge]))
    return float(10.0 * np.log10(levels[0] / max(levels[1], 1e-30)))
