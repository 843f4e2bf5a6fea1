"""One self-check, from the first opening of the devices to the last: play, measure, and account for every step."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import zip_longest

from linecheck import __version__
from linecheck.audio.file import samples_sha256
from linecheck.checks.base import Capture, Measurement, Reference
from linecheck.errors import StationError
from linecheck.measure.measure import Analysis, failure_problem, take_measurement
from linecheck.measure.trust import inspect_samples
from linecheck.station.budget.figures import Figures, path_figures, reference_dbfs
from linecheck.station.config.station import Station
from linecheck.station.interfaces.interface import Interface
from linecheck.station.self_check.analogue import analogue_steps
from linecheck.station.self_check.digital import digital_steps
from linecheck.station.self_check.plays import FIGURE_PLAYS, LoopPath, Play, loop_path, make_plays
from linecheck.station.self_check.probe import ProbeReading
from linecheck.station.self_check.result import MET, NOT_DONE, NOT_MET, Audio, SelfCheck, Step

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())

IDENTITY_CURE = (
    "Name the devices in the station config so that each name fits one device, and keep them plugged in."
)


@dataclass
class _Progress:
    """The progress of a self-check."""

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
    started, done = datetime.now(UTC), _Progress()
    try:
        done.not_closed = close_loop()
        if done.not_closed is None:
            _play_all(done, plays, open_loop, playing)
    except KeyboardInterrupt:
        done.stopped = True
    try:
        done.not_undone = undo_loop()
    except KeyboardInterrupt:
        done.stopped, done.not_undone = True, "it was interrupted"
    measured, figures = _steps(path, plays, done)
    steps = (*_patching(done), _identity(done), *measured)
    return SelfCheck(
        station=station.config.station,
        kind=path.loop.kind,
        steps=steps,
        started=started,
        finished=datetime.now(UTC),
        software=f"linecheck {__version__}",
        station_config_sha256=station.sha256,
        interface=dict(done.at_start),
        rate_hz=path.rate_hz,
        capture_rate_hz=path.capture_rate_hz,
        bits=path.loop.bits,
        audio=done.audio,
        every_hours=path.loop.every_hours,
        stopped=done.stopped,
        figures=figures,
    )


def _play_all(
    done: _Progress,
    plays: tuple[Play, ...],
    open_loop: Callable[[int], Interface],
    playing: Callable[[Play, int, int], None],
) -> None:
    try:
        with open_loop(1) as interface:
            done.opened, done.at_start = True, dict(interface.identity)
            for number, (play, after) in enumerate(zip_longest(plays, plays[1:]), 1):
                interface.announce(None if after is None else after.stimulus)
                playing(play, number, len(plays))
                capture = interface.play(play.name, play.stimulus)
                done.captures[play.name] = capture
                done.audio[play.name] = Audio(
                    samples_sha256(play.stimulus.samples),
                    samples_sha256(capture.samples),
                    play.stimulus.seconds,
                )
        with open_loop(2) as interface:
            done.at_end = dict(interface.identity)
    except StationError as error:
        done.failure = str(error)


def _patching(done: _Progress) -> tuple[Step, ...]:
    """Return what went wrong with closing the loop and with ending it; nothing where nothing did."""
    by_hand = "Open the loop by hand before any unit is tested: it is still closed."
    tried = (
        ("closing", "closed", done.not_closed, "Check [loop.close] in the config, or patch by hand."),
        ("opening", "opened again", done.not_undone, by_hand),
    )
    return tuple(
        Step(name, NOT_MET, f"the loop could not be {what}: {why}", cure=cure)
        for name, what, why, cure in tried
        if why is not None
    )


def _identity(done: _Progress) -> Step:
    """Return whether one device each answered, and the same ones at the end."""
    first, last = done.at_start, done.at_end
    word, text = MET, "one device each, the same at the end: "
    text += "; ".join(f"{side}: {first[side]}" for side in ("playback", "capture") if side in first)
    if not done.opened:
        word = NOT_DONE if done.failure is None else NOT_MET
        text = done.failure or "the devices were not opened"
    elif last is None:
        why = done.failure or "the check was stopped"
        word, text = NOT_DONE, f"the devices could not be asked again at the end: {why}"
    else:
        changed = sorted(name for name in first.keys() | last.keys() if first.get(name) != last.get(name))
        if changed:
            name = changed[0]
            word = NOT_MET
            text = f"{name} was {first.get(name)} at the start and {last.get(name)} at the end"
    return Step("identity", word, text, cure="" if word == MET else IDENTITY_CURE)


def _steps(path: LoopPath, plays: tuple[Play, ...], done: _Progress) -> tuple[tuple[Step, ...], Figures]:
    """Return all steps but identity, and the path's figures; steps whose play is missing are not done."""
    failed = (
        (Step("station", NOT_MET, done.failure, cure=IDENTITY_CURE),)
        if done.failure is not None and done.opened
        else ()
    )
    try:
        steps, figures = _measured_steps(path, plays, done)
    except Exception as error:
        _log.exception("the self-check's measurement failed")
        return (*failed, Step("measurement", NOT_DONE, failure_problem(error).message)), {}
    return (*failed, *steps), figures


