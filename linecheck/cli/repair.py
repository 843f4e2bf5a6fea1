"""``linecheck repair``: what was found at a unit that did not pass, and what was done about it."""

from __future__ import annotations

import click

from linecheck.causes import cause_codes
from linecheck.cli.display.messages import one_line, print_table, short_time, tell
from linecheck.cli.log.filters import short_name
from linecheck.cli.options import LogPlace, log_options
from linecheck.files.times import utc_text
from linecheck.history.repairs.runs import earlier_repair, run_to_repair, state_repair
from linecheck.history.repairs.statement import repair
from linecheck.log import Statement
from linecheck.run.causes import NONE_OF_THESE, causes_of
from linecheck.run.model import RunHeader


def _list_causes(context: click.Context, _: click.Parameter, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        listed = {code: text for code, text in cause_codes().items() if code != NONE_OF_THESE}
        print_table(("cause", "meaning"), listed.items(), right=())
        context.exit()


@click.command(name="repair")
@click.argument("serial", callback=short_name)
@log_options
@click.option(
    "--found",
    metavar="CAUSE|TEXT",
    required=True,
    help="What was found: the code of a cause, or words. Words that are nearly a code are refused, with the code "
    "that may be meant; other:TEXT says that they are words.",
)
@click.option("--done", metavar="TEXT", required=True, help="What was done about it.")
@click.option("--by", metavar="NAME", required=True, help="Who states it.")
@click.option("--model", callback=short_name, help="Model of the unit, where the log has several.")
@click.option(
    "--run",
    "reference",
    metavar="RUN",
    callback=short_name,
    help="Run that it refers to: its id, the first 8 characters of it, or its number in the log "
    "[default: the unit's newest that did not pass and says what may be broken].",
)
@click.option(
    "--causes",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_list_causes,
    help="List the codes of the causes; record nothing.",
)
def command(
    serial: str, place: LogPlace, found: str, done: str, by: str, model: str | None, reference: str | None
) -> None:
    """Record what was found at the unit SERIAL after it did not pass, and what was done.

    It is recorded in the log's chain beside the run, which `linecheck log show` then shows with it; `linecheck log
    causes` counts what was told against what was found. A repair never changes a verdict. Nothing is taken back: a
    later repair of the same run corrects the one before it.
    """
    stated = repair(found=found, done=done, by=by, codes=cause_codes())
    with place.reader() as reader:
        run = run_to_repair(reader, serial, model, reference)
        before = earlier_repair(reader, run)
    with place.writer() as log:
        head = state_repair(log, run, stated)
    click.echo(f"repair {head.sequence}: {one_line(serial)}, {stated}")
    _echo_run(run, before)
    click.echo(f"head {head}")


def _echo_run(run: RunHeader, before: Statement | None) -> None:
    """Say which run it refers to, what that told, and what was stated of it before."""
    when = short_time(utc_text(run.finished))
    click.echo(f"of record {run.logged.sequence}: {run.state.upper()}, {one_line(run.model)}, {when}")
    causes = causes_of(run)
    if causes is not None:
        click.echo(f"told: {one_line(causes.sentence)}")
    if before is not None:
        tell(f"record {before.sequence} stated a repair of that run before: this one corrects it")
