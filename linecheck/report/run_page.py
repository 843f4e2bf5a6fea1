"""The page of a run, from what can be shown of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from linecheck.checks import kinds
from linecheck.checks.base import Reading
from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.history.population import Population, Populations
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.report.beside import beside_of
from linecheck.report.figures.of_run import figures_of_check
from linecheck.report.figures.words import measured_texts, metric_name, plain_name, plain_number
from linecheck.report.metric_parts import metric_parts
from linecheck.report.model import Badge, CheckPart, FindingPart, RunPage, ValueRow
from linecheck.report.parts import COVERAGE, UNCALIBRATED, anchors, badge, figure_part, hash_text, margin_text
from linecheck.report.run_facts import closing_groups, identity, setting_table
from linecheck.report.trouble_parts import commonest_cause, merged_messages, trouble_groups
from linecheck.results.wording import troubles
from linecheck.run.model import HOLD, CheckOutcome, Run

__all__ = ["run_page_of"]

_MEANINGS = {
    Verdict.PASS: "Everything that a mask judges lies inside its limits.",
    HOLD: "Everything lies inside its limits, and the unit is not released: it has failed before.",
    Verdict.MARGINAL: "Nothing fails, but not everything lies inside its pass limits.",
    Verdict.FAIL: "At least one value lies outside its limits.",
    Verdict.INVALID: "The unit was not judged: not everything that a mask judges could be measured.",
    Verdict.ABORTED: "The run was stopped before its end. It judges nothing.",
}
#: What the column of values that the channels share is called.
PAIR = "pair"
_UNJUDGED = (Verdict.INVALID, Verdict.ABORTED)
Others = Mapping[tuple[str, str, str | None], Population]


def run_page_of(view: Run, *, population: Populations | None = None, reference: Run | None = None) -> RunPage:
    """Return the page of a run.

    Parameters
    ----------
    view : Run
    population : Populations, optional
        Where its readings lie among other units of the model.
    reference : Run, optional
        Another run, whose curves and values stand beside these.
    """
    others = None if population is None else population.readings
    names = [check.check for check in view.checks]
    ids = anchors(names, "check")
    fails, marginal = (
        tuple(_finding_parts(view, verdict, ids, others)) for verdict in (Verdict.FAIL, Verdict.MARGINAL)
    )
    told = troubles(view.checks, view.missing, view.problems)
    word = view.state.upper()
    return RunPage(
        title=f"{word}: {view.serial}, {view.model}",
        running_head=f"{view.serial}  {view.model}  {word}",
        badge=Badge(view.state, word),
        subject=view.serial,
        meaning=_MEANINGS[view.state],
        summary=_summary(view),
        cause=commonest_cause(told, len(view.checks)) if view.verdict in _UNJUDGED else "",
        identity=identity(view),
        fails=fails,
        problems=tuple(trouble_groups(told)),
        marginal=marginal,
        missing=view.missing,
        checks=tuple(_check_part(view, check, ids[check.check], others, reference) for check in view.checks),
        beside=beside_of(view, population, reference),
        settings=setting_table(view),
        groups=closing_groups(view),
        software=view.software,
    )


def _summary(view: Run) -> str:
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


def _finding_parts(
    view: Run, verdict: Verdict, ids: Mapping[str, str], others: Others | None
) -> Iterable[FindingPart]:
    """Yield each metric and curve that has this verdict."""
    for check in view.checks:
        for part in metric_parts(view, check, others, verdict=verdict, named=True):
            yield FindingPart(check.check, ids[check.check], part)


def _check_part(
    view: Run,
    check: CheckOutcome,
    anchor: str,
    others: Others | None,
    reference: Run | None,
) -> CheckPart:
    metrics = tuple(metric_parts(view, check, others))
    shown = {(part.metric, strip.label or None) for part in metrics for strip in part.strips}
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
        problems=merged_messages(check.judged.problems),
        metrics=metrics,
        channels=channels,
        values=tuple(_value_rows(check, unshown, channels)),
        figures=tuple(figure_part(figure, f"{anchor}-{figure.name}") for figure in figures),
        stimulus_sha256=hash_text(check.stimulus_sha256),
        capture_sha256=hash_text(check.capture_sha256),
    )


def _tightest(check: CheckOutcome) -> str:
    """Return which judged value of a check is nearest to its limit, measured by its mask's own unit."""
    best: tuple[float, str] | None = None
    items: tuple[JudgedReading | JudgedCurve, ...] = (*check.judged.readings, *check.judged.curves)
    for item in items:
        if item.margin is None or item.verdict is None or item.limit is None:
            continue
        share = item.margin / (abs(item.limit) or 1.0)
        if best is None or share < best[0]:
            best = share, _margin_words(item, item.margin, item.limit)
    return "–" if best is None else best[1]


def _margin_words(item: JudgedReading | JudgedCurve, margin: float, limit: float) -> str:
    """Return a value's name and how far it is from its limit; what is counted is said as it is."""
    what = item.reading if isinstance(item, JudgedReading) else item.curve
    name = " ".join(filter(None, (metric_name(what.metric), what.channel)))
    if not what.unit and isinstance(item, JudgedReading) and item.reading.value is not None:
        allowed = "at least" if item.side == "min" else "at most"
        return f"{name}: {plain_number(item.reading.value)}, {allowed} {plain_number(limit)} passes"
    return f"{name}: {margin_text(margin, what.unit)}"


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
        yield ValueRow(metric_name(metric), metric, meanings.get(metric, ""), values)


def _cell(reading: Reading) -> str:
    if reading.value is None:
        return "not measured"
    value, spread = measured_texts(reading.value, COVERAGE * (reading.uncertainty or 0.0), reading.unit)
    if is_uncalibrated(reading):
        spread = UNCALIBRATED
    return f"{value}{' or better' * reading.is_bound} {spread}".rstrip()
