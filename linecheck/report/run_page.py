"""The page of a run, verdict and findings, problems told once, every check, other units beside it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import Problem, Reading
from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.history.population import (
    Population,
    Populations,
    reference_notes,
    reference_values,
)
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.data import COVERAGE, Strip
from linecheck.report.figures.overlay import Overlay, overlays_of, told_apart
from linecheck.report.figures.strips import UNCALIBRATED, limits_text, strips_of_check
from linecheck.report.figures.words import (
    file_name,
    limit_text,
    measured_texts,
    metric_name,
    place_text,
    plain_name,
    value_text,
)
from linecheck.report.parts import (
    Part,
    about,
    anchors,
    badge,
    figure_part,
    hash_text,
    margin_text,
    sentence,
    strip_part,
)
from linecheck.report.run_facts import Fact, closing_groups, identity, setting_table, setup_text
from linecheck.report.values import glance, judged_values, unmeasured
from linecheck.results.rows import RANKS, Row, by_verdict, rows_of, unjudged_counts
from linecheck.results.wording import judgement, troubles
from linecheck.run.causes import Causes, causes_of
from linecheck.run.model import HOLD, CheckOutcome, Run
from linecheck.run.settle import NOT_RUN

if TYPE_CHECKING:
    from linecheck.history.baseline.file import Baseline
    from linecheck.history.repairs.runs import StatedRepair

_MEANINGS = {
    Verdict.PASS: "All judged values lie within their limits.",
    HOLD: "All judged values lie within their limits, and the unit is not released: it has failed before.",
    Verdict.MARGINAL: "Nothing fails, but not all values lie within their pass limits.",
    Verdict.FAIL: "At least one value lies outside its limits: the unit does not pass, and is not released.",
    Verdict.INVALID: "The unit was not judged, and is not released: not all that has to be judged could be measured.",
    Verdict.ABORTED: "The run was stopped before its end. It judges nothing.",
}
#: What the column of values that the channels share is called.
PAIR = "pair"
#: So many checks that do not pass are named in the first lines.
MAX_NAMED = 5
#: So many lines of each code of problem stand before the table of values.
MAX_LINES = 5
#: Groups of facts that are printed with the values; the others are folded.
_FILED = ("limits", "record", "station", "calibration")
#: So many figures stand before the table of values: those that show what does not pass.
MAX_TELLING = 3
_UNJUDGED = (Verdict.INVALID, Verdict.ABORTED)
_BEYOND = {"min": "below", "max": "above"}
_SENTENCE_ENDS = re.compile(r"(?<=[.!?]) +")
Others = Mapping[tuple[str, str, str | None], Population]
Trouble = tuple[str | None, Problem]


def run_page_of(
    view: Run,
    *,
    population: Populations | None = None,
    references: Sequence[Run | Baseline] = (),
    repairs: Sequence[StatedRepair] = (),
    unfolded: bool = False,
) -> Part:
    """Return the page of a run.

    Parameters
    ----------
    view : Run
    population : Populations, optional
        Where its readings lie among other units of the model.
    references : sequence of Run or Baseline
        Other runs, whose curves and values stand beside these, and baselines, whose curves do.
    repairs : sequence of StatedRepair
        Those of its unit.
    unfolded : bool
        Show, and print, each check in full too.
    """
    view = replace(view, checks=tuple(map(_without_superseded, view.checks)))
    others = None if population is None else population.readings
    names = [check.check for check in view.checks]
    ids = anchors(names, "check")
    rows = rows_of(view)
    overlays = told_apart(overlays_of(*references))
    figures = _figures(view, ids, overlays)
    telling = _telling(rows, figures)
    told = troubles(view.checks, view.missing, view.problems)
    causes, groups = causes_of(view), closing_groups(view, repairs)
    is_unexplained = view.verdict in _UNJUDGED and (causes is None or not causes.headline)
    word = view.state.upper()
    return {
        "title": f"{word}: {view.serial}, {view.model}",
        "running_head": f"{view.serial}  {view.model}  {word}",
        "software": view.software,
        "badge": view.state,
        "subject": view.serial,
        "meaning": _MEANINGS[view.state],
        "summary": _summary(view),
        "cause": _commonest_cause(told, len(view.checks)) if is_unexplained else "",
        "causes": None if causes is None else _causes_part(causes),
        "identity": identity(view),
        "problems": tuple(_trouble_groups(told)),
        "glance": glance(rows),
        "figures": tuple(figures[key] for key in figures if key in telling),
        "judged": judged_values(rows),
        "unmeasured": unmeasured(rows),
        "unjudged": unjudged_counts(rows),
        "anchors": ids,
        "missing": view.missing,
        "checks": [
            _check_part(view, check, ids[check.check], others, _of_check(figures, check.check, telling))
            for check in view.checks
        ],
        "other_units": other_units_of(view, population, references, [overlay.name for overlay in overlays]),
        "settings": setting_table(view),
        "filed": tuple(group for group in groups if group.anchor in _FILED),
        "groups": tuple(group for group in groups if group.anchor not in _FILED),
        "unfolded": unfolded,
    }


def _causes_part(causes: Causes) -> Part:
    """Return what is said of causes: the sentence, what to do about it, and all that are ranked."""
    first = causes.first
    facts = (("What to do next", causes.act), ("What to measure next", first.measure))
    rows = tuple(
        (entry.text, entry.channel or _NOTHING, entry.percent, ", ".join(entry.blames) or _NOTHING)
        for entry in causes.ranked
    )
    return {
        "sentence": causes.sentence,
        "alone": causes.is_likely,
        "explained": causes.explained,
        "margins": [f"{margin.sentence}." for margin in causes.margins_told],
        "facts": tuple(Fact(name, text) for name, text in facts if text),
        "table": {"headings": ("cause", "channel", "probability", "where to look"), "rows": rows},
    }


def _without_superseded(check: CheckOutcome) -> CheckOutcome:
    """Return a check without superseded metrics and curves that no mask judges and whose successors are there."""
    kind, judged = kinds().get(check.kind), check.judged
    there = {(item.measured.metric, item.measured.channel) for item in judged.items}
    former = {
        spec.name: spec.superseded_by.name for spec in (kind.specs if kind else ()) if spec.superseded_by
    }

    def stands(item: JudgedReading | JudgedCurve) -> bool:
        successor = former.get(item.measured.metric), item.measured.channel
        return item.verdict is not None or successor not in there

    readings, curves = filter(stands, judged.readings), filter(stands, judged.curves)
    return replace(check, judged=replace(judged, readings=tuple(readings), curves=tuple(curves)))


def _summary(view: Run) -> str:
    """Return how many checks came to what."""
    counts = Counter(check.judged.verdict for check in view.checks)
    total = len(view.checks) + len(view.missing)
    words = [
        f"{counts[verdict]} {verb}{_which(view, verdict)}"
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


def _figures(view: Run, ids: Mapping[str, str], overlays: Sequence[Overlay]) -> dict[tuple[str, str], Part]:
    """Return every figure of a run, drawn, by its check and name."""
    return {
        (check.check, figure.name): figure_part(figure, f"{ids[check.check]}-{figure.name}")
        for check in view.checks
        for figure in figures_of_check(view, check, overlays=overlays)
    }


def _telling(rows: Sequence[Row], figures: Iterable[tuple[str, str]]) -> frozenset[tuple[str, str]]:
    """Return which figures show best what does not pass: of the worst curves, then of the checks with worst values."""
    wrong = sorted(
        (row for row in by_verdict(rows) if row.verdict in (Verdict.FAIL, Verdict.MARGINAL)),
        key=lambda row: (RANKS.index(row.verdict), not isinstance(row.worst[1], JudgedCurve), row.nearness),
    )
    found: dict[tuple[str, str], None] = {}
    for row in wrong:
        own = [key for key in figures if key[0] == row.check]
        curve = [key for key in own if key[1].startswith(file_name(row.metric))]
        found |= dict.fromkeys((curve or own)[:1])
    return frozenset(list(found)[:MAX_TELLING])


def _check_part(
    view: Run, check: CheckOutcome, anchor: str, others: Others | None, figures: Sequence[Part]
) -> Part:
    """Return one check; ``channels`` head its ``rows``."""
    metrics = tuple(_metric_parts(view, check, others))
    shown = {(part["metric"], strip["label"] or None) for part in metrics for strip in part["strips"]}
    readings = (item.reading for item in check.judged.readings)
    # No mask judges what has no strip.
    unshown = [reading for reading in readings if (reading.metric, reading.channel) not in shown]
    channels = tuple(dict.fromkeys(reading.channel or PAIR for reading in unshown))
    judged = sum(item.verdict is not None for item in check.judged.items)
    return {
        "anchor": anchor,
        "name": check.check,
        "kind": plain_name(check.kind),
        "about": about(check.kind),
        "badge": badge(check.judged.verdict),
        "setup": setup_text(check.setup),
        "problems": tuple(_lines([(None, problem) for problem in check.judged.problems])),
        "metrics": metrics,
        "channels": channels,
        "rows": tuple(_value_rows(check, unshown, channels)),
        "figures": tuple(figures),
        "counts": _counts_text(judged, len(figures), len(unshown)),
        "stimulus_sha256": hash_text(check.stimulus_sha256),
        "capture_sha256": hash_text(check.capture_sha256),
    }


def _which(view: Run, verdict: Verdict | None) -> str:
    """Return which checks do not pass, where they are few."""
    if verdict not in (Verdict.FAIL, Verdict.INVALID, Verdict.MARGINAL):
        return ""
    names = [check.check for check in view.checks if check.judged.verdict is verdict]
    return f" ({', '.join(names)})" if len(names) <= MAX_NAMED else ""


def _of_check(
    figures: Mapping[tuple[str, str], Part], check: str, telling: Collection[tuple[str, str]]
) -> list[Part]:
    """Return the figures of a check that do not stand above already."""
    return [part for key, part in figures.items() if key[0] == check and key not in telling]


def _counts_text(judged: int, figures: int, others: int) -> str:
    """Return what is folded away of a check."""
    counts = ((judged, "judged value"), (figures, "figure"), (others, "value"))
    texts = [f"{count} {word}{'' if count == 1 else 's'}" for count, word in counts if count]
    return ", ".join(texts) + " without a mask" * bool(others)


def _value_rows(
    check: CheckOutcome, readings: Sequence[Reading], channels: Sequence[str]
) -> Iterable[tuple[str, str, str, tuple[str, ...]]]:
    """Yield a row for each metric: its name, that in limit files, its meaning, and a cell for each channel."""
    kind = kinds().get(check.kind)
    meanings = {} if kind is None else {spec.name: spec.text for spec in kind.metrics}
    for metric in dict.fromkeys(reading.metric for reading in readings):
        cells = {reading.channel or PAIR: _cell(reading) for reading in readings if reading.metric == metric}
        values = tuple(cells.get(channel, "") for channel in channels)
        yield metric_name(metric), metric, meanings.get(metric, ""), values


def _cell(reading: Reading) -> str:
    if reading.value is None:
        return "not measured"
    value, spread = measured_texts(reading.value, COVERAGE * (reading.uncertainty or 0.0), reading.unit)
    spread = UNCALIBRATED if is_uncalibrated(reading) else spread
    return f"{value}{' or better' * reading.is_bound} {spread}".rstrip()


def _metric_parts(view: Run, check: CheckOutcome, others: Others | None) -> Iterable[Part]:
    """Yield each judged metric of a check, then each judged curve, with all its channels.

    ``metric`` is its name in limit files; ``badge`` is None where the channels differ. ``lines`` are of a curve's
    channels: whose, verdict, and the worst place in words.

    Parameters
    ----------
    view : Run
    check : CheckOutcome
    others : mapping of Population, optional
        Where its readings lie among other units. What no mask judges is there too where it can be seen among them.
    """
    strips = [
        strip
        for strip in strips_of_check(view, check, population=others)
        if strip.judged.verdict is not None or _can_be_seen(strip)
    ]
    for metric in dict.fromkeys(strip.reading.metric for strip in strips):
        own = [strip for strip in strips if strip.reading.metric == metric]
        parts = tuple(strip_part(strip) for strip in own)
        yield _metric_part(
            metric, [part["badge"] for part in parts], limits=limits_text(own[0]), strips=parts
        )
    curves = [item for item in check.judged.curves if item.verdict is not None]
    for metric in dict.fromkeys(item.curve.metric for item in curves):
        lines = _curve_lines(check, [item for item in curves if item.curve.metric == metric])
        yield _metric_part(metric, [mark for _, mark, _ in lines], lines=lines)


def _can_be_seen(strip: Strip) -> bool:
    """Return whether a value's place among others is more than its own uncertainty."""
    value = strip.reading.value
    values = [*strip.others, *(() if value is None else (value,))]
    return float(np.ptp(values)) > 8.0 * (strip.reading.uncertainty or 0.0)


