"""What several checks of one kind say together: notes of a run, which change no verdict."""

from __future__ import annotations

import logging
from collections.abc import Mapping

from linecheck.checks.base import Measurement, Note, Taken
from linecheck.limits.model import Check, LimitFile
from linecheck.run.model import CheckOutcome

__all__ = ["compared"]

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


def compared(limits: LimitFile, outcomes: Mapping[str, CheckOutcome]) -> tuple[Note, ...]:
    """Return the notes of every kind that a run has several checks of, in the limit file's order.

    A fault in a comparison is logged and costs its notes; the run keeps everything that was measured.
    """
    by_kind: dict[str, list[Check]] = {}
    for check in limits.checks:
        if check.name in outcomes:
            by_kind.setdefault(check.kind.name, []).append(check)
    notes: list[Note] = []
    for checks in by_kind.values():
        if len(checks) < 2:
            continue
        try:
            notes += checks[0].kind.compare([_taken(check, outcomes[check.name]) for check in checks])
        except Exception:
            _log.exception("checks of kind %s could not be compared", checks[0].kind.name)
    return tuple(notes)


def _taken(check: Check, outcome: CheckOutcome) -> Taken:
    judged = outcome.judged
    measurement = Measurement(
        tuple(item.reading for item in judged.readings),
        tuple(item.curve for item in judged.curves),
        judged.problems,
    )
    return Taken(check.name, check.setup, check.stimulus, measurement)
