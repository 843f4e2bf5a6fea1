"""One self-check, from the first opening of the devices to the last: play, measure, and account for every step."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from linecheck import __version__
from linecheck.audio.file import samples_sha256
from linecheck.checks.base import Capture, Measurement, Reference
from linecheck.errors import StationError
from linecheck.measure.measure import Analysis, failure_problem, take_measurement
from linecheck.measure.trust import inspect_samples
from linecheck.station.budget.figures import Figures, path_figures
from linecheck.station.config.station import Station
from linecheck.station.interfaces.interface import Announced, Interface
from linecheck.station.self_check.analogue import analogue_steps
from linecheck.station.self_check.digital import digital_steps
from linecheck.station.self_check.plays import LoopPath, Play, loop_path, make_plays
from linecheck.station.self_check.probe import ProbeReading, read_probe
from linecheck.station.self_check.result import MET, NOT_DONE, NOT_MET, Audio, SelfCheck, Step

__all__ = ["run_self_check"]

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())

IDENTITY_CURE = (
    "Name the devices in the station config so that each name fits one device, and leave them plugged in."
)


@dataclass
class _Course:
    """How a self-check has gone so far."""

    captures: dict[str, Capture] = field(default_factory=dict)
    audio: dict[str, Audio] = field(default_factory=dict)
    at_start: Mapping[str, str] = field(default_factory=dict)
    at_end: Mapping[str, str] | None = None
    opened: bool = False
    not_closed: str | None = None
    not_undone: str | None = None
    failure: str | None = None
    stopped: bool = False


def run_self_check(
    station: Station,
    open_loop: Callable[[int], Interface],
    playing: Callable[[Play, int, int], None] = lambda play, number, count: None,
    close_loop: Callable[[], str | None] = lambda: None,
    undo_loop: Callable[[], str | None] = lambda: None,
) -> SelfCheck:
    """Check a station against its loop.

    Whatever fails is a step that is not met or not done; what was captured until then is measured all the same.

    Parameters
    ----------
    station : Station
        Its config has a ``[loop]``.
    open_loop : callable
        Returns the station's interface, not yet opened, given which opening it is: the first plays, the second only
        says which devices answer.
    playing : callable
        Hears what is about to be played, its number from 1, and how many there are.
    close_loop, undo_loop : callable
        Patch the loop, and end it again however the check went; each returns why it could not.

    Raises
    ------
    UsageError
        The loop cannot be checked as the config says. Nothing was played.
    """
    path = loop_path(station.config)
    plays = make_plays(path)
    started, course = datetime.now(UTC), _Course()
    try:
        course.not_closed = close_loop()
        if course.not_closed is None:
            _play_all(course, plays, open_loop, playing)
    except KeyboardInterrupt:
        course.stopped = True
    try:
        course.not_undone = undo_loop()
    except KeyboardInterrupt:
        course.stopped, course.not_undone = True, "it was interrupted"
    measured, figures = _steps(path, plays, course)
    steps = (*_patching(course), _identity(course), *measured)
    return SelfCheck(
        station=station.config.station,
        kind=path.loop.kind,
        steps=steps,
        started=started,
        finished=datetime.now(UTC),
        software=f"linecheck {__version__}",
        station_config_sha256=station.sha256,
        interface=dict(course.at_start),
        rate_hz=path.rate_hz,
        capture_rate_hz=path.capture_rate_hz,
        bits=path.loop.bits,
        audio=course.audio,
        every_hours=path.loop.every_hours,
        stopped=course.stopped,
        figures=figures,
    )


def _play_all(
    course: _Course,
    plays: tuple[Play, ...],
    open_loop: Callable[[int], Interface],
    playing: Callable[[Play, int, int], None],
) -> None:
    try:
        with open_loop(1) as interface:
            course.opened, course.at_start = True, dict(interface.identity)
            for number, play in enumerate(plays):
                following = plays[number + 1].stimulus if number + 1 < len(plays) else None
                if isinstance(interface, Announced):
                    interface.announce(following)
                playing(play, number + 1, len(plays))
                _take(course, play, interface.play(play.name, play.stimulus))
        with open_loop(2) as interface:
            course.at_end = dict(interface.identity)
    except StationError as error:
        course.failure = str(error)


def _take(course: _Course, play: Play, capture: Capture) -> None:
    course.captures[play.name] = capture
    course.audio[play.name] = Audio(
        samples_sha256(play.stimulus.samples), samples_sha256(capture.samples), play.stimulus.seconds
    )


def _patching(course: _Course) -> tuple[Step, ...]:
    """Return what went wrong with closing the loop and with ending it; nothing where nothing did."""
    steps = []
    if course.not_closed is not None:
        text = f"the loop could not be closed: {course.not_closed}"
        steps.append(
            Step("closing", NOT_MET, text, cure="See to [loop.close] of the config, or patch by hand.")
        )
    if course.not_undone is not None:
        text = f"the loop could not be opened again: {course.not_undone}"
        steps.append(
            Step(
                "opening",
                NOT_MET,
                text,
                cure="Open the loop by hand before any unit is tested: it is still closed.",
            )
        )
    return tuple(steps)


def _identity(course: _Course) -> Step:
    """Return whether one device each answered, and the same ones at the end."""
    at_start = course.at_start
    said = "; ".join(f"{side}: {at_start[side]}" for side in ("playback", "capture") if side in at_start)
    if not course.opened:
        word = NOT_DONE if course.failure is None else NOT_MET
        return Step("identity", word, course.failure or "the devices were not opened", cure=IDENTITY_CURE)
    if course.at_end is None:
        why = course.failure or "the check was stopped"
        return Step(
            "identity",
            NOT_DONE,
            f"the devices could not be asked again at the end: {why}",
            cure=IDENTITY_CURE,
        )
    changed = sorted(
        name
        for name in course.at_start.keys() | course.at_end.keys()
        if course.at_start.get(name) != course.at_end.get(name)
    )
    if changed:
        name = changed[0]
        text = f"{name} was {course.at_start.get(name)} at the start and {course.at_end.get(name)} at the end"
        return Step("identity", NOT_MET, text, cure=IDENTITY_CURE)
    return Step("identity", MET, f"one device each, the same at the end: {said}")


def _steps(path: LoopPath, plays: tuple[Play, ...], course: _Course) -> tuple[tuple[Step, ...], Figures]:
    """Return all steps but identity, and the path's figures; steps whose play is missing are not done."""
    failed = (
        (Step("station", NOT_MET, course.failure, cure=IDENTITY_CURE),)
        if course.failure is not None and course.opened
        else ()
    )
    try:
        steps, figures = _measured_steps(path, plays, course)
    except Exception as error:
        _log.exception("the self-check's measurement failed")
        return (*failed, Step("measurement", NOT_DONE, failure_problem(error).message)), {}
    return (*failed, *steps), figures