def _metric_part(metric: str, badges: Sequence[str], **own: object) -> Part:
    common = badges[0] if len(set(badges)) == 1 else None
    shared = {"name": metric_name(metric), "metric": metric, "badge": common}
    return shared | {"limits": "", "strips": (), "lines": ()} | own


def _curve_lines(check: CheckOutcome, items: Sequence[JudgedCurve]) -> list[tuple[str, str, str]]:
    """Return a curve's channels in words, once where the words are the same."""
    told: dict[tuple[str, str], list[str]] = {}
    for item in items:
        told.setdefault((badge(item.verdict), _curve_text(check, item)), []).append(item.curve.channel or "")
    return [(" and ".join(filter(None, names)), mark, text) for (mark, text), names in told.items()]


def _curve_text(check: CheckOutcome, item: JudgedCurve) -> str:
    """Return where a curve is nearest to its limit or furthest beyond, and what the limit is there."""
    unit = item.curve.unit
    if item.verdict is Verdict.INVALID or item.worst_y is None:
        return sentence(judgement(item, check.judged.problems))
    limits = (item.limit, item.fail_limit)
    value, _ = measured_texts(item.worst_y, None, unit, limits)
    where = "" if item.worst_x is None else f" at {place_text(item.worst_x, item.curve.x_unit)}"
    if item.limit is None or item.margin is None or item.side not in _BEYOND:
        return f"{value}{where}."
    text = f"{value}{where}: {margin_text(item.margin, unit)} of {limit_text(item.limit, unit)}"
    if item.fail_limit is not None and item.fail_limit != item.limit:
        text += f"; fails {_BEYOND[item.side]} {limit_text(item.fail_limit, unit)}"
    return f"{text}."


