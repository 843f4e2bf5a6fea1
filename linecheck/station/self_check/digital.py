"""The steps of a digital loop: every word is compared, and what changed it is named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linecheck.checks.base import Capture, Stimulus
from linecheck.checks.parts.steady import find_at_other_rates
from linecheck.measure.trust import inspect_samples
from linecheck.station.self_check.analogue import STREAM_CURE, stream_step
from linecheck.station.self_check.hidden import hidden_steps
from linecheck.station.self_check.plays import LoopPath, first_words_frames
from linecheck.station.self_check.probe import PROBE_HZ, ProbeReading, read_probe
from linecheck.station.self_check.result import MET, NOT_DONE, NOT_MET, Measured, Step
from linecheck.station.self_check.tampered import TAMPERINGS, unnoticed
from linecheck.station.self_check.words import WordsFound, compare_words

__all__ = ["digital_steps"]

CURES = {
    "moved": STREAM_CURE,
    "modified": "Let nothing touch the words: no volume, no dither, no sharing, one rate, and 24 bits on both sides.",
    "absent": "Look at the loop's cable, at which inputs and outputs are chosen, and at the permission to record.",
}


#: Words that were changed like this have kept their number.
ONE_FOR_ONE = frozenset(
    {"swapped", "shifted", "changed", "inverted", "gain", "truncated", "rounded", "dithered", "mixed"}
)


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
    probe = _probe(path, capture)
    steps.append(_clock(found, probe, capture))
    if found.outcome == "modified" and probe is not None:
        steps += hidden_steps(probe, path.channels, path.loop.limits, path.capture_rate_hz)
    return tuple(steps)


def _comparer(stimulus: Stimulus, random: slice) -> Step:
    missed = unnoticed(stimulus.samples[random], stimulus.bits)
    if missed:
        return Step("comparer", NOT_MET, f"the comparison itself does not notice: {', '.join(missed)}")
    count = len(TAMPERINGS) - 1 - (stimulus.channels < 2)
    return Step(
        "comparer", MET, f"the comparison notices {count} things that were done to the words to prove it"
    )


def _words(found: WordsFound, bits: int) -> Step:
    measured = Measured("frames that differ", None, float(found.different), "frames", 0.0, 0.0)
    if found.outcome == "identical":
        text = f"bit-identical: {found.text}, {bits} bits each, noise, silence and tones down to -110 dBFS"
        return Step("words", MET, text, (measured,))
    said = {"moved": "", "modified": "modified: ", "absent": "not there: "}[found.outcome]
    return Step("words", NOT_MET, f"{said}{found.text}", (measured,), CURES[found.outcome])


def _probe(path: LoopPath, capture: Capture) -> ProbeReading | None:
    """Read the probe in whatever came back."""
    return read_probe(capture, len(path.channels), path.rate_hz, path.ramp_seconds, path.highest_dbfs)


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
    return Step("clock", NOT_DONE, "no tone came back that would tell the rate")


def _middle(capture: Capture) -> Capture:
    """Return the part of a capture in which the probe's loudest tones are."""
    start, stop = capture.frames * 25 // 100, capture.frames * 40 // 100
    return replace(capture, samples=np.ascontiguousarray(capture.samples[start:stop]))
