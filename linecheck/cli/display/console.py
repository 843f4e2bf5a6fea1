"""What happens on a line, shown on this terminal: verdicts on standard output, everything else on standard error."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Final

from linecheck.cli.display.gates import show_gate
from linecheck.cli.display.messages import tell
from linecheck.cli.display.progress import RunProgress, SetsProgress
from linecheck.cli.display.regression import show_compared
from linecheck.cli.display.result import Screen, show, show_result
from linecheck.cli.display.sets import sets_text
from linecheck.line.events import (
    CapturesKept,
    CapturesNotKept,
    Event,
    FilesNotWritten,
    GateStated,
    Note,
    RunCutOff,
    RunRecorded,
    ScanIgnored,
    SetCompared,
    SetsSummed,
    SyncMessage,
    UnitAdmitted,
    UnitRefused,
    VerdictKnown,
)
from linecheck.station.environment import STEPPED_SECONDS

__all__ = ["Console", "line_of"]

_IGNORED: Final = {
    "twice": "was scanned twice; the second scan is ignored",
    "during a test": "was scanned during a test and is ignored: scan it again",
}


class Console:
    """A listener that shows everything.

    Parameters
    ----------
    step : str
        What is being done with a check, as progress says it.
    """

    def __init__(self, step: str = "playing") -> None:
        self._runs = RunProgress(step)
        self._sets = SetsProgress()

    def __call__(self, event: Event) -> None:
        """Show an event."""
        self._runs(event)
        self._sets(event)
        line = line_of(event)
        if line is not None:
            tell(line)
        _show(event)

    def paused(self) -> AbstractContextManager[None]:
        """Keep the progress out of the way while someone is asked."""
        return self._runs.paused()


def line_of(event: Event) -> str | None:
    """Return what is said of an event beside the results; None where nothing is."""
    match event:
        case UnitRefused(why=text) | FilesNotWritten(why=text) | Note(text=text) | SyncMessage(text=text):
            return text
        case UnitAdmitted(tested_before=before) if before:
            times = "once" if before == 1 else f"{before} times"
            return f"{event.serial} was tested {times} before: this is attempt {event.attempt}"
        case RunCutOff():
            counts = " and counts as a fail" if event.run.stopped_after_fail else ""
            return (
                f"{event.serial}: a run that began at {event.run.started:%Y-%m-%d %H:%M:%S} UTC was cut off; "
                f"it is recorded as aborted, attempt {event.attempt}{counts}"
            )
        case CapturesKept():
            return f"captures kept in {event.folder}" + (f": {event.why}" if event.why else "")
        case CapturesNotKept():
            return f"the captures were not kept: {event.why}"
        case RunRecorded(behind_seconds=behind) if behind >= STEPPED_SECONDS:
            return (
                f"the clock of this computer stands {behind:.0f} s before the time of the record before: put it right. "
                "The log goes by numbers, and nothing is lost"
            )
        case ScanIgnored():
            return f"{event.text[:80]!a} {_IGNORED[event.why]}"
    return None


def _show(event: Event) -> None:
    """Show a result."""
    match event:
        case VerdictKnown():
            show_result(event.run, attempt=event.attempt, verdict=event.verdict)
        case SetsSummed():
            screen = Screen.of_stdout()
            show(sets_text(event.briefs, event.verdict, screen), screen)
        case SetCompared():
            show_compared(event.compared)
        case GateStated():
            show_gate(event)
