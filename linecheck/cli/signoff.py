"""``linecheck signoff`` and ``linecheck countersign``: who accepts or rejects what a comparison showed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from linecheck.cli.display.messages import counted, one_line, tell
from linecheck.cli.options import LogPlace, Option, collected, log_options
from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.log.signoff import Signature
    from linecheck.log.stored import Head

#: Longer numbers are no SQLite integer.
_LARGEST = 10**18 - 1


def _signature(**texts: str) -> Signature:
    from linecheck.log.signoff import signature

    return signature(**texts)


def _signature_options(by: str, decision: Option) -> Option:
    """Return the options of a signature, which a command gets as ``signed``."""
    options = (
        click.option("--by", metavar="NAME", required=True, help=by),
        click.option("--role", required=True, help="Role: QA engineer, product manager."),
        decision,
        click.option("--reason", metavar="TEXT", required=True, help="Why."),
    )
    return collected(options, "signed", _signature)


_DECISIONS = click.Choice(("accept", "reject"))


@click.command(name="signoff")
@click.argument("comparison", metavar="COMPARISON")
@log_options
@_signature_options(
    "Who signs.", click.option("--decision", type=_DECISIONS, required=True, help="The decision.")
)
def command(comparison: str, place: LogPlace, signed: Signature) -> None:
    """Record who accepts or rejects what COMPARISON showed.

    COMPARISON is the folder that `linecheck compare` has written, or the comparison.json in it. What was compared is
    recorded with its hashes in the log's chain, which `linecheck log verify` verifies. A sign-off never changes a
    verdict. A log that does not exist yet is created.
    """
    from linecheck.history.comparison.file import despite, load_comparison, sign

    if not comparison or "\0" in comparison:
        raise UsageError("COMPARISON: is no path; give the folder that `linecheck compare` has written")
    compared = load_comparison(comparison)
    with place.writer() as log:
        head = sign(log, compared, signed)
    names = one_line(", ".join(f"{side.label} {side.serial}" for side in compared.sides))
    findings = counted(len(compared.findings), "finding")
    _echo_recorded(
        f"sign-off {head.sequence}", head, signed, f"compared: {names}; {findings}; {compared.digest}"
    )
    for side in despite(compared) if signed.decision == "accept" else ():
        tell(
            f"warning: accepted although side {one_line(side.label)} ({one_line(side.serial)}) is "
            f"{side.verdict.upper()}: the record says so"
        )


@click.command(name="countersign")
@click.argument("number", metavar="NUMBER", type=click.IntRange(1, _LARGEST))
@log_options
@_signature_options(
    "Who countersigns; not the person who signed.",
    click.option(
        "--decision",
        type=_DECISIONS,
        default="accept",
        help="The decision on what was compared.",
    ),
)
def countersign_command(number: int, place: LogPlace, signed: Signature) -> None:
    """Record a second person's decision on the sign-off NUMBER, as `linecheck log signoffs` lists it.

    The record names the sign-off by its number and its hash. A countersignature never changes a verdict, nor the
    sign-off.
    """
    with place.reader() as reader:
        reader.signoff(number)
    with place.writer() as log:
        head = log.countersign(number, signed)
    _echo_recorded(f"countersignature {head.sequence} of sign-off {number}", head, signed)


def _echo_recorded(what: str, head: Head, signed: Signature, *more: str) -> None:
    """Say what was recorded, by whom, and the log's new head."""
    click.echo(f"{what}: {signed.decision.upper()} by {signed.by}, {signed.role}")
    click.echo(f"head {head}")
    for line in (*more, "No verdict was changed: the signature stands beside them in the log."):
        click.echo(line)
