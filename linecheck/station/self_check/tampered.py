"""The comparer of words proves itself: each thing that may happen to words is done to them, and must be found."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linecheck.station.self_check.words import compare_words

__all__ = ["TAMPERINGS", "unnoticed"]

Samples = NDArray[np.int32]

#: Frames of silence around the words, as in a capture; the words used for the proof.
AROUND, PROVED = 500, 20_000


def _changed(samples: Samples, bits: int) -> Samples:
    changed = samples.copy()
    changed[-AROUND - 3, -1] ^= np.int32(1 << (32 - bits))
    return changed


def _not_a_number(samples: Samples, bits: int) -> NDArray[Any]:
    values = samples * 2.0**-31
    values[AROUND + 7, 0] = np.nan
    return np.asarray(values)


def _half(samples: Samples, bits: int) -> Samples:
    return (samples >> 1) & np.int32(-(1 << (32 - bits)))


#: What is done to captured words of some width, and the outcome that it must have.
TAMPERINGS: Mapping[str, tuple[Callable[[Samples, int], NDArray[Any]], str]] = MappingProxyType(
    {
        "nothing": (lambda samples, bits: samples, "identical"),
        "one lowest bit": (_changed, "modified"),
        "a missing frame": (lambda samples, bits: np.delete(samples, len(samples) // 2, axis=0), "moved"),
        "a doubled frame": (
            lambda samples, bits: np.insert(samples, len(samples) // 2, samples[len(samples) // 2], axis=0),
            "moved",
        ),
        "a short recording": (lambda samples, bits: samples[: -AROUND - 1], "moved"),
        "swapped channels": (lambda samples, bits: samples[:, ::-1], "moved"),
        "polarity": (lambda samples, bits: -np.maximum(samples, -(2**31) + 1), "modified"),
        "gain": (_half, "modified"),
        "silence": (lambda samples, bits: np.zeros_like(samples), "absent"),
        "values that are no numbers": (_not_a_number, "modified"),
    }
)


def unnoticed(words: Samples, bits: int) -> tuple[str, ...]:
    """Return what the comparer would not notice, or calls something that it is not; empty as it should be.

    Parameters
    ----------
    words : int32 array, shape (frames, channels)
        Random words that were sent; the first of them are used.
    bits : int
    """
    proved = words[:PROVED]
    silence = np.zeros((AROUND, words.shape[1]), dtype=np.int32)
    captured = np.concatenate((silence, proved, silence))
    failed = []
    for name, (tamper, expected) in TAMPERINGS.items():
        if name == "swapped channels" and words.shape[1] < 2:
            continue
        if compare_words(proved, tamper(captured, bits), bits).outcome != expected:
            failed.append(name)
    return tuple(failed)
