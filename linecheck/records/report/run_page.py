"""The page of a run, from what can be shown of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from linecheck.checks import kinds
from linecheck.checks.base import Reading
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.records.figures.of_run import figures_of_check, strips_of_check
from linecheck.records.figures.words import plain_name, plain_number, value_text
from linecheck.records.population import Population, Populations
from linecheck.records.report.beside import beside_of
from linecheck.records.report.model import (
    Badge,
    CheckPart,
    FindingPart,
    RunPage,
    StripPart,
    ValueRow,
)
from linecheck.records.report.parts import COVERAGE, anchors, badge, figure_part, hash_text, strip_part
from linecheck.records.report.run_facts import closing_groups, identity, setting_table
from linecheck.records.view import RunView
from linecheck.records.wording import findings, judgement, subject
from linecheck.station.outcome import CheckOutcome

__all__ = ["run_page_of"]

_MEANINGS = {
    Verdict.PASS: "Everything that a mask judges lies inside its limits.",
    Verdict.MARGINAL: "Nothing fails, but not everything lies inside its pass limits.",
    Verdict.FAIL: "At least one value lies outside its limits.",
    Verdict.INVALID: "The unit was not judged: not everything that a mask judges could be measured.",
    Verdict.ABORTED: "The run was stopped before its end. It judges nothing.",
}
#: What the column of values that the channels share is called.
PAIR = "pair"
_VERBS = {Verdict.FAIL: "fails", Verdict.MARGINAL: "is marginal"}
Items = Iterable[tuple[CheckOutcome, JudgedReading | JudgedCurve]]


def run_page_of(
    view: RunView, *, population: Populations | None = None, reference: RunView | None = None
) -> RunPage:
    """Return the page of a run.

    Parameters
    ----------
    view : RunView
    population : Populations, optional
        Where its readings lie among other units of the model.
    reference : RunView, optional
        Another run, whose curves and values stand beside these.
    """
    others = None if population is None else population.readings
    names = [check.check for check in view.checks]
    ids = anchors(names, "check")
    fails, marginal = (
        tuple(_finding_parts(view, verdict, ids, others)) for verdict in (Verdict.FAIL, Verdict.MARGINAL)
    )
    told = {part.text for part in (*fails, *marginal)}
    rest = [text for text in findings(view.checks, view.missing, view.problems) if text not in told]
    word = view.verdict.value.upper()
    return RunPage(
        title=f"{word}: {view.serial}, {view.model}",
        running_head=f"{view.serial}  {view.model}  {word}",
        badge=badge(view.verdict),
        subject=view.serial,
        meaning=_MEANINGS[view.verdict],
        summary=_summary(view),
        identity=identity(view),
        fails=fails,
        problems=tuple(rest),
        marginal=marginal,
        missing=view.missing,
        checks=tuple(_check_part(view, check, ids[check.check], others, reference) for check in view.checks),
        beside=beside_of(view, population, reference),
        settings=setting_table(view),
        groups=closing_groups(view),
        software=view.software,
    )


def _summary(view: RunView) -> str:
    """Return how many checks came to what."""
    counts = Counter(check.judged.verdict for check in view.checks)
    total = len(view.checks) + len(view.missing)
    words = [
        f"{counts[verdict]} {verb}"
        for verdict, verb in (
            (Verdict.FAIL, "failed"),
            (Verdict.INVALID, "not judged"),
            (Verdict.MARGINAL, "marginal"),
            (Verdict.PASS, "passed"),
            (None, "without a mask"),
        )
        if counts[verdict]
    ]
    words += [f"{len(view.missing)} not run"] if view.missing else []
    return f"{total} {'check' if total == 1 else 'checks'}: {', '.join(words) or 'none was run'}."


def _all_items(view: RunView) -> Items:
    for check in view.checks:
        for reading in check.judged.readings:
            yield check, reading
        for curve in check.judged.curves:
            yield check, curve


def _finding_parts(
    view: RunView,
    verdict: Verdict,
    ids: Mapping[str, str],
    others: Mapping[tuple[str, str, str | None], Population] | None,
) -> Iterable[FindingPart]:
    """Yield each reading and curve of this verdict in the words that every record has, with its strip."""
    for check, item in _all_items(view):
        if item.verdict is not verdict:
            continue
        what = item.reading if isinstance(item, JudgedReading) else item.curve
        name = subject(check.check, what.metric, what.channel)
        strip = None
        if isinstance(item, JudgedReading):
            strip = _strip_of(view, check, item, others)
        text = f"{name} {_VERBS[verdict]}: {judgement(item)}"
        yield FindingPart(badge(verdict), text, strip, ids[check.check], check.check)


def _strip_of(
    view: RunView,
    check: CheckOutcome,
    item: JudgedReading,
    others: Mapping[tuple[str, str, str | None], Population] | None,
) -> StripPart | None:
    for strip in strips_of_check(view, check, population=others):
        if (strip.metric, strip.channel) == (item.reading.metric, item.reading.channel):
            return strip_part(strip, named=True)
    return None


def _check_part(
    view: RunView,
    check: CheckOutcome,
    anchor: str,
    others: Mapping[tuple[str, str, str | None], Population] | None,
    reference: RunView | None,
) -> CheckPart:
    strips = strips_of_check(view, check, population=others)
    shown = {(strip.metric, strip.channel) for strip in strips}
    unshown = _unshown(check, shown)
    channels = tuple(dict.fromkeys(reading.channel or PAIR for reading in unshown))
    figures = figures_of_check(view, check, reference=reference)
    kind = kinds().get(check.kind)
    return CheckPart(
        anchor=anchor,
        name=check.check,
        kind=plain_name(check.kind),
        about="" if kind is None else kind.text,
        badge=badge(check.judged.verdict),
        setup=", ".join(f"{plain_name(name)} {value}" for name, value in check.setup.items()),
        tightest=_tightest(check),
        problems=tuple(
            f"{problem.channel}: {problem.message}" if problem.channel else problem.message
            for problem in check.judged.problems
        ),
        strips=tuple(strip_part(strip, named=False) for strip in strips),
        curves=tuple(_curve_line(check, item) for item in check.judged.curves if item.verdict is not None),
        channels=channels,
        values=tuple(_value_rows(check, unshown, channels)),
        figures=tuple(figure_part(figure, f"{anchor}-{figure.name}") for figure in figures),
        stimulus_sha256=hash_text(check.stimulus_sha256),
        capture_sha256=hash_text(check.capture_sha256),
    )


def _curve_line(check: CheckOutcome, item: JudgedCurve) -> tuple[Badge, str]:
    name = " ".join(filter(None, (plain_name(item.curve.metric), item.curve.channel)))
    return badge(item.verdict), f"{name}: {judgement(item, check.judged.problems)}"


def _tightest(check: CheckOutcome) -> str:
    """Return which judged value of a check is nearest to its limit, measured by its mask's own unit."""
    best: tuple[float, str] | None = None
    items: tuple[JudgedReading | JudgedCurve, ...] = (*check.judged.readings, *check.judged.curves)
    for item in items:
        if item.margin is None or item.verdict is None or item.limit is None:
            continue
        what = item.reading if isinstance(item, JudgedReading) else item.curve
        share = item.margin / (abs(item.limit) or 1.0)
        side = "inside" if item.margin >= 0.0 else "outside"
        name = " ".join(filter(None, (plain_name(what.metric), what.channel)))
        if best is None or share < best[0]:
            best = share, f"{name}: {value_text(abs(item.margin), what.unit)} {side}"
    return "–" if best is None else best[1]


def _unshown(check: CheckOutcome, shown: set[tuple[str, str | None]]) -> list[Reading]:
    """Return the readings that have no strip: no mask judges them."""
    readings = [item.reading for item in check.judged.readings]
    return [reading for reading in readings if (reading.metric, reading.channel) not in shown]


def _value_rows(
    check: CheckOutcome, readings: Sequence[Reading], channels: Sequence[str]
) -> Iterable[ValueRow]:
    """Yield a row for each metric, with a cell for each channel."""
    kind = kinds().get(check.kind)
    meanings = {} if kind is None else {spec.name: spec.text for spec in kind.metrics}
    for metric in dict.fromkeys(reading.metric for reading in readings):
        cells = {reading.channel or PAIR: _cell(reading) for reading in readings if reading.metric == metric}
        values = tuple(cells.get(channel, "") for channel in channels)
        yield ValueRow(plain_name(metric), meanings.get(metric, ""), values)


def _cell(reading: Reading) -> str:
    if reading.value is None:
        return "not measured"
    spread = "" if not reading.uncertainty else f" ± {plain_number(COVERAGE * reading.uncertainty, 2)}"
    return f"{value_text(reading.value, reading.unit)}{' or better' * reading.is_bound}{spread}"
