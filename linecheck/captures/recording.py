"""An interface that plays nothing: what comes back was recorded before."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from linecheck.captures.capture_set import INDEX_NAME, CaptureSet
from linecheck.checks.base import Capture, Problem, Stimulus
from linecheck.files.yaml import shown
from linecheck.station.interfaces.interface import NotCaptured, NothingToOpen

__all__ = ["RecordingInterface", "unjudged_captures"]

#: So many names are listed; the rest is counted.
MAX_NAMES = 10


class RecordingInterface(NothingToOpen):
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
        return MappingProxyType({"kind": "recording", **when})

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
    """Return that a set has captures of checks that the limit file does not have, where it has.

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
    if len(names) > MAX_NAMES:
        names = [*names[:MAX_NAMES], f"and {len(names) - MAX_NAMES} more"]
    message = f"{INDEX_NAME} has captures of checks that the limit file does not have, not judged: {', '.join(names)}"
    return (Problem("capture_not_judged", message, blocks=False),)


def _meant(captures: CaptureSet, checks: Iterable[str]) -> dict[str, str | None]:
    """Return each capture of no check, by name, with the check without a capture that it may have meant."""
    names = list(checks)
    lacking = [name for name in names if name not in captures.entries]
    strays = sorted(captures.entries.keys() - set(names))
    return {stray: next(iter(difflib.get_close_matches(stray, lacking, n=1)), None) for stray in strays}
