"""``linecheck log show``: a unit's attempts, with all that their records say and what changed between them."""

from __future__ import annotations

from collections.abc import Iterator

import click

from linecheck.cli.display.messages import one_line, print_table, short_time, tell
from linecheck.cli.display.result import MAX_BESIDE_A_CAUSE
from linecheck.cli.log.filters import short_name
from linecheck.cli.options import LogPlace, limit_option, log_options
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.gates.chart_signals import CHART_SIGNAL, signal_words
from linecheck.history.attempts import AttemptChanges, Moved, attempt_changes
from linecheck.history.repairs.statement import REPAIR, repair_from
from linecheck.limits.verdict import JudgedCurve, JudgedReading
from linecheck.log import LogReader, Statement
from linecheck.log.outbox import HANDED_OVER
from linecheck.report.run_facts import THINNED, closing_groups
from linecheck.results.wording import findings, number, signed
from linecheck.run.causes import causes_of
from linecheck.run.facts import FACTS, fact_texts
from linecheck.run.model import Run
from linecheck.run.settle import listed_problems

#: So many changes of a sort are printed, the rest counted.
_MAX_CHANGES = 12
_HEADINGS = ("check", "metric", "channel", "value", "unit", "± (k = 1)", "verdict", "limit")


@click.command("show")
@click.argument("unit", metavar="SERIAL|RUN", callback=short_name)
@log_options
@click.option("--model", callback=short_name, help="Only this model.")
@limit_option("Show at most this many attempts.", 10)
@click.option("--brief", is_flag=True, help="Only what failed and what changed.")
def show_command(place: LogPlace, unit: str, model: str | None, limit: int, brief: bool) -> None:
    """Show every attempt of a unit, newest first, or one run.

    SERIAL is a serial number, RUN a run's id, the first 8 characters of it, or its number in the log. Shown are what
    failed, what changed since the attempt before, who overrode or signed what and why, every reading, and all else that
    the record says.
    """
    with place.reader() as opened:
        found = opened.attempts_of(unit, model, limit=limit + 1) or [opened.find(unit, model)]
        _print_attempts(opened, found[:limit], brief)
    if len(found) > limit:
        tell(f"there are earlier attempts: --limit {2 * limit} shows more")


def _print_attempts(opened: LogReader, sequences: list[int], brief: bool) -> None:
    """Print some attempts, each with what changed since the one before."""
    known: dict[int, Run] = {}
    for at, sequence in enumerate(sequences):
        record = known[sequence] if sequence in known else opened.record(sequence)
        earlier = opened.attempts_of(record.serial, record.model, before=sequence, limit=1)
        known = {number: opened.record(number) for number in earlier}
        if at:
            click.echo()
        _print_record(record, brief)
        for before in known.values():
            _print_changes(before, record, attempt_changes(before, record))
        with opened.understood():
            said = [_stated(statement) for statement in opened.statements_about(record.run_id)]
        for line in said:
            click.echo(f"  {one_line(line)}")
        if not brief:
            _print_readings(record)
            _print_facts(record)


def _print_record(record: Run, brief: bool) -> None:
    """Print what a run came to, and what is to be known first."""
    place = record.logged
    click.echo(
        f"{visible(record.serial)}  attempt {place.attempt}: {record.state.upper()}  (record {place.sequence})"
    )
    facts = {
        "finished": f"{short_time(utc_text(record.finished))}",
        "model": record.model,
        **{
            name: text
            for fact in FACTS
            if fact.listed and fact.compared
            for name, text in fact_texts(fact, record).items()
        },
        "limits": f"{record.limits.path} revision {record.limits.revision}",
    }
    click.echo("  " + ", ".join(f"{name} {one_line(value)}" for name, value in facts.items()))
    if place.curves_thinned:
        click.echo(f"  curves: {THINNED}")
    if record.reason:
        click.echo(f"  retest reason: {one_line(record.reason)}")
    if record.override:
        said = ", ".join(
            f"{one_line(name)} {one_line(str(value))}" for name, value in record.override.items()
        )
        click.echo(f"  override: {said}")
    for step in () if brief else record.settings:
        made = "" if step.done else ": not made"
        click.echo(
            f"  set for {one_line(step.before)}: {one_line(step.setting)} {one_line(step.value)} ({step.how}){made}"
        )
    _print_causes(record, brief)


def _print_causes(record: Run, brief: bool) -> None:
    """Print why a run may not have passed, as was told then, and what was found; little where a cause explains it."""
    causes = causes_of(record)
    for line in () if causes is None else causes.lines:
        click.echo(f"  {one_line(line)}")
    found = findings(record.checks, record.missing, record.problems, once=True)
    is_explained = causes is not None and causes.is_likely and not brief
    told = found[:MAX_BESIDE_A_CAUSE] if is_explained else found
    for finding in told:
        click.echo(f"  - {one_line(finding)}")
    if len(found) > len(told):
        click.echo(f"  - and {len(found) - len(told)} more, in the tables below")


