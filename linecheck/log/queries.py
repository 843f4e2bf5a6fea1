"""Which runs are meant: what lists, exports and other questions pick runs by.

=========================  ==================================================================
:class:`RunFilter`         what a run must be to be among them
:func:`matching`           numbers of runs that are, a page at a time
:func:`judges_a_unit`      what leaves out runs that judged the station
=========================  ==================================================================

A page is found by an index, whatever is asked for: by that of serial numbers, lots, work orders or assets where one is
named, else, newest or oldest first, by one that holds all that runs are picked by without the runs themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any, Literal

from sqlalchemy import (
    ColumnElement,
    Connection,
    Table,
    and_,
    exists,
    false,
    func,
    literal_column,
    not_,
    or_,
    select,
    text,
)

from linecheck.files.text import encodable
from linecheck.limits.model import SETUP_MARK
from linecheck.limits.verdict import RELEASING, Verdict
from linecheck.log.schema import FIRST_CAUSE, curve, packed_curve, reading, run, run_asset
from linecheck.run.facts import FACTS, Purpose
from linecheck.run.model import HOLD

#: What the narrow index holds of the run's facts; it was released, and further facts have an index of their own.
_NARROW = ("variant", "station", "shift", "nest", "operator", "firmware")
#: Few runs share one of these: an index of its own finds them.
_SELECTIVE = (
    "serial",
    *(fact.name for fact in FACTS if fact.picked_by and fact.name not in _NARROW),
)
#: What is found by the narrow index.
_FACTS = ("model", *_NARROW)
_INDEX = "run_by_facts"
#: An index holds the runs of which this is so; SQLite uses it where the words are the same.
_KNOWN_UNIT = "purpose <> 'unit'"
_HELD = "run.released = 'false'"
#: A run in which something failed is a fail, or was aborted after it.
_WITH_FAILURES = ((Verdict.FAIL.value,), (Verdict.ABORTED.value,))


@dataclass(frozen=True)
class RunFilter:
    """What a run must be; what is None, or empty, leaves runs of all kinds.

    Attributes
    ----------
    serial, model : str, optional
        Exactly so.
    facts : mapping of str to str
        Facts by which runs are picked, each exactly so.
    verdicts : tuple of str
        One of these verdicts; ``hold`` for runs that passed and did not release their unit, which are no pass here.
    purpose : str, optional
        ``unit``, ``golden``, ``challenge`` or ``study``; None for all.
    since, until : str, optional
        UTC texts: recorded at the first or later, and before the second.
    attempt : str, optional
        ``first`` or ``last``: only the first or the last of a unit's runs with the same purpose, whatever else is asked
        for.
    failed : tuple of str
        Each names a check, or a metric of one (``tone.hum``), in which a reading or a curve failed. A check's name in
        the limit file stands for it under each of its setups.
    cause : str, optional
        The code of the cause that it names first.
    asset : str, optional
        Judged with this cable, interface or the like.
    """

    serial: str | None = None
    model: str | None = None
    verdicts: tuple[str, ...] = ()
    purpose: Purpose | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    since: str | None = None
    until: str | None = None
    attempt: Literal["first", "last"] | None = None
    failed: tuple[str, ...] = ()
    asset: str | None = None
    cause: str | None = None

    def __post_init__(self) -> None:
        """Refuse what no run is picked by: a filter that is not applied would let every run pass."""
        for name in self.facts:
            if name not in (*_NARROW, *_SELECTIVE):
                raise ValueError(f"no runs are picked by {name}")

    def value(self, name: str) -> str | None:
        """Return what a column of the run must say; None where that does not matter."""
        found: str | None = vars(self).get(name, self.facts.get(name))
        return found


def matching(
    connection: Connection,
    wanted: RunFilter,
    *,
    limit: int | None,
    before: int | None = None,
    after: int | None = None,
    oldest_first: bool = False,
) -> list[int]:
    """Return the numbers of runs, the newest first unless ``oldest_first``.

    Parameters
    ----------
    connection : Connection
        In a transaction that reads.
    wanted : RunFilter
    limit : int or None
        At most so many.
    before, after : int, optional
        Only records before and after these.
    """
    if wanted.failed and wanted.verdicts not in _WITH_FAILURES:
        # Each of these verdicts has its runs in order in the index of verdicts.
        pages = [
            matching(
                connection,
                replace(wanted, verdicts=verdicts),
                limit=limit,
                before=before,
                after=after,
                oldest_first=oldest_first,
            )
            for verdicts in _WITH_FAILURES
            if not wanted.verdicts or verdicts[0] in wanted.verdicts
        ]
        return sorted(chain(*pages), reverse=not oldest_first)[:limit]
    number = run.c.sequence if wanted.asset is None else run_asset.c.sequence
    query = select(number).where(*_conditions(connection, wanted))
    if wanted.asset is not None:
        query = query.join(run, run.c.sequence == run_asset.c.sequence)
    if before is not None:
        query = query.where(number < before)
    if after is not None:
        query = query.where(number > after)
    found = connection.scalars(query.order_by(number.asc() if oldest_first else number.desc()).limit(limit))
    return list(dict.fromkeys(found))


def judges_a_unit() -> ColumnElement[bool]:
    """Return what leaves out the runs of golden and challenge units, and those of studies."""
    known = select(run.c.sequence).where(text(_KNOWN_UNIT)).scalar_subquery()
    return run.c.sequence.not_in(known)


def _column(name: str, shared: bool) -> ColumnElement[Any]:
    """Return a column; with a plus before it SQLite looks for it in no index of its own, which many runs may share."""
    return literal_column(f"+run.{name}") if shared else run.c[name]


def _is_scanned(wanted: RunFilter) -> bool:
    """Return whether no index picks the runs, so that one must be gone through."""
    if _is_selective(wanted):
        return False
    facts = sum(wanted.value(name) is not None for name in (*_FACTS, "since", "until", "attempt"))
    alone = len(wanted.verdicts) == 1 or wanted.model is not None
    return facts + len(wanted.verdicts) > 1 or (facts == 1 and not alone)


def _is_selective(wanted: RunFilter) -> bool:
    return any(wanted.value(name) is not None for name in (*_SELECTIVE, "asset", "cause"))


def has_narrow_index(connection: Connection) -> bool:
    """Return whether the log has the index that holds all that runs are picked by; an older one has not."""
    return _has_index(connection, _INDEX)


def _has_index(connection: Connection, name: str) -> bool:
    known = connection.info.setdefault("indexes", {})
    if name not in known:
        query = "SELECT 1 FROM sqlite_master WHERE type = 'index' AND name = ?"
        known[name] = connection.exec_driver_sql(query, (name,)).scalar() is not None
    return bool(known[name])


def _conditions(connection: Connection, wanted: RunFilter) -> Iterator[ColumnElement[bool]]:
    narrow = _is_scanned(wanted) and has_narrow_index(connection)
    shared = narrow or _is_selective(wanted)
    for name in (*_SELECTIVE, *_FACTS):
        value = wanted.value(name)
        if value is not None:
            yield _column(name, shared and name in _FACTS) == encodable(value)
    if wanted.cause is not None:
        first: ColumnElement[Any] = literal_column(FIRST_CAUSE.format("run.causes"))
        yield and_(first.is_not(None), first == encodable(wanted.cause))
    if wanted.asset is not None:
        yield run_asset.c.asset == encodable(wanted.asset)
    verdict, recorded = _column("verdict", shared), _column("recorded", shared)
    yield from _verdicts(wanted.verdicts, verdict)
    if wanted.since is not None:
        yield recorded >= wanted.since
    if wanted.until is not None:
        yield recorded < wanted.until
        yield from _between(wanted.since, wanted.until)
    yield from _purpose(wanted.purpose, narrow)
    yield from _attempt(wanted.attempt)
    for failed in wanted.failed:
        yield _has_failed(connection, encodable(failed))


def _between(since: str | None, until: str) -> Iterator[ColumnElement[bool]]:
    """Return the numbers between which runs of a time lie: a clock that was put back may have mixed others among them.

    So much of the index of times is read, and not every run since then.
    """
    times = [run.c.recorded < until, *(() if since is None else (run.c.recorded >= since,))]
    for bound, within in ((func.max, run.c.sequence.__le__), (func.min, run.c.sequence.__ge__)):
        yield within(select(bound(run.c.sequence)).where(*times).scalar_subquery())


def _verdicts(wanted: tuple[str, ...], verdict: ColumnElement[Any]) -> Iterator[ColumnElement[bool]]:
    if set(wanted) == {HOLD}:
        # In the words of the index that holds these few alone.
        yield and_(text(_HELD), run.c.verdict.in_(RELEASING))
        return
    named = [str(name) for name in wanted if name != HOLD]
    if HOLD not in wanted and len(named) == 1:
        yield verdict == named[0]
    elif wanted:
        yield verdict.in_([*named, *(RELEASING if HOLD in wanted else ())])
    if {HOLD, *RELEASING} & set(wanted):
        held = and_(run.c.released == "false", verdict.in_(RELEASING))
        as_named = and_(verdict.in_(named), not_(func.coalesce(held, false())))
        yield or_(held, as_named) if HOLD in wanted else as_named


def _purpose(purpose: Purpose | None, narrow: bool) -> Iterator[ColumnElement[bool]]:
    if purpose is None:
        return
    if purpose != "unit":
        yield and_(text(_KNOWN_UNIT), run.c.purpose == purpose)
    elif narrow:
        yield or_(run.c.purpose.is_(None), run.c.purpose == "unit")
    else:
        yield judges_a_unit()


def _attempt(attempt: Literal["first", "last"] | None) -> Iterator[ColumnElement[bool]]:
    if attempt is None:
        return
    other = run.alias("other")
    # A unit may be in a gauge study before it is tested, and after.
    unit = (
        other.c.serial == run.c.serial,
        other.c.model == run.c.model,
        func.coalesce(other.c.purpose, "unit") == func.coalesce(run.c.purpose, "unit"),
    )
    if attempt == "first":
        yield or_(run.c.attempt == 1, ~exists().where(*unit, other.c.attempt < run.c.attempt))
    else:
        yield ~exists().where(*unit, other.c.attempt > run.c.attempt)


def _has_failed(connection: Connection, name: str) -> ColumnElement[bool]:
    """Return whether a check or one of its metrics failed."""
    return or_(*(_has_failed_in(connection, table, name) for table in (reading, curve, packed_curve)))


def _has_failed_in(connection: Connection, table: Table, name: str) -> ColumnElement[bool]:
    check, _, metric = name.rpartition(".")
    named = _is_check(name)
    if check:
        in_check = and_(_is_check(check), literal_column(f"{table.name}.metric") == metric)
        # Only the name of a setup has a dot of its own: without one the metric, which the index holds, is sure.
        named = or_(named, in_check) if SETUP_MARK in name else in_check
    # The key of the table finds all readings of a run as well, on pages that a cold disk takes seconds to read.
    index = f"{table.name}_failed"
    by = f" INDEXED BY {index}" if _has_index(connection, index) else ""
    source = text(
        f"{table.name}{by} JOIN run_check ON run_check.sequence = {table.name}.sequence "
        f"AND run_check.position = {table.name}.check_position"
    )
    # In the words of the index: a value that is bound is not known when SQLite looks for one.
    failed = text(f"{table.name}.sequence = run.sequence AND {table.name}.verdict = '{Verdict.FAIL.value}'")
    return exists(select(text("1")).select_from(source).where(failed, named))


def _is_check(name: str) -> ColumnElement[bool]:
    """Return whether a check has this name, alone or with a setup after it."""
    column: ColumnElement[str] = literal_column("run_check.name")
    whole = column == name
    next_mark = chr(ord(SETUP_MARK) + 1)
    under_setups = and_(column >= name + SETUP_MARK, column < name + next_mark)
    return whole if SETUP_MARK in name else or_(whole, under_setups)
