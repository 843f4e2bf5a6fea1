"""What a person reads of a gate: met or not, why, what it rests on, and whether units may be judged now."""

from __future__ import annotations

import click

from linecheck.cli.display.messages import one_line
from linecheck.gates.gatekeeper import Standing
from linecheck.gates.known_units import Stated
from linecheck.line.events import GateStated

__all__ = ["show_gate"]

#: Of what has drifted so many are told.
MAX_DRIFTS = 5


def show_gate(event: GateStated) -> None:
    """Say what was stated of a gate, which is on the disk by now."""
    click.echo()
    if event.stated.challenge is not None:
        failed = ", ".join(event.must_fail)
        met = event.stated.met
        what = (
            f"{event.serial} failed as it must ({failed})" if met else f"{event.serial} must fail ({failed})"
        )
        _show_stated(event.stated, what)
    else:
        _show_golden(event.stated)
    _show_standing(event.standing)


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


def _show_standing(standing: Standing) -> None:
    """Say whether units may be judged now, and what else is missing."""
    if standing.may_judge:
        click.echo("● units may be judged")
    else:
        click.echo(f"✖ units may not be judged: {one_line(standing.why)}")
