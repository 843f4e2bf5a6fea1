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
from linecheck.cli.display.console import Console, line_of
from linecheck.cli.display.result import MAX_BESIDE_A_CAUSE, Screen, headline, path_note
from linecheck.limits.verdict import Verdict
from linecheck.line.events import (
    CapturesKept,
    Event,
    GateStated,
    NextAct,
    ScanIgnored,
    UnitAdmitted,
    UnitRefused,
    UnitScanned,
    VerdictKnown,
)
from linecheck.results.wording import findings
from linecheck.run.causes import causes_of
from linecheck.run.model import HOLD, NOT_RELEASED, Run
from linecheck.run.settle import all_problems
from linecheck.run.voiding import IN_DOUBT

_COLUMNS: Final = 80
#: So many findings are told: the first is what matters, the rest stands in the log.
_MAX_FINDINGS: Final = 5

_NEXT: Final = {
    "pass": "Passes. Next unit.",
    "marginal": "Passes, outside the pass limits and inside the fail limits. Next unit.",
    "fail": "Set it aside.",
    "aborted": "The run was stopped and the unit was not judged. Test it again.",
}


class LineScreen:
    """A listener that shows one unit at a time on a terminal."""

    def __init__(self) -> None:
        self._beside = Console()
        self._last = ""

    def __call__(self, event: Event) -> None:
        """Show an event."""
        screen = Screen.of_stdout()
        screen = replace(screen, large=True, columns=min(screen.columns, _COLUMNS))
        match event:
            case UnitScanned():
                click.clear()
                # Whatever was scanned: it may be no serial number at all.
                text = screen.plain(event.serial[:_COLUMNS])
                screen.show("\n".join(large(text, screen.columns, ascii_only=screen.ascii_only)))
            case UnitAdmitted(tested_before=before) if before:
                _say(line_of(event) or "", screen)
            case UnitRefused():
                _end("not tested", event.serial, event.why, screen)
            case ScanIgnored(why="during a test"):
                click.clear()
                act = f"It was scanned during a test and is ignored: scan it again. {self._last}"
                _end("not tested", event.text[:80], act, screen)
            case ScanIgnored() | CapturesKept():
                return
            case VerdictKnown():
                self._show_verdict(event, screen)
            case NextAct():
                _show_act(event.act, screen)
            case GateStated():
                for reason in event.stated.reasons:
                    _say(reason, screen)
                standing, state = event.standing, "met" if event.stated.met else "not met"
                act = "Units may be judged. Next unit." if standing.may_judge else f"Stop: {standing.why}."
                _end(state, event.serial, act, screen)
            case _:
                self._beside(event)

    def paused(self) -> AbstractContextManager[None]:
        """Keep the progress out of the way while someone is asked."""
        return self._beside.paused()

    def _show_verdict(self, event: VerdictKnown, screen: Screen) -> None:
        run = event.run
        is_unit = run.purpose == "unit"
        wrong = findings(run.checks, run.missing, run.problems, once=True) if is_unit else ()
        causes = causes_of(run) if is_unit else None
        if causes is not None:
            _say(causes.sentence, screen)
        most = MAX_BESIDE_A_CAUSE if causes is not None and causes.is_likely else _MAX_FINDINGS
        for text in wrong[:most]:
            _say(text, screen)
        if len(wrong) > most:
            _say(f"and {len(wrong) - most} more: linecheck log show {run.serial}", screen)
        for text in path_note(run):
            _say(text, screen)
        if run.purpose == "unit":
            state = run.state if event.verdict is run.verdict else event.verdict.value
            state = "test again" if state == Verdict.INVALID else state
            attempt = f", attempt {event.attempt}" if event.attempt is not None else ""
            _end(state, f"{run.serial}{attempt}", next_act(run, state), screen)
            self._last = f"The unit before it, {run.serial}: {state.upper()}."


def next_act(run: Run, state: str) -> str:
    """Return what to do with a unit, in a sentence or two."""
    if state == HOLD:
        why = next(problem.message for problem in run.problems if problem.code == NOT_RELEASED)
        return f"{why}. Test it again."
    if state == "test again":
        problem = next((problem for _, problem in all_problems(run) if problem.blocks), None)
        why = "not all of it could be measured" if problem is None else problem.message
        if problem is not None and problem.code == IN_DOUBT:
            # There may be nothing to put right, and the message says what to do.
            return f"Not judged: {why}."
        return f"Not judged: {why}. Put that right, then test it again."
    if run.stopped_after_fail:
        return "The run was stopped after a value had failed: it counts as a fail. Set it aside."
    return _NEXT[state]


def _end(state: str, whose: str, act: str, screen: Screen) -> None:
    """Show the state, whose it is and what to do next, last of all."""
    screen.show(headline(state, screen) + "\n")
    _say(whose[: 2 * _COLUMNS], screen)
    _say(act, screen)


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
