"""Who, what, when, where and with what: the facts around a run's values."""

from __future__ import annotations

from collections.abc import Mapping

from linecheck.records.figures.words import plain_name
from linecheck.records.report.model import DataTable, Fact, FactGroup
from linecheck.records.view import RunView

__all__ = ["closing_groups", "identity", "moment", "named_facts", "setting_table"]

_NONE = "none recorded"


def moment(text: str | None) -> str:
    """Return a UTC text of a record to the second, as a person reads it."""
    return _NONE if not text else f"{text[:19].replace('T', ' ')} UTC"


def named_facts(values: Mapping[str, str]) -> tuple[Fact, ...]:
    """Return names and values as they were recorded."""
    return tuple(Fact(plain_name(name), str(value)) for name, value in values.items())


def identity(view: RunView) -> tuple[Fact, ...]:
    """Return what stands beside the verdict: serial, model, when, where."""
    when = [Fact("judged" if view.record is None else "tested", moment(view.started))]
    if view.recorded:
        when.insert(0, Fact("recorded", moment(view.recorded)))
    facts = [Fact("serial", view.serial), Fact("model", view.model), *when]
    facts.append(Fact("station", view.station or _NONE))
    facts.append(Fact("firmware", view.firmware or _NONE))
    facts.append(Fact("operator", view.operator or _NONE))
    if view.attempt is not None:
        facts.append(Fact("attempt", str(view.attempt)))
    return tuple(facts)


def setting_table(view: RunView) -> DataTable | None:
    """Return how the unit was set, in the order in which it was; None where nothing was recorded of that."""
    if not view.settings:
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
        for step in view.settings
    )
    return DataTable(
        ("setting", "value", "before the check", "made by", "outcome", "seconds", "output"), rows
    )


def closing_groups(view: RunView) -> tuple[FactGroup, ...]:
    """Return the facts that a filed document needs."""
    return (
        FactGroup("setup", "Setup of the unit", _setups(view), "No setup was recorded."),
        FactGroup("station", "Station", _station(view)),
        FactGroup("interface", "Interface", named_facts(view.interface), "No interface was recorded."),
        FactGroup(
            "calibration", "Calibration", named_facts(view.calibration), "No calibration was recorded."
        ),
        FactGroup("limits", "Limit file and its approval", _limits(view)),
        FactGroup("record", "Record", _record(view)),
    )


def _setups(view: RunView) -> tuple[Fact, ...]:
    """Return each setup once, with the checks that ran under it."""
    found: dict[str, list[str]] = {}
    for check in view.checks:
        if check.setup:
            setup = ", ".join(f"{plain_name(name)} {value}" for name, value in check.setup.items())
            found.setdefault(setup, []).append(check.check)
    everywhere = len(found) == 1 and sum(map(len, found.values())) == len(view.checks)
    return tuple(
        Fact("all checks" if everywhere else ", ".join(checks), setup) for setup, checks in found.items()
    )


def _station(view: RunView) -> tuple[Fact, ...]:
    return (
        Fact("station", view.station or _NONE),
        Fact("station config SHA-256", view.station_config_sha256 or _NONE, is_code=True),
        Fact("operator", view.operator or _NONE),
    )


def _limits(view: RunView) -> tuple[Fact, ...]:
    limits = view.limits
    return (
        Fact("file", limits.path),
        Fact("revision", str(limits.revision)),
        Fact("decision rule", limits.decision),
        Fact("approved by", limits.approved_by or "not approved"),
        Fact("approved on", limits.approved_on or "not approved"),
        Fact("SHA-256", limits.sha256, is_code=True),
    )


def _record(view: RunView) -> tuple[Fact, ...]:
    number = "in no log" if view.record is None else str(view.record)
    return (
        Fact("found in", view.source),
        Fact("record number", number),
        Fact("record hash", view.record_hash or "in no log", is_code=True),
        Fact("run", view.run_id, is_code=True),
        Fact("started", moment(view.started)),
        Fact("finished", moment(view.finished)),
        Fact("duration", f"{view.duration_seconds:.1f} s"),
        Fact("measured with", view.software),
    )
