"""``linecheck log list`` and ``linecheck log signoffs``: what is in a log, a page at a time."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any, Final

import click

from linecheck.cli.display.messages import print_table, short_time, tell
from linecheck.cli.log.filters import filter_options, tell_unknown
from linecheck.cli.options import LogPlace, before_option, limit_option, log_options
from linecheck.files.times import utc_text
from linecheck.log import LogReader, RunFilter, Signoff
from linecheck.run.causes import causes_of
from linecheck.run.facts import FACTS, PURPOSES
from linecheck.run.model import RunHeader

#: Runs that judged the station are counted up to here.
_MAX_COUNTED = 1000
_MAX_NAMED = 5
#: Facts that have a column also where all runs say the same.
_ALWAYS: Final = ("firmware", "station")


@click.command("list")
@log_options
@filter_options
@limit_option()
@before_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line for each run.")
def list_command(place: LogPlace, wanted: RunFilter, limit: int, before: int | None, as_json: bool) -> None:
    """List the runs in the log, newest first.

    Runs of golden and challenge units, and of gauge studies, are listed with --purpose only. A page that is full ends
    with how to ask for the next; pages stay as they are while a station adds to the log.
    """
    with place.reader() as opened:
        runs = opened.runs(wanted, limit=limit + 1, before=before)
        more, runs = len(runs) > limit, runs[:limit]
        if as_json:
            for run in runs:
                click.echo(json.dumps(_plain(run), allow_nan=False))
        elif runs:
            _print_runs(runs, wanted)
        else:
            click.echo("no such run is in the log")
        if not runs and before is None:
            tell_unknown(opened, wanted)
        _tell(opened, wanted, runs, before, more)


def _plain(run: RunHeader) -> dict[str, Any]:
    """Return what the list says of a run as plain data."""
    record, causes = run.logged, causes_of(run)
    return {
        "sequence": record.sequence,
        "attempt": record.attempt,
        **{name: getattr(run, name) for name in ("run_id", "serial", "model", "verdict")},
        "started": utc_text(run.started),
        "finished": utc_text(run.finished),
        "duration_seconds": run.duration_seconds,
        **{f"limit_{name}": getattr(run.limits, name) for name in ("path", "revision", "sha256")},
        "record_hash": record.record_hash,
        "recorded": record.recorded,
        **{fact.name: getattr(run, fact.name) for fact in FACTS if fact.listed},
        "cause": causes.first.code if causes is not None and causes.stands_out else None,
    }


def _print_runs(runs: tuple[RunHeader, ...], wanted: RunFilter) -> None:
    """Print a table; a fact in which the runs do not differ has no column, but for those that are always looked for."""
    headings = ["record", "finished", "serial", "model", "attempt", "verdict"]
    rows = [_row(run) for run in runs]
    for fact in sorted(FACTS, key=lambda fact: fact.name not in _ALWAYS):
        always = fact.name in _ALWAYS or (fact.name == "purpose" and wanted.purpose is None)
        if always or (fact.picked_by and len({getattr(run, fact.name) for run in runs}) > 1):
            headings.append(fact.label)
            for row, run in zip(rows, runs, strict=True):
                row.append(getattr(run, fact.name) or "–")
    print_table(headings, rows, right=(0, 4))


def _row(run: RunHeader) -> list[str]:
    record = run.logged
    when, verdict = short_time(utc_text(run.finished)), run.state.upper()
    return [str(record.sequence), when, run.serial, run.model, str(record.attempt), verdict]


def _tell(
    opened: LogReader, wanted: RunFilter, runs: tuple[RunHeader, ...], before: int | None, more: bool
) -> None:
    """Say on standard error what is not on the page."""
    if more:
        tell(f"there are more: --before {runs[-1].logged.sequence} lists the next page")
    if before is None:
        _tell_begun([run.serial for run in opened.begun()])
    if wanted.purpose != "unit":
        return
    last = runs[-1].logged.sequence - 1 if more else 0
    others = sum(
        len(opened.sequences(replace(wanted, purpose=purpose), before=before, after=last, limit=_MAX_COUNTED))
        for purpose in PURPOSES
        if purpose != "unit"
    )
    if others:
        count = f"{_MAX_COUNTED} or more" if others >= _MAX_COUNTED else str(others)
        runs_are = "run of a golden or challenge unit, or of a gauge study, is"
        if others > 1:
            runs_are = "runs of golden and challenge units, or of gauge studies, are"
        tell(f"{count} {runs_are} left out: --purpose all lists them")


def _tell_begun(serials: list[str]) -> None:
    """Say which runs no list has yet."""
    if not serials:
        return
    more = f" and {len(serials) - _MAX_NAMED} more" if len(serials) > _MAX_NAMED else ""
    tell(
        f"begun and not recorded yet: {', '.join(serials[:_MAX_NAMED])}{more}. Such a run is under way or was cut off: "
        "the next `linecheck run` at the station then records it as aborted"
    )


@click.command("signoffs")
@log_options
@limit_option()
@before_option
def signoffs_command(place: LogPlace, limit: int, before: int | None) -> None:
    """List the sign-offs in the log and their countersignatures, newest first."""
    with place.reader() as log:
        found = log.signoffs(limit=limit, before=before)
    if not found:
        click.echo("no sign-off is in the log")
        return
    headings = ("record", "signed", "decision", "by", "reason", "compared", "countersigned by")
    print_table(headings, [_signoff_row(signoff) for signoff in found], right=(0,))


def _signoff_row(signoff: Signoff) -> tuple[str, ...]:
    signed = signoff.signature
    against = f" despite {', '.join(f'{side.label}: {side.verdict}' for side in signoff.despite)}"
    sides = (f"{side.label}: {side.serial} ({side.reference})" for side in signoff.comparison.sides)
    others = (
        f"{other.signature.by}, {other.signature.role}: {other.signature.decision}: {other.signature.reason} "
        f"(record {other.sequence})"
        for other in signoff.countersignatures
    )
    return (
        str(signoff.sequence),
        short_time(signoff.recorded),
        signed.decision.upper() + (against if signoff.despite else ""),
        f"{signed.by}, {signed.role}",
        signed.reason,
        f"{', '.join(sides)}; {signoff.comparison.digest[:12]}",
        "; ".join(others) or "–",
    )
