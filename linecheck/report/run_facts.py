"""Who, what, when, where and with what: the facts around a run's values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.files.times import utc_text
from linecheck.report.figures.words import plain_name
from linecheck.report.parts import Part
from linecheck.run.facts import FACTS, PagePlace, fact_texts
from linecheck.run.model import Run

if TYPE_CHECKING:
    from linecheck.history.repairs.runs import StatedRepair

_NONE = "none recorded"


class Fact(NamedTuple):
    """A name with its value; ``is_code`` for hashes and ids."""

    name: str
    value: str
    is_code: bool = False


class FactGroup(NamedTuple):
    """Facts under a heading; ``empty`` stands where there are none."""

    anchor: str
    title: str
    facts: tuple[Fact, ...]
    empty: str = ""


def moment(text: str | None) -> str:
    """Return a UTC text of a record to the second, as a person reads it."""
    return _NONE if not text else f"{text[:19].replace('T', ' ')} UTC"


def named_facts(values: Mapping[str, str]) -> tuple[Fact, ...]:
    """Return names and values as they were recorded."""
    return tuple(Fact(plain_name(name), str(value)) for name, value in values.items())


def setup_text(setup: Mapping[str, str]) -> str:
    """Return how the unit was set, in words."""
    return ", ".join(f"{plain_name(name)} {value}" for name, value in setup.items())


def facts_at(run: Run, place: PagePlace, *, bare: bool = False) -> Iterator[Fact]:
    """Yield what a run says of the facts that stand at a place of a page."""
    for fact in FACTS:
        if place not in fact.page:
            continue
        texts = fact_texts(fact, run, bare=bare)
        if fact.missed and not texts:
            texts = {fact.label: _NONE}
        yield from (
            Fact(name, text, is_code=fact.kind in ("hash", "captures")) for name, text in texts.items()
        )


def identity(run: Run) -> tuple[Fact, ...]:
    """Return what stands beside the verdict: serial, model, when, where."""
    when = [Fact("judged" if run.record is None else "tested", moment(utc_text(run.started)))]
    if run.captured is not None:
        when.insert(0, Fact("recorded", moment(utc_text(run.captured))))
    attempt = [] if run.record is None else [Fact("attempt", str(run.record.attempt))]
    return (Fact("serial", run.serial), Fact("model", run.model), *when, *attempt, *facts_at(run, "identity"))


def setting_table(run: Run) -> Part | None:
    """Return how the unit was set, in the order in which it was; None where nothing was recorded of that."""
    if not run.settings:
        return None
    rows = tuple(
        (
            plain_name(step.setting),
            step.value,
            step.before,
            step.how,
            "done" if step.done else "not done",
            f"{step.seconds:.1f}",
            step.output,
        )
        for step in run.settings
    )
    headings = ("setting", "value", "before the check", "made by", "outcome", "seconds", "output")
    return {"headings": headings, "rows": rows}


#: What is said of a record whose curves have lost their points.
THINNED = "thinned out of the log: worst points and margins only"


def closing_groups(run: Run, repairs: Sequence[StatedRepair] = ()) -> tuple[FactGroup, ...]:
    """Return the facts that a filed document needs; with the record stand the repairs of its unit."""
    repaired = (
        Fact("repair", f"of record {each.record}, {moment(each.recorded)}: {each.repair}") for each in repairs
    )
    return (
        FactGroup("setup", "Unit setup", _setups(run), "No setup was recorded."),
        _group(run, "station", "Station"),
        _group(run, "interface", "Interface", "No interface was recorded.", bare=True),
        _calibration(run),
        _group(run, "assets", "Assets", "No asset was recorded.", bare=True),
        _group(run, "surroundings", "Computer and environment", "Nothing was recorded."),
        FactGroup("limits", "Limit file and its approval", _limits(run)),
        FactGroup("record", "Record", (*_record(run), *facts_at(run, "record"), *repaired)),
    )


def _group(run: Run, place: PagePlace, title: str, empty: str = "", *, bare: bool = False) -> FactGroup:
    return FactGroup(place, title, tuple(facts_at(run, place, bare=bare)), empty)


def _calibration(run: Run) -> FactGroup:
    group = _group(run, "calibration", "Calibration", "No calibration was recorded.", bare=True)
    readings = (item.reading for check in run.checks for item in check.judged.readings)
    if any(is_uncalibrated(reading) for reading in readings):
        unknown = Fact("volts", "uncalibrated: how well they are known was not stated")
        return group._replace(facts=(*group.facts, unknown))
    return group


def _setups(run: Run) -> tuple[Fact, ...]:
    """Return each setup once, with the checks that ran under it."""
    found: dict[str, list[str]] = {}
    for check in run.checks:
        if check.setup:
            found.setdefault(setup_text(check.setup), []).append(check.check)
    everywhere = len(found) == 1 and sum(map(len, found.values())) == len(run.checks)
    return tuple(
        Fact("all checks" if everywhere else ", ".join(checks), setup) for setup, checks in found.items()
    )


def _limits(run: Run) -> tuple[Fact, ...]:
    limits = run.limits
    return (
        Fact("file", limits.path),
        Fact("revision", str(limits.revision)),
        Fact("decision rule", limits.decision),
        Fact("approved by", limits.approved_by or "not approved"),
        Fact("approved on", limits.approved_on or "not approved"),
        Fact("SHA-256", limits.sha256, is_code=True),
    )


def _record(run: Run) -> tuple[Fact, ...]:
    record = run.record
    return (
        Fact("found in", run.source),
        Fact("record number", "in no log" if record is None else str(record.sequence)),
        Fact("record hash", "in no log" if record is None else record.record_hash, is_code=True),
        Fact("run", run.run_id, is_code=True),
        Fact("started", moment(utc_text(run.started))),
        Fact("finished", moment(utc_text(run.finished))),
        Fact("duration", f"{run.duration_seconds:.1f} s"),
        *([Fact("curves", THINNED)] if record is not None and record.curves_thinned else []),
    )
