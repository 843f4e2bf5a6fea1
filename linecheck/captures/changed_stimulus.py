"""Checks whose stimulus is played at another rate or word length than the limit file's.

===========================  =====================================================================
:func:`with_stimulus`        a check with some parameters of its stimulus changed
:func:`stimulus_changes`     in which of them two versions of a check differ
:func:`as_recorded`          a limit file with the stimuli that a capture set was recorded with
:func:`set_notes`            what a capture set says of itself besides
===========================  =====================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from pydantic import ValidationError

from linecheck.captures.capture_set import INDEX_NAME, CaptureSet
from linecheck.checks.base import Note
from linecheck.errors import FileError
from linecheck.files.text import listed
from linecheck.limits.mask_warnings import out_of_reach
from linecheck.limits.model import Check, LimitFile

#: So many names are listed; the rest is counted.
MAX_NAMES = 10


def with_stimulus(check: Check, changes: Mapping[str, int]) -> Check:
    """Return a check with parameters of its stimulus changed; its masks and its analysis stay.

    Raises
    ------
    ValueError
        The check has no such parameter, or cannot be played like this; the text says why.
    """
    if not changes:
        return check
    model = type(check.stimulus)
    lacking = [name for name in changes if name not in model.model_fields]
    if lacking:
        raise ValueError(f"its stimulus has no {' and no '.join(lacking)}")
    try:
        stimulus = model.model_validate({**check.stimulus.model_dump(), **changes})
    except ValidationError as error:
        raise ValueError("; ".join(_words(entry) for entry in error.errors(include_url=False))) from None
    return replace(check, stimulus=stimulus)


def _words(entry: Mapping[str, object]) -> str:
    place = entry["loc"]
    name = ".".join(str(part) for part in place) if isinstance(place, tuple) else ""
    message = str(entry["msg"]).removeprefix("Value error, ").removeprefix("Input ")
    return f"{name} {message}" if name else message


def stimulus_changes(check: Check, played: Check) -> dict[str, int]:
    """Return rate and word length of a stimulus as it is played, where they are not the limit file's."""
    return {
        name: int(getattr(played.stimulus, name))
        for name in ("rate_hz", "bits")
        if name in type(check.stimulus).model_fields
        and getattr(played.stimulus, name) != getattr(check.stimulus, name)
    }


def as_recorded(limits: LimitFile, captures: CaptureSet) -> LimitFile:
    """Return a limit file whose checks have the stimuli that a set says it was recorded with; the masks stay.

    Raises
    ------
    FileError
        A check cannot be played as the set says.
    """
    checks = []
    for check in limits.checks:
        entry = captures.entries.get(check.name)
        try:
            checks.append(check if entry is None else with_stimulus(check, entry.stimulus.changes))
        except ValueError as error:
            place = captures.folder / INDEX_NAME
            raise FileError(place, f"the stimulus of the capture of {check.name}: {error}") from error
    return replace(limits, checks=tuple(checks))


def set_notes(limits: LimitFile, captures: CaptureSet) -> Iterator[Note]:
    """Yield notes on how a set was recorded, for whoever reads the result.

    Parameters
    ----------
    limits : LimitFile
        With the stimuli as they were played (:func:`as_recorded`).
    captures : CaptureSet
    """
    by_words: dict[str, list[str]] = {}
    unreachable: list[str] = []
    for check in limits.checks:
        entry = captures.entries.get(check.name)
        changes = entry.stimulus.changes if entry is not None else {}
        if changes:
            rate, bits = changes.get("rate_hz"), changes.get("bits")
            words = " and ".join([f"{rate} Hz"] * (rate is not None) + [f"{bits} bits"] * (bits is not None))
            by_words.setdefault(words, []).append(check.name)
            unreachable += [f"{check.name} {why}" for why in out_of_reach(check)]
    for words, names in by_words.items():
        yield Note(
            "played_otherwise",
            f"played at {words} instead of the limit file's; its masks judge all the same: "
            f"{'every check' if len(names) == len(limits.checks) else listed(names, MAX_NAMES)}",
        )
    for text in unreachable:
        yield Note("out_of_reach", f"as played, no unit can pass: {text}")
    for text in captures.index.notes:
        yield Note("recording", text)
