"""The captures of runs, measured and judged anew by this linecheck, beside what was stored of them.

Originals are only read: neither the log nor a capture is changed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np

from linecheck.captures.capture_set import plain_file_name
from linecheck.captures.many_sets import JudgedSet, SetListener, judge_sets
from linecheck.captures.workers import Workers
from linecheck.history.rejudge.causes import Cause, CauseCounts, cause_of, counted
from linecheck.history.rejudge.judge import UNTOLD
from linecheck.history.rejudge.layouts import Item
from linecheck.history.rejudge.select import Chosen, RunFacts, choose, opened, run_facts
from linecheck.history.rejudge.tally import (
    ChangedRun,
    ReadingChange,
    ReadingCount,
    Remeasured,
    Tally,
    tally_of,
)
from linecheck.limits.bulk import level_of
from linecheck.limits.decision import COVERAGE_FACTOR
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict, worst
from linecheck.log.archive import Archive
from linecheck.log.queries import RunFilter
from linecheck.log.reader import LogReader
from linecheck.run.model import CheckOutcome, Run
from linecheck.station.events import ignore_event


class Captured(Protocol):
    """What a run's captures are found by."""

    @property
    def run_id(self) -> str:
        """Its id."""

    @property
    def serial(self) -> str:
        """Its unit's serial number."""


#: Where a run's captures are, by which run it is; None where there are none.
Finder = Callable[[Captured], Path | None]

_Judged = Mapping[Item, JudgedReading | JudgedCurve]
_RUN_ID = re.compile(r"[0-9a-f]{8}[0-9a-f-]{0,28}")
#: Why a run without captures cannot be told.
NO_CAPTURES = "no captures of it are kept"
_PAGE = 1000


@dataclass(frozen=True)
class Found:
    """The runs that are meant, and where captures of them are, by their index."""

    chosen: Chosen
    facts: Mapping[int, RunFacts]
    folders: Mapping[int, Path]


def captures_archived(archive: Archive) -> Finder:
    """Return what finds captures in an archive."""
    return lambda run: archive.find(run.run_id)


def captures_kept(results: Path) -> Finder:
    """Return what finds captures that a run has left among its other files."""

    def find(run: Captured) -> Path | None:
        if _RUN_ID.fullmatch(run.run_id) is None:
            return None
        try:
            unit = results / plain_file_name(run.serial)
            kept = sorted(unit.glob(f"*-{run.run_id[:8]}/captures/captures.toml"))
        except (OSError, ValueError):
            return None
        return kept[0].parent if kept else None

    return find


def with_captures(
    path: Path, limits: Sequence[LimitFile], runs: RunFilter, finders: Sequence[Finder]
) -> Found:
    """Look for the captures of the runs that are meant; the first that knows of any has them."""
    with opened(path) as reader:
        chosen = choose(reader, runs)
        models = {entry.model for entry in limits}
        ours = np.isin(chosen.model, [at for at, name in enumerate(chosen.models) if name in models])
        facts: dict[int, RunFacts] = {}
        folders: dict[int, Path] = {}
        with reader.understood():
            places = np.flatnonzero(ours)
            for first in range(0, len(places), _PAGE):
                page = places[first : first + _PAGE]
                for at, run in zip(page.tolist(), run_facts(reader, chosen.sequence[page]), strict=True):
                    facts[at] = run
                    if chosen.before[at] == level_of(Verdict.ABORTED):
                        continue
                    folder = next((found for find in finders if (found := find(run)) is not None), None)
                    if folder is not None:
                        folders[at] = folder
    return Found(chosen, facts, folders)


def remeasure(
    log: LogReader,
    limits: Sequence[LimitFile],
    found: Found,
    workers: Workers,
    changed: Callable[[ChangedRun], object],
    *,
    listener: SetListener = ignore_event,
    stopped: Callable[[], bool] = lambda: False,
) -> Tally:
    """Measure and judge the captures of runs anew, and hold them against what is stored.

    Parameters
    ----------
    log : LogReader
    limits : sequence of LimitFile
        One for each model.
    found : Found
    workers : Workers
    changed : callable
        Called with each run that changes (its verdict, or a reading) or cannot be told, in the order of their numbers.
    listener : callable
        Hears the events of the sets.
    stopped : callable
        Whether it was asked to stop: what is not judged then cannot be told.
    """
    chosen = found.chosen
    comparing = _Comparing(found, np.full(len(chosen), UNTOLD, dtype=np.int8), chosen.newest())
    paths = [str(folder) for folder in found.folders.values()]
    judged_sets = judge_sets(paths, limits, workers, listener=listener, stopped=stopped)
    for at in found.facts:
        if chosen.before[at] == level_of(Verdict.ABORTED):
            comparing.after[at] = chosen.before[at]
            continue
        if at in found.folders:
            judged = next(judged_sets)
            record = log.record(int(chosen.sequence[at]))
            told = comparing.compared(at, judged, record)
        else:
            comparing.without += 1
            told = comparing.told(at, None, why=NO_CAPTURES)
        if told is not None:
            changed(told)
    remeasured = Remeasured(comparing.without, comparing.refused, comparing.readings)
    models = {entry.model for entry in limits}
    return tally_of(chosen, comparing.after, models, comparing.causes, {}, remeasured=remeasured)


