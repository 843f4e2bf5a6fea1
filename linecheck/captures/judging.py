"""A capture set judged by the code that judges runs, from the set or in one call from its folder."""

from __future__ import annotations

import difflib
import threading
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from linecheck.captures.capture_set import INDEX_NAME, CaptureSet, load_capture_set
from linecheck.captures.changed_stimulus import as_recorded, set_notes
from linecheck.captures.setups import resolved_captures
from linecheck.checks.base import Capture, Problem, Stimulus
from linecheck.errors import FileError, LinecheckError
from linecheck.files.text import listed
from linecheck.files.yaml import shown
from linecheck.limits.guarding import uncalibrated_refusal
from linecheck.limits.model import Check, LimitFile
from linecheck.measure.executors import InlineExecutor
from linecheck.run.model import Run
from linecheck.run.plan import (
    DEFAULT_RAMP_SECONDS,
    Plan,
    PlannedCheck,
    check_serial,
    make_plan,
    playing_order,
)
from linecheck.station.events import RunListener, ignore_event
from linecheck.station.interfaces.interface import Interface, NotCaptured
from linecheck.station.runner import RunFacts, run_unit

#: Stimuli that are remembered: more than any line has; a process that goes on for long must not grow.
MAX_KNOWN = 4096

_lock = threading.Lock()
#: By all that a stimulus depends on: a check with a silent stand-in as long as its stimulus.
_known: dict[Hashable, PlannedCheck] = {}


def judge_folder(folder: str | Path, limits: Sequence[LimitFile], *, serial: str | None = None) -> Run:
    """Load and judge one capture set by the limit file of its model, in the calling thread.

    Raises
    ------
    FileError
        There is no set there, it is faulty, or none of the limit files is of its model.
    """
    captures = load_capture_set(folder)
    with InlineExecutor() as executor:
        return judge_set(captures, limits_for(captures, limits), executor, serial=serial)


def limits_for(captures: CaptureSet, limits: Sequence[LimitFile]) -> LimitFile:
    """Return the limit file of a set's model.

    Raises
    ------
    FileError
        None of them is.
    """
    model = captures.index.model
    for entry in limits:
        if entry.model == model:
            return entry
    models = ", ".join(sorted(entry.model for entry in limits))
    files = "the limit file of" if len(limits) == 1 else "the limit files of"
    raise FileError(captures.folder, f"is of model {model}, {files} {models}")


def judge_set(
    captures: CaptureSet,
    limits: LimitFile,
    executor: Executor,
    *,
    listener: RunListener = ignore_event,
    serial: str | None = None,
) -> Run:
    """Judge a capture set as a run would be judged.

    Parameters
    ----------
    captures : CaptureSet
    limits : LimitFile
    executor : Executor
        Where captures are analysed.
    listener : callable
        Hears the events of the run.
    serial : str, optional
        Serial number of the unit, where the set itself does not say it.

    Raises
    ------
    FileError
        The set is of another model than the limit file, or its serial number is not one of that model, missing,
        or another than the one given; a check cannot be played as the set says that it was; or the limit file decides
        by an uncertainty of volts that the set does not state.
    """
    index = captures.index
    if index.model != limits.model:
        raise FileError(captures.folder, f"is of model {index.model}, the limit file of {limits.model}")
    refusal = uncalibrated_refusal(limits, index.calibration.volts_uncertainty, f"its {INDEX_NAME}")
    if refusal is not None:
        raise FileError(captures.folder, refusal)
    captures = resolved_captures(captures, limits)
    serial = _serial_of(captures, limits, serial)
    ramp = DEFAULT_RAMP_SECONDS if index.ramp_seconds is None else index.ramp_seconds
    limits = as_recorded(limits, captures)
    plan = _judging_plan(limits, ramp)
    played = {name: entry.stimulus_sha256 for name, entry in captures.entries.items()}
    names = [check.name for check in limits.checks]
    facts = RunFacts(
        serial=serial,
        firmware=index.firmware,
        station=index.station,
        calibration=index.calibration,
        problems=(
            *_other_stimuli(plan, played),
            *unjudged_captures(captures, names),
            *set_notes(limits, captures),
        ),
    )
    unfit = {
        planned.check.name: f"{planned.check.name} was recorded with another stimulus than the limit file's, "
        "and its readings depend on the level played: judge it by its own limit file, or record it again"
        for planned in plan.checks
        if planned.check.kind.rests_on_played_level and _is_other(planned, played)
    }
    as_played = [replace(planned, stimulus_sha256=played.get(planned.check.name)) for planned in plan.checks]
    plan = replace(plan, checks=tuple(as_played))
    interface = RecordingInterface(captures, names, unfit)
    return run_unit(plan, facts, interface, executor, listener=listener, when=index.recorded).outcome


def _serial_of(captures: CaptureSet, limits: LimitFile, given: str | None) -> str:
    """Return the set's serial number; refuse one that is not of the model, or not the set's own."""
    serial: str | None = captures.index.serial
    if serial is None and given is None:
        message = f'{INDEX_NAME} has no serial number: add a line serial = "…" to it, or give --serial'
        raise FileError(captures.folder, message)
    if serial is not None and given is not None and serial != given:
        raise FileError(captures.folder, f"is of unit {shown(serial)}, and not of {shown(given)}")
    try:
        return check_serial(serial if serial is not None else given or "", limits)
    except LinecheckError as error:
        raise FileError(captures.folder, str(error)) from error


