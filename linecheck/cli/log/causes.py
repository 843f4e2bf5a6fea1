"""``linecheck log causes``: the causes that runs told, against what repairs found."""

from __future__ import annotations

import json
from dataclasses import asdict
from itertools import chain
from typing import Any, Final

import click

from linecheck.causes import prior_odds
from linecheck.cli.display.messages import counted, one_line, print_table
from linecheck.cli.log.filters import filter_options, tell_unknown
from linecheck.cli.options import LogPlace, log_options
from linecheck.history.repairs.counts import AMONG, CauseCounts, Codes, count_causes
from linecheck.history.repairs.odds import COVERED, SHIPPED_UNITS, OwnOdds, own_odds
from linecheck.history.repairs.runs import told_and_found
from linecheck.history.repairs.statement import OTHER
from linecheck.log import RunFilter
from linecheck.run.causes import NONE_OF_THESE

#: So many of the most likely causes are shown, and each that was found.
_MAX_ODDS: Final = 10


@click.command("causes")
@log_options
@filter_options
@click.option("--all-models", is_flag=True, help="Count all models together.")
@click.option(
    "--odds", is_flag=True, help="Also show the odds of the causes by these repairs, with their intervals."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line for each model.")
def causes_command(place: LogPlace, wanted: RunFilter, all_models: bool, odds: bool, as_json: bool) -> None:
    """Count the causes that runs told against what repairs found, each model by itself.

    Counted are runs that did not pass, each by the cause that it told first, and of each run its last repair. What a
    repair found in words is none of the known causes: right is then a run that told that.

    --odds draws the shipped odds towards what was found: the shipped ones count as 50 units, each repair as one more.
    Runs are judged, and causes told, by the shipped odds all the same: the same files give the same result everywhere.
    """
    with place.reader() as opened:
        cases = told_and_found(opened, wanted)
        if not cases:
            tell_unknown(opened, wanted)
    if all_models and cases:
        cases = {", ".join(cases): list(chain.from_iterable(cases.values()))}
    if not cases and not as_json:
        click.echo("no such run in the log says what may be broken")
    for at, (model, some) in enumerate(cases.items()):
        counts = count_causes(some)
        # What was found in words is none of the known causes.
        by_cause = {NONE_OF_THESE if code == OTHER else code: repairs for code, repairs in counts.found}
        own = own_odds(prior_odds(), by_cause) if odds else ()
        if as_json:
            click.echo(json.dumps(_plain(model, counts, own), allow_nan=False))
            continue
        if at:
            click.echo()
        _print_counts(model, counts)
        if own:
            _print_odds(own)


def _plain(model: str, counts: CauseCounts, own: tuple[OwnOdds, ...]) -> dict[str, Any]:
    """Return the counts of a model as plain data."""
    names = ("runs", "repairs", "right_first", "right_among", "untold")
    said = {"model": model, **{name: getattr(counts, name) for name in names}}
    said["told"] = [asdict(entry) for entry in counts.told]
    said["confusion"] = [asdict(field) | {"right": field.right} for field in counts.confusion]
    said["found"] = dict(counts.found)
    return said | ({"shipped_units": SHIPPED_UNITS, "odds": [asdict(each) for each in own]} if own else {})


def _print_counts(model: str, counts: CauseCounts) -> None:
    click.echo(
        f"{one_line(model)}: {counted(counts.runs, 'run')} told causes, {counts.repairs} of them repaired"
    )
    if counts.told:
        rows = [
            (_name(entry.codes), str(entry.runs), _percent(entry.mean_probability)) for entry in counts.told
        ]
        print_table(("told first", "runs", "mean odds"), rows, right=(1, 2))
    if counts.confusion:
        first, among = (_share(right, counts.repairs) for right in (counts.right_first, counts.right_among))
        click.echo(f"right first: {first}; right among the first {AMONG}: {among}")
        fields = [(_name(field.told), field.found, str(field.repairs)) for field in counts.confusion]
        print_table(("told first", "found", "repairs"), fields, right=(2,))
    if counts.untold:
        click.echo(f"{counted(counts.untold, 'repair')} of runs that told nothing")


def _print_odds(own: tuple[OwnOdds, ...]) -> None:
    repairs = sum(entry.found for entry in own)
    click.echo(f"odds from {counted(repairs, 'repair')}; the shipped odds count as {SHIPPED_UNITS:.0f}")
    shown = [entry for at, entry in enumerate(own) if at < _MAX_ODDS or entry.found]
    rows = [
        (
            one_line(entry.code),
            str(entry.found),
            _tenths(entry.shipped),
            _tenths(entry.own),
            f"{100 * entry.low:.1f} to {_tenths(entry.high)}",
        )
        for entry in shown
    ]
    print_table(
        ("cause", "found", "shipped", "own", f"{_percent(COVERED)} interval"), rows, right=(1, 2, 3, 4)
    )
    if len(own) > len(shown):
        click.echo(f"and {len(own) - len(shown)} more causes, none of them found")


def _name(codes: Codes) -> str:
    return " + ".join(codes)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _tenths(share: float) -> str:
    return f"{100 * share:.1f} %"


def _share(right: int, of: int) -> str:
    return f"{right} of {of} ({_percent(right / of)})"
