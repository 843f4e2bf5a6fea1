"""Stored runs against another limit file: all that are meant, batch by batch, in little memory."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linecheck.history.rejudge.basis import Basis, basis_of
from linecheck.history.rejudge.causes import CauseCounts, Causes
from linecheck.history.rejudge.judge import UNTOLD, JudgedSpan, SpanJudge, after_verdict
from linecheck.history.rejudge.layouts import Layouts
from linecheck.history.rejudge.select import Chosen, Reader, choose, opened, run_facts
from linecheck.history.rejudge.tally import ChangedRun, Tally, tally_of
from linecheck.limits.model import LimitFile
from linecheck.log.queries import RunFilter

#: So many runs are judged at once.
_BATCH = 500


@dataclass(frozen=True)
class Wanted:
    """Who wants to know what.

    Attributes
    ----------
    changed : callable
        Called with each run that changes or cannot be told, in the order of their numbers within their model; returns
        whether it wants more of them. What they change by costs a little each.
    newest_only : bool
        Whether only those count that are the newest run of their unit.
    progress : callable
        Called now and then with how many runs are done, and how many there are.
    """

    changed: Callable[[ChangedRun], bool]
    newest_only: bool = False
    progress: Callable[[int, int], None] = lambda done, total: None


def what_if(
    path: Path, limits: Sequence[LimitFile], runs: RunFilter, wanted: Wanted, *, batch: int = _BATCH
) -> Tally:
    """Judge stored runs by limit files, one for each model, from what is stored of their readings and curves.

    Parameters
    ----------
    path : Path
        The log, of which nothing is changed.
    limits : sequence of LimitFile
        Runs of other models are only counted.
    runs : RunFilter
    wanted : Wanted
    batch : int
        So many runs are judged at once.

    Raises
    ------
    FileError, RecordError
        The log cannot be read, or was changed by someone.
    """
    with opened(path) as reader:
        chosen = choose(reader, runs)
        judging = _Judging(reader, chosen, wanted)
        with reader.understood():
            for entry in limits:
                judging.judge(entry, batch)
        return judging.tally({entry.model for entry in limits})


class _Judging:
    """What has been judged so far."""

    def __init__(self, reader: Reader, chosen: Chosen, wanted: Wanted) -> None:
        self._reader = reader
        self._chosen = chosen
        self._wanted = wanted
        self._more = True
        self._after = np.full(len(chosen), UNTOLD, dtype=np.int8)
        self._newest = chosen.newest()
        self._causes: CauseCounts = Counter()
        self._otherwise: Counter[tuple[str, str]] = Counter()
        self._curves = np.zeros(2, dtype=np.int64)
        self._done = 0

    def judge(self, limits: LimitFile, batch: int) -> None:
        """Judge the runs of one model."""
        models = self._chosen.models
        number = models.index(limits.model) if limits.model in models else -1
        places = np.flatnonzero(self._chosen.model == number)
        if not len(places):
            return
        judge = SpanJudge(self._reader, Layouts(limits), self._bases(limits, places))
        for first in range(0, len(places), batch):
            some = places[first : first + batch]
            judged = judge.judge(self._chosen.at(some))
            self._after[some] = judged.after
            causes = Causes(self._reader, judged)
            self._causes.update(causes.counts())
            self._otherwise.update(causes.lost())
            self._tell(judged, causes, self._newest[some])
            self._done += len(some)
            self._wanted.progress(self._done, len(self._chosen))
        self._curves += judge.curves_read

    def _bases(self, limits: LimitFile, places: NDArray[np.intp]) -> list[Basis]:
        """Return how the limit file relates to what these runs were measured with, by the index of the digest."""
        used = set(np.unique(self._chosen.digest[places]).tolist())
        found = []
        for index, digest in enumerate(self._chosen.digests):
            basis = Basis({}, frozenset())
            if index in used:
                row = self._reader.rows("SELECT content FROM limits WHERE digest = ?", (digest,)).fetchone()
                basis = basis_of(json.loads(row[0]), limits)
            found.append(basis)
        return found

    def _tell(self, judged: JudgedSpan, causes: Causes, newest: NDArray[np.bool_]) -> None:
        """Tell of the runs that change or cannot be told, as long as they are wanted."""
        interesting = judged.changed | (judged.after == UNTOLD)
        if self._wanted.newest_only:
            interesting &= newest
        if not self._more or not np.any(interesting):
            return
        runs = np.flatnonzero(interesting).tolist()
        facts = run_facts(self._reader, judged.sequence[runs])
        for run, fact in zip(runs, facts, strict=True):
            untold = judged.after[run] == UNTOLD
            found = ChangedRun(
                **vars(fact),
                before=after_verdict(int(judged.before[run])),
                after=after_verdict(int(judged.after[run])),
                newest=bool(newest[run]),
                causes=() if untold else causes.of(run),
                otherwise=judged.layout_of(run).otherwise,
            )
            self._more = self._wanted.changed(found)
            if not self._more:
                return

    def tally(self, models: set[str]) -> Tally:
        """Return what all of it comes to."""
        curves, size = self._curves.tolist()
        return tally_of(self._chosen, self._after, models, self._causes, self._otherwise, (curves, size))
