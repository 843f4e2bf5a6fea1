"""Which masks lack a gauge study: none was made, it is too old, the station has changed since, or it takes too much.

A study counts for the station and nest at which it was run, as long as the runs of units there are judged by the same
station config and with the same assets.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import Connection, func, select

from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.limits.model import LimitFile
from linecheck.limits.study import StudyPolicy
from linecheck.log import LogReader, RunFilter
from linecheck.log.schema import run, run_asset
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.gauge.plan import Plan, plan_from
from linecheck.statistics.gauge.progress import PLANNED
from linecheck.statistics.gauge.study import RUN_NAMES, StudyResult, study_of

NONE_DONE: Final = "there is no gauge study that is done"
#: Studies of a model that are looked at, the newest first.
_LOOKED_AT = 20


@dataclass(frozen=True)
class Lacking:
    """Masks that lack a study, by ``check.metric``, where, and why."""

    place: str
    why: str
    masks: tuple[str, ...]


@dataclass(frozen=True)
class _AtPlace:
    """A station and nest where units of a model are tested, and the newest run of them there."""

    station: str | None
    nest: str | None
    newest: int

    @property
    def text(self) -> str:
        return visible(self.station or "a station without a name") + (
            f", nest {visible(self.nest)}" if self.nest else ""
        )


def lacking(logs: Sequence[str], limits: LimitFile, now: datetime | None = None) -> tuple[Lacking, ...]:
    """Return what lacks a study, of all places where units of the model were tested lately.

    Raises
    ------
    FileError, RecordError, UsageError
        A log cannot be read.
    """
    if limits.study is None:
        return ()
    since = (now or datetime.now(UTC)) - timedelta(days=limits.study.days)
    studies = _studies(logs, limits)
    found: list[Lacking] = []
    places = 0
    for log in logs:
        with LogReader(log) as reader, reader.reading() as connection:
            for place in _places(connection, limits.model, since):
                places += 1
                found += _at(connection, place, limits, studies, since)
    if not places and not studies:
        return (Lacking("any station", NONE_DONE, _masks(limits)),)
    return tuple(found)


def _masks(limits: LimitFile) -> tuple[str, ...]:
    return tuple(f"{check.name}.{name}" for check in limits.checks for name in check.masks)


def _studies(logs: Sequence[str], limits: LimitFile) -> list[StudyResult]:
    """Return the model's studies that are done, the newest first."""
    plans: dict[str, Plan] = {}
    for log in logs:
        with LogReader(log) as reader:
            for statement in reader.statements(PLANNED):
                if statement.content.get("model") == limits.model and len(plans) < _LOOKED_AT:
                    plan = plan_from(
                        statement.content.get("plan"), f"statement {statement.sequence} of {log}"
                    )
                    plans.setdefault(plan.id, plan)
    if not plans:
        return []
    wanted = RunFilter(model=limits.model, purpose="study")
    with open_columns(Place(logs=tuple(logs), limits=limits.path), wanted, columns=RUN_NAMES) as columns:
        there = {study for (study,) in columns.rows("SELECT DISTINCT study FROM run")}
        results = [study_of(columns, plan) for plan in plans.values() if plan.id in there]
    return [result for result in results if not result.missing]


def _places(connection: Connection, model: str, since: datetime) -> Iterator[_AtPlace]:
    query = (
        select(run.c.station, run.c.nest, func.max(run.c.sequence))
        .where(run.c.model == model, func.coalesce(run.c.purpose, "unit") == "unit")
        .where(run.c.recorded >= utc_text(since))
        .group_by(run.c.station, run.c.nest)
        .order_by(run.c.station, run.c.nest)
    )
    for station, nest, newest in connection.execute(query):
        yield _AtPlace(station, nest, newest)


def _at(
    connection: Connection,
    place: _AtPlace,
    limits: LimitFile,
    studies: Sequence[StudyResult],
    since: datetime,
) -> Iterator[Lacking]:
    """Yield what lacks a study at a place."""
    policy = limits.study
    assert policy is not None
    last = {result.plan.id: _last_run(connection, place, result.plan.id) for result in studies}
    ours = [result for result in studies if last[result.plan.id] is not None]
    if not ours:
        yield Lacking(place.text, NONE_DONE, _masks(limits))
        return
    newest = max(ours, key=lambda result: last[result.plan.id] or 0)
    record = last[newest.plan.id] or 0
    recorded = connection.scalar(select(run.c.recorded).where(run.c.sequence == record)) or ""
    changed = _changed(connection, record, place.newest)
    if recorded < utc_text(since):
        yield Lacking(
            place.text, f"the study of {recorded[:10]} is older than {policy.days} days", _masks(limits)
        )
    elif changed:
        yield Lacking(place.text, f"since the study of {recorded[:10]} {changed}", _masks(limits))
    else:
        yield from _too_much(place, newest, limits, policy)


def _last_run(connection: Connection, place: _AtPlace, study: str) -> int | None:
    query = select(func.max(run.c.sequence)).where(run.c.study == study, run.c.station.is_(place.station))
    found: int | None = connection.scalar(query.where(run.c.nest.is_(place.nest)))
    return found


def _changed(connection: Connection, before: int, now: int) -> str:
    """Return what of the station is other than when it was studied."""

    def config(record: int) -> str | None:
        return connection.scalar(select(run.c.station_config_sha256).where(run.c.sequence == record))

    def assets(record: int) -> dict[str, str]:
        rows = select(run_asset.c.role, run_asset.c.asset).where(run_asset.c.sequence == record)
        return {row.role: row.asset for row in connection.execute(rows)}

    if now < before:  # units were tested before the study alone
        return ""
    old, new = assets(before), assets(now)
    other = sorted(role for role in old.keys() | new.keys() if old.get(role) != new.get(role))
    if other:
        return f"other assets are used: {', '.join(map(visible, other))}"
    return "" if config(before) == config(now) else "the station config was changed"


def _too_much(
    place: _AtPlace, study: StudyResult, limits: LimitFile, policy: StudyPolicy
) -> Iterator[Lacking]:
    told = {f"{one.check}.{one.metric}" for one in study.metrics}
    missing = tuple(name for name in _masks(limits) if name not in told)
    if missing:
        yield Lacking(place.text, "the study has no readings of them", missing)
    reasons: dict[str, list[str]] = {}
    for one in study.metrics:
        if not one.is_masked or one.found is None:
            continue
        if one.tolerance is None:
            reasons.setdefault(f"no part of a mask can be told: {one.tolerance_of}", []).append(one.name)
        elif one.tolerance.value > policy.tolerance_percent:
            allowed = f"{policy.tolerance_percent:g} % are allowed"
            why = f"the station takes {one.tolerance.value:.3g} % of the mask, {allowed}"
            reasons.setdefault(why, []).append(one.name)
    for one in study.metrics:
        if one.is_masked and one.why_not and one.why_not != "every reading is the same":
            reasons.setdefault(one.why_not, []).append(one.name)
    yield from (Lacking(place.text, why, tuple(names)) for why, names in reasons.items())
