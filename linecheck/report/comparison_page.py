"""The page of a comparison, from the comparison itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import filterfalse, groupby
from operator import itemgetter

from linecheck.checks.base import Reading
from linecheck.checks.parts.declared import difference_unit
from linecheck.history.comparison.alike import accuracy
from linecheck.history.comparison.findings import spec_of, without_superseded
from linecheck.history.comparison.model import (
    Compared,
    ComparedCurve,
    ComparedValue,
    Comparison,
    Difference,
    Side,
)
from linecheck.log.signoff import Signoff
from linecheck.report.figures.curves import figures_of_comparison
from linecheck.report.figures.data import COVERAGE
from linecheck.report.figures.words import (
    file_name,
    measured_texts,
    place_text,
    plain_name,
    plain_number,
    signed_texts,
    value_text,
)
from linecheck.report.parts import Part, about, anchors, figure_part, free_name, hash_text
from linecheck.report.run_facts import Fact, FactGroup, moment, named_facts, setup_text
from linecheck.results.wording import response_at

#: Which way a difference goes: for the worse, or neither.
WAYS = {True: "worse", False: "better", None: "other"}
_NOTHING = "–"
_PAIR = 2
#: Curves that are looked at whether or not they differ: what a filter does.
_ALWAYS_DRAWN = ("response", "impulse", "thd_n_wideband", "thd_n_wide")

#: A metric of all sides: its check, its name in limit files, for which channels, a value for each side, and for each
#: but the first its difference, and whether that is real.
Row = tuple[str, str, str, tuple[str, ...], tuple[tuple[str, str], ...]]


def comparison_page_of(comparison: Comparison, signoffs: Sequence[Signoff] = ()) -> Part:
    """Return the page of a comparison, with its sign-offs where a log has told them."""
    comparison = replace(
        comparison,
        values=tuple(without_superseded(comparison.values)),
        curves=tuple(without_superseded(comparison.curves)),
    )
    sides = comparison.sides
    serials = ", ".join(dict.fromkeys(side.serial for side in sides))
    others = " and ".join(side.label for side in sides[1:])
    checks = [value.check for value in comparison.values] + [curve.check for curve in comparison.curves]
    names = tuple(dict.fromkeys(checks))
    responses = compared_rows(filter(is_response_at, comparison.values))
    return {
        "title": f"Comparison: {serials}",
        "running_head": f"Comparison  {serials}",
        "software": comparison.software,
        "headline": _headline(comparison),
        "criterion": (
            f"{others} held against {sides[0].label}, in {comparison.comparisons} places. A difference is real where "
            f"it is more than {comparison.sigmas:.2g} standard uncertainties, which noise alone does not reach in so "
            "many places, and more than the accuracy of its check. "
            f"Uncertainties are expanded (k = {COVERAGE:g}, about 95 %)."
        ),
        "labels": [side.label for side in sides],
        "sounds": comparison.sounds,
        "findings": [(entry.side, entry.text, WAYS[entry.worse]) for entry in comparison.findings],
        "sides": [_side_part(side) for side in sides],
        "responses": [(check, tuple(rows)) for check, rows in groupby(responses, itemgetter(0))],
        "checks": list(_checks(comparison, names)),
        "notes": comparison.notes,
        "signoffs": [_sign_part(signoff) for signoff in signoffs],
        "groups": _groups(comparison),
    }


def _headline(comparison: Comparison) -> str:
    """Return in a sentence how much differs."""
    count = len(comparison.findings)
    if not count:
        return "No real difference was found"
    worse = sum(finding.worse is True for finding in comparison.findings)
    words = f"{count} real {'difference' if count == 1 else 'differences'}"
    return f"{words}, {worse} for the worse" if worse else words


def _side_part(side: Side) -> Part:
    facts = (
        Fact("serial", side.serial),
        Fact("model", side.model),
        Fact("firmware", side.firmware or "none recorded"),
        Fact("named as", side.reference),
        Fact("found in", side.source),
        Fact("station", side.station or "none recorded"),
        *(() if side.recorded is None else (Fact("recorded", moment(side.recorded)),)),
        Fact("started", moment(side.started)),
        Fact("measured with", side.software),
        Fact("run", side.run_id, is_code=True),
        Fact("limit file", f"{side.limit_path}, revision {side.limit_revision}"),
        Fact("limit file SHA-256", side.limit_sha256, is_code=True),
        *(Fact(f"calibration: {fact.name}", fact.value) for fact in named_facts(side.calibration)),
        *(Fact(f"interface: {fact.name}", fact.value) for fact in named_facts(side.interface)),
    )
    firmware = f", firmware {side.firmware}" if side.firmware else ""
    rows = tuple(
        (
            shared,
            check.name,
            setup_text(check.setup) or _NOTHING,
            "not judged" if check.verdict is None else check.verdict.value,
            hash_text(check.stimulus_sha256),
            hash_text(check.capture_sha256),
        )
        for shared, check in side.checks.items()
    )
    headings = ("check", "its name there", "setup", "verdict", "stimulus SHA-256", "capture SHA-256")
    return {
        "label": side.label,
        "name": side.name,
        "who": f"{side.serial}, {side.model}{firmware}",
        "badge": side.state,
        "facts": facts,
        "problems": [": ".join(filter(None, (check, problem.message))) for check, problem in side.problems],
        "hashes": {"headings": headings, "rows": rows},
    }


def _checks(comparison: Comparison, names: Sequence[str]) -> Iterable[Part]:
    """Yield what was compared of each check, those that differ most first: what differs, then the rest."""
    ids, figures = anchors(names, "check"), _figures_by_check(comparison)
    found = list(dict.fromkeys(finding.check for finding in comparison.findings))
    for name in sorted(names, key=lambda name: found.index(name) if name in found else len(found)):
        items: list[Compared] = [
            *(value for value in comparison.values if value.check == name),
            *(curve for curve in comparison.curves if curve.check == name),
        ]
        drawn = figures.get(name, [])
        other = [item for item in items if not is_response_at(item)]
        yield {
            "anchor": ids[name],
            "name": name,
            "kind": plain_name(items[0].kind),
            "about": about(items[0].kind),
            "note": _note(items),
            "rows": compared_rows(filter(_differs, other)),
            "figures": [part for is_shown, part in drawn if is_shown],
            "same_rows": compared_rows(filterfalse(_differs, other)),
            "same_figures": [part for is_shown, part in drawn if not is_shown],
        }


def _note(items: Sequence[Compared]) -> str:
    differs = any(map(_differs, items))
    told = "Its response stands above." if any(map(is_response_at, items)) else ""
    return told if differs else f"No real difference. {told}".rstrip()


def is_response_at(item: Compared) -> bool:
    """Return whether a metric is the response at a frequency that its name says."""
    return bool(response_at(item.metric))


def _differs(item: Compared) -> bool:
    return any(difference.significant for difference in item.differences)


def _figures_by_check(comparison: Comparison) -> dict[str, list[tuple[bool, Part]]]:
    """Return the figures of each check, one after the other of its curves, and whether they are seen at once."""
    found: dict[str, list[tuple[bool, Part]]] = {}
    taken: set[str] = set()
    for curve in comparison.curves:
        is_shown = _differs(curve) or curve.metric in _ALWAYS_DRAWN
        for figure in figures_of_comparison(replace(comparison, curves=(curve,))):
            anchor = free_name(f"figure-{file_name(figure.name)[:60]}", taken)
            found.setdefault(curve.check, []).append((is_shown, figure_part(figure, anchor)))
    return found


def compared_rows(items: Iterable[Compared]) -> tuple[Row, ...]:
    """Return a row for each metric; channels that have the same texts share one."""
    found: dict[tuple[str, str, tuple[str, ...], tuple[tuple[str, str], ...]], list[str]] = {}
    for item in items:
        values, differences = _value_texts(item) if isinstance(item, ComparedValue) else _curve_texts(item)
        found.setdefault((item.check, item.metric, values, differences), []).append(item.channel or "")
    return tuple(
        (check, metric, " and ".join(filter(None, channels)), values, differences)
        for (check, metric, values, differences), channels in found.items()
    )


def _value_texts(value: ComparedValue) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    least = _accuracy(value)
    return (
        tuple(_reading(reading, least) for reading in value.readings),
        tuple(_difference(difference, value.unit, least) for difference in value.differences),
    )


def _accuracy(item: Compared) -> float:
    """Return the smallest difference that means anything; nothing where it is not known."""
    try:
        return accuracy(spec_of(item))
    except (KeyError, StopIteration):
        return 0.0


def _reading(reading: Reading | None, least: float) -> str:
    if reading is None:
        return _NOTHING
    if reading.value is None:
        return "not measured"
    expanded = max(COVERAGE * (reading.uncertainty or 0.0), least)
    text, _ = measured_texts(reading.value, expanded, reading.unit)
    return text + " or better" * reading.is_bound


def _difference(item: Difference, unit: str, least: float) -> tuple[str, str]:
    """Return a difference ± its expanded uncertainty (no less than the accuracy of its check), and what it means."""
    if item.difference is None:
        return _NOTHING, item.why
    spread = None if item.uncertainty is None else COVERAGE * item.uncertainty
    text, told = signed_texts(item.difference, spread and max(spread, least), unit)
    if spread and spread < least:
        told = f"± below {plain_number(least)} {difference_unit(unit)}".rstrip()
    if not item.significant:
        return f"{text} {told}".rstrip(), item.why or "not significant"
    way = f", {WAYS[item.worse_by > 0.0]}" if item.worse_by else ""
    return f"{text} {told}".rstrip(), f"significant{way}"


def _curve_texts(curve: ComparedCurve) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Return a curve's values where each side differs most from the first."""
    least = _accuracy(curve)
    told, values = [], [_NOTHING if item is None or not len(item.x) else "" for item in curve.curves]
    for at, item in enumerate(curve.differences, start=1):
        text, meaning = _difference(item, curve.unit, least)
        where = "" if item.x is None else f" at {place_text(item.x, curve.x_unit)}"
        told.append((f"{text}{where}", meaning))
        if item.value is not None:
            values[at] = f"{value_text(item.value, curve.unit)}{where}"
        if item.base_value is not None and len(curve.curves) == _PAIR:
            values[0] = f"{value_text(item.base_value, curve.unit)}{where}"
    return tuple(text or "measured" for text in values), tuple(told)


def _sign_part(signoff: Signoff) -> Part:
    signed = signoff.signature
    notes = [f"despite side {item.label}, {item.serial}: {item.verdict.upper()}" for item in signoff.despite]
    notes += [
        f"countersigned ({item.signature.decision}) by {item.signature.by}, {item.signature.role}, "
        f"{moment(item.recorded)}, record {item.sequence}: {item.signature.reason}"
        for item in signoff.countersignatures
    ]
    text = f"{signed.by}, {signed.role}, {moment(signoff.recorded)}, record {signoff.sequence}"
    notes.append(f"record hash {signoff.record_hash}")
    return {"decision": f"{signed.decision}ed", "text": text, "reason": signed.reason, "notes": notes}


def _groups(comparison: Comparison) -> tuple[FactGroup, ...]:
    facts = (
        Fact("made", moment(comparison.created)),
        Fact("compared with", comparison.software),
        Fact("digest", comparison.digest or "none", is_code=True),
    )
    limits = (
        Fact("file", comparison.limit_path),
        Fact("revision", str(comparison.limit_revision)),
        Fact("SHA-256", comparison.limit_sha256, is_code=True),
    )
    return (FactGroup("limits", "Limit file", limits), FactGroup("record", "This comparison", facts))
