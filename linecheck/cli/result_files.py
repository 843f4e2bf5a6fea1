"""The order in which a run becomes known: recorded, written, shown.

A verdict is shown only once its record is on the disk. A run that could not be recorded is invalid,
whatever it measured.
"""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from linecheck.checks.base import Problem
from linecheck.cli.display.result import show_result
from linecheck.cli.telling import tell, told_status
from linecheck.errors import ExitStatus, LinecheckError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.results.files import Contents, ResultFiles
from linecheck.results.formats.base import OneRun
from linecheck.run.model import Run
from linecheck.station.circumstances import STEPPED_SECONDS

if TYPE_CHECKING:
    from linecheck.log import Log

__all__ = ["NOT_RELEASED", "record_and_show"]

#: Code of the problem that a unit needs more than this pass.
NOT_RELEASED: Final = "not_released"
NOT_RELEASED_MEANS: Final = "This run passed, and the unit is not released yet: it has failed before."

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


def record_and_show(
    outcome: Run,
    log: Log | None,
    files: list[ResultFiles],
    *,
    strict: bool,
    before: list[str] | None = None,
    set_path: str = "",
) -> ExitStatus:
    """Record a run, write its files and show its verdict.

    Parameters
    ----------
    outcome : Run
    log : Log or None
    files : list of ResultFiles
    strict : bool
    before : list of str, optional
        What went wrong before, which must be said below the verdict.
    set_path : str
        The capture set, where the run is one that was recorded.
    """
    troubles = list(before or ())
    attempt, verdict = None, outcome.verdict
    if log is not None:
        try:
            stored = log.append(outcome)
            attempt = stored.attempt
            if stored.behind_seconds >= STEPPED_SECONDS:
                tell(
                    f"the clock of this computer stands {stored.behind_seconds:.0f} s before the time of the record "
                    "before: put it right. The log goes by numbers, and nothing is lost"
                )
        except Exception as error:
            if not isinstance(error, LinecheckError):
                _log.exception("the log failed")
            reason = str(error) if isinstance(error, LinecheckError) else f"{type(error).__name__}: {error}"
            unrecorded = Problem("not_recorded", f"the run could not be recorded in the log: {reason}")
            outcome = replace(outcome, problems=(unrecorded, *outcome.problems), station_failed=True)
            verdict = Verdict.INVALID
    contents = Contents(OneRun(outcome, strict, set_path))
    for entry in files:
        try:
            entry.write(contents.of)
        except RecordError as error:
            troubles.append(str(error))
    released = verdict is not outcome.verdict or not any(
        problem.code == NOT_RELEASED for problem in outcome.problems
    )
    show_result(outcome, attempt=attempt, verdict=verdict, meaning=None if released else NOT_RELEASED_MEANS)
    status = told_status(verdict, troubles, strict=strict)
    return ExitStatus.INVALID if not released and status is ExitStatus.PASS else status
