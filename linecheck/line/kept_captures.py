"""The captures of a run that a station keeps: in its archive before the run is recorded, or beside the run's files."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Literal

from linecheck.captures.capture_set import write_capture_set
from linecheck.captures.setups import distinguishing_settings
from linecheck.checks.base import Capture, Problem
from linecheck.errors import LinecheckError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.line.events import CapturesKept, CapturesNotKept
from linecheck.log import Log
from linecheck.log.archive import Archive
from linecheck.log.archive.free_space import captures_bytes, disk_of, room_for, room_for_record
from linecheck.log.archive.keeping import Keep, PassCount, keeping
from linecheck.log.connect import database_path
from linecheck.run.model import Run
from linecheck.run.plan import Plan
from linecheck.station.config.station import Station

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


#: A run that says which of its captures are kept and why, and the event of that.
Archived = tuple[Run, CapturesKept | CapturesNotKept | None]


@dataclass
class CaptureKeeper:
    """Keeps the captures of a station's runs.

    ``keep`` is what the station keeps without an archive; with one, ``all`` keeps them of every run whatever the
    archive's rule says.
    """

    station: Station
    plan: Plan
    log: Log
    keep: Literal["none", "failed", "all"] = "none"

    @cached_property
    def archive(self) -> Archive | None:
        """The station's archive; None where it has none."""
        policy = self.station.config.archive
        return None if policy is None else Archive(policy.folder)

    @cached_property
    def _passes(self) -> PassCount:
        return PassCount(self.station.config.station, self.plan.limits.model)

    @property
    def needs_captures(self) -> bool:
        """Whether a run has to hold on to its captures."""
        return self.archive is not None or self.keep != "none"

    @cached_property
    def _needed_bytes(self) -> int:
        """Bytes that the captures of a run take at most.

        Raises
        ------
        FileError
            The archive cannot be written to.
        """
        if self.archive is None:
            return 0
        self.archive.check_can_write()
        return captures_bytes(self.plan, self.station.config.capture)

    def refusal(self) -> str | None:
        """Return why a run cannot be stored, and so does not begin; None if there is room.

        Raises
        ------
        FileError
            The archive cannot be written to.
        """
        config = self.station.config
        refused = room_for_record(disk_of(database_path(config.records.database)))
        if refused is not None or self.archive is None or config.archive is None:
            return refused
        return room_for(self._needed_bytes, config.archive, disk_of(self.archive.folder))

    def archived(self, outcome: Run, captures: Mapping[str, Capture]) -> Archived:
        """Keep what the archive's rule says; a failure is noted in the run and does not stop its record."""
        if self.archive is None:
            return replace(outcome, captures_why=self._beside_why(outcome)), None
        try:
            return self._archived(self.archive, outcome, captures)
        except Exception as error:
            known = isinstance(error, LinecheckError | OSError)
            if not known:
                _log.exception("the archive failed")
            reason = str(error) if known else f"{type(error).__name__}: {error}"
            why = f"the captures were not kept: {reason}"
            problem = Problem("captures_not_kept", why, blocks=False)
            problems = (*outcome.problems, problem)
            failed = replace(outcome, problems=problems, captures_why=f"not kept: {reason}")
            return failed, CapturesNotKept(outcome.run_id, outcome.serial, reason)

    def _archived(self, archive: Archive, outcome: Run, captures: Mapping[str, Capture]) -> Archived:
        keep = self._rule(outcome)
        captured = any(capture.frames for capture in captures.values())
        if not keep.kept or not captured:
            why = "nothing was captured" if keep.kept else keep.why
            return replace(outcome, captures_why=f"not kept: {why}"), None
        entry = archive.add(outcome, keep.why, self._writer(outcome, captures))
        objects = {file.check: file.object_name for file in entry.files}
        told = CapturesKept(outcome.run_id, outcome.serial, entry.path, keep.why)
        return replace(outcome, captures=objects, captures_why=f"kept: {keep.why}"), told

    def _rule(self, outcome: Run) -> Keep:
        policy = self.station.config.archive
        assert policy is not None
        if self.keep == "all":
            return Keep(True, "asked for (--keep-captures)")
        passes = 0
        if outcome.verdict is Verdict.PASS and policy.every_nth_pass > 1:
            try:
                passes = self._passes.so_far(self.log)
            except RecordError:
                return Keep(True, "earlier passes could not be counted")
        return keeping(policy, outcome.verdict, outcome.purpose, passes)

    def beside_files(
        self, folder: Path, outcome: Run, captures: Mapping[str, Capture]
    ) -> CapturesKept | CapturesNotKept | None:
        """Keep captures in a folder beside the run's files, where there is no archive; None where none are wanted."""
        wanted = self._goes_beside(outcome)
        if self.archive is not None or not wanted or not any(capture.frames for capture in captures.values()):
            return None
        try:
            self._writer(outcome, captures, compressed=False)(folder)
        except LinecheckError as error:
            return CapturesNotKept(outcome.run_id, outcome.serial, str(error))
        return CapturesKept(outcome.run_id, outcome.serial, folder)

    def _goes_beside(self, outcome: Run) -> bool:
        return self.keep == "all" or (self.keep == "failed" and outcome.verdict is not Verdict.PASS)

    def _beside_why(self, outcome: Run) -> str:
        """Return why captures are kept, or not, without an archive."""
        if not self._goes_beside(outcome):
            return "not kept: the station keeps none" + " of runs that pass" * (self.keep == "failed")
        return f"to be kept beside the files of the run: the station keeps {self.keep}"

    def _writer(
        self, outcome: Run, captures: Mapping[str, Capture], *, compressed: bool = True
    ) -> Callable[[Path], object]:
        """Return what writes the captures of a run as a set into a folder."""
        config = self.station.config
        played = {planned.check.name: planned.stimulus_sha256 for planned in self.plan.checks}

        def write(folder: Path) -> Path:
            return write_capture_set(
                folder,
                captures,
                model=outcome.model,
                serial=outcome.serial,
                firmware=outcome.firmware,
                station=outcome.station,
                recorded=outcome.started,
                software=outcome.software,
                calibration=config.calibration,
                ramp_seconds=config.protection.ramp_seconds,
                stimulus_hashes={name: digest for name, digest in played.items() if digest is not None},
                setups=distinguishing_settings(self.plan.limits),
                compressed=compressed,
            )

        return write
