"""``linecheck gauge study``: what a gauge study shows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

import click

from linecheck.cli.display.messages import columns as aligned_lines
from linecheck.cli.display.messages import counted, print_table
from linecheck.cli.statistics.options import Output, output_options, source_options
from linecheck.errors import ExitStatus, UsageError
from linecheck.files.text import listed, visible
from linecheck.limits.study import StudyPolicy
from linecheck.log import RunFilter
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.gauge.agreement import Agreement, LevelAgreement
from linecheck.statistics.gauge.anova import ALPHA, INTERACTION, LEVEL, REPEAT, UNIT
from linecheck.statistics.gauge.components import Components, Interval
from linecheck.statistics.gauge.plan import Plan, read_plan
from linecheck.statistics.gauge.study import RUN_NAMES, MetricStudy, StudyResult, plain_interval, study_of
from linecheck.statistics.yields import Share

METHOD: Final = "analysis of variance; generalized confidence intervals at 95 %"
_MAX_NAMED: Final = 5


@click.command("study")
@click.argument("plan_path", metavar="PLAN", type=click.Path())
@source_options
@click.option(
    "--alpha",
    type=click.FloatRange(0.0, 1.0),
    default=ALPHA,
    help="Pool an interaction of units with what is compared where its p is not below this.",
)
@click.option("--all", "everything", is_flag=True, help="Tell also of metrics that no mask judges.")
@click.option("--tables", is_flag=True, help="Show the table of each metric, by both models.")
@click.option(
    "--average-range", "by_range", is_flag=True, help="Show the figures by average and range beside it."
)
@output_options
def study_command(
    plan_path: str, place: Place, alpha: float, everything: bool, tables: bool, by_range: bool, output: Output
) -> ExitStatus:
    """Tell how much of what each metric varies by is the units, and how much what they are measured by.

    The station's part is what repeats scatter by and what nests, operators, stations or days add. It is told as a
    standard deviation, as a percentage of what the whole study varies by, and of what the mask leaves: six standard
    deviations of its width, or three of what lies between the units' mean and a mask with one side.

    Exit status: 0, 1 where the limit file's `study` asks for less than a mask's part, 3 where the study is not done.
    """
    if output.page is not None:
        raise UsageError("--out: a gauge study has no page yet; --json and --csv have its figures")
    plan = read_plan(plan_path)
    wanted = RunFilter(model=plan.model, purpose="study", facts={"study": plan.id})
    with open_columns(place, wanted, columns=RUN_NAMES) as columns:
        result = study_of(columns, plan, alpha=alpha)
        source = columns.source
    policy = None if result.limits is None else result.limits.study
    output.write_csv(_HEADINGS, map(_csv_row, result.metrics))
    if output.as_json:
        output.print_json(plain(result, policy) | {"source": source, "alpha": alpha, "method": METHOD})
    elif result.missing:
        _print_missing(result)
    else:
        _print(result, policy, alpha, source, everything=everything, tables=tables, by_range=by_range)
    if result.missing:
        return ExitStatus.INVALID
    return ExitStatus.FAIL if any(_exceeds(one, policy) for one in result.metrics) else ExitStatus.PASS


def _exceeds(one: MetricStudy, policy: StudyPolicy | None) -> bool:
    return policy is not None and one.tolerance is not None and one.tolerance.value > policy.tolerance_percent


def _print_missing(result: StudyResult) -> None:
    done, all_runs = result.runs, len(result.plan.entries)
    entry = result.missing[0]
    at = f" ({result.plan.factor} {entry.level})" if result.plan.factor else ""
    click.echo(
        f"the study is not done: {done} of {all_runs} runs are there; {visible(entry.unit)}{visible(at)} is next. "
        "Nothing is told of a part of it"
    )


_NAMES: Final = {UNIT: "unit", REPEAT: "repeats"}


def _source_name(name: str, plan: Plan) -> str:
    factor = plan.factor or ""
    return {**_NAMES, LEVEL: factor, INTERACTION: f"unit x {factor}"}.get(name, name)


def _print(
    result: StudyResult,
    policy: StudyPolicy | None,
    alpha: float,
    source: str,
    *,
    everything: bool,
    tables: bool,
    by_range: bool,
) -> None:
    plan = result.plan
    by = f", {counted(len(plan.levels), plan.factor)}" if plan.factor else ""
    again = f"; {counted(result.repeated, 'run')} invalid or aborted, made again" if result.repeated else ""
    units = counted(len(plan.units), "unit")
    nested = ", each with units of its own" if plan.nested else ""
    click.echo(
        f"study {plan.id} of {visible(plan.model)}: {units}{by}{nested}, {plan.repeats} repeats{again}: {source}"
    )
    click.echo(f"by {METHOD}; an interaction with p of {alpha:g} or more is pooled")
    metrics = [one for one in result.metrics if one.is_masked or everything]
    if not metrics:
        click.echo("no mask judges any metric: --all tells of those that none judges")
    told = [one for one in metrics if one.found is not None]
    if told:
        click.echo("")
        print_table(_TABLE, [_cells(one, plan) for one in told], ())
    for one in told:
        _print_words(one, policy, plan)
        if tables:
            _print_tables(one, plan)
        if by_range and one.by_range is not None:
            _print_range(one)
    for why, names in _together((one.why_not, one.name) for one in metrics if one.why_not):
        click.echo(f"{listed(names, _MAX_NAMED)}: {why}")
    left = len(result.metrics) - len(metrics)
    if left:
        click.echo(f"{counted(left, 'metric')} without a mask: --all tells of them")
    if result.verdicts is not None:
        click.echo("")
        for line in _agreement_lines(result.verdicts):
            click.echo(line)


_TABLE: Final = ("metric", "unit", "station, 1 s.d.", "% of study", "% of mask", "ndc", "most of it is")


def _cells(one: MetricStudy, plan: Plan) -> tuple[str, ...]:
    found = one.found
    assert found is not None
    return (
        one.name,
        one.unit or "-",
        _text(found.deviation("gauge")),
        _text(found.studied.get("gauge"), 3),
        _text(one.tolerance, 3) if one.tolerance is not None else f"- ({one.tolerance_of})",
        _ndc(found),
        one.dominates(plan.factor) or "repeats",
    )


def _ndc(found: Components) -> str:
    if found.ndc is None:
        return "-"
    low, high = found.ndc.low, found.ndc.high
    most = "no bound" if high is None else f"{high:.3g}"
    return f"{found.categories} ({low:.2g} to {most})"


def _text(interval: Interval | None, digits: int = 3) -> str:
    if interval is None:
        return "-"
    text = f"{interval.value:.{digits}g}"
    if interval.low is None:
        return text
    high = "no bound" if interval.high is None else f"{interval.high:.{digits}g}"
    return f"{text} ({interval.low:.{digits}g} to {high})"


def _print_words(one: MetricStudy, policy: StudyPolicy | None, plan: Plan) -> None:
    said = []
    if _exceeds(one, policy):
        assert policy is not None
        assert one.tolerance is not None
        said.append(
            f"takes {one.tolerance.value:.3g} % of its mask, the limit file allows {policy.tolerance_percent:g} %"
        )
    if one.stated_says:
        said.append(one.stated_says)
    if one.left_out:
        said.append(f"without {listed(one.left_out, _MAX_NAMED)}: a reading is missing")
    guard = one.guardband
    if one.is_masked and guard is not None and (said or one.tolerance is not None):
        said.append(f"guardband {_text(guard)} {one.unit}".rstrip())
    if said:
        click.echo(f"  {one.name}: {'; '.join(said)}")


def _print_tables(one: MetricStudy, plan: Plan) -> None:
    assert one.found is not None
    for name, rows in one.tables.items():
        holds = " (holds)" if name == one.found.model.name else ""
        found = one.found if holds else one.others[name]
        click.echo(f"    {one.name}, {name}{holds}")
        lines: list[Sequence[str]] = [("source", "df", "SS", "MS", "F", "p", "s.d.", "% of study")]
        for row in rows:
            lines.append(
                (
                    _source_name(row.name, plan),
                    str(row.df),
                    f"{row.ss:.5g}",
                    f"{row.ms:.5g}",
                    "" if row.f is None else f"{row.f:.4g}",
                    "" if row.p is None else f"{row.p:.3g}",
                    _text(found.deviation(row.name)),
                    _text(found.studied.get(row.name)),
                )
            )
        for line in aligned_lines(lines, (1, 2, 3, 4, 5)):
            click.echo(f"      {line}")


def _print_range(one: MetricStudy) -> None:
    ranges = one.by_range
    assert ranges is not None
    shares = ", ".join(
        f"{name} {getattr(ranges, name):.4g} ({ranges.studied(name):.4g} %)"
        for name in ("repeat", "reproducibility", "gauge", "unit")
    )
    ndc = "" if ranges.ndc is None else f", ndc {int(ranges.ndc)}"
    beyond = (
        f"; {counted(len(ranges.beyond), 'range')} beyond {ranges.range_limit:.4g}" if ranges.beyond else ""
    )
    click.echo(f"    {one.name}, by average and range: {shares}{ndc}{beyond}")


def _agreement_lines(found: Agreement) -> Iterator[str]:
    for level in found.levels:
        name = f" at {visible(level.level)}" if level.level else ""
        yield f"verdicts{name}: {_share(level.within)} units got the same one each time{_kappa(level.kappa_within)}"
        yield from _against(level, name)
    if found.between is not None:
        yield f"verdicts between all: {_share(found.between)} units got the same one{_kappa(found.kappa_between)}"
    if found.with_reference is not None:
        yield f"verdicts of all: {_share(found.with_reference)} units got the right one each time"


def _against(level: LevelAgreement, name: str) -> Iterator[str]:
    if level.with_reference is None:
        return
    right = f"{_share(level.with_reference)} units got the right one each time{_kappa(level.kappa_reference)}"
    parts = [
        f"{_share(share)} {words}"
        for share, words in (
            (level.missed, "runs of bad units let them pass"),
            (level.false_alarms, "runs of good units failed them"),
        )
        if share is not None
    ]
    yield f"verdicts{name} and the reference: {'; '.join((right, *parts))}"


def _share(share: Share) -> str:
    low, high = share.interval
    return f"{share.found} of {share.among} ({100 * low:.0f} to {100 * high:.0f} %)"


def _kappa(kappa: Interval | None) -> str:
    if kappa is None:
        return "; kappa cannot be told, every verdict is the same"
    if kappa.low is None:
        return f"; kappa {kappa.value:.3g}, without an interval: no unit differs from the others"
    return f"; kappa {_text(kappa)}"


def _together(pairs: Iterable[tuple[str, str]]) -> Iterator[tuple[str, list[str]]]:
    """Yield each text once, with the names that it is said of."""
    names: dict[str, list[str]] = {}
    for why, name in pairs:
        names.setdefault(why, []).append(name)
    yield from names.items()


_PARTS: Final = ("repeat", "reproducibility", "gauge", "unit", "total")
_HEADINGS: Final = (
    "check", "metric", "channel", "unit", "why_not", "mean", "model",
    *(f"{name}{end}" for name in _PARTS for end in ("_sd", "_sd_low", "_sd_high")),
    *(f"{name}_percent" for name in _PARTS[:-1]),
    "tolerance_percent", "tolerance_low", "tolerance_high", "tolerance_of", "ndc", "ndc_low", "ndc_high",
    "guardband", "stated", "stated_says",
)  # fmt: skip


def _csv_row(one: MetricStudy) -> Sequence[object]:
    head = (one.check, one.metric, one.channel, one.unit, one.why_not or None, one.mean)
    found = one.found
    if found is None:
        return (*head, *[None] * (len(_HEADINGS) - len(head)))
    deviations = [found.deviation(name) for name in _PARTS]
    studied = [found.studied.get(name) for name in _PARTS[:-1]]
    guard = one.guardband
    return (
        *head,
        found.model.name,
        *(number for each in deviations for number in (each.value, each.low, each.high)),
        *(None if each is None else each.value for each in studied),
        *_three(one.tolerance),
        one.tolerance_of,
        *_three(found.ndc),
        None if guard is None else guard.value,
        one.stated,
        one.stated_says or None,
    )


def _three(interval: Interval | None) -> tuple[float | None, ...]:
    return (None, None, None) if interval is None else (interval.value, interval.low, interval.high)


def plain(result: StudyResult, policy: StudyPolicy | None = None) -> dict[str, Any]:
    """Return what a study shows as plain data."""
    plan = result.plan
    return {
        "study": plan.id,
        "model": plan.model,
        "factor": plan.factor,
        "layout": plan.layout,
        "levels": list(plan.levels),
        "units": list(plan.units),
        "repeats": plan.repeats,
        "runs": result.runs,
        "runs_repeated": result.repeated,
        "missing": [entry._asdict() for entry in result.missing],
        "allowed_percent": None if policy is None else policy.tolerance_percent,
        "metrics": [_plain_metric(one, plan, policy) for one in result.metrics],
        "verdicts": None if result.verdicts is None else _plain_agreement(result.verdicts),
    }


def _plain_metric(one: MetricStudy, plan: Plan, policy: StudyPolicy | None) -> dict[str, Any]:
    facts = (
        "check",
        "metric",
        "channel",
        "unit",
        "mean",
        "stated",
        "stated_says",
        "tolerance_of",
        "is_masked",
    )
    ranges = one.by_range
    return {
        **{name: getattr(one, name) for name in facts},
        "why_not": one.why_not or None,
        "left_out": list(one.left_out),
        "model": None if one.found is None else one.found.model.name,
        "tables": {name: [vars(row) for row in rows] for name, rows in one.tables.items()},
        **_plain_components(one.found),
        "others": {name: _plain_components(found) for name, found in one.others.items()},
        "tolerance": plain_interval(one.tolerance),
        "exceeds": _exceeds(one, policy),
        "guardband": plain_interval(one.guardband),
        "dominates": one.dominates(plan.factor) or None,
        "average_range": None
        if ranges is None
        else vars(ranges) | {"beyond": [list(cell) for cell in ranges.beyond]},
    }


def _plain_components(found: Components | None) -> dict[str, Any]:
    if found is None:
        return {"deviations": None, "percent_of_study": None, "ndc": None, "categories": None}
    return {
        "deviations": {name: plain_interval(found.deviation(name)) for name in found.variances},
        "percent_of_study": {name: plain_interval(each) for name, each in found.studied.items()},
        "ndc": plain_interval(found.ndc),
        "categories": found.categories,
    }


def _plain_agreement(found: Agreement) -> dict[str, Any]:
    def share(one: Share | None) -> dict[str, Any] | None:
        return None if one is None else one.plain()

    levels: list[Mapping[str, Any]] = [
        {
            "level": level.level,
            "within": share(level.within),
            "kappa_within": plain_interval(level.kappa_within),
            "with_reference": share(level.with_reference),
            "missed": share(level.missed),
            "false_alarms": share(level.false_alarms),
            "kappa_reference": plain_interval(level.kappa_reference),
        }
        for level in found.levels
    ]
    return {
        "levels": levels,
        "between": share(found.between),
        "kappa_between": plain_interval(found.kappa_between),
        "with_reference": share(found.with_reference),
    }
