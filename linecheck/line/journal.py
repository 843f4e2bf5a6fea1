"""What the log hears of a run before it is recorded: that it begins, and each check as it is judged."""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import ExitStack
from types import TracebackType
from typing import Self

from linecheck.errors import LinecheckError
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.log.begun import Hold, held
from linecheck.run.model import CheckOutcome, Run

__all__ = ["RunJournal"]

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


class RunJournal:
    """Keeps a run in the log from before its first sample on, so that one that is cut off is known.

    Parameters
    ----------
    log : Log
    completed : callable
        Gives a run the facts that its record has beside what was measured.
    """

    def __init__(self, log: Log, completed: Callable[[Run], Run]) -> None:
        self._log = log
        self._completed = completed
        self._held = ExitStack()
        self._hold: Hold | None = None
        self._run_id = ""

    def __enter__(self) -> Self:
        """Return the journal."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the run: it is recorded, or was cut off, or could not be recorded."""
        if self._hold is not None and self._hold.is_failed:
            try:
                self._hold.stays = not self._log.is_recorded(self._run_id)
            except LinecheckError:
                self._hold.stays = True
        self._held.close()

    def begin(self, run: Run) -> None:
        """State that a run begins.

        Raises
        ------
        RecordError
            It could not be stated: the run must not begin.
        """
        self._hold = self._held.enter_context(held(self._log.path, run.run_id))
        self._run_id = run.run_id
        self._log.begin(self._completed(run))

    def keep(self, run_id: str, check: CheckOutcome) -> None:
        """Keep a check; that this is not possible costs nothing of a run that goes on."""
        if self._hold is not None and check.judged.verdict is Verdict.FAIL:
            self._hold.note_fail()
        try:
            self._log.keep(run_id, check)
        except LinecheckError:
            _log.exception("check %s could not be kept before its run is recorded", check.check)