def _print_changes(before: Run, record: Run, changes: AttemptChanges) -> None:
    """Print what changed since the attempt before."""
    place = before.logged
    click.echo(f"  since attempt {place.attempt} ({before.state.upper()}, record {place.sequence}):")
    flips = [f"{flip.name}: {_verdict(flip.before)} → {_verdict(flip.after)}" for flip in changes.flips]
    facts = [f"{fact.name}: {fact.before or 'none'} → {fact.after or 'none'}" for fact in changes.facts]
    _print_some("verdict changed", flips, "")
    all_of_it = f" (linecheck compare {place.sequence} {record.logged.sequence} shows all)"
    _print_some("moved", [_moved(item) for item in changes.moved], all_of_it)
    if changes.why:
        click.echo("    moved: unknown, nothing comparable was measured")
    elif not changes.moved:
        click.echo(f"    moved: none of {changes.compared} comparable values")
    _print_some("other", facts, "")
    if not facts:
        click.echo("    other: none; same limits, firmware, station and assets")


def _print_some(what: str, lines: list[str], all_of_it: str) -> None:
    for line in lines[:_MAX_CHANGES]:
        click.echo(f"    {what}: {one_line(line)}")
    if len(lines) > _MAX_CHANGES:
        click.echo(f"    {what}: and {len(lines) - _MAX_CHANGES} more{all_of_it}")


def _moved(item: Moved) -> str:

    place = "" if item.x is None else f" at {number(item.x, item.x_unit)}"
    known = "" if item.uncertainty is None else f" ± {number(item.uncertainty, '', 2)}"
    towards = f", {item.towards}" if item.towards else ""
    return (
        f"{item.subject}{place} {number(item.before, '')} → {number(item.after, item.unit)} "
        f"({signed(item.after - item.before, '', 3)}{known}{towards})"
    )


def _verdict(verdict: str | None) -> str:
    return "not judged" if verdict is None else verdict.upper()


def _stated(statement: Statement) -> str:
    """Return what somebody, or the station, has said of a run, in one line."""
    content = statement.content
    when = f"{short_time(statement.recorded)}, record {statement.sequence}"
    if statement.kind in ("signoff", "countersignature"):
        word = "signed" if statement.kind == "signoff" else "countersigned"
        who = f"{content.get('by')}, {content.get('role')}"
        return f"{word}: {str(content.get('decision')).upper()} by {who}: {content.get('reason')} ({when})"
    if statement.kind == REPAIR:
        return f"repaired: {repair_from(content)} ({when})"
    if statement.kind == HANDED_OVER:
        tries = f" at try {content.get('tries')}" if content.get("tries") != 1 else ""
        answer = f": {content.get('answer')}" if content.get("answer") else ""
        return f"handed over to {content.get('command')}{tries}{answer} ({when})"
    if statement.kind == CHART_SIGNAL:
        return f"{signal_words(content)} ({when})"
    told = ", ".join(
        f"{name} {value}"
        for name, value in content.items()
        if isinstance(value, str | int) and name != "software"
    )
    return f"stated: {statement.kind.replace('_', ' ')}: {told} ({when})"


def _print_readings(record: Run) -> None:
    rows = [_judged_row(check.check, item) for check in record.checks for item in check.judged.readings]
    rows += [_judged_row(check.check, item) for check in record.checks for item in check.judged.curves]
    if rows:
        print_table((*_HEADINGS, "margin", "fails at"), rows, right=(3, 5, 7, 8, 9))


def _judged_row(check: str, item: JudgedReading | JudgedCurve) -> tuple[str, ...]:

    place, bound, uncertainty = "", "", None
    if isinstance(item, JudgedReading):
        value, uncertainty = item.reading.value, item.reading.uncertainty
        bound = " or better" * item.reading.is_bound
    else:
        value = item.worst_y
        place = "" if item.worst_x is None else f" at {number(item.worst_x, item.curve.x_unit)}"
    what = item.measured
    sign = {"min": "≥ ", "max": "≤ "}.get(item.side or "", "")
    return (
        check,
        what.metric + place,
        what.channel or "–",
        number(value, "") + bound,
        what.unit,
        number(uncertainty, "", 2),
        "–" if item.verdict is None else item.verdict.upper(),
        "–" if item.limit is None else sign + number(item.limit, ""),
        number(item.margin, "", 3),
        number(item.fail_limit, ""),
    )


def _print_facts(record: Run) -> None:
    """Print all else that the record says."""
    for group in closing_groups(record):
        if group.facts:
            told = "; ".join(f"{one_line(fact.name)} {one_line(fact.value)}" for fact in group.facts)
            click.echo(f"  {group.title}: {told}")
    for line in _more_facts(record):
        click.echo(f"  {one_line(line)}")


def _more_facts(record: Run) -> Iterator[str]:
    """Yield what a page of a run leaves out."""
    yield f"Recorded: {short_time(record.logged.recorded)}"
    for fact in FACTS:
        texts = {} if fact.page or fact.name == "causes" else fact_texts(fact, record, bare=True)
        if fact.kind in ("text", "hash", "flag"):
            yield from (f"{name}: {text}" for name, text in texts.items())
        elif texts:
            yield f"{fact.name}: {', '.join(f'{name} {texts[name]}' for name in sorted(texts))}"
    for where, problem in listed_problems(record.checks, record.missing, record.problems):
        of = " ".join(part for part in (where, problem.channel) if part) or "the whole run"
        concerns = f"explains {', '.join(problem.metrics)}" if problem.metrics else "a note"
        means = "makes readings void" if problem.blocks else concerns
        yield f"Problem of {of} ({problem.code}, {means}): {problem.message}"
    for check in record.checks:
        hashes = {"stimulus": check.stimulus_sha256, "capture": check.capture_sha256}
        said = "; ".join(f"{what} SHA-256 {digest}" for what, digest in hashes.items() if digest)
        yield f"{check.check}: {said or 'no hash was recorded'}"