def _measured_steps(
    path: LoopPath, plays: tuple[Play, ...], course: _Course
) -> tuple[tuple[Step, ...], Figures]:
    if path.loop.kind == "digital":
        play = plays[0]
        if play.name not in course.captures:
            return (Step("words", NOT_DONE, "nothing was captured"),), {}
        return digital_steps(path, play.stimulus, course.captures[play.name]), {}
    taken = _measurements(path, plays, course)
    tone = next(play for play in plays if play.name == "tone")
    assert tone.check is not None
    level = float(getattr(tone.check.stimulus, "level_dbfs"))  # noqa: B009 - any kind's parameters
    figures = path_figures(taken, path.channels, level)
    return analogue_steps(path, taken, _probe(path, course), level), figures


def _measurements(path: LoopPath, plays: tuple[Play, ...], course: _Course) -> dict[str, Measurement]:
    taken: dict[str, Measurement] = {}
    for play in plays:
        if play.check is None or play.name not in course.captures:
            continue
        reference = _reference(taken["tone"], path.channels) if play.check.reference in taken else None
        analysis = Analysis(play.check, course.captures[play.name], path.channels, "simple", reference)
        taken[play.name] = take_measurement(analysis)
    if "probe" in course.captures:
        taken["probe"] = Measurement(problems=inspect_samples(course.captures["probe"], path.channels))
    return taken


def _reference(tone: Measurement, channels: tuple[str, ...]) -> Reference:
    found = {entry.channel: entry for entry in tone.readings if entry.metric == "level_dbfs"}
    readings = [found.get(name) for name in channels]
    return Reference(
        "tone",
        tuple(None if entry is None else entry.value for entry in readings),
        tuple(None if entry is None else entry.uncertainty for entry in readings),
    )


def _probe(path: LoopPath, course: _Course) -> ProbeReading | None:
    capture = course.captures.get("probe")
    if capture is None:
        return None
    try:
        return read_probe(capture, len(path.channels), path.rate_hz, path.ramp_seconds, path.highest_dbfs)
    except Exception:
        _log.exception("the probe could not be read")
        return None
