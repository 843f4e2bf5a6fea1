"""An interface that plays nothing: what comes back was recorded before."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType, TracebackType
from typing import Self

from linecheck.checks.base import Capture, Stimulus
from linecheck.errors import StationError
from linecheck.station.capture_set import CaptureSet

__all__ = ["NotCaptured", "RecordingInterface"]


class NotCaptured(StationError):
    """There is no capture of this check; those of others may be there."""


class RecordingInterface:
    """Gives back the captures of a set."""

    def __init__(self, captures: CaptureSet) -> None:
        self._captures = captures

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
            The set has no capture of the check.
        StationError
            Its file was changed since the set was loaded.
        """
        if check not in self._captures.entries:
            known = ", ".join(sorted(self._captures.entries))
            raise NotCaptured(f"the capture set has no capture of the check {check}; it has: {known}")
        return self._captures.read(check)

    def __enter__(self) -> Self:
        """Begin; there is nothing to open."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End; there is nothing to free."""