def _trouble_groups(troubles: Sequence[Trouble]) -> Iterable[tuple[str, tuple[str, ...], int, str]]:
    """Yield what each code of problem says, check by check, and how many lines more there are.

    Sentences that most of them end with are said once. Notes stand with their checks.
    """
    troubles = [entry for entry in troubles if not entry[1].is_note]
    for code in dict.fromkeys(problem.code for _, problem in troubles):
        group = [(check, problem) for check, problem in troubles if problem.code == code]
        shared = _shared([problem.message for _, problem in group])
        closing = " ".join(_closing(text, group) for text in shared)
        lines = tuple(_lines(group, shared))
        yield plain_name(code), lines[:MAX_LINES], len(lines[MAX_LINES:]), closing


def _lines(group: Sequence[Trouble], shared: Sequence[str] = ()) -> Iterable[str]:
    """Yield a line for each message: the checks and channels that have it, and what it says of its own."""
    told: dict[str, dict[str, list[str]]] = {}
    for check, problem in group:
        first, *more = _SENTENCE_ENDS.split(problem.message)
        message = " ".join([first, *(text for text in more if text not in shared)])
        channels = told.setdefault(message, {}).setdefault("" if problem.code == NOT_RUN else check or "", [])
        channels += [problem.channel] if problem.channel and problem.channel not in channels else []
    for message, checks in told.items():
        places = [" ".join(filter(None, (name, " and ".join(channels)))) for name, channels in checks.items()]
        where = ", ".join(filter(None, places))
        yield f"{where}: {message}" if where else message


