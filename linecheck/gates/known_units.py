"""Judging the station by a run of a golden or challenge unit, stated in the log before anyone sees it.

==========================  ====================================================================
:func:`state_golden`        a run of a golden unit, held against its history
:func:`state_challenge`     a run of a unit that is known to be bad
:class:`Accepted`           who takes a run of a golden unit as its history, and why
:class:`Stated`             what was stated
==========================  ====================================================================
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any

from linecheck.errors import BaselineError, RecordError, UsageError
from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.gates import log_queries
from linecheck.gates.challenge import ChallengeResult, challenged
from linecheck.gates.gatekeeper import SOFTWARE
from linecheck.gates.golden import Change, Drift, GoldenResult, combined_history, compare_with_history, drifts
from linecheck.gates.margins import Margin, golden_margins
from linecheck.gates.statements import (
    GATE,
    REFERENCE,
    Reference,
    about,
    circumstances,
    read_reference,
)
from linecheck.limits.model import LimitFile
from linecheck.log import Head, Log
from linecheck.log.fetch import records_of
from linecheck.run.model import Run
from linecheck.station.config.gates import ChallengeUnit
from linecheck.station.config.station import Station

#: Drifts, changes and reasons that a statement keeps, and characters of each; the runs themselves are in the log whole.
MAX_KEPT, MAX_TEXT = 50, 500
#: Runs that a golden unit's history is made of.
MAX_HISTORY = 20

_FIRST = (
    "it has no history to compare with yet: once unit and station are known to be good, test it "
    "again with --accept --by NAME --reason TEXT"
)


@dataclass(frozen=True)
class Accepted:
    """Who accepts a run as a golden unit's history, and why; ``add`` keeps the runs accepted before."""

    by: str
    reason: str
    add: bool = False


@dataclass(frozen=True)
class Stated:
    """A gate's statement.

    Attributes
    ----------
    gate : str
    met : bool
    reasons : tuple of str
        Why it is not met.
    head : Head
        The statement's number and hash.
    record : Run
        The run.
    valid_until : str or None
        UTC text.
    golden : GoldenResult or None
    challenge : ChallengeResult or None
    reference : Reference or None
        The golden unit's history.
    drifts : tuple of Drift
    replaced : tuple of Change
        What the history that was accepted now changes of the one before.
    """

    gate: str
    met: bool
    reasons: tuple[str, ...]
    head: Head
    record: Run
    valid_until: str | None
    golden: GoldenResult | None = None
    challenge: ChallengeResult | None = None
    reference: Reference | None = None
    drifts: tuple[Drift, ...] = ()
    replaced: tuple[Change, ...] = ()


def state_golden(
    log: Log, station: Station, limits: LimitFile, outcome: Run, accepted: Accepted | None = None
) -> Stated:
    """State whether a golden unit agrees with its history; with ``accepted``, accept the run as its history first.

    Raises
    ------
    FileError
        Nothing of the limit file could be compared.
    RecordError
        The run is not in the log, a run of the history was changed, or nothing could be stated.
    BaselineError
        The run cannot be accepted: something was not measured, it is outside its limits, or the runs contradict each
        other.
    """
    config, golden = station.config, station.config.golden
    assert golden is not None
    margins = golden_margins(limits, golden.margins)
    record = _recorded(log, outcome)
    subject = about(config.station, "golden", limits.model, outcome.serial)
    reference, history = _history(log, subject)
    replaced: tuple[Change, ...] = ()
    if accepted is not None:
        history, replaced = _accept(log, subject, outcome, record, (history, limits, margins), accepted)
        reference, _ = _history(log, subject)
    result = (
        compare_with_history(outcome, history, limits, margins) if history else GoldenResult(False, (_FIRST,))
    )
    with log.reading() as connection:
        gone = drifts(log_queries.golden_values(connection, limits.model, outcome.serial), margins)
    more = {
        "reference": None if reference is None else reference.sequence,
        "compared": sum(change.what in ("moved", "unmoved") for change in result.changes),
        "moved": [_kept(change) for change in result.those("moved")[:MAX_KEPT]],
        "untold": [_kept(change) for change in result.those("untold")[:MAX_KEPT]],
        "drifts": [_kept(drift) | {"text": drift.text} for drift in gone[:MAX_KEPT]],
    }
    stated = _state(log, station, limits, ("golden", subject), record, result, golden.every_hours, more)
    return replace(stated, golden=result, reference=reference, drifts=gone, replaced=replaced)


