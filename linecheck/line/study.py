"""A gauge study at the line: which unit its plan has next here, and in words why another one is refused."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Self

from linecheck.errors import StationError, UsageError
from linecheck.files.text import visible
from linecheck.limits.model import LimitFile
from linecheck.limits.serial_pattern import serial_matches
from linecheck.line.codes import Code, Order
from linecheck.log import Log, LogReader
from linecheck.station.config.station import StationConfig
from linecheck.statistics.gauge.plan import Entry, Plan, read_plan
from linecheck.statistics.gauge.progress import PLANNED, Done, done

_SCAN: Final = "Then scan its serial number."


@dataclass(frozen=True)
class StudyAtLine:
    """A plan, and where of it this is."""

    plan: Plan
    path: str
    station: str
    nest: str | None

    @classmethod
    def of(cls, path: str, limits: LimitFile, config: StationConfig) -> Self:
        """Read a plan for a station.

        Raises
        ------
        FileError
            It is no plan, or was edited.
        UsageError
            It is for another model, limit file or place.
        """
        plan = read_plan(path)
        if plan.model != limits.model:
            raise UsageError(
                f"--study: the plan is for model {plan.model}, the limit file for {limits.model}"
            )
        if plan.limits_sha256 != limits.sha256:
            raise UsageError(
                f"--study: {limits.path} is not the file that the plan was made for (its hash differs): a study is of "
                "one limit file. Make a new plan, or use the file of before"
            )
        wrong = next((unit for unit in plan.units if not serial_matches(limits.serial_pattern, unit)), None)
        if wrong is not None:
            raise UsageError(f"--study: {wrong} is no serial number of {limits.model} (serial_pattern)")
        study = cls(plan, visible(path), config.station, config.nest)
        if not study.entries:
            here = config.nest if plan.factor == "nest" else config.station
            raise UsageError(
                f"--study: the plan has no runs at {plan.factor} {here or '(this nest has no name)'}: it has "
                f"{', '.join(plan.levels)}"
            )
        return study

    @property
    def entries(self) -> tuple[Entry, ...]:
        """The runs that the plan has here."""
        return self.plan.at({"nest": self.nest, "station": self.station})

    def state(self, log: Log) -> None:
        """State the plan in the log, once: the log then says by itself what the study is."""
        if not log.statements(PLANNED, subject=self.plan.id, limit=1):
            log.state(PLANNED, self.plan.id, {"model": self.plan.model, "plan": self.plan.content})

    def next_in_words(self, log: LogReader) -> tuple[str, str, bool]:
        """Return which unit is next, what to do, and whether there is none left."""
        found = self._done(log)
        if found.following is None:
            many = len(self.entries)
            return (
                f"The study is complete here: {many} of {many} runs.",
                f"End the station, then read it: linecheck gauge study {self.path}",
                True,
            )
        return f"Connect {self._named(found)}.", self._by(found.following) + _SCAN, False

    def refuse_other(self, log: LogReader, serial: str, operator: str | None) -> None:
        """Refuse a unit that the plan does not have next.

        Raises
        ------
        StationError
            It is not next, or not for this operator, or not today.
        """
        found = self._done(log)
        entry = found.following
        if entry is None:
            raise StationError(f"{serial} is not measured: the study is complete here. Nothing was run.")
        if serial != entry.unit:
            none = "" if serial in self.plan.units else f" {visible(serial)} is none of its units."
            raise StationError(
                f"{serial} is not measured: the study has {self._named(found)} next.{none} Nothing was run.",
                act=f"Connect {entry.unit}. {self._by(entry)}{_SCAN}",
            )
        if self.plan.factor == "operator" and operator != entry.level:
            who = (
                f"{visible(operator)} is at the station"
                if operator
                else "nobody has said who is at the station"
            )
            code = Code(Order.OPERATOR, entry.level).text
            raise StationError(
                f"{serial} is not measured: its next run is {entry.level}'s, and {who}. Scan {code}, or give "
                "--operator. Nothing was run.",
                act=f"Scan {code}, then the label again.",
            )
        today = datetime.now().astimezone().date()
        if self.plan.factor == "day" and found.last is not None and found.last.level != entry.level:
            before = found.last_started
            if before is not None and before.astimezone().date() >= today:
                raise StationError(
                    f"{serial} is not measured: {entry.level} of the study is another day than {found.last.level}, "
                    f"which was {before.astimezone():%Y-%m-%d}. Nothing was run.",
                    act="Go on with the study on another day.",
                )

    def _done(self, log: LogReader) -> Done:
        return done(log, self.plan, {"nest": self.nest, "station": self.station})

    def _named(self, found: Done) -> str:
        """Return the next unit, and which run of the plan that is."""
        assert found.following is not None
        number = self.entries.index(found.following) + 1
        return f"{found.following.unit} (run {number} of {len(self.entries)})"

    def _by(self, entry: Entry) -> str:
        return f"Operator: {entry.level}. " if self.plan.factor == "operator" else ""