def _is_other(planned: PlannedCheck, played: Mapping[str, str | None]) -> bool:
    return played.get(planned.check.name) not in (None, planned.stimulus_sha256)


def _other_stimuli(plan: Plan, played: Mapping[str, str | None]) -> Iterator[Problem]:
    """Yield a note if checks were recorded with other stimuli than they have now.

    That blocks nothing by itself: a capture of other dither is as good, and one of another tone is not found.
    """
    names = [planned.check.name for planned in plan.checks if _is_other(planned, played)]
    if names:
        yield Problem(
            "other_stimulus",
            f"recorded with another stimulus than the limit file and this linecheck make now: {', '.join(names)}. "
            "Compare with care, or record again.",
            blocks=False,
        )


def _judging_plan(limits: LimitFile, ramp_seconds: float) -> Plan:
    """Return the plan that captures are judged by, with silent stand-ins for its stimuli.

    A judgement only has to know whether what was played is what would be played now, and making half a minute of
    stimuli at 192 kHz takes a fifth of the time of judging their captures: each is made once a process and forgotten
    but for its length and hash.
    """
    ordered = playing_order(limits.checks)
    keys = [_key(check, len(limits.channels), ramp_seconds) for check in ordered]
    with _lock:
        found = {key: _known[key] for key in keys if key in _known}
    lacking = {key: check for key, check in zip(keys, ordered, strict=True) if key not in found}
    if lacking:
        found |= _made(limits, lacking, ramp_seconds)
    checks = (replace(found[key], check=check) for key, check in zip(keys, ordered, strict=True))
    return Plan(limits, tuple(checks))


def _key(check: Check, channels: int, ramp_seconds: float) -> Hashable:
    """Return all that a stimulus depends on."""
    return type(check.kind), check.kind.name, check.stimulus.model_dump_json(), channels, ramp_seconds


def _made(
    limits: LimitFile, lacking: dict[Hashable, Check], ramp_seconds: float
) -> dict[Hashable, PlannedCheck]:
    """Make stimuli and keep what has to be known of them."""
    plan = make_plan(replace(limits, checks=tuple(lacking.values())), ramp_seconds=ramp_seconds)
    by_name = {planned.check.name: _silenced(planned) for planned in plan.checks}
    made = {key: by_name[check.name] for key, check in lacking.items()}
    with _lock:
        if len(_known) + len(made) > MAX_KNOWN:
            _known.clear()
        _known.update(made)
    return made


def _silenced(planned: PlannedCheck) -> PlannedCheck:
    """Return a check with silence for its stimulus, which takes no memory."""
    silence = np.broadcast_to(np.int32(0), planned.stimulus.samples.shape)
    return replace(planned, stimulus=replace(planned.stimulus, samples=silence))


#: So many names are listed; the rest is counted.
MAX_NAMES = 10


class RecordingInterface(Interface):
    """Gives back the captures of a set.

    Parameters
    ----------
    captures : CaptureSet
    checks : iterable of str
        The names of all checks of the limit file.
    unfit : mapping of str to str
        Checks whose captures are of no use, and why.
    """

    def __init__(
        self, captures: CaptureSet, checks: Iterable[str], unfit: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        self._captures = captures
        self._unfit = unfit
        self._meant = _meant(captures, checks)

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface."""
        recorded = self._captures.index.recorded
        when = {} if recorded is None else {"recorded": recorded.isoformat()}
        return {"kind": "recording", **when}

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Return the capture of a check; the stimulus was played when it was recorded.

        Raises
        ------
        NotCaptured
            The set has no capture of the check, or none that is of use.
        StationError
            Its file was changed since the set was loaded.
        """
        if check not in self._captures.entries:
            known = ", ".join(sorted(self._captures.entries))
            message = f"the capture set has no capture of the check {check}; it has: {known}"
            strays = [stray for stray, meant in self._meant.items() if meant == check]
            if strays:
                names = " or ".join(shown(stray) for stray in strays[:MAX_NAMES])
                message += (
                    f". The limit file has no check {names}: is that {check}, misspelt in {INDEX_NAME}?"
                )
            raise NotCaptured(message)
        if check in self._unfit:
            raise NotCaptured(self._unfit[check])
        return self._captures.read(check)


def unjudged_captures(captures: CaptureSet, checks: Iterable[str]) -> tuple[Problem, ...]:
    """Return a note on captures of checks that the limit file does not have, if there are any.

    That blocks nothing, since a set may be of more checks than are judged; a check that lacks its capture because the
    name is misspelt is invalid in any case.
    """
    meant = _meant(captures, checks)
    if not meant:
        return ()
    names = [
        shown(stray) + (f" (did you mean {check}?)" if check is not None else "")
        for stray, check in meant.items()
    ]
    message = f"{INDEX_NAME} has captures of checks that the limit file does not have, not judged: "
    message += listed(names, MAX_NAMES)
    return (Problem("capture_not_judged", message, blocks=False),)


def _meant(captures: CaptureSet, checks: Iterable[str]) -> dict[str, str | None]:
    """Return each capture of no check, by name, with the check without a capture that it may have meant."""
    names = list(checks)
    lacking = [name for name in names if name not in captures.entries]
    strays = sorted(captures.entries.keys() - set(names))
    return {stray: next(iter(difflib.get_close_matches(stray, lacking, n=1)), None) for stray in strays}
