"""The things that runs rest on (interfaces, cables, adapters): which there are, and for how many runs each was used."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select

from linecheck.log.schema import run, run_asset


@dataclass(frozen=True)
class KnownAsset:
    """A thing that runs rest on.

    ``role`` and ``facts`` are as they were last recorded; ``first`` and ``last`` are the records of the first and the
    last run with it, with the times (UTC texts) at which these were recorded; ``runs`` counts them.
    """

    asset: str
    role: str
    runs: int
    first: int
    first_recorded: str
    last: int
    last_recorded: str
    facts: Mapping[str, Any]


def known_assets(connection: Connection) -> tuple[KnownAsset, ...]:
    """Return all assets in the log, by name."""
    number = run_asset.c.sequence
    used = select(run_asset.c.asset, func.count(number.distinct()), func.min(number), func.max(number))
    found = connection.execute(used.group_by(run_asset.c.asset).order_by(run_asset.c.asset)).all()
    return tuple(_known(connection, *row) for row in found)


def _known(connection: Connection, asset: str, runs: int, first: int, last: int) -> KnownAsset:
    began, ended = (
        str(connection.scalar(select(run.c.recorded).where(run.c.sequence == sequence)))
        for sequence in (first, last)
    )
    query = select(run_asset.c.role, run_asset.c.facts).where(
        run_asset.c.sequence == last, run_asset.c.asset == asset
    )
    role, facts = connection.execute(query.order_by(run_asset.c.position).limit(1)).one()
    return KnownAsset(asset, role, runs, first, began, last, ended, json.loads(facts))
