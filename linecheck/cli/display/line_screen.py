"""The screen of a station that waits for scans: it belongs to one unit, and is cleared when the next one is scanned.

While a unit is tested its serial number stands there large. Then comes what is wrong, and last of all the state, the
serial number and what to do next: whatever came before them may scroll away, these do not. Nothing needs more than 80
columns. All that a mask judged stands in the run's files and in ``log show``.
"""

from __future__ import annotations

import textwrap
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import Final

import click

from linecheck.cli.display.banner import large
from linecheck.cli.display.console import Console
from linecheck.cli.display.result import MAX_BESIDE_A_CAUSE, Screen, headline, path_note
from linecheck.line.events import (
    Asked,
    CapturesKept,
    Event,
    GateStated,
    NextAct,
    Ordered,
    Reminders,
    RunCutOff,
    ScanIgnored,
    SelfCheckEnded,
    Standby,
    StationResumed,
    StationStopped,
    UnitAdmitted,
    UnitRefused,
    UnitScanned,
    VerdictKnown,
)
from linecheck.line.states import NestState, State, after
from linecheck.results.wording import findings
from linecheck.run.causes import causes_of
from linecheck.run.model import Run

_COLUMNS: Final = 80
#: So many findings are told: the first is what matters, the rest stands in the log.
_MAX_FINDINGS: Final = 5


class LineScreen:
    """A listener that shows one unit at a time on a terminal; ``strict`` says that a marginal unit fails."""

    def __init__(self, *, strict: bool = False) -> None:
        self._beside = Console()
        self._strict = strict
        self._state = NestState("")

    def __call__(self, event: Event) -> None:
        """Show an event."""
        before, self._state = self._state, after(self._state, event, strict=self._strict)
        screen = Screen.of_stdout()
        screen = replace(screen, large=True, columns=min(screen.columns, _COLUMNS))
        match event:
            case UnitScanned():
                click.clear()
                # Whatever was scanned: it may be no serial number at all.
                text = screen.plain(event.serial[:_COLUMNS])
                screen.show("\n".join(large(text, screen.columns, ascii_only=screen.ascii_only)))
            case UnitAdmitted():
                if self._state.about:
                    _say(self._state.about, screen)
            case Ordered():
                if self._state.note:
                    _say(self._state.note, screen)
            case Reminders():
                for text in (*event.texts, *filter(None, [event.first])):
                    if text not in (*before.reminders, before.first):
                        _say(text, screen)
            case VerdictKnown():
                if event.run.purpose == "unit":
                    _show_findings(event.run, screen)
                    # The cause of a fail stands above, with what else is wrong.
                    says = "" if self._state.state is State.FAIL else self._state.says
                    _end(replace(self._state, says=says), screen)
            case NextAct():
                _show_act(event.act, screen)
            case GateStated():
                for reason in event.stated.reasons:
                    _say(reason, screen)
                _end(replace(self._state, says=""), screen)
            case ScanIgnored(why="during a test"):
                click.clear()
                _end(self._state, screen)
            case StationStopped(by_run=True):
                _show_act(event.act, screen)
            case UnitRefused() | StationStopped() | SelfCheckEnded() | RunCutOff():
                _end(self._state, screen)
            case Standby():
                if self._state.state is State.LOCKED is not before.state:
                    _end(self._state, screen)
            case ScanIgnored() | CapturesKept() | Asked() | StationResumed():
                return
            case _:
                self._beside(event)

    def paused(self) -> AbstractContextManager[None]:
        """Keep the progress out of the way while someone is asked."""
        return self._beside.paused()


def _show_findings(run: Run, screen: Screen) -> None:
    """Show what is wrong with a unit, the likeliest cause first."""
    wrong = findings(run.checks, run.missing, run.problems, once=True)
    causes = causes_of(run)
    if causes is not None:
        _say(causes.sentence, screen)
    most = MAX_BESIDE_A_CAUSE if causes is not None and causes.is_likely else _MAX_FINDINGS
    for text in wrong[:most]:
        _say(text, screen)
    if len(wrong) > most:
        _say(f"and {len(wrong) - most} more: linecheck log show {run.serial}", screen)
    for text in path_note(run):
        _say(text, screen)


def _end(state: NestState, screen: Screen) -> None:
    """Show the state, whose it is, why, and what to do next, last of all."""
    screen.show(headline(state.state, screen) + "\n")
    whose = f"{state.serial}, attempt {state.attempt}" if state.attempt is not None else state.serial
    # Which attempt it is stands there; why it is made comes after it.
    why = state.about.removeprefix(f"attempt {state.attempt}").removeprefix(", ")
    for text in (f"{whose}, {why}" if why else whose, state.says, state.act):
        if text:
            _say(text, screen)


def _show_act(act: str, screen: Screen) -> None:
    """Show what to do next, set apart from all else."""
    line = screen.plain(f"Next: {act}")
    wrapped = textwrap.wrap(line, screen.columns - 4, break_on_hyphens=False)
    told = [f"  {click.style(part, bold=True) if screen.coloured else part}" for part in wrapped]
    screen.show("\n".join(["", *told, ""]))


def _say(text: str, screen: Screen) -> None:
    wrapped = textwrap.wrap(
        screen.plain(text), screen.columns - 2, subsequent_indent="  ", break_on_hyphens=False
    )
    screen.show("\n".join(f"  {line}" for line in wrapped))
