"""What happens on a line, shown on this terminal: verdicts on standard output, everything else on standard error."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Final

import click

from linecheck.cli.display.messages import one_line, tell
from linecheck.cli.display.progress import RunProgress, SetsProgress
from linecheck.cli.display.regression import show_compared
from linecheck.cli.display.result import (
    MAX_BESIDE_A_CAUSE,
    Screen,
    aligned,
    headline,
    result_text,
    with_top_below,
)
from linecheck.gates.known_units import Stated
from linecheck.limits.verdict import Verdict
from linecheck.line.events import (
    CapturesKept,
    CapturesNotKept,
    ChartSignalled,
    Event,
    FilesNotWritten,
    GateStated,
    HandedOver,
    HandOverFailed,
    Note,
    RunCutOff,
    RunRecorded,
    ScanIgnored,
    SetCompared,
    SetsSummed,
    StudyWaits,
    SyncMessage,
    UnitAdmitted,
    UnitRefused,
    VerdictKnown,
)
from linecheck.results.overview import Brief, counted, worst_first
from linecheck.station.environment import STEPPED_SECONDS

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
        case HandedOver():
            tried = f" (try {event.tries})" if event.tries > 1 else ""
            return f"{event.serial} is handed over to {event.to}{tried}" + (
                f": {event.answer}" if event.answer else ""
            )
        case HandOverFailed():
            return f"{event.serial} is not handed over: {event.why}. It is tried again; what comes after it waits"
        case ChartSignalled():
            locked = "; the station is locked until somebody answers it" if event.locks else ""
            return f"control chart of {event.chart}: {event.says} (record {event.record}){locked}"
        case StudyWaits():
            return f"{event.says} {event.act}"
        case ScanIgnored():
            return f"{event.text[:80]!a} {_IGNORED[event.why]}"
    return None


def _show(event: Event) -> None:
    """Show a result."""
    screen = Screen.of_stdout()
    match event:
        case VerdictKnown():
            screen.show(result_text(event.run, screen, attempt=event.attempt, verdict=event.verdict))
        case SetsSummed():
            screen.show(sets_text(event.briefs, event.verdict, screen))
        case SetCompared():
            show_compared(event.compared)
        case GateStated():
            _show_gate(event)


#: Of what has drifted so many are told.
MAX_DRIFTS = 5


def _show_gate(event: GateStated) -> None:
    """Say what was stated of a gate, which is on the disk by now."""
    click.echo()
    if event.stated.challenge is not None:
        word = "failed as it must" if event.stated.met else "must fail"
        _show_stated(event.stated, f"{event.serial} {word} ({', '.join(event.must_fail)})")
    else:
        _show_golden(event.stated)
    standing = event.standing
    answer = "● units may be judged" if standing.may_judge else f"✖ units may not be judged: {standing.why}"
    click.echo(one_line(answer))


def _show_golden(stated: Stated) -> None:
    golden = stated.golden
    told = 0 if golden is None else len(golden.those("moved")) + len(golden.those("unmoved"))
    what = stated.record.serial
    if stated.reference is not None:
        numbers = ", ".join(str(sequence) for sequence, _ in stated.reference.runs)
        many = len(stated.reference.runs) != 1
        what += f", {told} values held against its history (record{'s' * many} {numbers})"
    if stated.replaced:
        click.echo("  what the new history changes of the one before:")
        for change in stated.replaced[:MAX_DRIFTS]:
            click.echo(f"  - {one_line(change.text)}")
    _show_stated(stated, what)
    unresolved = len(golden.those("unresolved")) if golden is not None else 0
    if unresolved:
        are = "value is" if unresolved == 1 else "values are"
        click.echo(
            f"  {unresolved} {are} known too little to be held against anything, and count for nothing"
        )
    for drift in stated.drifts[:MAX_DRIFTS]:
        click.echo(f"  drift: {one_line(drift.text)}")
    if len(stated.drifts) > MAX_DRIFTS:
        click.echo(f"  drift: and {len(stated.drifts) - MAX_DRIFTS} more")


def _show_stated(stated: Stated, what: str) -> None:
    sign, word = ("●", "met") if stated.met else ("✖", "NOT MET")
    own = stated.record.logged.sequence
    click.echo(f"{sign} {stated.gate} {word}: {what}")
    for reason in stated.reasons:
        click.echo(f"  - {one_line(reason)}")
    if stated.met and stated.valid_until is not None:
        until = stated.valid_until[:16].replace("T", " ")
        click.echo(
            f"  holds until {until} UTC, unless the station config, the limit file or linecheck changes before"
        )
    click.echo(f"  run in record {own}, stated in record {stated.head.sequence}; head {stated.head}")


#: Of so many sets the findings are listed, so many of each.
MAX_LISTED, MAX_FINDINGS = 10, 10
#: Characters of a column.
MAX_COLUMNS = 60

MEANINGS = {
    Verdict.INVALID: "What is invalid says nothing of its unit. Put right what is listed, then judge it again.",
    Verdict.ABORTED: "Not all sets were judged. Judge those again that were not.",
}
UNKNOWN = "–"


def sets_text(briefs: Sequence[Brief], verdict: Verdict, screen: Screen) -> str:
    """Return how sets came out, as text.

    Parameters
    ----------
    briefs : sequence of Brief
    verdict : Verdict
        That of all together.
    screen : Screen
    """
    meaning = [f"  {MEANINGS[verdict]}"] if verdict in MEANINGS else []
    top = [headline(verdict, screen), "\n".join((*meaning, f"  {counted(briefs)}"))]
    ordered = worst_first(briefs)
    parts = [*top, "\n".join(_lines(ordered, screen)), *_details(ordered, screen)]
    return with_top_below("\n\n".join(parts), top, screen)


def _lines(briefs: Sequence[Brief], screen: Screen) -> Iterator[str]:
    """Yield a line for each set, its columns aligned; what is not a pass is coloured."""
    rows = [["", "verdict", "serial", "firmware", "set", "why"]]
    for entry in briefs:
        whose = (entry.serial or UNKNOWN, entry.firmware or UNKNOWN, entry.path)
        shown = [_ending(screen.plain(text)) for text in whose]
        sign = screen.mark(entry.verdict)
        # One thing in a line: findings that a cause explains stand below it.
        why = entry.cause or next(iter(entry.findings), "")
        rows.append([sign, entry.verdict.value, *shown, screen.plain(why)])
    return aligned(rows, screen, (None, *(entry.verdict for entry in briefs)))


def _ending(text: str) -> str:
    """Return a text that no column grows too wide for; the end of a path tells more than its beginning."""
    return text if len(text) <= MAX_COLUMNS else "..." + text[3 - MAX_COLUMNS :]


def _details(briefs: Sequence[Brief], screen: Screen) -> Iterator[str]:
    """Yield more of the sets of which a line cannot say all."""
    telling = [entry for entry in briefs if entry.found > 1 or (entry.found and entry.cause)]
    for entry in telling[:MAX_LISTED]:
        facts = (entry.path, entry.serial, entry.model, entry.firmware and f"firmware {entry.firmware}")
        sign = screen.mark(entry.verdict)
        lines = [f"  {sign} " + ", ".join(screen.plain(fact) for fact in facts if fact)]
        most = MAX_BESIDE_A_CAUSE if entry.cause else MAX_FINDINGS
        told = entry.findings[:most]
        lines += [f"    {screen.plain(text)}" for text in told]
        if entry.found > len(told):
            lines.append(f"    and {entry.found - len(told)} more")
        yield "\n".join(lines)
    if len(telling) > MAX_LISTED:
        yield f"  and {len(telling) - MAX_LISTED} more sets with several findings; --json FILE has them all"