def state_challenge(
    log: Log, station: Station, limits: LimitFile, outcome: Run, name: str, unit: ChallengeUnit
) -> Stated:
    """State whether a challenge unit was caught.

    Raises
    ------
    RecordError
        The run is not in the log, or nothing could be stated.
    """
    config = station.config
    record = _recorded(log, outcome)
    result = challenged(unit, outcome)
    subject = about(config.station, "challenge", limits.model, unit.serial)
    more = {
        "name": name,
        "must_fail": list(unit.must_fail),
        "nothing_else": unit.nothing_else,
        "failed": list(result.failed[:MAX_KEPT]),
    }
    hours = config.challenge.every_hours if config.challenge is not None else 0.0
    stated = _state(log, station, limits, ("challenge", subject), record, result, hours, more)
    return replace(stated, gate=f"challenge.{name}", challenge=result)


_Held = tuple[list[Run], LimitFile, dict[str, dict[str, Margin]]]


def _accept(
    log: Log, subject: str, outcome: Run, record: Run, held: _Held, accepted: Accepted
) -> tuple[list[Run], tuple[Change, ...]]:
    """Accept a run as a golden unit's history; return the history, and what changes from the one before."""
    history, limits, margins = held
    itself = compare_with_history(outcome, [record], limits, margins)
    if not itself.met:
        raise BaselineError(
            f"{outcome.serial}: record {record.logged.sequence} cannot be accepted as its history; "
            "nothing was accepted: " + "; ".join(itself.reasons)
        )
    kept = [*history, record][-MAX_HISTORY:] if accepted.add else [record]
    try:
        combined_history(kept, limits, margins, {})
    except UsageError as error:
        raise BaselineError(
            f"{error}. Nothing was accepted: leave out --add to start a new history"
        ) from error
    before = compare_with_history(outcome, history, limits, margins) if history else GoldenResult(True, ())
    changes = (*before.those("moved"), *before.those("untold"))
    content = {
        "model": encodable(record.model),
        "serial": encodable(record.serial),
        "runs": [
            {"record": one.logged.sequence, "run": one.run_id, "hash": one.logged.record_hash} for one in kept
        ],
        "by": encodable(accepted.by),
        "reason": encodable(accepted.reason),
        "changes": _texts(change.text for change in changes),
    }
    log.state(REFERENCE, subject, content)
    return kept, changes


def _state(
    log: Log,
    station: Station,
    limits: LimitFile,
    gate: tuple[str, str],
    record: Run,
    result: GoldenResult | ChallengeResult,
    every_hours: float,
    more: dict[str, Any],
) -> Stated:
    """State a result; ``gate`` is its name, and the subject of its statement."""
    name, subject = gate
    until = utc_text(datetime.now(UTC) + timedelta(hours=every_hours)) if result.met else None
    content = {
        "gate": name,
        "met": result.met,
        "reasons": _texts(result.reasons),
        "model": encodable(record.model),
        "serial": encodable(record.serial),
        "run": record.run_id,
        "record": record.logged.sequence,
        "verdict": record.verdict.value,
        "circumstances": circumstances(station, limits, SOFTWARE),
        "every_hours": every_hours,
        "valid_until": until,
        **more,
    }
    head = log.state(GATE, subject, content)
    return Stated(name, result.met, result.reasons, head, record, until)


def _texts(texts: Iterable[str]) -> list[str]:
    """Return the first texts as a statement keeps them, each cut off where it is long."""
    return [encodable(text)[:MAX_TEXT] for text in islice(texts, MAX_KEPT)]


def _recorded(log: Log, outcome: Run) -> Run:
    """Return a run's record."""
    try:
        return log.record(log.find(outcome.run_id, outcome.model))
    except UsageError as error:
        raise RecordError(
            f"{outcome.serial}: the run is not in the log, so it says nothing about the station: {error}"
        ) from error


def _history(log: Log, subject: str) -> tuple[Reference | None, list[Run]]:
    """Return a golden unit's history as last accepted, and its runs."""
    with log.reading() as connection:
        statement = log_queries.newest_statement(connection, REFERENCE, subject)
        if statement is None:
            return None, []
        reference = read_reference(statement)
        for sequence, noted in reference.runs:
            record = next(records_of(connection, [sequence]), None)
            if record is None or record.computed_hash() != noted:
                raise RecordError(
                    f"record {sequence} of the unit's accepted history has been changed: run "
                    "`linecheck log verify`, and find out who changed it"
                )
    return reference, [log.record(sequence) for sequence, _ in reference.runs]


def _kept(found: Change | Drift) -> dict[str, Any]:
    return {name: value for name, value in vars(found).items() if value is not None}
