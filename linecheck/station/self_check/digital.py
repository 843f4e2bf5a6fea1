"""The steps of a digital loop: every word is compared, and what changed it is named.

The comparison proves itself: each thing that may happen to words is done to them, and must be found.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, Stimulus
from linecheck.checks.parts.steady import find_at_other_rates
from linecheck.measure.trust import inspect_samples
from linecheck.station.self_check.analogue import STREAM_CURE, stream_step
from linecheck.station.self_check.plays import LoopPath, first_words_frames
from linecheck.station.self_check.probe import PROBE_HZ, ProbeReading
from linecheck.station.self_check.processing import processing_steps
from linecheck.station.self_check.result import MET, NOT_DONE, NOT_MET, Measured, Step
from linecheck.station.self_check.words import WordsFound, compare_words

CURES = {
    "moved": STREAM_CURE,
    "modified": "Keep the words untouched: no volume, no dither, no sharing, one rate, and 24 bits on both sides.",
    "absent": "Look at the loop's cable, at which inputs and outputs are chosen, and at the permission to record.",
}

#: Words that were changed like this have kept their number.
ONE_FOR_ONE = frozenset(
    {"swapped", "shifted", "changed", "inverted", "gain", "truncated", "rounded", "dithered", "mixed"}
)

Samples = NDArray[np.int32]

#: Frames of silence around the words, as in a capture; the words used for the proof.
AROUND, PROVED = 500, 20_000


def digital_steps(path: LoopPath, stimulus: Stimulus, capture: Capture) -> tuple[Step, ...]:
    """Return the steps of a digital loop but for identity, in order.

    Parameters
    ----------
    path : LoopPath
    stimulus : Stimulus
        Words, the probe, and words again.
    capture : Capture
        What came back.
    """
    random = slice(0, first_words_frames(path))
    found = compare_words(stimulus.samples, capture.samples, stimulus.bits, random)
    problems = [("words", problem) for problem in inspect_samples(capture, path.channels)]
    steps = [stream_step(problems), _comparer(stimulus, random), _words(found, stimulus.bits)]
    if found.outcome == "identical":
        return tuple(steps)
    whole = all(problem.channel is not None for _, problem in problems)
    if not whole:
        return (*steps, Step("clock", NOT_DONE, "its capture is not whole"))
    probe = path.read_probe(capture)
    steps.append(_clock(found, probe, capture))
    if found.outcome == "modified" and probe is not None:
        steps += processing_steps(probe, path)
    return tuple(steps)


def _comparer(stimulus: Stimulus, random: slice) -> Step:
    missed = _unnoticed(stimulus.samples[random], stimulus.bits)
    if missed:
        return Step("comparer", NOT_MET, f"the comparison itself misses: {', '.join(missed)}")
    count = len(_TAMPERINGS) - 1 - (stimulus.channels < 2)
    return Step("comparer", MET, f"the comparison catches all {count} changes made to the words to prove it")


def _words(found: WordsFound, bits: int) -> Step:
    measured = Measured("frames that differ", None, float(found.different), "frames", 0.0, 0.0)
    if found.outcome == "identical":
        text = f"bit-identical: {found.text}, {bits} bits each, noise, silence and tones down to -110 dBFS"
        return Step("words", MET, text, (measured,))
    said = {"moved": "", "modified": "modified: ", "absent": "not there: "}[found.outcome]
    return Step("words", NOT_MET, f"{said}{found.text}", (measured,), CURES[found.outcome])


def _clock(found: WordsFound, probe: ProbeReading | None, capture: Capture) -> Step:
    """Return whether words came one for one; else what the probe's tone says of the rate."""
    if found.what in ONE_FOR_ONE:
        return Step("clock", MET, "words came back one for one")
    if probe is not None:
        ppm = 1e6 * (probe.clock_ratio - 1.0)
        measured = Measured("clock", None, ppm, "ppm", -0.02, 0.02)
        word = measured.verdict
        return Step("clock", word, f"the tone's frequency is {ppm:+.3f} ppm off", (measured,))
    other = find_at_other_rates(_middle(capture), [PROBE_HZ])
    if other is not None:
        text = other.message.replace(" May be the unit's own fault.", "")
        return Step("clock", NOT_MET, text, cure="Set playback and capture to one rate.")
    return Step("clock", NOT_DONE, "no tone came back to tell the rate by")


def _middle(capture: Capture) -> Capture:
    """Return the part of a capture in which the probe's loudest tones are."""
    start, stop = capture.frames * 25 // 100, capture.frames * 40 // 100
    return replace(capture, samples=np.ascontiguousarray(capture.samples[start:stop]))


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
_TAMPERINGS: Final[Mapping[str, tuple[Callable[[Samples, int], NDArray[Any]], str]]] = {
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


def _unnoticed(words: Samples, bits: int) -> tuple[str, ...]:
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
    for name, (tamper, expected) in _TAMPERINGS.items():
        if name == "swapped channels" and words.shape[1] < 2:
            continue
        if compare_words(proved, tamper(captured, bits), bits).outcome != expected:
            failed.append(name)
    return tuple(failed)
