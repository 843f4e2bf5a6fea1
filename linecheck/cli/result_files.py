"""The files of a result, and the order in which a run becomes known: recorded, written, shown.

A verdict is shown only once its record is on the disk. A run that could not be recorded is invalid,
whatever it measured.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from linecheck.captures.capture_set import INDEX_NAME
from linecheck.checks.base import Problem
from linecheck.cli.display.result import show_result
from linecheck.cli.telling import tell, told_status
from linecheck.errors import ExitStatus, FileError, LinecheckError, RecordError
from linecheck.files.write import check_can_write, write_atomically
from linecheck.limits.verdict import Verdict
from linecheck.run.model import Run
from linecheck.station.circumstances import STEPPED_SECONDS

if TYPE_CHECKING:
    from linecheck.log import Log

__all__ = ["NOT_RELEASED", "ResultFiles", "ResultName", "record_and_show"]

ResultName = Literal["json", "junit", "summary"]

#: What a capture set's own files end with.
READ_SUFFIXES = (".toml", ".wav", ".flac")
#: Code of the problem that a unit needs more than this pass.
NOT_RELEASED: Final = "not_released"
NOT_RELEASED_MEANS: Final = "This run passed, and the unit is not released yet: it has failed before."

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


@dataclass(frozen=True)
class _Contents:
    """The files' bytes, made once however many of them there are."""

    outcome: Run
    strict: bool
    set_path: str = ""

    def of(self, name: ResultName) -> bytes:
        """Return a file's bytes."""
        if name == "summary":
            return self._summary
        return self._json if name == "json" else self._junit

    @cached_property
    def _json(self) -> bytes:
        from linecheck.results.result import result, to_json_bytes

        return to_json_bytes(result(self.outcome))

    @cached_property
    def _junit(self) -> bytes:
        from linecheck.results.junit import junit_bytes

        return junit_bytes([self.outcome], self.strict)

    @cached_property
    def _summary(self) -> bytes:
        from linecheck.captures.many_sets import JudgedSet
        from linecheck.results.overview import brief
        from linecheck.results.summary import summary_bytes

        return summary_bytes([brief(JudgedSet(self.set_path, self.outcome))])


@dataclass(frozen=True)
class ResultFiles:
    """The files of a result: where they go, None where they are not wanted."""

    json: Path | None = None
    junit: Path | None = None
    summary: Path | None = None

    def check(self, inputs: Iterable[str | Path] = ()) -> None:
        """Find out before anything is run whether they can be written, and over nothing that is read.

        Raises
        ------
        FileError
            One cannot, or is an input or a capture set's own file, or two are the same.
        """
        read = [Path(path).resolve() for path in inputs]
        read += [path.parent for path in read if path.name == INDEX_NAME]
        taken: set[Path] = set()
        for path in (self.json, self.junit, self.summary):
            if path is None:
                continue
            check_can_write(path)
            place = path.resolve()
            if place in read or (place.parent in read and place.suffix in READ_SUFFIXES):
                raise FileError(path, "is what this command reads: write the result somewhere else")
            if place in taken:
                raise FileError(path, "is named for two results: give each a file of its own")
            taken.add(place)

    def write(self, content: Callable[[ResultName], bytes]) -> None:
        """Write them; one that cannot be written keeps none of the others from being written.

        Parameters
        ----------
        content : callable
            Gives a file's bytes; asked for those alone that are wanted.

        Raises
        ------
        RecordError
            One or more cannot be written.
        """
        refused = []
        files: tuple[tuple[Path | None, ResultName], ...] = (
            (self.json, "json"),
            (self.junit, "junit"),
            (self.summary, "summary"),
        )
        for path, name in files:
            try:
                if path is not None:
                    write_atomically(path, content(name))
                    if name == "junit":
                        from linecheck.results.set_files import remove_parts

                        remove_parts(path)
            except RecordError as error:
                refused.append(str(error))
        if refused:
            raise RecordError("\n".join(refused))


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
    contents = _Contents(outcome, strict, set_path)
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
