"""``linecheck statistics drift``: whether the product has moved, a station, a nest, or a golden unit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from typing import Any

import click

from linecheck.cli.display.messages import counted, one_line, print_table
from linecheck.cli.log.filters import filter_options_of_all, short_name
from linecheck.cli.statistics.options import Output, output_options, source_options
from linecheck.errors import UsageError
from linecheck.files.text import listed, visible
from linecheck.log import RunFilter
from linecheck.report.figures.words import plain_number
from linecheck.statistics.charts.stated import MAX_BOUNDS
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.drift import FAR_SIGMAS, PRIOR_NOTHING, TOLD_FROM, Hypothesis, Weighed, weigh
from linecheck.statistics.drift_runs import drift_runs
from linecheck.statistics.series import COLUMNS, Series, metric_named, series_of


@click.command("drift")
@click.argument("metric", metavar="CHECK.METRIC")
@click.option("--channel", callback=short_name, help="Which channel; needless where there is but one.")
@source_options
@filter_options_of_all
@click.option(
    "--worn",
    multiple=True,
    metavar="ASSET",
    callback=short_name,
    help="An asset whose contacts wear, by its id; each of its runs is a mating cycle. Repeatable.",
)
@output_options
def drift_command(
    metric: str, channel: str | None, place: Place, wanted: RunFilter, worn: tuple[str, ...], output: Output
) -> None:
    """Tell what has moved in CHECK.METRIC: the product, one station, one nest, or a golden unit.

    Golden units, and other stations on the same product, tell a station from the product; without either it cannot be
    told which of the two has moved. All picked stations must test the same product.

    Exit status: 0 no move is shown, 1 it is told what has moved, 3 it cannot be told.
    """
    name = metric_named(metric, channel)
    with open_columns(place, replace(wanted, purpose=None), columns=COLUMNS) as columns:
        series = series_of(columns, name)
        model = series.only("model", "models", "--model")
        cycles = [columns.with_asset(asset) for asset in worn]
    for asset, used in zip(worn, cycles, strict=True):
        if not used:
            raise UsageError(f"--worn {visible(asset)}: no run here has that asset")
    runs, kept, apart = drift_runs(series, cycles)
    found = weigh(runs)
    if series.bounds > MAX_BOUNDS * len(series):
        told = f"{series.bounds} of {len(series)} runs have a bound only, and may lie anywhere beyond it"
        found = replace(found, hypotheses=(), why_not=f"it cannot be told: {told}")
    since = {
        each: str(series.moment[kept[each.since]])[:16].replace("T", " ")
        for each in found.hypotheses
        if len(kept)
    }
    output.write_csv(_HEADINGS, (_row(each, since) for each in found.hypotheses))
    if output.page is not None:
        from linecheck.report.render import drift_page

        facts = list(_facts(found, series, runs.stations, runs.goldens, apart))
        title = f"Drift of {series.name.words} of {model}"
        output.write_page(
            drift_page(title, answer(found, series.unit, since), facts, _table(found, series.unit, since))
        )
    if output.as_json:
        output.print_json(_plain(found, series, since))
    else:
        click.echo(one_line(f"drift of {series.name.words} of {model}"))
        click.echo(one_line(answer(found, series.unit, since)))
        if found.hypotheses:
            click.echo("")
            print_table(_SHOWN, _table(found, series.unit, since), (1, 2, 3))
        for told, text in _facts(found, series, runs.stations, runs.goldens, apart):
            click.echo(f"  {one_line(f'{told}: {text}')}")
    if found.told is None or found.told.suspects[0].what != "nothing":
        status = 1 if found.told is not None else 0 if shows_nothing(found) else 3
        raise click.exceptions.Exit(status)


def shows_nothing(found: Weighed) -> bool:
    """Return whether no move is more probable than one."""
    return bool(found.hypotheses) and found.moved < PRIOR_NOTHING


def answer(found: Weighed, unit: str, since: dict[Hypothesis, str]) -> str:
    """Return what the runs say, in one sentence."""
    if found.why_not:
        return f"✖ {found.why_not}"
    if shows_nothing(found):
        return f"● no move is shown: with {_chance(found.moved)} something has moved"
    told, first = found.told, next(each for each in found.hypotheses if each.suspects[0].what != "nothing")
    if told is not None:
        how = ", little by little," if told.gradual else ""
        worn = ", with the mating cycles of its contacts" if told.worn >= TOLD_FROM else ""
        return (
            f"▲ {told.words} has moved{how} by {_size(told, unit)} since {since[told]} UTC{worn}: "
            f"{_chance(told.probability)}"
        )
    if len(first.suspects) > 1 and first.probability >= TOLD_FROM:
        lacks = "neither golden units nor other stations on the same product are among these runs"
        return (
            f"✖ something has moved by {_size(first, unit)} since {since[first]} UTC ({_chance(first.probability)}); "
            f"whether it is {first.words} cannot be told: {lacks}"
        )
    with_golden = f" and {counted(found.golden_runs, 'run')} of golden units" if found.golden_runs else ""
    return (
        f"✖ it cannot be told with {counted(found.units, 'unit')}{with_golden}: with {_chance(found.moved)} something "
        f"has moved, most probably {first.words}"
    )


_SHOWN = ("what may have moved", "probability", "by", "± (k = 1)", "since (UTC)", "how")


def _table(found: Weighed, unit: str, since: dict[Hypothesis, str]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for each in found.hypotheses:
        if each.suspects[0].what == "nothing":
            rows.append((each.words, _share(each.probability), "", "", "", ""))
            continue
        how = "wear" if each.worn > 0.5 else "little by little" if each.gradual else "at once"
        size, uncertainty = (plain_number(value, 3) for value in (each.size, each.uncertainty))
        rows.append((each.words, _share(each.probability), f"{size} {unit}", uncertainty, since[each], how))
    return rows


def _facts(
    found: Weighed,
    series: Series,
    stations: Sequence[str],
    goldens: Sequence[str],
    apart: Sequence[str],
) -> Iterator[tuple[str, str]]:
    who = (
        f" and {counted(found.golden_runs, 'run')} of {', '.join(goldens)}" if goldens else ", no golden unit"
    )
    yield "from", f"{counted(found.units, 'unit')}{who}, at {', '.join(stations)}"
    spread = [("units", found.sigma), ("golden units", found.golden_sigma)]
    told = [f"{what} {plain_number(value, 3)} {series.unit}" for what, value in spread if value is not None]
    if told:
        follows = f"; each value goes with the next by {found.correlation:.2f}" if found.correlation else ""
        yield "standard deviation in a nest", f"{', '.join(told)}{follows}"
    yield (
        "before anything was seen",
        f"{PRIOR_NOTHING:g} that nothing has moved, the rest shared alike by product, stations, nests and golden "
        "units; a move is of one standard deviation of the units",
    )
    yield "taken for granted", "at most one of them has moved, and has stayed where it went"
    if apart:
        yield (
            "lots apart",
            f"{listed(list(map(visible, apart)), 8)} left out: a lot that stands out is no move",
        )
    if found.limited:
        far = (
            f"more than {FAR_SIGMAS:g} standard deviations from what came around them, and count as that far"
        )
        yield "far out", f"{counted(found.limited, 'value')} {far}"
    if series.bounds or series.missing:
        yield (
            "left out",
            f"{series.bounds} with a bound only, {series.missing} not measured: they may lie anywhere",
        )
    if series.backdated:
        yield (
            "clock",
            f"{counted(series.backdated, 'run')} dated before an earlier record: the order of the log holds",
        )


_HEADINGS = ("what", "name", "probability", "by", "uncertainty", "since", "gradual", "wear")


def _row(each: Hypothesis, since: dict[Hypothesis, str]) -> tuple[Any, ...]:
    whats, names = (" or ".join(getattr(one, part) for one in each.suspects) for part in ("what", "name"))
    if each.suspects[0].what == "nothing":
        return whats, names, each.probability, None, None, None, None, None
    return (
        whats,
        names,
        each.probability,
        each.size,
        each.uncertainty,
        since[each],
        int(each.gradual),
        each.worn,
    )


def _plain(found: Weighed, series: Series, since: dict[Hypothesis, str]) -> dict[str, Any]:
    """Return the answer as plain data."""
    told = found.told
    hypotheses = [
        asdict(each) | {"since": None if each.suspects[0].what == "nothing" else since[each]}
        for each in found.hypotheses
    ]
    numbers = ("sigma", "golden_sigma", "correlation", "units", "golden_runs", "limited", "moved")
    return {
        "metric": asdict(series.name),
        "unit": series.unit,
        "told": None if told is None else told.words,
        "answer": answer(found, series.unit, since),
        **{name: getattr(found, name) for name in numbers},
        "bounds": series.bounds,
        "missing": series.missing,
        "hypotheses": hypotheses,
    }


def _size(each: Hypothesis, unit: str) -> str:
    return f"{plain_number(each.size, 3)} ± {plain_number(each.uncertainty, 2)} {unit}".rstrip()


def _share(probability: float) -> str:
    return "> 0.999" if probability > 0.999 else "< 0.001" if probability < 0.001 else f"{probability:.3f}"


def _chance(probability: float) -> str:
    return "a probability above 0.999" if probability > 0.999 else f"a probability of {probability:.3f}"