def _shared(messages: Sequence[str]) -> list[str]:
    """Return the sentences, but for first ones, that more than half of several different messages have."""
    split = [_SENTENCE_ENDS.split(message)[1:] for message in dict.fromkeys(messages)]
    if len(split) < 2:
        return []
    found = dict.fromkeys(text for sentences in split for text in sentences)
    return [text for text in found if 2 * sum(text in sentences for sentences in split) > len(split)]


def _closing(text: str, group: Sequence[Trouble]) -> str:
    """Return a shared sentence, with the checks for which it is not said."""
    without = dict.fromkeys(
        check or "the run" for check, problem in group if text not in _SENTENCE_ENDS.split(problem.message)
    )
    return f"{text} (Not in {' and '.join(without)}.)" if without else text


def _commonest_cause(troubles: Sequence[Trouble], check_count: int) -> str:
    """Return in a sentence what is wrong most often: of the whole run if anything is, else in most checks."""
    causes = [
        (check, problem) for check, problem in troubles if not problem.is_note and problem.code != NOT_RUN
    ]
    whole = next((problem for check, problem in causes if check is None), None)
    if whole is not None:
        return f"Cause: {_first_sentence(whole.message)}."
    found: dict[str, dict[str | None, Problem]] = {}
    for check, problem in causes:
        found.setdefault(problem.code, {}).setdefault(check, problem)
    if not found:
        return ""
    code, places = max(found.items(), key=lambda entry: len(entry[1]))
    check, problem = next(iter(places.items()))
    count, example = f"in {check}", _first_sentence(problem.message)
    if check_count > 1:
        count, example = f"in {len(places)} of {check_count} checks", f"{check}: {example}"
    return f"Commonest cause, {count}: {plain_name(code)} ({example})."


