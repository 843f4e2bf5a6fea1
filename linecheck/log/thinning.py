"""Thinning out old passes: the points of their curves go, their worst points, margins and verdicts stay.

======================  ====================================================================
:func:`thinnable`       what would go; :meth:`linecheck.log.Log.thin` states it and removes it
:func:`rules_of`        what was stated so far, for who verifies
:class:`Rule`           which records may be without the points of their curves
======================  ====================================================================

Only released passes of units are thinned, and of these not every n-th record, so that what passes look like can still
be seen. Fails, and what golden and challenge units measured, stay whole. The statement ``curves_thinned`` stands in the
chain before anything goes: who verifies the log tells by it what was thinned from what was tampered with, and a server
thins the same records once the statement has come there.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, select, text

from linecheck.files.times import utc_text
from linecheck.log.fetch import Tables, own
from linecheck.log.schema import statement

#: The kind of the statements that say which points go; their subject is the station.
CURVES_THINNED: Final = "curves_thinned"

#: What a thinned record is, beside what a rule says: as :data:`linecheck.log.schema.THINNED_BY_STATEMENT` has it.
PASSES: Final = (
    "run.verdict = 'pass' AND coalesce(run.released, 'true') = 'true' AND coalesce(run.purpose, 'unit') = 'unit'"
)  # fmt: skip


@dataclass(frozen=True)
class Rule:
    """Released passes of units up to a record may lack the points of their curves, but for every n-th record.

    Attributes
    ----------
    through : int
        The last record that it covers.
    every : int
        Records whose number is a multiple of it stay whole; more than 1.
    """

    through: int
    every: int

    def covers(self, row: Mapping[str, Any]) -> bool:
        """Return whether the record of a row of ``run`` may be without them."""
        return (
            row["verdict"] == "pass"
            and row.get("released") in (None, "true")
            and row["purpose"] in (None, "unit")
            and row["sequence"] <= self.through
            and row["sequence"] % self.every != 0
        )

    def includes(self, other: Rule) -> bool:
        """Return whether it says of every record that another rule covers that it may go."""
        return self.every == other.every and self.through >= other.through

    def content(self) -> dict[str, int]:
        """Return it as plain data."""
        return {"through": self.through, "every": self.every}


@dataclass(frozen=True)
class Thinnable:
    """What a rule would remove: of how many records, and how many bytes."""

    rule: Rule
    records: int
    size_bytes: int


def rules_of(connection: Connection, tables: Tables = own) -> tuple[Rule, ...]:
    """Return the rules that a log states."""
    said = tables(statement)
    return rules_from(connection.scalars(select(said.c.content).where(said.c.kind == CURVES_THINNED)))


def rules_from(contents: Iterable[str]) -> tuple[Rule, ...]:
    """Return the rules that statements make; one that says nothing of the kind makes none."""
    found = []
    for content in contents:
        try:
            said = json.loads(content)
            rule = Rule(int(said["through"]), int(said["every"]))
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
            continue
        if rule.every > 1:
            found.append(rule)
    return tuple(found)


def thinnable(connection: Connection, before: datetime, every: int) -> Thinnable | None:
    """Return what thinning the passes recorded before a time would remove; None where that is nothing."""
    through = connection.scalar(
        text("SELECT max(sequence) FROM run WHERE recorded < :before"), {"before": utc_text(before)}
    )
    if through is None:
        return None
    rule = Rule(int(through), every)
    found = connection.execute(
        text(
            "SELECT count(*), coalesce(sum(length(p.content)), 0) FROM curve_points AS p "
            f"JOIN run ON run.sequence = p.sequence WHERE {PASSES} AND run.sequence <= :through "
            "AND run.sequence % :every <> 0"
        ),
        rule.content(),
    ).one()
    return Thinnable(rule, int(found[0]), int(found[1])) if found[0] else None


def remove_points(connection: Connection, rule: Rule, after: int, until: int) -> int:
    """Remove the points of the records that a rule covers between two numbers; return how many lost them."""
    removed = connection.execute(
        text(
            "DELETE FROM curve_points WHERE sequence > :after AND sequence <= :until AND sequence IN "
            f"(SELECT sequence FROM run WHERE {PASSES} AND sequence > :after AND sequence <= :until "
            "AND sequence <= :through AND sequence % :every <> 0)"
        ),
        {**rule.content(), "after": after, "until": until},
    )
    return removed.rowcount
