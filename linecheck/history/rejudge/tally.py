"""What judging runs once more comes to: verdicts before and after, the yield, what has changed most; and it as JSON.

The document has, in this order: ``format`` (1), ``kind`` (``rejudge``), ``by`` (``stored readings`` or ``captures``),
``log``, ``software``, ``made`` (UTC), ``limit_files`` (path, model, revision, sha256, decision), ``runs`` and
``summary``. Each entry of ``runs`` stands on a line of its own: a run whose verdict changes, or (``after`` null) cannot
be told. Its keys:

- ``record``, ``run``, ``serial``, ``model``, ``attempt``, ``recorded``: which run it is;
- ``before``, ``after``: the verdict that is stored, and what it would be;
- ``newest``: whether it is the last run of its unit;
- ``causes``: what has changed it, each with ``check`` (its whole name), ``metric`` (null: the check as a whole),
  ``channel``, ``before``, ``after`` (null: not judged), ``why``, ``value``, ``unit``, ``limit``, ``side``, ``margin``,
  ``place`` and ``place_unit`` (of a curve's worst point);
- ``otherwise``: by check what was measured differently, in words; ``why``: why its captures could not be judged.

``summary`` counts: ``runs``, ``units``, ``judged``, ``changed``, ``changed_units``, ``cannot_be_told``, ``transitions``
(each with ``before``, ``after``, ``runs`` and ``units``, by their newest runs), ``causes`` (``way``, ``check``,
``metric``, ``runs``), ``measured_otherwise`` (``check``, ``what``, ``runs``), ``yield`` (of ``units`` by their first
valid run and of ``runs``, each ``before`` and ``after``, without those that are ``untold``), ``other_models`` (runs of
models without a limit file here) and ``curves_read``.

Where captures were measured anew, a run is also told whose readings have changed by more than their expanded
uncertainty, in ``readings``: each with ``check``, ``metric``, ``channel``, ``unit``, ``before``, ``after`` (null: not
measured) and ``uncertainty`` (k = 1, the larger of both). The summary then has ``without_captures``,
``captures_not_judged`` (``why``, ``runs``) and ``readings_changed`` (``check``, ``metric``, ``runs``, and ``largest``,
the largest change over its expanded uncertainty).
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck import __version__
from linecheck.files.times import utc_text
from linecheck.files.write import GrowingFile
from linecheck.history.rejudge.causes import Cause, CauseCounts
from linecheck.history.rejudge.judge import UNTOLD, after_verdict
from linecheck.history.rejudge.select import Chosen, RunFacts
from linecheck.limits.bulk import UNJUDGED, level_of
from linecheck.limits.decision import COVERAGE_FACTOR
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import Verdict

#: A verdict before and after; None is what cannot be told.
Transition = tuple[Verdict | None, Verdict | None]

#: What judges no unit: it is no part of a yield.
_VOID = (level_of(Verdict.INVALID), level_of(Verdict.ABORTED), UNJUDGED)


@dataclass(frozen=True)
class ReadingChange:
    """A reading that was measured anew and is another: by more than its expanded uncertainty, or measured only once."""

    check: str
    metric: str
    channel: str | None
    unit: str
    before: float | None
    after: float | None
    uncertainty: float | None

    @property
    def ratio(self) -> float:
        """The change over its expanded uncertainty (k = 2); infinite where that cannot be told."""
        if self.before is None or self.after is None or not self.uncertainty:
            return math.inf
        return abs(self.after - self.before) / (COVERAGE_FACTOR * self.uncertainty)


@dataclass(frozen=True)
class ChangedRun(RunFacts):
    """A run whose verdict would change, or (``after`` None) cannot be told; ``newest`` is the last one of its unit.

    ``otherwise`` says of each check that was measured differently what differs, ``why`` why nothing else could be
    judged.
    """

    before: Verdict | None
    after: Verdict | None
    newest: bool
    causes: tuple[Cause, ...] = ()
    otherwise: Mapping[str, str] = field(default_factory=dict)
    why: str = ""
    readings: tuple[ReadingChange, ...] = ()


@dataclass(frozen=True)
class Yield:
    """How many are good, marginal ones among them, of those that were judged; ``untold`` are no part of them."""

    passed: int
    marginal: int
    failed: int
    untold: int = 0

    @property
    def share(self) -> float | None:
        """The part that is good; None of nothing."""
        judged = self.passed + self.marginal + self.failed
        return (self.passed + self.marginal) / judged if judged else None


class ReadingCount(NamedTuple):
    """How many runs a reading has changed in, and its largest change over its expanded uncertainty."""

    runs: int
    largest: float


@dataclass(frozen=True)
class Remeasured:
    """What is known besides where captures were measured anew.

    ``without`` counts runs without captures, ``refused`` those whose captures could not be judged, by why; ``readings``
    are those that have changed, by check and metric.
    """

    without: int
    refused: Mapping[str, int]
    readings: Mapping[tuple[str, str], ReadingCount]


#: The yield ``before`` and ``after``, of the same runs or units.
Yields = Mapping[str, Yield]


@dataclass(frozen=True)
class Tally:
    """All runs that were judged once more.

    ``transitions`` and ``unit_transitions`` count runs and units (by their newest run) by verdict before and after,
    also where both are the same. Of the yields, those of units go by the first run of each that is valid; both leave
    out what cannot be told (a unit, if one of its runs cannot), so that before and after are of the same. ``otherwise``
    counts runs by the check that was measured differently and by what differs. ``remeasured`` is there where captures
    were measured anew.
    """

    transitions: Mapping[Transition, int]
    unit_transitions: Mapping[Transition, int]
    causes: CauseCounts
    otherwise: Mapping[tuple[str, str], int]
    unit_yield: Yields
    run_yield: Yields
    curves: int = 0
    curve_bytes: int = 0
    other_models: Mapping[str, int] = field(default_factory=dict)
    remeasured: Remeasured | None = None

    @property
    def runs(self) -> int:
        """How many runs are meant."""
        return sum(self.transitions.values())

    @property
    def units(self) -> int:
        """How many units they are of."""
        return sum(self.unit_transitions.values())

    @property
    def untold(self) -> int:
        """How many runs cannot be told."""
        return sum(count for (_, after), count in self.transitions.items() if after is None)

    @property
    def judged(self) -> int:
        """How many runs were judged once more; those that were aborted are not."""
        none = (None, Verdict.ABORTED)
        return sum(count for (_, after), count in self.transitions.items() if after not in none)

    @property
    def changed(self) -> int:
        """How many runs would change their verdict."""
        return changed_of(self.transitions)

    @property
    def changed_units(self) -> int:
        """How many units would change theirs."""
        return changed_of(self.unit_transitions)


def changed_of(transitions: Mapping[Transition, int]) -> int:
    """Return how many would change."""
    return sum(
        count for (before, after), count in transitions.items() if after is not None and after is not before
    )


def tally_of(
    chosen: Chosen,
    after: NDArray[np.int8],
    models: Collection[str],
    causes: CauseCounts,
    otherwise: Mapping[tuple[str, str], int],
    curves: tuple[int, int] = (0, 0),
    remeasured: Remeasured | None = None,
) -> Tally:
    """Count runs by what they were and would be.

    Parameters
    ----------
    chosen : Chosen
        The runs that are meant.
    after : int8 array, shape (runs,)
        The level of what each would be.
    models : collection of str
        The models that were judged; runs of others are counted apart.
    causes, otherwise : mapping
        As :class:`Tally` has them.
    curves : tuple of int
        How many curves were read, and how many bytes of them.
    remeasured : Remeasured, optional
    """
    ours = np.isin(chosen.model, [at for at, name in enumerate(chosen.models) if name in models])
    newest = chosen.newest()[ours]
    before, after, unit = chosen.before[ours], after[ours], chosen.unit[ours]
    return Tally(
        transitions=transitions_of(before, after),
        unit_transitions=transitions_of(before[newest], after[newest]),
        causes=causes,
        otherwise=otherwise,
        unit_yield=_unit_yields(unit, before, after),
        run_yield=_run_yields(before, after),
        curves=curves[0],
        curve_bytes=curves[1],
        other_models={
            name: int(np.sum(chosen.model == at))
            for at, name in enumerate(chosen.models)
            if name not in models
        },
        remeasured=remeasured,
    )


def _unit_yields(unit: NDArray[np.uint64], before: NDArray[np.int8], after: NDArray[np.int8]) -> Yields:
    """Return the yield of the units all of whose runs can be told."""
    lost = np.unique(unit[after == UNTOLD])
    told = ~np.isin(unit, lost)
    return {
        when: replace(unit_yield(unit[told], levels[told]), untold=len(lost))
        for when, levels in (("before", before), ("after", after))
    }


def _run_yields(before: NDArray[np.int8], after: NDArray[np.int8]) -> Yields:
    """Return the yield of the runs that can be told."""
    told = after != UNTOLD
    return {
        when: replace(_yield_of(levels[told]), untold=int(np.sum(~told)))
        for when, levels in (("before", before), ("after", after))
    }


def transitions_of(before: NDArray[np.int8], after: NDArray[np.int8]) -> dict[Transition, int]:
    """Count verdicts before and after, given their levels."""
    counted = Counter(zip(before.tolist(), after.tolist(), strict=True))
    return {(after_verdict(one), after_verdict(other)): count for (one, other), count in counted.items()}


def _yield_of(levels: NDArray[np.int8]) -> Yield:
    """Return the yield of runs, each counted, given the levels of their verdicts."""
    passed, marginal, failed = (
        int(np.sum(levels == level_of(verdict))) for verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL)
    )
    return Yield(passed, marginal, failed, int(np.sum(levels == UNTOLD)))


def unit_yield(unit: NDArray[np.uint64], levels: NDArray[np.int8]) -> Yield:
    """Return the yield of units, each counted by the first of its runs that is valid.

    Where that run cannot be told, nor can the unit.

    Parameters
    ----------
    unit : uint64 array, shape (runs,)
        Which unit each run is of, in the order in which they were recorded.
    levels : int8 array, shape (runs,)
    """
    valid = ~np.isin(levels, _VOID)
    _, first = np.unique(unit[valid], return_index=True)
    return _yield_of(levels[valid][first])


class RejudgedFile:
    """The document, written run by run; it takes its name when it is finished.

    Parameters
    ----------
    path : Path
    log : str
        The log, as it was given.
    limits : sequence of LimitFile
    by : str
        ``stored readings`` or ``captures``.

    Raises
    ------
    RecordError
        It cannot be written, here as in every method.
    """

    def __init__(self, path: Path, log: str, limits: Sequence[LimitFile], by: str) -> None:
        self._file = GrowingFile(path)
        self._any = False
        files = [
            {name: getattr(entry, name) for name in ("path", "model", "revision", "sha256", "decision")}
            for entry in limits
        ]
        head: dict[str, Any] = {
            "format": 1,
            "kind": "rejudge",
            "by": by,
            "log": log,
            "software": f"linecheck {__version__}",
            "made": utc_text(datetime.now(UTC)),
            "limit_files": files,
        }
        self._file.write(b"{\n")
        for key, value in head.items():
            self._file.write(b'  "%s": %s,\n' % (key.encode(), _compact(value)))
        self._file.write(b'  "runs": [')

    def add(self, run: ChangedRun) -> None:
        """Write a run."""
        entry = asdict(run)
        entry = {"record": entry.pop("sequence"), "run": entry.pop("run_id"), **entry}
        self._file.write(b",\n    " * self._any or b"\n    ")
        self._file.write(_compact(entry))
        self._any = True

    def finish(self, tally: Tally) -> None:
        """Write the summary and keep the file."""
        end = b"\n  " * self._any
        self._file.write(b'%s],\n  "summary": %s\n}\n' % (end, _compact(_summary_of(tally))))
        self._file.finish()

    def abandon(self) -> None:
        """Leave everything as it was before, unless it is finished."""
        self._file.abandon()


def _summary_of(tally: Tally) -> dict[str, Any]:
    """Return what it all comes to as plain data."""
    named = sorted(tally.transitions, key=lambda pair: [str(verdict) for verdict in pair])
    return {
        "runs": tally.runs,
        "units": tally.units,
        "judged": tally.judged,
        "changed": tally.changed,
        "changed_units": tally.changed_units,
        "cannot_be_told": tally.untold,
        "transitions": _entries(
            ("before", "after", "runs", "units"),
            ((*pair, tally.transitions[pair], tally.unit_transitions.get(pair, 0)) for pair in named),
        ),
        "causes": _entries(
            ("way", "check", "metric", "runs"),
            ((*cause, count) for cause, count in tally.causes.most_common()),
        ),
        "measured_otherwise": _entries(
            ("check", "what", "runs"), ((*key, count) for key, count in sorted(tally.otherwise.items()))
        ),
        "yield": {
            name: {when: {**asdict(entry), "share": entry.share} for when, entry in both.items()}
            for name, both in (("units", tally.unit_yield), ("runs", tally.run_yield))
        },
        "other_models": tally.other_models,
        "curves_read": {"curves": tally.curves, "bytes": tally.curve_bytes},
        **({} if tally.remeasured is None else _remeasured(tally.remeasured)),
    }


def _remeasured(found: Remeasured) -> dict[str, Any]:
    readings = (
        (*key, count.runs, None if math.isinf(count.largest) else count.largest)
        for key, count in found.readings.items()
    )
    return {
        "without_captures": found.without,
        "captures_not_judged": _entries(("why", "runs"), found.refused.items()),
        "readings_changed": _entries(("check", "metric", "runs", "largest"), readings),
    }


def _entries(names: Sequence[str], rows: Iterable[Sequence[object]]) -> list[dict[str, object]]:
    return [dict(zip(names, row, strict=True)) for row in rows]


def _compact(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False).encode("utf-8", "backslashreplace")
