"""The page of a comparison, from the comparison itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from linecheck.checks import kinds
from linecheck.checks.base import Reading
from linecheck.records.comparison.model import (
    ComparedCurve,
    ComparedValue,
    Comparison,
    CurveDifference,
    Difference,
    Side,
)
from linecheck.records.figures.of_comparison import figures_of_comparison
from linecheck.records.figures.words import file_name, place_text, plain_name, plain_number, value_text
from linecheck.records.report.model import (
    ComparedCheck,
    ComparedRow,
    ComparisonPage,
    DataTable,
    Droop,
    Fact,
    FactGroup,
    FigurePart,
    SidePart,
    SignPart,
)
from linecheck.records.report.parts import COVERAGE, anchors, badge, figure_part, free_name, hash_text
from linecheck.records.report.run_facts import moment, named_facts
from linecheck.records.signoff import Signoff

__all__ = ["comparison_page_of"]

_NOTHING = "–"


def comparison_page_of(comparison: Comparison, signoffs: Sequence[Signoff] = ()) -> ComparisonPage:
    """Return the page of a comparison, with its sign-offs where a log has told them."""
    sides = comparison.sides
    serials = ", ".join(dict.fromkeys(side.serial for side in sides))
    others = " and ".join(side.label for side in sides[1:])
    checks = [value.check for value in comparison.values] + [curve.check for curve in comparison.curves]
    names = tuple(dict.fromkeys(checks))
    ids = anchors(names, "check")
    return ComparisonPage(
        title=f"Comparison: {serials}",
        running_head=f"Comparison  {serials}",
        headline=_headline(comparison),
        criterion=(
            f"{others} held against {sides[0].label}. A difference counts where it is more than "
            f"{comparison.sigmas:.2g} standard uncertainties, of {comparison.comparisons} differences in all, "
            "and more than the accuracy of its check. "
            f"Uncertainties are expanded (k = {COVERAGE:g}, about 95 %)."
        ),
        labels=tuple(side.label for side in sides),
        findings=tuple(
            (finding.side, finding.text, _direction(finding.worse)) for finding in comparison.findings
        ),
        sides=tuple(_side_part(side) for side in sides),
        droops=tuple(_droops(comparison, names)),
        checks=tuple(_checks(comparison, names, ids)),
        notes=comparison.notes,
        signoffs=tuple(_sign_part(signoff) for signoff in signoffs),
        groups=_groups(comparison),
        software=comparison.software,
    )


def _headline(comparison: Comparison) -> str:
    """Return in a sentence how much differs."""
    count = len(comparison.findings)
    if not count:
        return "No real difference was found"
    worse = sum(finding.worse is True for finding in comparison.findings)
    words = f"{count} real {'difference' if count == 1 else 'differences'}"
    return f"{words}, {worse} for the worse" if worse else words


def _direction(worse: bool | None) -> str:
    return "different" if worse is None else "worse" if worse else "better"


def _side_part(side: Side) -> SidePart:
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
    problems = tuple(
        f"{check}: {problem.message}" if check else problem.message for check, problem in side.problems
    )
    rows = tuple(
        (
            shared,
            check.name,
            ", ".join(f"{plain_name(name)} {value}" for name, value in check.setup.items()) or _NOTHING,
            "not judged" if check.verdict is None else check.verdict.value,
            hash_text(check.stimulus_sha256),
            hash_text(check.capture_sha256),
        )
        for shared, check in side.checks.items()
    )
    headings = ("check", "its name there", "setup", "verdict", "stimulus SHA-256", "capture SHA-256")
    return SidePart(side.label, side.name, badge(side.verdict), facts, problems, DataTable(headings, rows))


def _droops(comparison: Comparison, names: Iterable[str]) -> Iterable[Droop]:
    for name in names:
        rows = tuple(
            _value_row(value)
            for value in comparison.values
            if value.check == name and value.metric.startswith("droop_")
        )
        if rows:
            yield Droop(name, rows)


def _checks(comparison: Comparison, names: Iterable[str], ids: Mapping[str, str]) -> Iterable[ComparedCheck]:
    figures = _figures_by_check(comparison)
    for name in names:
        values = [value for value in comparison.values if value.check == name]
        curves = [curve for curve in comparison.curves if curve.check == name]
        kind = (values or curves)[0].kind
        known = kinds().get(kind)
        yield ComparedCheck(
            anchor=ids[name],
            name=name,
            kind=plain_name(kind),
            about="" if known is None else known.text,
            rows=tuple(_value_row(value) for value in values),
            curves=tuple(_curve_row(curve) for curve in curves),
            figures=figures.get(name, ()),
        )


def _figures_by_check(comparison: Comparison) -> dict[str, tuple[FigurePart, ...]]:
    """Return the figures of each check, one after the other of its curves."""
    found: dict[str, tuple[FigurePart, ...]] = {}
    taken: set[str] = set()
    for curve in comparison.curves:
        for figure in figures_of_comparison(replace(comparison, curves=(curve,))):
            anchor = free_name(f"figure-{file_name(figure.name)[:60]}", taken)
            found[curve.check] = (*found.get(curve.check, ()), figure_part(figure, anchor))
    return found


def _value_row(value: ComparedValue) -> ComparedRow:
    return ComparedRow(
        " ".join(filter(None, (plain_name(value.metric), value.channel))),
        tuple(_reading(reading) for reading in value.readings),
        tuple(_difference(difference, value.unit) for difference in value.differences),
    )


def _reading(reading: Reading | None) -> str:
    if reading is None:
        return _NOTHING
    if reading.value is None:
        return "not measured"
    return value_text(reading.value, reading.unit) + " or better" * reading.is_bound


def _difference(item: Difference | CurveDifference, unit: str) -> tuple[str, str]:
    """Return a difference ± its expanded uncertainty, and what it means."""
    if item.difference is None:
        return _NOTHING, item.why
    sign = "+" if item.difference > 0.0 else ""
    spread = "" if item.uncertainty is None else f" ± {plain_number(COVERAGE * item.uncertainty, 2)}"
    if not item.significant:
        return f"{sign}{value_text(item.difference, unit)}{spread}", item.why or "not significant"
    worse = None if item.worse_by is None or item.worse_by == 0.0 else item.worse_by > 0.0
    return f"{sign}{value_text(item.difference, unit)}{spread}", f"significant, {_direction(worse)}"


def _curve_row(curve: ComparedCurve) -> ComparedRow:
    """Return a curve where it differs most."""
    values = ["measured" if item is not None and len(item.x) else _NOTHING for item in curve.curves]
    told = []
    for item in curve.differences:
        text, meaning = _difference(item, curve.unit)
        where = "" if item.x is None else f" at {place_text(item.x, curve.x_unit)}"
        told.append((f"{text}{where}", meaning))
    name = " ".join(filter(None, (plain_name(curve.metric), curve.channel)))
    return ComparedRow(name, tuple(values), tuple(told))


def _sign_part(signoff: Signoff) -> SignPart:
    signed = signoff.signature
    notes = [f"despite side {item.label}, {item.serial}: {item.verdict.upper()}" for item in signoff.despite]
    notes += [
        f"countersigned ({item.signature.decision}) by {item.signature.by}, {item.signature.role}, "
        f"{moment(item.recorded)}, record {item.sequence}: {item.signature.reason}"
        for item in signoff.countersignatures
    ]
    text = f"{signed.by}, {signed.role}, {moment(signoff.recorded)}, record {signoff.sequence}"
    return SignPart(
        f"{signed.decision}ed", text, signed.reason, (*notes, f"record hash {signoff.record_hash}")
    )


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
    return (
        FactGroup("limits", "Limit file", limits),
        FactGroup("record", "This comparison", facts),
    )
