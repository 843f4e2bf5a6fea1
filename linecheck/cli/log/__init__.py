"""``linecheck log``: list, show, export and verify what is in a station's log."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.cli.display.tables import print_table
from linecheck.cli.lazy import LazyGroup
from linecheck.cli.log.options import log_options, opened_log, public_key_options, short_time
from linecheck.errors import RecordError, UsageError, listed
from linecheck.files.text import visible

if TYPE_CHECKING:
    from linecheck.log import Head, Signoff, Verification
    from linecheck.log.station_key import SignedBy

__all__ = ["command"]

_HEAD = re.compile(r"([0-9]{1,18}):([0-9a-f]{64})")


#: command -> (place in this package, one-line help)
_COMMANDS = {
    "assets": ("assets:assets_command", "List the things that runs rest on: interfaces, cables, adapters."),
    "export": ("export:export_command", "Write runs, or what they measured, as a table for other programs."),
    "files": ("files:files_command", "Write the result files of runs anew from their records."),
    "list": ("list:list_command", "List the runs in the log, the newest first."),
    "rejudge": ("rejudge:rejudge_command", "Say what stored runs would come to by another limit file."),
    "show": ("show:show_command", "Show every attempt of a unit, the newest first, or one run."),
    "used": ("assets:used_command", "List the runs that were judged with a cable, an interface or the like."),
}


@click.group(
    name="log",
    cls=LazyGroup,
    lazy={name: (f"{__name__}.{place}", text) for name, (place, text) in _COMMANDS.items()},
)
def command() -> None:
    """List, show, export and verify what is in a station's log."""


@command.command("signoffs")
@log_options
@click.option(
    "--limit", type=click.IntRange(1, 100_000), default=20, show_default=True, help="At most so many."
)
@click.option(
    "--before", type=click.IntRange(1), default=None, help="Only records before this one: the next page."
)
def signoffs_command(log: str | None, station: str | None, limit: int, before: int | None) -> None:
    """List the sign-offs in the log and who countersigned them, the newest first."""
    with opened_log(log, station) as opened:
        found = opened.signoffs(limit=limit, before=before)
    if not found:
        click.echo("no sign-off is in the log")
        return
    headings = ("record", "signed (UTC)", "decision", "by", "reason", "compared", "countersigned by")
    print_table(headings, [_signoff_row(signoff) for signoff in found], right=(0,))


@command.command("verify")
@log_options
@click.option(
    "--head", metavar="SEQ:HASH", default=None, help="A head noted earlier, as `log head` printed it."
)
@public_key_options
def verify_command(
    log: str | None, station: str | None, head: str | None, signed_by: SignedBy | None
) -> None:
    """Find out whether the log is as it was written; exit status 3 where it is not.

    Shows records that were edited, removed, inserted or moved, guards and indexes that are not as linecheck makes them,
    lists that leave records out, and damage of the file. Whoever may write to the file can write all of it anew, which
    shows against a head that was noted elsewhere, as do records cut off at its end, and against the public key of a
    station that signs its records. The log is tamper-evident: changes show, they are not prevented.
    """
    expected = None if head is None else _parsed_head(head)
    with opened_log(log, station) as opened:
        found = opened.verify(expected, _progress if sys.stderr.isatty() else None, signed_by)
        if sys.stderr.isatty():
            click.echo("\r\033[K", nl=False, err=True)
        if not found.intact:
            raise RecordError("\n".join(f"{_shown(opened.path)}: {line}" for line in _wrong(found)))
    click.echo(f"{found.records} records verified: none was edited, removed, inserted or moved")
    click.echo(f"head {found.head}")
    if signed_by is not None:
        click.echo(f"signatures verified: records {signed_by.first} to {found.head.sequence}")
    elif found.signed:
        click.echo(f"signed are {found.signed} of them: --public-key verifies the signatures")
    if expected is None:
        click.echo("no head was given: records cut off at the end show only against one (linecheck log head)")
    if expected is None and signed_by is None:
        click.echo(
            "nor was a public key: a log that was written anew from end to end shows only against one of them"
        )


@command.command("head")
@log_options
def head_command(log: str | None, station: str | None) -> None:
    """Print the last record's number and hash, to be noted where nobody who could change the log could change it too.

    A shift report on paper, another machine, a signed mail: `linecheck log verify --head` holds the log against it,
    which shows what the chain of records cannot show by itself: that records were cut off at the end, or that all of it
    was written anew. The log is tamper-evident: changes show, they are not prevented.
    """
    with opened_log(log, station) as opened:
        click.echo(str(opened.head()))
    if sys.stdout.isatty():
        click.echo(
            "linecheck: note it elsewhere, for `linecheck log verify --head`: a cut tail shows", err=True
        )


def _parsed_head(text: str) -> Head:
    from linecheck.log import Head

    found = _HEAD.fullmatch(text.strip().lower())
    if found is None:
        raise UsageError(
            f"--head: {visible(text[:100])!r} is no head; expected what `linecheck log head` prints"
        )
    return Head(int(found[1]), found[2])


def _wrong(found: Verification) -> Iterator[str]:
    """Yield what is wrong with a log, a line each."""
    if found.fault is not None:
        before = f"the {found.records} before it are" if found.records != 1 else "the one before it is"
        if found.sequence is None:
            before = f"the {found.records} records themselves are"
        yield f"does not verify: {found.fault} ({before} as stored)"
    elif found.beside:
        yield (
            f"does not verify: its {found.records} records are as stored, but what is beside them is not. Keep the "
            "file, find out who changed it, and trust no list or export of it until then"
        )
    yield from listed(found.beside)


def _progress(record: int) -> None:
    click.echo(f"\rverified {record} records", nl=False, err=True)


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


def _shown(path: Path) -> str:
    return visible(str(path))
