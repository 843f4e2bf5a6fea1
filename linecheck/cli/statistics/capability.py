"""``linecheck statistics capability``: whether the process makes units within the masks."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, Final

import click

from linecheck.cli.display.messages import counted, print_table
from linecheck.cli.log.filters import filter_options
from linecheck.cli.statistics.options import Output, output_options, source_options
from linecheck.errors import ExitStatus, UsageError
from linecheck.log import RunFilter
from linecheck.report.render import capability_page
from linecheck.results.wording import number, significant
from linecheck.statistics.capability import Interval
from linecheck.statistics.capability_words import (
    Told,
    apart_text,
    beyond_text,
    counts_text,
    index,
    index_text,
    limits_text,
    name_text,
    told_of,
    verdict_text,
)
from linecheck.statistics.columns import Columns, Place, open_columns
from linecheck.statistics.readings import (
    COLUMNS,
    MOVING_RANGE,
    SUBGROUPS,
    Counted,
    count_units,
    read_metrics,
)


@click.command("capability")
@source_options
@filter_options
@click.option(
    "--metric",
    "metrics",
    metavar="CHECK.METRIC",
    multiple=True,
    help="Only this, also without a mask; repeatable.",
)
@click.option(
    "--against",
    type=click.Choice(("fail", "pass")),
    default="fail",
    help="Hold against the mask that fails units [default], or the one that they pass by.",
)
@click.option(
    "--ppk", "required", type=click.FloatRange(0.1, 10.0), default=1.33, help="The Ppk that is required."
)
@click.option(
    "--within",
    type=click.Choice((MOVING_RANGE, *SUBGROUPS)),
    help="What the spread of Cp and Cpk is within [default: moving range; of many units day].",
)
@click.option("--every-run", is_flag=True, help="Count each run that judges a unit, not each unit once.")
@output_options
def capability_command(
    place: Place,
    wanted: RunFilter,
    metrics: tuple[str, ...],
    against: str,
    required: float,
    within: str | None,
    every_run: bool,
    output: Output,
) -> ExitStatus:
    """Tell whether the process makes units within the masks.

    Each unit counts with the first run that judged it, failed ones too. Pp and Ppk are by the overall spread, Cp and
    Cpk by the spread within; all intervals are at 95 %. A process is capable where the whole interval of Ppk is at
    least what is required, and not where it is below. Readings that are only bounds count as that; curves are held
    by how far they stay from the mask that judged them.

    Exit status: 0 all metrics are capable, 1 one is not, 3 none is not and one cannot be told.
    """
    needed = [*COLUMNS, *(name for name in SUBGROUPS if name == within != "day")]
    with open_columns(place, wanted, columns=needed) as columns:
        limits = limits_of(columns)
        units = count_units(columns, limits, every_run=every_run)
        of_pass = against == "pass"
        found = read_metrics(columns, limits, units.units, within=within, of_pass=of_pass, wanted=metrics)
        source = columns.source
    told = [told_of(item, of_pass, required) for item in found]
    output.write_csv(_HEADINGS, map(_csv_row, told))
    if output.page is not None:
        output.write_page(capability_page(units, told, required, source, every_run=every_run))
    if output.as_json:
        output.print_json(_plain(units, told, required, source))
    else:
        print_counted(units, source)
        if told:
            _print(told, required)
    verdicts = Counter(item.capability.verdict for item in told if item.is_judged)
    if verdicts["not capable"]:
        return ExitStatus.FAIL
    return ExitStatus.PASS if verdicts["capable"] and not verdicts["cannot be told"] else ExitStatus.INVALID


def limits_of(columns: Columns) -> Any:  # noqa: ANN401 - LimitFile, imported where used
    """Return the limit file that is meant.

    Raises
    ------
    UsageError
        There is none.
    """
    if columns.limit_file is None:
        what = "no run is picked" if not columns.runs else "the limit file of these runs is not kept here"
        raise UsageError(
            f"{what}: pick others, or give --limits FILE"
            if not columns.runs
            else f"{what}: give --limits FILE"
        )
    return columns.limit_file


def print_counted(units: Counted, source: str) -> None:
    """Print which units count, and what does not."""
    if not units.units:
        click.echo(f"no unit was judged in {source}")
        return
    revisions = ", ".join(map(str, units.revisions))
    by = f", judged by revision {revisions}" if revisions else ""
    click.echo(f"{counted(units.units, 'unit')}, {units.since} to {units.until}{by}: {source}")
    apart = (
        (units.unjudged, "that judges nothing (invalid, aborted)", "that judge nothing (invalid, aborted)"),
        (units.again, "that judges a unit again", "that judge units again"),
        (units.others, "of another model", "of other models"),
    )
    texts = [f"{counted(runs, 'run')} {one if runs == 1 else many}" for runs, one, many in apart if runs]
    if texts:
        click.echo(f"  not in these figures: {', '.join(texts)}")


def _print(told: Sequence[Told], required: float) -> None:
    if counts := counts_text(told):
        click.echo(f"  a Ppk of {required:g} is required: {counts}")
    click.echo("")
    headings = (
        "metric",
        "units",
        "mean",
        "spread",
        "limits",
        "Pp",
        "Ppk",
        "at 95 %",
        "Cpk",
        "beyond",
        "verdict",
    )
    print_table(headings, map(_cells, told), (1, 2, 3, 5, 6, 8))
    for heading, lines in (
        ("not normal", _not_normal(told)),
        ("cannot be told", _untold(told)),
        ("not all measured", _missing(told)),
    ):
        shown = list(lines)
        if shown:
            click.echo(f"\n{heading}:")
            for line in shown:
                click.echo(f"  {line}")
    by = {item.readings.within.by for item in told if item.readings.within and item.capability.cpk}
    if by:
        click.echo(f"\nPpk by the overall spread, Cpk by the spread within: {', '.join(sorted(by))}")
    if any(item.readings.is_curve for item in told):
        click.echo("a curve counts by how far its worst point stays within the mask that judged it")


def _cells(item: Told) -> tuple[str, ...]:
    of, readings = item.capability, item.readings
    return (
        name_text(readings),
        str(of.units),
        "–" if of.mean is None else significant(of.mean.value, 5),
        "–" if of.spread is None else number(of.spread.value, readings.unit, 3),
        limits_text(item.tolerance),
        index_text(of.pp),
        index_text(of.ppk),
        "–" if of.ppk is None else f"{index(of.ppk.low)} to {index(of.ppk.high)}",
        index_text(of.cpk),
        "–" if of.beyond is None else beyond_text(of.beyond),
        verdict_text(item),
    )


def _not_normal(told: Sequence[Told]) -> Iterator[str]:
    for item in told:
        if item.capability.method in ("skewed", "percentiles"):
            yield f"{name_text(item.readings)}: {item.capability.why}"


def _untold(told: Sequence[Told]) -> Iterator[str]:
    for item in told:
        if item.is_judged and item.capability.ppk is None:
            found = counted(item.capability.found_beyond, "unit")
            yield f"{name_text(item.readings)}: {item.capability.why}; {found} beyond the limits"


def _missing(told: Sequence[Told]) -> Iterator[str]:
    for item in told:
        if text := apart_text(item):
            yield f"{name_text(item.readings)}: {text}"


_INDICES: Final = ("mean", "spread", "pp", "ppk", "cp", "cpk", "beyond")
_HEADINGS: Final = (
    "check", "metric", "channel", "unit", "units", "missing", "void", "bounds", "lower", "upper", "method",
    *(f"{name}{part}" for name in _INDICES for part in ("", "_low", "_high")), "found_beyond", "verdict",
)  # fmt: skip


def _csv_row(item: Told) -> list[Any]:
    row = plain(item)
    flat = {name: value for name, value in row.items() if name not in _INDICES}
    for name in _INDICES:
        one = row[name] or {}
        flat |= {
            f"{name}{part}": one.get(key) for part, key in (("", "value"), ("_low", "low"), ("_high", "high"))
        }
    return [flat[name] for name in _HEADINGS]


def plain(item: Told) -> dict[str, Any]:
    """Return a metric's capability as plain data; what is not finite is None."""
    of, readings = item.capability, item.readings
    lower, upper = item.tolerance.limits
    within = readings.within
    return {
        "check": readings.check,
        "metric": readings.metric,
        "channel": readings.channel,
        "unit": readings.unit,
        "is_curve": readings.is_curve,
        "units": of.units,
        "missing": readings.missing,
        "void": readings.void,
        "bounds": of.bounded,
        "lower": lower,
        "upper": upper,
        "method": of.method,
        "why": of.why,
        **{name: _plain_interval(getattr(of, name)) for name in _INDICES},
        "within": None if within is None else {"spread": within.spread, "dof": within.dof, "by": within.by},
        "uncertainty": readings.uncertainty,
        "found_beyond": of.found_beyond,
        "verdict": of.verdict if item.is_judged else None,
    }


def _plain_interval(of: Interval | None) -> dict[str, float | None] | None:
    if of is None:
        return None
    return {name: value if math.isfinite(value) else None for name, value in vars(of).items()}


def _plain(units: Counted, told: Sequence[Told], required: float, source: str) -> dict[str, Any]:
    return {
        "source": source,
        **vars(units),
        "required_ppk": required,
        "confidence": 0.95,
        "metrics": [plain(item) for item in told],
    }
