"""From one capture to judged readings: trust it, find the stimulus in it, measure, judge.

A station and a recording both come through here, so that a capture is judged the same wherever it is judged.
"""

from __future__ import annotations

import logging
import time
import traceback
from collections.abc import Mapping
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from linecheck.audio.file import samples_sha256
from linecheck.checks.base import Capture, Context, Measurement, Note, Problem, Reference, Taken
from linecheck.checks.contract import kept_measurement
from linecheck.checks.parts.readings import completed
from linecheck.errors import ContractError
from linecheck.limits.decision import judge_measurement
from linecheck.limits.model import Check, Decision, LimitFile
from linecheck.limits.verdict import JudgedMeasurement
from linecheck.measure.path_part import PathParts, with_path
from linecheck.measure.rounding import rounded
from linecheck.measure.silence import NO_LOOP_CHECK, LoopCheck, judged_silence, silent_channels
from linecheck.measure.trust import inspect_channels, inspect_continuity, inspect_samples
from linecheck.run.model import CheckOutcome

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


@dataclass(frozen=True)
class Analysis:
    """Everything that the verdict on one capture depends on.

    ``driven`` is the mean square of the stimulus in each channel, empty where it is not known.
    """

    check: Check
    capture: Capture
    channels: tuple[str, ...]
    decision: Decision
    reference: Reference | None = None
    volts_uncertainty: float | None = None
    path: PathParts = field(default_factory=dict)
    driven: tuple[float, ...] = ()
    loop: LoopCheck = NO_LOOP_CHECK


@dataclass(frozen=True)
class Analysed:
    """What an analysis came to, how long it took, and the hash of the capture's samples."""

    judged: JudgedMeasurement
    seconds: float
    capture_sha256: str


def analyse(analysis: Analysis) -> Analysed:
    """Measure and judge one capture; raises nothing that an odd capture or a fault in a kind could cause."""
    began = time.monotonic()
    measurement = with_path(take_measurement(analysis), analysis.path)
    measurement = replace(measurement, curves=tuple(map(rounded, measurement.curves)))
    widened = frozenset(metric for metric, _ in analysis.path)
    judged = judge_measurement(
        analysis.check, measurement, analysis.decision, analysis.channels, guarded=widened
    )
    digest = samples_sha256(analysis.capture.samples)
    return Analysed(judged, time.monotonic() - began, digest)


def take_measurement(analysis: Analysis) -> Measurement:
    """Take the readings of a capture, or say why there are none.

    An exception in the measurement becomes a problem (``measurement_failed``) that voids the check: nothing
    that linecheck itself gets wrong may end as a pass, or as the unit's fail.
    """
    try:
        measured = _measured(analysis)
    except Exception as error:
        _log.exception("check %s could not be measured", analysis.check.name)
        measured = Measurement(problems=(failure_problem(error),))
    return completed(measured, analysis.check.kind.metrics, analysis.channels)


def unmeasured(check: Check, channels: tuple[str, ...], problem: Problem) -> Measurement:
    """Return the measurement of a check that could not be captured: no reading has a value, and why."""
    return completed(Measurement(problems=(problem,)), check.kind.metrics, channels)


def _measured(analysis: Analysis) -> Measurement:
    check, channels = analysis.check, analysis.channels
    capture = with_bits(analysis.capture)
    problems = inspect_samples(capture, channels)
    if _nothing_left(problems, channels):
        return Measurement(problems=problems)
    location = check.kind.locate(capture, check.stimulus, channels)
    # Also where nothing was found: clipping or a hole may be why.
    found = (*problems, *location.problems)
    found += inspect_channels(capture, location, channels, copies_alike=check.kind.copies_alike)
    found += inspect_continuity(capture, location, channels)
    found += silent_channels(capture, location, channels, analysis.driven, analysis.loop)
    if _nothing_left(found, channels):
        metrics = [spec.name for spec in check.kind.metrics]
        return judged_silence(Measurement(problems=_once(found)), capture, channels, metrics, check.masks)
    context = Context(channels, analysis.reference, analysis.volts_uncertainty)
    measured = kept_measurement(
        check.kind, check.kind.measure(capture, location, check.stimulus, check.analysis, context), channels
    )
    return replace(measured, problems=_once((*found, *measured.problems)))


def with_bits(capture: Capture) -> Capture:
    """Return the capture with the word length that its samples use, whatever its file or its interface says.

    So a file and what it was made of are judged alike, and steps of 16 bits in 24 are not taken for held samples.
    """
    if not np.issubdtype(capture.samples.dtype, np.integer):
        return capture
    used = int(np.bitwise_or.reduce(capture.samples, axis=None, initial=0))
    bits = 33 - (used & -used).bit_length() if used else capture.bits or 32
    return capture if bits == capture.bits else replace(capture, bits=bits)


def _nothing_left(problems: tuple[Problem, ...], channels: tuple[str, ...]) -> bool:
    """Return whether the problems void every channel, so that a measurement would be of nothing."""
    void = {problem.channel for problem in problems if problem.blocks}
    return None in void or void >= set(channels)


def _once(problems: tuple[Problem, ...]) -> tuple[Problem, ...]:
    return tuple(dict.fromkeys(problems))


def failure_problem(error: Exception) -> Problem:
    """Return the problem that an exception in the analysis means for the check."""
    if isinstance(error, BrokenExecutor | MemoryError):
        return Problem(
            "analysis_lost",
            "the analysis was ended from outside, or this machine has too little memory for it; "
            "close other programs and test the unit again",
        )
    if isinstance(error, ContractError):
        return Problem(
            "measurement_failed", f"{error}. It says nothing about the unit; keep the capture and report it."
        )
    frames = traceback.extract_tb(error.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    text = f"{type(error).__name__}: {error}"
    return Problem(
        "measurement_failed",
        f"the measurement itself failed ({text[:300]}{place}). "
        "This is a fault of linecheck and says nothing about the unit; keep the capture and report it.",
    )


def reference_from(check: str, judged: JudgedMeasurement, channels: tuple[str, ...]) -> Reference:
    """Return what another check may refer to in this one: its level in each channel."""
    taken = {(item.reading.metric, item.reading.channel): item.reading for item in judged.readings}
    readings = [taken.get(("level_dbfs", name)) for name in channels]
    volts = [taken.get(("level", name)) for name in channels]
    return Reference(
        check,
        tuple(None if reading is None else reading.value for reading in readings),
        tuple(None if reading is None else reading.uncertainty for reading in readings),
        tuple(None if reading is None else reading.value for reading in volts),
    )


def compared(limits: LimitFile, outcomes: Mapping[str, CheckOutcome]) -> tuple[Note, ...]:
    """Return the notes of every kind that a run has several checks of, in the limit file's order.

    A fault in a comparison is logged and costs its notes; the run keeps everything that was measured.
    """
    by_kind: dict[str, list[Check]] = {}
    for check in limits.checks:
        if check.name in outcomes:
            by_kind.setdefault(check.kind.name, []).append(check)
    notes: list[Note] = []
    for checks in by_kind.values():
        if len(checks) < 2:
            continue
        try:
            notes += checks[0].kind.compare([_taken(check, outcomes[check.name]) for check in checks])
        except Exception:
            _log.exception("checks of kind %s could not be compared", checks[0].kind.name)
    return tuple(notes)


def _taken(check: Check, outcome: CheckOutcome) -> Taken:
    judged = outcome.judged
    measurement = Measurement(
        tuple(item.reading for item in judged.readings),
        tuple(item.curve for item in judged.curves),
        judged.problems,
    )
    return Taken(check.name, check.setup, check.stimulus, measurement)
