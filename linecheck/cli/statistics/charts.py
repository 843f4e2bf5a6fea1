"""``linecheck statistics chart``, ``chart-set`` and ``chart-answer``: control charts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import click
import numpy as np

from linecheck.cli.display.messages import counted, one_line, print_table
from linecheck.cli.log.filters import filter_options, short_name
from linecheck.cli.options import LogPlace, collected, limit_option, log_options
from linecheck.cli.statistics.options import Output, output_options, source_options
from linecheck.errors import UsageError
from linecheck.gates.chart_signals import (
    CHART_ANSWER,
    CHART_SET,
    CHART_SIGNAL,
    answer_content,
    open_signals,
    signal_numbered,
)
from linecheck.log import LogReader, RunFilter
from linecheck.report.figures.words import plain_number
from linecheck.statistics.charts.chart import KINDS, Design, Kind, designed, estimated_run_lengths, run_length
from linecheck.statistics.charts.of_log import restarts_of, self_check_series, stated_charts
from linecheck.statistics.charts.rules import RULES
from linecheck.statistics.charts.stated import (
    MIN_VALUES,
    SELF_CHECKS,
    UNITS,
    PhaseOne,
    Plotted,
    Stated,
    doubts,
    golden,
    state_from,
)
from linecheck.statistics.charts.trace import Trace, traced
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.series import COLUMNS, MetricName, Series, metric_named, series_of

#: Shifts of the mean for which a run length is told, in standard deviations.
_SHIFTS = (0.5, 1.0, 2.0)


@dataclass(frozen=True)
class _Of:
    """Which metric, and of what units."""

    name: MetricName
    golden: str | None
    self_checks: bool


def _of(metric: str, channel: str | None, golden_unit: str | None, self_checks: bool) -> _Of:
    if golden_unit is not None and self_checks:
        raise UsageError("give --golden or --self-checks, not both")
    return _Of(metric_named(metric, channel), golden_unit, self_checks)


#: What a chart shows; a command gets it as ``of``.
_of_options = collected(
    (
        click.argument("metric", metavar="CHECK.METRIC"),
        click.option(
            "--channel", callback=short_name, help="Which channel; needless where there is but one."
        ),
        click.option(
            "--golden", "golden_unit", metavar="SERIAL", callback=short_name, help="Runs of this golden unit."
        ),
        click.option(
            "--self-checks", is_flag=True, help="Self-checks: CHECK is a step, METRIC what it measured."
        ),
    ),
    "of",
    _of,
)


def _designed(
    kind: Kind, arl: float | None, weight: float, allowance: float, rules: tuple[str, ...]
) -> Design:
    if rules and kind != "individuals":
        raise UsageError("--rule goes with --kind individuals")
    given = {"ewma": {"weight": weight, "width": 2.962}, "cusum": {"allowance": allowance}}.get(
        kind, {"rules": rules}
    )
    if kind == "ewma" and arl is None and weight != 0.2:
        arl = 500.0
    try:
        return designed(kind, arl, **given)
    except ValueError as error:
        raise UsageError(f"--arl: {error}") from error


#: How a chart is made; a command gets it as ``design``.
_design_options = collected(
    (
        click.option("--kind", type=click.Choice(KINDS), default="ewma", help="Sort of chart."),
        click.option(
            "--arl",
            type=click.FloatRange(10, 1e6),
            metavar="N",
            help="Units until a false alarm, on average [default: ewma 500, cusum 465, individuals 370].",
        ),
        click.option(
            "--weight",
            type=click.FloatRange(0.01, 1.0),
            default=0.2,
            help="Weight of the newest value in a moving average.",
        ),
        click.option(
            "--allowance",
            type=click.FloatRange(0.05, 3.0),
            default=0.5,
            help="What a cumulative sum leaves out, in standard deviations: half the shift that matters.",
        ),
        click.option(
            "--rule",
            "rules",
            type=click.Choice(tuple(RULES)),
            multiple=True,
            help="A runs rule beside the limits; each makes more false alarms. Repeatable.",
        ),
    ),
    "design",
    _designed,
)


@click.command("chart")
@_of_options
@source_options
@filter_options
@click.option(
    "--first",
    type=click.IntRange(MIN_VALUES, 10_000),
    metavar="N",
    help="Take limits from the first N units that are shown, in place of the stated set.",
)
@_design_options
@limit_option("At most this many signals, the first ones.", default=20)
@output_options
def chart_command(
    of: _Of, place: Place, wanted: RunFilter, first: int | None, design: Design, limit: int, output: Output
) -> None:
    """Show a control chart of CHECK.METRIC, with its limits from the phase-1 set that is stated in the log.

    Units stand in order of time, each once, by its first run that judged it. A bound is no measured value, and is not
    put on the chart. --kind and what follows it hold with --first alone: a stated chart is what it was stated to be.

    Exit status: 0 there is a chart, 1 it signals after its phase-1 set, 2 a wrong command, or nothing is stated.
    """
    series, plotted = _read(of, place, wanted)
    if first is None:
        stated, restarts = _stated(place, plotted)
        phase_one = int(np.sum(np.isin(series.record, stated.records))) if len(place.logs) == 1 else 0
        begins = [int(np.searchsorted(series.moment, _utc(time), side="right")) for time in restarts]
    else:
        stated = state_from(_phase_one(series, first), plotted, design, "nobody", "not stated: --first")
        phase_one = int(np.flatnonzero(series.measured)[first - 1]) + 1
        begins = [phase_one]
    trace = traced(stated.design, stated.level, series.value, series.measured, begins)
    # A set may be stated long after its units: what came between is shown like all that comes after the set.
    first_after = phase_one or begins[0]
    after = [number for number in sorted(trace.signals) if number >= first_after]
    facts = [*_facts(stated), *_facts_of(series, stated, first_after, after)]
    output.write_csv(_HEADINGS, _rows(series, stated, trace))
    if output.page is not None:
        from linecheck.report.chart_page import chart_figure
        from linecheck.report.render import chart_page

        title = f"Control chart of {plotted.words}"
        figure = chart_figure(title, series.unit, stated.design, stated.level, series.value, trace, phase_one)
        output.write_page(chart_page(figure, facts, list(_signal_rows(series, trace, after[:limit]))))
    if output.as_json:
        output.print_json(_plain(series, stated, trace, first_after))
    else:
        click.echo(one_line(f"control chart of {plotted.words}"))
        _echo(facts)
        if after:
            click.echo("")
            print_table(
                ("time (UTC)", "record", "unit", "value", "signal"),
                _signal_rows(series, trace, after[:limit]),
                (1, 3),
            )
    if after:
        raise click.exceptions.Exit(1)


@click.command("chart-set")
@_of_options
@log_options
@filter_options
@_design_options
@click.option(
    "--leave-out",
    type=click.IntRange(1),
    multiple=True,
    metavar="RECORD",
    help="Leave out this run; repeatable.",
)
@click.option("--by", metavar="NAME", required=True, help="Who states it.")
@click.option("--reason", metavar="TEXT", required=True, help="Why these runs.")
def set_command(
    of: _Of,
    place: LogPlace,
    wanted: RunFilter,
    design: Design,
    leave_out: tuple[int, ...],
    by: str,
    reason: str,
) -> None:
    """State the phase-1 set of a control chart: the picked runs give its centre and limits from now on.

    The statement is added to the station's log with name and reason; it replaces an earlier one of the same chart, and
    ends its open signal. Limits are never estimated anew by themselves. The station follows its charts where its config
    has [charts].
    """
    series, plotted = _read(of, Place((place.path,)), wanted)
    chosen = series.measured & ~np.isin(series.record, leave_out)
    found = PhaseOne(
        series.value[chosen].tolist(),
        series.record[chosen].tolist(),
        series.unit,
        series.bounds,
        series.missing,
    )
    stated = state_from(found, plotted, design, by, reason)
    with place.writer() as log:
        head = log.state(CHART_SET, plotted.subject, stated.content())
    click.echo(one_line(f"chart set {head.sequence}: {plotted.words}"))
    click.echo(f"head {head}")
    _echo(_facts(replace(stated, sequence=head.sequence)))
    for doubt in doubts(found, stated):
        click.echo(f"  but  {one_line(doubt)}")


@click.command("chart-answer")
@click.argument("number", metavar="RECORD", type=click.IntRange(1, 10**18 - 1))
@log_options
@click.option("--at-station", callback=short_name, help="The station, where the log has several.")
@click.option("--by", metavar="NAME", required=True, help="Who answers.")
@click.option("--reason", metavar="TEXT", required=True, help="What was found, and what was done.")
def answer_command(number: int, place: LogPlace, at_station: str | None, by: str, reason: str) -> None:
    """Answer the signal RECORD of a control chart: its chart begins anew, and a station that it locked is unlocked."""
    with place.reader() as log:
        stations = {str(each.content.get("station")) for each in log.statements(CHART_SIGNAL)}
        with log.reading() as connection:
            signals = tuple(
                signal
                for station in sorted(stations if at_station is None else {at_station})
                for signal in open_signals(connection, station)
            )
    signal = signal_numbered(signals, number)
    content = answer_content(signal, by, reason)
    with place.writer() as log:
        head = log.state(CHART_ANSWER, signal.subject, content)
    click.echo(one_line(f"answer {head.sequence} of signal {number}: {signal.words}"))
    click.echo(f"head {head}")


def _read(of: _Of, place: Place, wanted: RunFilter) -> tuple[Series, Plotted]:
    """Return the values that a chart shows, and what it is a chart of."""
    name = of.name
    if of.self_checks:
        if len(place.logs) != 1:
            raise UsageError("--self-checks: charts of self-checks are made of one --log")
        with LogReader(place.logs[0]) as log:
            series, station = self_check_series(log, wanted.facts.get("station"), name)
        return series, Plotted(station, None, "", SELF_CHECKS, name.check, name.metric, name.channel)
    if of.golden is not None:
        wanted = replace(wanted, purpose="golden", serial=of.golden)
    with open_columns(place, wanted, columns=COLUMNS) as columns:
        series = series_of(columns, name)
    only = partial(series.only)
    model = only("model", "models", "--model")
    station = only("station", "stations", "--at-station")
    nests = sorted(set(series.nest.tolist()))
    nest = nests[0] if len(nests) == 1 else None
    whose = UNITS if of.golden is None else golden(of.golden)
    return series, Plotted(station, nest or None, model, whose, name.check, name.metric, series.name.channel)


def _stated(place: Place, plotted: Plotted) -> tuple[Stated, list[Any]]:
    """Return a chart as it is stated, and when it began anew."""
    known: list[Stated] = []
    for path in place.logs:
        with LogReader(path) as log:
            charts = stated_charts(log)
            known += charts
            for chart in charts:
                if chart.plotted.subject == plotted.subject:
                    return chart, restarts_of(log, chart)
    told = "; ".join(chart.plotted.words for chart in known[:10])
    raise UsageError(
        f"no phase-1 set of {plotted.words} is stated there: state it by `linecheck statistics chart-set` in the "
        f"log of its station, or give --first N{f'. Stated are: {told}' if told else ''}"
    )


def _phase_one(series: Series, first: int) -> PhaseOne:
    numbers = np.flatnonzero(series.measured)[:first]
    if len(numbers) < first:
        raise UsageError(f"--first {first}: {series.name.words} has {len(numbers)} measured values here")
    among = slice(0, int(numbers[-1]) + 1)
    return PhaseOne(
        series.value[numbers].tolist(),
        series.record[numbers].tolist(),
        series.unit,
        int(np.sum(series.is_bound[among])),
        int(np.sum(~np.isfinite(series.value[among]))),
    )


def _facts(stated: Stated) -> Iterator[tuple[str, str]]:
    """Yield what is said of a chart, as names and texts."""
    design, level, unit = stated.design, stated.level, stated.unit
    yield "chart", _kind_text(design)
    when = f", record {stated.sequence}" if stated.sequence else ""
    yield "phase-1 set", f"{counted(level.count, 'value')}, stated by {stated.by}{when}: {stated.reason}"
    yield (
        "centre",
        f"{_amount(level.centre, unit)}, standard deviation {_amount(level.sigma, unit, 3)} (moving ranges)",
    )
    if design.kind != "cusum":
        low, high = level.at(-design.limit), level.at(design.limit)
        yield "limits", f"{_amount(low, unit, 6)} to {_amount(high, unit, 6)}"
    low, high = estimated_run_lengths(design, level.count)
    shifts = ", ".join(f"{run_length(design, shift):.3g} at {shift:g}" for shift in _SHIFTS)
    yield (
        "false alarms",
        f"every {run_length(design):.4g} units on average if the set is the whole truth; from {level.count} values it "
        f"is known to be {low:.0f} to {high:.0f} (80 %)",
    )
    yield "a shift", f"is told after {shifts} standard deviations, units on average"


def _kind_text(design: Design) -> str:
    if design.kind == "ewma":
        return f"moving average, weight {design.weight:g}, limits at {design.width:.4g} of its standard deviations"
    if design.kind == "cusum":
        return f"cumulative sums, allowance {design.allowance:g}, threshold {design.threshold:.4g} standard deviations"
    told = f"single values, limits at {design.width:.4g} standard deviations"
    return told + "".join(f"; {RULES[name].words}" for name in design.rules)


def _facts_of(series: Series, stated: Stated, begins: int, after: Sequence[int]) -> Iterator[tuple[str, str]]:
    yield (
        "after the phase-1 set",
        f"{counted(len(series) - begins, 'unit')} of {len(series)} shown, {counted(len(after), 'signal')}",
    )
    if series.bounds or series.missing:
        yield (
            "not on it",
            f"{series.bounds} with a bound only, {series.missing} not measured: nothing is known of where they lie",
        )
    if series.backdated:
        yield (
            "clock",
            f"{counted(series.backdated, 'run')} dated before an earlier record: the order of the log holds",
        )


_HEADINGS = ("log", "record", "time", "serial", "value", "unit", "is_bound", "high", "low", "limit", "signal")


def _rows(series: Series, stated: Stated, trace: Trace) -> Iterator[Sequence[Any]]:
    limit = stated.design.limit
    for number in range(len(series)):
        yield (
            int(series.log[number]),
            int(series.record[number]),
            f"{series.moment[number]}Z",
            str(series.serial[number]),
            _known(series.value[number]),
            series.unit,
            int(series.is_bound[number]),
            _known(trace.high[number]),
            _known(trace.low[number]),
            limit,
            trace.signals.get(number, ""),
        )


def _signal_rows(series: Series, trace: Trace, numbers: Sequence[int]) -> Iterator[tuple[str, ...]]:
    for number in numbers:
        yield (
            str(series.moment[number])[:19].replace("T", " "),
            str(series.record[number]),
            str(series.serial[number]) or "–",
            _amount(float(series.value[number]), series.unit),
            trace.signals[number],
        )


def _plain(series: Series, stated: Stated, trace: Trace, begins: int) -> dict[str, Any]:
    """Return a chart as plain data."""
    return {
        **asdict(stated.plotted),
        "unit": series.unit,
        "design": stated.design.content() | {"limit": stated.design.limit},
        "phase_1": asdict(stated.level)
        | {"by": stated.by, "reason": stated.reason, "record": stated.sequence or None},
        "run_length": {f"{shift:g}": run_length(stated.design, shift) for shift in (0.0, *_SHIFTS)},
        "false_alarms_known_between": estimated_run_lengths(stated.design, stated.level.count),
        "begins": begins,
        "bounds": series.bounds,
        "missing": series.missing,
        "backdated": series.backdated,
        "points": [dict(zip(_HEADINGS, row, strict=True)) for row in _rows(series, stated, trace)],
    }


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _amount(value: float, unit: str, digits: int = 5) -> str:
    return f"{plain_number(value, digits)} {unit}".rstrip()


def _utc(time: Any) -> np.datetime64:  # noqa: ANN401 - a time with its zone
    return np.datetime64(time.replace(tzinfo=None))


def _echo(facts: Sequence[tuple[str, str]] | Iterator[tuple[str, str]]) -> None:
    told = list(facts)
    width = max(len(name) for name, _ in told)
    for name, text in told:
        click.echo(f"  {name.ljust(width)}  {one_line(text)}")