def _first_sentence(message: str) -> str:
    return _SENTENCE_ENDS.split(message)[0].rstrip(".")


_NOTHING = "–"


def other_units_of(
    view: Run, population: Populations | None, references: Sequence[Run | Baseline], names: Sequence[str]
) -> Part | None:
    """Return what is shown of other units; None where neither a log of them nor a reference is named.

    Values are there that one of them has. ``source`` is empty where there are no other
    units; ``references`` are the names of all that is drawn, ``columns`` of those that have values; ``apart`` are
    sentences on values that stand apart although they do not fail, ``notes`` what limits the comparison.
    """
    if population is None and not references:
        return None
    others = {} if population is None else population.readings
    runs = [reference for reference in references if isinstance(reference, Run)]
    # Of runs that are named first, as the command line has them.
    columns = dict(zip(names, map(reference_values, runs), strict=False))
    return {
        "source": "" if population is None else population.source,
        "references": names,
        "columns": list(columns),
        "apart": () if population is None else population.apart,
        "notes": (
            *(() if population is None else population.notes),
            *(note for reference in runs for note in reference_notes(view, reference)),
        ),
        "rows": tuple(_rows(view, others, list(columns.values()))),
    }


def _rows(
    view: Run,
    others: Others,
    references: Sequence[Mapping[tuple[str, str, str | None], Reading]],
) -> Iterator[Part]:
    for check in view.checks:
        for item in check.judged.readings:
            key = (check.check, item.reading.metric, item.reading.channel)
            found, beside = others.get(key), [reference.get(key) for reference in references]
            if any(beside) or (found is not None and (found.values or found.left_out)):
                yield _row(check, item, found, beside)


def _row(
    check: CheckOutcome, item: JudgedReading, found: Population | None, beside: Sequence[Reading | None]
) -> Part:
    reading = item.reading
    usual, sigmas = _NOTHING, _NOTHING
    if found is not None and found.centre is not None and found.spread is not None:
        usual = f"{value_text(found.centre, found.unit)} ± {value_text(found.spread, found.unit)}"
    if found is not None and found.sigmas is not None:
        sigmas = f"{found.sigmas:+.1f}".replace("-", "−")
    return {
        "check": check.check,
        "name": f"{plain_name(reading.metric)} {reading.channel or ''}".strip(),
        "value": _value(reading),
        "references": list(map(_value, beside)),
        "usual": usual,
        "sigmas": sigmas,
        "standing": "" if found is None else found.standing,
        "left_out": "" if found is None else found.left_out,
    }


def _value(reading: Reading | None) -> str:
    if reading is None or reading.value is None:
        return _NOTHING
    return value_text(reading.value, reading.unit) + " or better" * reading.is_bound
