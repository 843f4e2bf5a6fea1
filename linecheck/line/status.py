"""What a verdict, and what went wrong beside it, end a command with."""

from __future__ import annotations

from collections.abc import Sequence

from linecheck.errors import ExitStatus
from linecheck.limits.verdict import Verdict

__all__ = ["exit_status", "session_status"]


def exit_status(verdict: Verdict, *, strict: bool, troubled: bool = False) -> ExitStatus:
    """Return what a verdict ends a command with; what passes is no pass where something else went wrong."""
    if verdict in (Verdict.INVALID, Verdict.ABORTED):
        return ExitStatus.INVALID
    if verdict is Verdict.FAIL or (verdict is Verdict.MARGINAL and strict):
        return ExitStatus.FAIL
    return ExitStatus.INVALID if troubled else ExitStatus.PASS


def session_status(statuses: Sequence[ExitStatus]) -> ExitStatus:
    """Return what a session ends with: any fail, else any invalid, else pass; invalid if nothing was run."""
    for status in (ExitStatus.FAIL, ExitStatus.INVALID, ExitStatus.PASS):
        if status in statuses:
            return status
    return ExitStatus.INVALID
