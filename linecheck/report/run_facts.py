"""Who, what, when, where and with what: the facts around a run's values."""

from __future__ import annotations

from collections.abc import Mapping

from linecheck.log.view import RunView
from linecheck.report.figures.words import plain_name
from linecheck.report.model import DataTable, Fact, FactGroup

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
    if view.trace.purpose != "unit":
        facts.append(Fact("purpose", f"{view.trace.purpose} unit: judges the station"))
    said = {"variant": view.trace.variant, "lot": view.trace.lot, "work order": view.trace.work_order}
    facts += [Fact(name, text) for name, text in said.items() if text]
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
        FactGroup("assets", "Assets", _assets(view), "No asset was recorded."),
        FactGroup("surroundings", "Computer and surroundings", _surroundings(view), "Nothing was recorded."),
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
        *_given({"nest": view.trace.nest, "shift": view.trace.shift}),
        *(Fact(f"gate {plain_name(name)}", _in_words(state)) for name, state in view.trace.gates.items()),
    )


def _given(texts: Mapping[str, str | None]) -> tuple[Fact, ...]:
    return tuple(Fact(name, text) for name, text in texts.items() if text)


def _in_words(value: object) -> str:
    """Return plain data as a person reads it."""
    if isinstance(value, Mapping):
        return ", ".join(f"{plain_name(name)} {_in_words(part)}" for name, part in value.items())
    return _NONE if value is None else str(value)


def _assets(view: RunView) -> tuple[Fact, ...]:
    return tuple(
        Fact(
            plain_name(asset.role), ", ".join([asset.id, *([_in_words(asset.facts)] if asset.facts else [])])
        )
        for asset in view.trace.assets
    )


def _surroundings(view: RunView) -> tuple[Fact, ...]:
    trace = view.trace
    return (
        *named_facts(trace.conditions),
        *(Fact(f"computer, {plain_name(name)}", text) for name, text in trace.host.items()),
        *(Fact(f"clock, {plain_name(name)}", _in_words(value)) for name, value in trace.clock.items()),
        *_given({"commit of linecheck": trace.source_commit}),
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
        *_given({"scanned as": view.trace.scanned, "reason of the repeat": view.trace.reason}),
        *_given({"override": _in_words(view.trace.override) if view.trace.override else None}),
        *(Fact(f"the unit's own {plain_name(name)}", text) for name, text in view.trace.identity.items()),
        *_given({"captures": view.trace.captures_why}),
        *(Fact(f"capture of {name}", kept, is_code=True) for name, kept in view.trace.captures.items()),
    )
