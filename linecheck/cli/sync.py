"""``linecheck sync``: send a station's log to the central server, and verify it there."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click
from sqlalchemy import Connection

from linecheck.cli.display.messages import counted, overwritten_line, tell
from linecheck.cli.options import LogPlace, collected, log_options, printable, public_key_options
from linecheck.errors import LinecheckError, RecordError, ServerError, UsageError, listed
from linecheck.files.text import visible
from linecheck.log.station_key import SignedBy
from linecheck.log.stored import Verification
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.migrate import GRANTS, migrate, versions
from linecheck.log.sync.names import STATION_LOG, claim_content, name_conflicts
from linecheck.log.sync.target import Target

if TYPE_CHECKING:
    # What needs the server's driver is imported where it is used: not every station has it.
    from linecheck.log.sync.push import Pushed


@dataclass(frozen=True)
class _Claim:
    """Somebody's statement that this log is a station's, and no other of that name."""

    station: str
    by: str
    reason: str


def _claim(this_is: str | None, by: str | None, reason: str | None) -> _Claim | None:
    if this_is is None and by is None and reason is None:
        return None
    if this_is is None or by is None or reason is None:
        raise UsageError("--this-is, --by and --reason go together")
    printable("--by", by, 80)
    printable("--reason", reason, 2000)
    return _Claim(this_is, by, reason)


@click.command(name="sync")
@click.option(
    "--to",
    metavar="URL",
    help="postgresql://USER@HOST/DATABASE, without a password [default: the station config's].",
)
@log_options
@click.option("--check", is_flag=True, help="Send nothing; verify what the server holds.")
@click.option("--every-chain", is_flag=True, help="With --check: verify every log on the server.")
@public_key_options
@click.option(
    "--thin",
    is_flag=True,
    help="Send, then remove at the server the points of curves that `log thin` has stated.",
)
@click.option(
    "--prepare",
    is_flag=True,
    help="Send nothing; create the server's tables, pack what statistics read, and print the grants.",
)
@collected(
    (
        click.option(
            "--this-is",
            metavar="STATION",
            help="State that, of two logs with this name, this is the right one.",
        ),
        click.option("--by", metavar="NAME", help="With --this-is: who states it."),
        click.option("--reason", metavar="TEXT", help="With --this-is: why."),
    ),
    "claim",
    _claim,
)
def command(
    to: str | None,
    place: LogPlace,
    check: bool,
    every_chain: bool,
    signed_by: SignedBy | None,
    thin: bool,
    prepare: bool,
    claim: _Claim | None,
) -> None:
    """Send the records that the server does not have yet, in order; repeat it as often as you like.

    The log on the station remains the original, and needs no server. The server is asked what it has; from there on the
    records are verified and sent. What was interrupted continues the next time, and nothing is stored twice. The
    password comes from ~/.pgpass or PGPASSWORD.

    --check computes every hash again from what is stored on the server.

    Exit status: 0 the server has all of the log, 2 a wrong command, 3 not all could be sent, or something does not
    verify.
    """
    if check + prepare + thin + (claim is not None) > 1:
        raise UsageError("give one of --check, --prepare, --thin and --this-is")
    if every_chain and not check:
        raise UsageError("--every-chain goes with --check")
    if signed_by is not None and not check:
        raise UsageError("--public-key goes with --check")
    target = _target(to, place)
    location = place.path
    exposed = target.exposed(os.environ)
    if exposed is not None:
        tell(exposed)
    if prepare:
        _prepare(target)
    elif check:
        _check(target, None if every_chain else location, signed_by)
    else:
        if claim is not None:
            _state(target, place, claim)
        _send(target, location)
        if thin:
            _thin(target, location)


def _target(to: str | None, place: LogPlace) -> Target:
    config = place.config if to is None else None
    if config is not None:
        to = config.sync.to
    if to is None:
        raise UsageError(
            "give --to postgresql://USER@HOST/DATABASE, or --station with a config that has [sync] to"
        )
    return Target.parsed(to)


def _prepare(target: Target) -> None:
    from linecheck.log.sync.packed import pack_missing
    from linecheck.log.sync.server import connected
    from linecheck.log.sync.stored import chains

    with connected(target) as connection:
        applied = migrate(connection)
        click.echo(f"{target}: {counted(applied, 'migration')} applied, the tables are ready")
        with connection.begin():
            logs = chains(connection)
        with overwritten_line() as show:
            packed = 0
            for chain in logs:
                packed += pack_missing(connection, chain, lambda record: show(f"packed to record {record}"))
    if packed:
        click.echo(f"{counted(packed, 'run')} packed for statistics")
    click.echo("A role STATION that only sends needs this, from the owner of the tables:")
    for line in GRANTS:
        click.echo(f"  {line.format(role='STATION')}")


def _send(target: Target, location: str) -> None:
    from linecheck.log.sync.push import push

    with LocalLog(location) as log:
        total = log.head().sequence
        try:
            with overwritten_line() as show:
                pushed = push(
                    log, target, progress=lambda head: show(f"sent {head.sequence} of {total} records")
                )
        except (ServerError, RecordError) as error:
            raise type(error)(f"{error}. {_unsent(log, target)}") from error
        _tell_sent(target, pushed)


def _thin(target: Target, location: str) -> None:
    """Remove at the server what the log states to go; the role must be allowed to delete from curve_points."""
    from linecheck.log.sync.server import connected
    from linecheck.log.sync.stored import at_server
    from linecheck.log.sync.write import thin_records
    from linecheck.log.thinning import rules_of

    with LocalLog(location, only_read=True) as log:
        chain = log.chain()
    with connected(target) as connection, connection.begin():
        rules = () if chain is None else rules_of(connection, at_server(connection, chain))
        removed = 0 if chain is None else thin_records(connection, chain, rules)
    click.echo(f"{target}: thinned {counted(removed, 'record')}")


def _tell_sent(target: Target, pushed: Pushed) -> None:
    if pushed.again:
        tell(
            f"warning: {target} had acknowledged {counted(pushed.again, 'record')} that it no longer had; they were "
            "sent again. Was it restored from a backup?"
        )
    if pushed.chain is None:
        click.echo(f"{target}: the log has no record yet")
        return
    sent = pushed.runs + pushed.statements
    parts = f"{counted(pushed.runs, 'run')}, {counted(pushed.statements, 'statement')}"
    click.echo(
        f"{target}: " + (f"{counted(sent, 'record')} sent ({parts})" if sent else "nothing new to send")
    )
    click.echo(f"the whole log is there: {counted(pushed.head.sequence, 'record')}")
    click.echo(f"head {pushed.head}")
    for conflict in pushed.namesakes:
        tell(f"warning: {conflict}")


def _unsent(log: LocalLog, target: Target) -> str:
    try:
        total, there = log.head().sequence, log.acknowledged(target).sequence
    except LinecheckError:
        return "What is not sent stays in the log"
    if there >= total:
        return f"The server had acknowledged the whole log before: {counted(total, 'record')}"
    return f"Not sent: {total - there} of {counted(total, 'record')}; the log keeps them, repeat the command"


def _state(target: Target, place: LogPlace, claim: _Claim) -> None:
    """State in the log's own chain that it is a station's, given all that the server has of others."""
    from linecheck.log.sync.push import push
    from linecheck.log.sync.server import connected

    with LocalLog(place.path) as local:
        chain = push(local, target).chain
    name = visible(claim.station)
    if chain is None:
        raise UsageError(f"--this-is {name}: the log has no record yet")
    with connected(target) as connection, connection.begin():
        content = claim_content(connection, chain, claim.station, claim.by, claim.reason)
    with place.writer() as log:
        head = log.state(STATION_LOG, claim.station, content)
    click.echo(f"record {head.sequence}: this log is that of {name}, states {visible(claim.by)}")


def _check(target: Target, location: str | None, signed_by: SignedBy | None) -> None:
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
    click.echo(
        f"{target}: {counted(found.records, 'record')} verified: none was edited, removed, inserted or moved there"
    )
    click.echo(f"head {found.head}")
    _warn_of_namesakes(connection, chain)
    if found.records < total:
        raise ServerError(
            f"{target}: {total - found.records} of {counted(total, 'record')} are not there: linecheck sync"
        )
    click.echo(f"the whole log is there, and is the same: {counted(total, 'record')}")


def _check_every(target: Target, connection: Connection, signed_by: SignedBy | None) -> None:
    from linecheck.log.sync.stored import chains

    with connection.begin():
        there = chains(connection)
    bad = 0
    for chain in there:
        found = _verified(connection, chain, signed_by)
        if found.intact:
            click.echo(f"log {chain[:12]}: {counted(found.records, 'record')} verified, head {found.head}")
        else:
            bad += 1
            click.echo(f"log {chain[:12]}: DOES NOT VERIFY: {_fault(found)}")
    _warn_of_namesakes(connection, None)
    if bad:
        raise RecordError(f"{target}: {bad} of {counted(len(there), 'log')} do not verify")
    click.echo(f"{target}: {counted(len(there), 'log')} verified")


def _verified(connection: Connection, chain: str, signed_by: SignedBy | None) -> Verification:
    from linecheck.log.sync.stored import check_chain

    with overwritten_line() as show:
        return check_chain(connection, chain, lambda record: show(f"verified {record} records"), signed_by)


def _fault(found: Verification) -> str:
    if found.fault is None:
        return f"{'; '.join(listed(found.other_faults))} ({counted(found.records, 'record')} as sent)"
    return f"{found.fault} ({counted(found.records, 'record')} before it as sent)"


def _warn_of_namesakes(connection: Connection, chain: str | None) -> None:
    with connection.begin():
        found = name_conflicts(connection, chain)
    for conflict in found:
        tell(f"warning: {conflict}")
