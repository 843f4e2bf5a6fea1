"""What a command says beside its result, and what it ends with."""

from __future__ import annotations

from collections.abc import Iterable

import click

from linecheck.errors import ExitStatus
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict

__all__ = ["exit_status", "tell", "told_status"]


def tell(message: str) -> None:
    """Say something to the operator, on standard error."""
    click.echo(f"linecheck: {visible(message)}", err=True)


def exit_status(verdict: Verdict, *, strict: bool) -> ExitStatus:
    """Return what a verdict ends a command with."""
    if verdict in (Verdict.INVALID, Verdict.ABORTED):
        return ExitStatus.INVALID
    if verdict is Verdict.FAIL or (verdict is Verdict.MARGINAL and strict):
        return ExitStatus.FAIL
    return ExitStatus.PASS


def told_status(verdict: Verdict, troubles: Iterable[str], *, strict: bool) -> ExitStatus:
    """Say what went wrong beside a verdict; return what both end a command with."""
    listed = list(troubles)
    for trouble in listed:
        tell(trouble)
    status = exit_status(verdict, strict=strict)
    return ExitStatus.INVALID if listed and status is ExitStatus.PASS else status
