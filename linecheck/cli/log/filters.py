"""The options that say which runs of a log are meant."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, TypeVar

import click

from linecheck.cli.display.messages import tell
from linecheck.cli.options import Option, collected
from linecheck.errors import UsageError
from linecheck.files.faults import did_you_mean
from linecheck.files.times import parsed_time
from linecheck.log import LogReader, RunFilter
from linecheck.run.facts import FACTS, PURPOSES
from linecheck.run.model import Run

_Names = TypeVar("_Names", str | None, tuple[str, ...])

MAX_NAME_LENGTH = 128
VERDICTS: Final = ("pass", "hold", "marginal", "invalid", "fail", "aborted")
#: Names of checks and metrics are taken from so many of the newest runs.
MAX_LOOKED_AT = 20
_PURPOSES: Final = (*PURPOSES, "all")

_PICKED: Final = {fact.picked_by.replace("-", "_"): fact for fact in FACTS if fact.picked_by}
#: Parameter -> what it means.
_EXACT: Final = {
    "serial": "this serial number",
    "model": "this model",
    **{name: f"this {fact.label}" for name, fact in _PICKED.items()},
    "asset": "runs with this asset",
    "cause": "runs that name this cause first, by its code",
}


def short_name(_: click.Context, parameter: click.Parameter, value: _Names) -> _Names:
    """Refuse what is too long to be a name, or one of several."""
    for name in value if isinstance(value, tuple) else (value,):
        if name is not None and not 0 < len(name) <= MAX_NAME_LENGTH:
            raise UsageError(f"{parameter.name}: has {len(name)} characters, expected 1 to {MAX_NAME_LENGTH}")
    return value


def _options(purpose: str) -> list[Option]:
    exact = [
        click.option(f"--{name.replace('_', '-')}", callback=short_name, help=f"Only {meaning}.")
        for name, meaning in _EXACT.items()
    ]
    return [
        *exact,
        click.option("--verdict", type=click.Choice(VERDICTS), multiple=True, help="Only these; repeatable."),
        click.option(
            "--purpose",
            type=click.Choice(_PURPOSES),
            default=purpose,
            help="Purpose of the runs.",
        ),
        click.option("--since", metavar="TIME", help="Recorded at this date or time (UTC) or later."),
        click.option(
            "--until", metavar="TIME", help="Recorded before this time, or by the end of this date (UTC)."
        ),
        click.option(
            "--attempt",
            type=click.Choice(("first", "last")),
            help="Only the first or the last run of each unit.",
        ),
        click.option(
            "--failed",
            metavar="CHECK[.METRIC]",
            multiple=True,
            callback=short_name,
            help="Only runs that failed this check or metric; if repeated, all of them.",
        ),
    ]


def _filter(
    *,
    verdict: tuple[str, ...],
    purpose: str,
    since: str | None,
    until: str | None,
    **others: Any,  # noqa: ANN401 - as the filter has them
) -> RunFilter:

    begin, end = parsed_span(since, until, ("--since", "--until"))
    others["purpose"] = None if purpose == "all" else purpose
    said = {fact.name: others.pop(name) for name, fact in _PICKED.items()}
    facts = {name: value for name, value in said.items() if value is not None}
    return RunFilter(facts=facts, verdicts=tuple(dict.fromkeys(verdict)), since=begin, until=end, **others)


#: The options that pick runs; a command gets them as ``wanted``, a :class:`RunFilter`. The first picks runs of golden
#: and challenge units on request only, the second like any others.
filter_options = collected(_options("unit"), "wanted", _filter)
filter_options_of_all = collected(_options("all"), "wanted", _filter)


def parsed_span(
    since: str | None, until: str | None, names: tuple[str, str]
) -> tuple[str | None, str | None]:
    """Return a span of time that somebody has typed as UTC texts, given the names of both options.

    Raises
    ------
    UsageError
        One of them is no time, or the second is not later than the first.
    """
    begin = None if since is None else parsed_time(since, names[0])
    end = None if until is None else parsed_time(until, names[1], end=True)
    if begin is not None and end is not None and begin >= end:
        raise UsageError(f"{' and '.join(names)}: the second must be later than the first")
    return begin, end


def tell_unknown(opened: LogReader, wanted: RunFilter) -> None:
    """Say on standard error which names of ``--failed`` no run has: called where no run was found."""
    if not wanted.failed:
        return

    newest = opened.runs(RunFilter(model=wanted.model), limit=MAX_LOOKED_AT)
    known = dict.fromkeys(name for run in newest for name in _names_in(opened.record(run.logged.sequence)))
    for name in wanted.failed:
        if known and name not in known:
            check = name.partition(".")[0]
            near = [other for other in known if other.partition(".")[0] == check]
            near = near or [other for other in known if "." not in other]
            hint = did_you_mean(name, near, "there are")
            tell(f"--failed {name}: the newest runs have no such check or metric; {hint}")


def _names_in(run: Run) -> Iterator[str]:
    """Yield what ``--failed`` may name of a run."""
    for check in run.checks:
        metrics = [item.reading.metric for item in check.judged.readings]
        metrics += [item.curve.metric for item in check.judged.curves]
        for name in dict.fromkeys((check.entry, check.check)):
            yield name
            yield from (f"{name}.{metric}" for metric in metrics)