def _measured_steps(
    path: LoopPath, plays: tuple[Play, ...], done: _Progress
) -> tuple[tuple[Step, ...], Figures]:
    if path.loop.kind == "digital":
        play = plays[0]
        if play.name not in done.captures:
            return (Step("words", NOT_DONE, "nothing was captured"),), {}
        return digital_steps(path, play.stimulus, done.captures[play.name]), {}
    taken = _measurements(path, plays, done)
    played = {play.name: reference_dbfs(play.check) for play in plays if play.check is not None}
    figures = path_figures(taken, path.channels, played)
    level = played["tone"]
    told = {name: _told_of(name, each, done) for name, each in taken.items()}
    return analogue_steps(path, told, _probe(path, done), level), figures


def _told_of(name: str, taken: Measurement, done: _Progress) -> Measurement:
    """Return what the steps hear of a play: of one for figures alone only what the driver reported.

    A limiter or a gate spoils those as a lost stretch does, and the step that names it must come first.
    """
    if name not in FIGURE_PLAYS:
        return taken
    reported = {event.code for event in done.captures[name].events}
    return Measurement(problems=tuple(problem for problem in taken.problems if problem.code in reported))


def _measurements(path: LoopPath, plays: tuple[Play, ...], done: _Progress) -> dict[str, Measurement]:
    taken: dict[str, Measurement] = {}
    for play in plays:
        if play.check is None or play.name not in done.captures:
            continue
        reference = _reference(taken["tone"], path.channels) if play.check.reference in taken else None
        # Full scale counts as one volt: the path's figures are of the capture as it is, calibrated or not.
        capture = replace(done.captures[play.name], full_scale_volts=(1.0,) * len(path.channels))
        analysis = Analysis(play.check, capture, path.channels, "simple", reference)
        taken[play.name] = take_measurement(analysis)
    if "probe" in done.captures:
        taken["probe"] = Measurement(problems=inspect_samples(done.captures["probe"], path.channels))
    return taken


def _reference(tone: Measurement, channels: tuple[str, ...]) -> Reference:
    found = {entry.channel: entry for entry in tone.readings if entry.metric == "level_dbfs"}
    readings = [found.get(name) for name in channels]
    return Reference(
        "tone",
        tuple(None if entry is None else entry.value for entry in readings),
        tuple(None if entry is None else entry.uncertainty for entry in readings),
    )


def _probe(path: LoopPath, done: _Progress) -> ProbeReading | None:
    capture = done.captures.get("probe")
    if capture is None:
        return None
    try:
        return path.read_probe(capture)
    except Exception:
        _log.exception("the probe could not be read")
        return None
