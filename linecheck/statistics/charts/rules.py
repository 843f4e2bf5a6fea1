"""Runs rules: patterns inside the limits that are rare where nothing has moved (Western Electric 1956).

Each is off unless a chart asks for it: together they give a false alarm every 92 values, where the limits alone give
one every 370 (Champ and Woodall 1987; :func:`~linecheck.statistics.charts.run_length.shewhart`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Rule:
    """``least`` of the newest ``among`` values lie more than ``beyond`` standard deviations out, all on one side."""

    least: int
    among: int
    beyond: float
    words: str


RULES: Final = {
    "two-of-three": Rule(2, 3, 2.0, "two of three values beyond 2 sigma on one side"),
    "four-of-five": Rule(4, 5, 1.0, "four of five values beyond 1 sigma on one side"),
    "eight-in-a-row": Rule(8, 8, 0.0, "eight values in a row on one side of the centre"),
}
#: No rule looks further back.
FURTHEST: Final = max(rule.among for rule in RULES.values())


def broken(scores: Sequence[float], names: Sequence[str]) -> list[str]:
    """Return which rules the newest of standardised values break, the newest last."""
    return [name for name in names if _is_broken(RULES[name], scores)]


def _is_broken(rule: Rule, scores: Sequence[float]) -> bool:
    newest = scores[-rule.among :]
    if not newest:
        return False
    side = 1.0 if newest[-1] > 0 else -1.0
    # The newest value is one of them: an old pattern is told once.
    return side * newest[-1] > rule.beyond and sum(side * each > rule.beyond for each in newest) >= rule.least
