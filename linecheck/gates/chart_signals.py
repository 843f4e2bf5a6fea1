"""Signals of control charts that nobody has answered: where the station config says so, they lock the station.

=========================  ==================================================================
:class:`ChartSignal`       a signal, as it stands in the log
:func:`open_signals`       those of a station that nobody has answered
:func:`answer_content`     what a statement that answers one says
=========================  ==================================================================

A signal is open until a statement answers it, or its chart is stated anew, which somebody does with name and reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection

from linecheck.errors import UsageError
from linecheck.files.text import encodable
from linecheck.gates import log_queries
from linecheck.log.signoff import MAX_NAME_LENGTH, MAX_REASON_LENGTH, checked_text
from linecheck.log.stored import Statement

CHART_SET: Final = "chart_set"
CHART_SIGNAL: Final = "chart_signal"
CHART_ANSWER: Final = "chart_answer"


@dataclass(frozen=True)
class ChartSignal:
    """A signal.

    Attributes
    ----------
    sequence : int
        The number of its statement.
    subject : str
        Its chart.
    nest : str or None
        The nest that its chart is of; None where it is of all of the station.
    locks : bool
        Whether the station was to be locked by it.
    words : str
        Which chart signals what, in one sentence.
    """

    sequence: int
    subject: str
    nest: str | None
    locks: bool
    words: str


def read_signal(statement: Statement) -> ChartSignal:
    """Return a signal from its statement."""
    content = statement.content
    nest = content.get("nest")
    return ChartSignal(
        statement.sequence,
        statement.subject,
        None if nest is None else str(nest),
        content.get("locks") is True,
        signal_words(content),
    )


def signal_words(content: Mapping[str, Any]) -> str:
    """Return which chart signals what, in one sentence."""
    return f"control chart of {content.get('chart')}: {content.get('says')}"


def prefix_of(station: str) -> str:
    """Return what the subject of every chart of a station begins with."""
    return encodable(f"{station}/")


def open_signals(connection: Connection, station: str) -> tuple[ChartSignal, ...]:
    """Return the signals of a station's charts that nobody has answered, the newest of each chart."""
    prefix = prefix_of(station)
    newest = log_queries.newest_of_each(connection, CHART_SIGNAL, prefix)
    if not newest:
        return ()
    ended: dict[str, int] = {}
    for kind in (CHART_ANSWER, CHART_SET):
        for each in log_queries.newest_of_each(connection, kind, prefix):
            ended[each.subject] = max(ended.get(each.subject, 0), each.sequence)
    return tuple(read_signal(each) for each in newest if each.sequence > ended.get(each.subject, 0))


def answer_content(signal: ChartSignal, by: str, reason: str) -> dict[str, Any]:
    """Return what a statement says by which somebody answers a signal.

    Raises
    ------
    UsageError
        A text is empty, too long, or holds characters that cannot be seen.
    """
    return {
        "signal": signal.sequence,
        "by": checked_text("the name (by)", by, MAX_NAME_LENGTH),
        "reason": checked_text("the reason", reason, MAX_REASON_LENGTH),
    }


def signal_numbered(signals: tuple[ChartSignal, ...], sequence: int) -> ChartSignal:
    """Return the open signal with a number.

    Raises
    ------
    UsageError
        There is none.
    """
    found = next((signal for signal in signals if signal.sequence == sequence), None)
    if found is None:
        there = ", ".join(str(signal.sequence) for signal in signals) or "none"
        raise UsageError(f"record {sequence} is no signal that waits for an answer; there are: {there}")
    return found
