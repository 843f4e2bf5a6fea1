"""``linecheck sync``: send a station's log to the central server, and verify it there."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from linecheck.cli.display.messages import tell
from linecheck.cli.log.options import log_location, log_options, log_to_add_to, public_key_options
from linecheck.errors import LinecheckError, RecordError, ServerError, UsageError, listed
from linecheck.files.text import visible

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from linecheck.log import Log
    from linecheck.log.station_key import SignedBy
    from linecheck.log.stored import Head, Verification
    from linecheck.log.sync.local import LocalLog
    from linecheck.log.sync.push import Pushed
    from linecheck.log.sync.target import Target

__all__ = ["command"]


@click.command(name="sync")
@click.option(
    "--to",
    metavar="URL",
    default=None,
    help="postgresql://USER@HOST/DATABASE, without a password. Default: what the station config says.",
)
@log_options
@click.option("--check", is_flag=True, help="Send nothing; verify at the server what is stored there.")
@click.option("--every-chain", is_flag=True, help="With --check: verify every log that is there.")
@public_key_options
@click.option("--prepare", is_flag=True, help="Only make the server's tables, and say what to grant.")
@click.option(
    "--this-is", metavar="STATION", help="State that this log is the right one of two of that name."
)
@click.option("--by", metavar="NAME", help="With --this-is: who states it.")
@click.option("--reason", metavar="TEXT", help="With --this-is: why.")
def command(
    to: str | None,
    log: str | None,
    station: str | None,
    check: bool,
    every_chain: bool,
    signed_by: SignedBy | None,
    prepare: bool,
    this_is: str | None,
    by: str | None,
    reason: str | None,
) -> None:
    """Send what the log has and the server has not, in order; again as often as wanted.

    The log on the station stays the truth, and needs no server. The server is asked what it has; from there on the
    records are verified and sent. Whatever breaks off is continued the next time, and nothing is stored twice. The
    password comes from ~/.pgpass or PGPASSWORD.

    --check computes every hash anew from what is stored at the server.

    Exit status: 0 the server has all of the log, 2 a wrong command, 3 not all could be sent, or something does not
    verify.
    """
    _refuse_odd(check, every_chain, prepare, this_is, by, reason)
    if signed_by is not None and not check:
        raise UsageError("--public-key goes with --check")
    target = _target(to, station)
    location = log_location(log, station)
    exposed = target.exposed(os.environ)
    if exposed is not None:
        tell(exposed)
    if prepare:
        _prepare(target)
    elif check:
        _check(target, None if every_chain else location, signed_by)
    else:
        if this_is is not None:
            _state(target, location, lambda: log_to_add_to(log, station), this_is, str(by), str(reason))
        _send(target, location)


def _refuse_odd(
    check: bool, every_chain: bool, prepare: bool, this_is: str | None, by: str | None, reason: str | None
) -> None:
    if check + prepare + (this_is is not None) > 1:
        raise UsageError("give one of --check, --prepare and --this-is")
    if every_chain and not check:
        raise UsageError("--every-chain goes with --check")
    if (this_is is None) != (by is None and reason is None) or (by is None) != (reason is None):
        raise UsageError("--this-is, --by and --reason go together")
    for name, text, longest in (("--by", by, 80), ("--reason", reason, 2000)):
        if text is not None and not (text.isprintable() and text.strip() and len(text) <= longest):
            raise UsageError(f"{name} must be 1 to {longest} printable characters")


def _target(to: str | None, station: str | None) -> Target:
    from linecheck.log.sync.target import Target

    if to is None and station is not None:
        from linecheck.station.config.load import load_station

        to = load_station(station).config.sync.to
    if to is None:
        raise UsageError(
            "give --to postgresql://USER@HOST/DATABASE, or --station with a config that has [sync] to"
        )
    return Target.parsed(to)


def _prepare(target: Target) -> None:
    from linecheck.log.sync.migrate import GRANTS, migrate
    from linecheck.log.sync.server import connected

    with connected(target) as connection:
        applied = migrate(connection)
    click.echo(f"{target}: {_many(applied, 'migration')} applied, the tables are ready")
    click.echo("A role STATION that only sends needs this, from the owner of the tables:")
    for line in GRANTS:
        click.echo(f"  {line.format(role='STATION')}")


def _send(target: Target, location: str) -> None:
    from linecheck.log.sync.local import LocalLog
    from linecheck.log.sync.push import push

    with LocalLog(location) as log:
        total = log.head().sequence
        try:
            pushed = push(log, target, progress=_progress(total))
        except (ServerError, RecordError) as error:
            raise type(error)(f"{error}. {_unsent(log, target)}") from error
        finally:
            _clear()
        _tell_sent(target, pushed)


def _tell_sent(target: Target, pushed: Pushed) -> None:
    if pushed.again:
        tell(
            f"warning: {target} had acknowledged {_many(pushed.again, 'record')} that it no longer had; they were sent "
            "again. Was it restored from a backup?"
        )
    if pushed.chain is None:
        click.echo(f"{target}: the log has no record yet")
        return
    sent = pushed.runs + pushed.statements
    parts = f"{_many(pushed.runs, 'run')}, {_many(pushed.statements, 'statement')}"
    click.echo(f"{target}: " + (f"{_many(sent, 'record')} sent ({parts})" if sent else "nothing new to send"))
    click.echo(f"the whole log is there: {_many(pushed.head.sequence, 'record')}")
    click.echo(f"head {pushed.head}")
    for rivalry in pushed.namesakes:
        tell(f"warning: {rivalry}")


def _unsent(log: LocalLog, target: Target) -> str:
    try:
        total, there = log.head().sequence, log.acknowledged(target).sequence
    except LinecheckError:
        return "What is not sent stays in the log"
    if there >= total:
        return f"The server had acknowledged the whole log before: {_many(total, 'record')}"
    return f"Not sent: {total - there} of {_many(total, 'record')}; the log keeps them, repeat the command"


def _state(
    target: Target, location: str, opened: Callable[[], Log], station: str, by: str, reason: str
) -> None:
    """State in the log's own chain that it is a station's, given all that the server has of others."""
    from linecheck.log.sync.local import LocalLog
    from linecheck.log.sync.names import STATION_LOG, claim_content
    from linecheck.log.sync.push import push
    from linecheck.log.sync.server import connected

    with LocalLog(location) as local:
        chain = push(local, target).chain
    if chain is None:
        raise UsageError(f"--this-is {visible(station)}: the log has no record yet")
    with connected(target) as connection, connection.begin():
        content = claim_content(connection, chain, station, by, reason)
    with opened() as log:
        head = log.state(STATION_LOG, station, content)
    click.echo(f"record {head.sequence}: this log is that of {visible(station)}, states {visible(by)}")


def _check(target: Target, location: str | None, signed_by: SignedBy | None) -> None:
    from linecheck.log.sync.migrate import versions
    from linecheck.log.sync.server import connected

    with connected(target) as connection:
        with connection.begin():
            empty = not versions(connection)
        if empty:
            raise ServerError(f"{target}: no log was ever sent there: it has no schema linecheck")
        if location is None:
            _check_every(target, connection, signed_by)
        else:
            _check_own(target, location, connection, signed_by)


def _check_own(target: Target, location: str, connection: Connection, signed_by: SignedBy | None) -> None:
    from linecheck.log.sync.local import LocalLog
    from linecheck.log.sync.push import agreed

    with LocalLog(location, only_read=True) as log:
        chain = log.chain()
        if chain is None:
            raise UsageError(f"{visible(str(log.path))}: the log has no record yet")
        found = _verified(connection, chain, signed_by)
        if not found.intact:
            raise RecordError(f"{target}: what is stored there does not verify: {_fault(found)}")
        with connection.begin():
            agreed(log, connection, chain)
        total = log.head().sequence
    _tell_verified(target, found)
    _warn_of_namesakes(connection, chain)
    if found.records < total:
        raise ServerError(
            f"{target}: {total - found.records} of {_many(total, 'record')} are not there: linecheck sync"
        )
    click.echo(f"the whole log is there, and is the same: {_many(total, 'record')}")


def _check_every(target: Target, connection: Connection, signed_by: SignedBy | None) -> None:
    from linecheck.log.sync.stored import chains

    with connection.begin():
        there = chains(connection)
    bad = 0
    for chain in there:
        found = _verified(connection, chain, signed_by)
        if found.intact:
            click.echo(f"log {chain[:12]}: {_many(found.records, 'record')} verified, head {found.head}")
        else:
            bad += 1
            click.echo(f"log {chain[:12]}: DOES NOT VERIFY: {_fault(found)}")
    _warn_of_namesakes(connection, None)
    if bad:
        raise RecordError(f"{target}: {bad} of {_many(len(there), 'log')} do not verify")
    click.echo(f"{target}: {_many(len(there), 'log')} verified")


def _verified(connection: Connection, chain: str, signed_by: SignedBy | None) -> Verification:
    from linecheck.log.sync.check import check_chain

    try:
        return check_chain(connection, chain, _verifying if sys.stderr.isatty() else None, signed_by)
    finally:
        _clear()


def _tell_verified(target: Target, found: Verification) -> None:
    click.echo(
        f"{target}: {_many(found.records, 'record')} verified: none was edited, removed, inserted or moved there"
    )
    click.echo(f"head {found.head}")


def _fault(found: Verification) -> str:
    if found.fault is None:
        return f"{'; '.join(listed(found.beside))} ({_many(found.records, 'record')} as sent)"
    return f"{found.fault} ({_many(found.records, 'record')} before it as sent)"


def _warn_of_namesakes(connection: Connection, chain: str | None) -> None:
    from linecheck.log.sync.names import rivalries

    with connection.begin():
        found = rivalries(connection, chain)
    for rivalry in found:
        tell(f"warning: {rivalry}")


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _progress(total: int) -> Callable[[Head], None] | None:
    def show(head: Head) -> None:
        click.echo(f"\rsent {head.sequence} of {total} records", nl=False, err=True)

    return show if sys.stderr.isatty() else None


def _verifying(record: int) -> None:
    click.echo(f"\rverified {record} records", nl=False, err=True)


def _clear() -> None:
    if sys.stderr.isatty():
        click.echo("\r\033[K", nl=False, err=True)