@dataclass
class _Comparing:
    """What has been compared so far."""

    found: Found
    after: np.ndarray
    newest: np.ndarray
    causes: CauseCounts = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    readings: dict[tuple[str, str], ReadingCount] = field(default_factory=dict)
    without: int = 0

    def compared(self, at: int, judged: JudgedSet, record: Run) -> ChangedRun | None:
        """Hold a set against the record of its run; return what there is to tell."""
        outcome = judged.outcome
        why = judged.why or "not judged" if outcome is None else _not_its_own(outcome, record)
        if outcome is None or why:
            self.refused[why] += 1
            return self.told(at, None, why=why)
        blocked = bool(self.found.chosen.station_failed[at]) or any(
            problem.blocks for problem in record.problems
        )
        after = worst((outcome.verdict, Verdict.INVALID)) if blocked else outcome.verdict
        self.after[at] = level_of(after)
        stored, now = _judged(record.checks), _judged(outcome.checks)
        readings = tuple(_changed_readings(stored, now))
        self._count(readings)
        causes: tuple[Cause, ...] = ()
        if after is not record.verdict:
            lacking = [name for name in outcome.missing if name not in record.missing]
            causes = tuple(_causes(stored, now, record.verdict, after, lacking))
        self.causes.update(
            counted("worse" if level_of(after) > level_of(record.verdict) else "better", causes)
        )
        if after is record.verdict and not readings:
            return None
        return self.told(at, after, causes=causes, readings=readings)

    def told(
        self,
        at: int,
        after: Verdict | None,
        *,
        causes: tuple[Cause, ...] = (),
        readings: tuple[ReadingChange, ...] = (),
        why: str = "",
    ) -> ChangedRun:
        """Return what there is to tell of a run."""
        before = tuple(Verdict)[int(self.found.chosen.before[at])]
        return ChangedRun(
            **vars(self.found.facts[at]),
            before=before,
            after=after,
            newest=bool(self.newest[at]),
            causes=causes,
            why=why,
            readings=readings,
        )

    def _count(self, readings: Sequence[ReadingChange]) -> None:
        largest: dict[tuple[str, str], float] = {}
        for change in readings:
            key = (change.check, change.metric)
            largest[key] = max(largest.get(key, 0.0), change.ratio)
        for key, ratio in largest.items():
            have = self.readings.get(key, ReadingCount(0, 0.0))
            self.readings[key] = ReadingCount(have.runs + 1, max(have.largest, ratio))


def _not_its_own(outcome: Run, record: Run) -> str:
    """Return why a set is not that of a run; empty where it is."""
    if outcome.serial != record.serial:
        return "its captures are of another unit"
    stored = {check.check: check.capture_sha256 for check in record.checks}
    other = [
        check.check
        for check in outcome.checks
        if None not in (stored.get(check.check), check.capture_sha256)
        and stored[check.check] != check.capture_sha256
    ]
    return f"its captures are not those that were measured: {', '.join(other)}" if other else ""


def _changed_readings(stored: _Judged, now: _Judged) -> Iterator[ReadingChange]:
    """Yield the readings that both have and that are not the same."""
    for key, item in now.items():
        old = stored.get(key)
        if not isinstance(item, JudgedReading) or not isinstance(old, JudgedReading):
            continue
        before, after = old.reading, item.reading
        known = [value for value in (before.uncertainty, after.uncertainty) if value is not None]
        largest = max(known, default=None)
        if _is_another(before.value, after.value, largest or 0.0):
            yield ReadingChange(*key[:3], after.unit, before.value, after.value, largest)


def _is_another(before: float | None, after: float | None, uncertainty: float) -> bool:
    """Return whether a value differs beyond its expanded uncertainty; both are of the same samples."""
    if before is None or after is None:
        return before is not after
    # What the last digits of two processors make of it is no change.
    least = 1e-9 * max(abs(before), abs(after))
    return abs(after - before) > max(COVERAGE_FACTOR * uncertainty, least)


def _causes(
    stored: _Judged, now: _Judged, before: Verdict, after: Verdict, lacking: Sequence[str]
) -> Iterator[Cause]:
    """Yield what has changed the verdict of a run; ``lacking`` are checks that only have no capture now."""
    worse = level_of(after) > level_of(before)
    for key in dict.fromkeys((*now, *stored)):
        one, other = (judged[key].verdict if key in judged else None for judged in (stored, now))
        if one is other or (other if worse else one) is not (after if worse else before):
            continue
        if key in now:
            yield cause_of(key.check, one, other, now[key])
        else:
            yield Cause(*key[:3], one, None, "no longer judged")
    for name in lacking if worse and after is Verdict.INVALID else ():
        yield Cause(name, None, None, None, Verdict.INVALID, "no capture of it is there")


def _judged(checks: Sequence[CheckOutcome]) -> _Judged:
    return {
        Item(check.check, item.measured.metric, item.measured.channel, isinstance(item, JudgedCurve)): item
        for check in checks
        for item in check.judged.items
    }
