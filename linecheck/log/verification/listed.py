"""Whether lists give what the records are: an index that leaves a record out hides it from everybody who lists.

Lists and exports pick records by indexes, which are in no hash. Here they are asked as a list asks, and what they give
is held against the numbers of the records that were read and verified one by one.
"""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final, get_args

from sqlalchemy import Connection, select

from linecheck.files.text import visible
from linecheck.limits.verdict import RELEASING, Verdict
from linecheck.log.fetch import Record
from linecheck.log.queries import RunFilter, matching
from linecheck.log.schema import statement
from linecheck.run.facts import Purpose
from linecheck.run.model import HOLD

_AT_ONCE = 10_000
_EVERY: Final = "all runs"


class RunLists:
    """The numbers of records by what lists pick them by; eight bytes each, three times for a run."""

    def __init__(self) -> None:
        self._filters = {
            _EVERY: RunFilter(),
            **{_verdict(state): RunFilter(verdicts=(state,)) for state in (*Verdict, HOLD)},
            **{_purpose(name): RunFilter(purpose=name) for name in get_args(Purpose)},
        }
        self._numbers: defaultdict[str, array[int]] = defaultdict(lambda: array("q"))
        self._kinds: dict[str, str] = {}

    def add(self, record: Record) -> None:
        """Add a record that verifies."""
        row = record.row
        if record.is_run:
            held = row["released"] == "false" and row["verdict"] in RELEASING
            state = HOLD if held else row["verdict"]
            for name in (_EVERY, _verdict(state), _purpose(row["purpose"] or "unit")):
                self._numbers[name].append(record.sequence)
            return
        name = f"statements of kind {visible(str(row['kind']))}"
        self._kinds[name] = row["kind"]
        self._numbers[name].append(record.sequence)

    def faults(self, connection: Connection, last: int) -> tuple[str, ...]:
        """Return what lists leave out, or give too much, of the records up to a number."""
        found = [
            fault
            for name, wanted in self._filters.items()
            for fault in _differences(name, self._numbers[name], _listed(connection, wanted, last))
        ]
        for name, kind in self._kinds.items():
            found += _differences(name, self._numbers[name], _stated(connection, kind, last))
        return tuple(found)


def _verdict(verdict: str) -> str:
    return f"runs with the verdict {verdict}"


def _purpose(purpose: str) -> str:
    return f"runs with the purpose {purpose}"


def _listed(connection: Connection, wanted: RunFilter, last: int) -> Iterator[int]:
    before = last + 1
    while page := matching(connection, wanted, limit=_AT_ONCE, before=before):
        yield from page
        before = page[-1]


def _stated(connection: Connection, kind: str, last: int) -> Iterable[int]:
    number = statement.c.sequence
    return connection.scalars(select(number).where(statement.c.kind == kind, number <= last)).all()


def _differences(said: str, numbers: Iterable[int], listed: Iterable[int]) -> Iterator[str]:
    expected, there = set(numbers), set(listed)
    for what, some in (("leaves out", expected - there), ("gives wrongly", there - expected)):
        if some:
            more = f" and {len(some) - 1} more" if len(some) > 1 else ""
            yield f"the list of {said} {what} record {min(some)}{more}: an index is not what the records are"
