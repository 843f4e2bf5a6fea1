"""``linecheck log verify`` and ``linecheck log head``: whether a log is as it was written."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator

import click

from linecheck.cli.display.messages import overwritten_line, tell
from linecheck.cli.options import LogPlace, log_options, public_key_options
from linecheck.errors import RecordError, UsageError, listed
from linecheck.files.text import visible
from linecheck.log import Head, Verification
from linecheck.log.station_key import SignedBy

_HEAD = re.compile(r"([0-9]{1,18}):([0-9a-f]{64})")


@click.command("verify")
@log_options
@click.option("--head", metavar="SEQ:HASH", help="A head noted earlier, as `log head` printed it.")
@public_key_options
def verify_command(place: LogPlace, head: str | None, signed_by: SignedBy | None) -> None:
    """Verify that the log is as it was written; exit status 3 if not.

    Finds records that were edited, removed, inserted or moved, guards and indexes that are not as linecheck makes them,
    lists that leave records out, and damage to the file. Whoever may write to the file can write all of it anew. That
    shows against a head noted elsewhere, as do records cut off at the end, and against the public key of a station
    that signs its records. The log is tamper-evident: changes show, they are not prevented.
    """
    expected = None if head is None else _parsed_head(head)
    with place.reader() as log, overwritten_line() as show:
        found = log.verify(expected, lambda record: show(f"verified {record} records"), signed_by)
    if not found.intact:
        raise RecordError("\n".join(f"{visible(str(log.path))}: {line}" for line in _wrong(found)))
    click.echo(f"{found.records} records verified: none was edited, removed, inserted or moved")
    click.echo(f"head {found.head}")
    if signed_by is not None:
        click.echo(f"signatures verified: records {signed_by.first} to {found.head.sequence}")
    elif found.signed:
        click.echo(f"{found.signed} of them are signed: --public-key verifies the signatures")
    if expected is None:
        click.echo("no head was given: records cut off at the end show only against one (linecheck log head)")
    if expected is None and signed_by is None:
        click.echo(
            "no public key was given: a log written anew from end to end shows only against a head or a key"
        )


@click.command("head")
@log_options
def head_command(place: LogPlace) -> None:
    """Print the last record's number and hash, to keep where nobody who can change the log can change it.

    A shift report on paper, another machine, a signed mail: `linecheck log verify --head` checks the log against it,
    which shows what the chain of records cannot show by itself: that records were cut off at the end, or that all of it
    was written anew. The log is tamper-evident: changes show, they are not prevented.
    """
    with place.reader() as log:
        click.echo(str(log.head()))
    if sys.stdout.isatty():
        tell("keep it elsewhere, for `linecheck log verify --head`: it shows a cut tail")


def _parsed_head(text: str) -> Head:

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
    elif found.other_faults:
        yield (
            f"does not verify: its {found.records} records are as stored, but what is beside them is not. Keep the "
            "file, find out who changed it, and trust no list or export of it until then"
        )
    yield from listed(found.other_faults)
