"""``linecheck countersign``: record a second person's decision on a sign-off."""

from __future__ import annotations

import click

from linecheck.cli.log.options import log_options, log_to_add_to, opened_log
from linecheck.cli.signoff import UNCHANGED, echo_recorded

__all__ = ["command"]

#: Longer numbers are no SQLite integer.
_LARGEST = 10**18 - 1


@click.command(name="countersign")
@click.argument("number", metavar="NUMBER", type=click.IntRange(1, _LARGEST))
@log_options
@click.option("--by", metavar="NAME", required=True, help="Who countersigns: not who signed.")
@click.option("--role", required=True, help="As what they sign: head of QA, product manager.")
@click.option(
    "--decision",
    type=click.Choice(("accept", "reject")),
    default="accept",
    show_default=True,
    help="What they decide about what was compared.",
)
@click.option("--reason", metavar="TEXT", required=True, help="Why.")
def command(
    number: int, log: str | None, station: str | None, by: str, role: str, decision: str, reason: str
) -> None:
    """Record a second person's decision on the sign-off NUMBER, as `linecheck log signoffs` lists it.

    The record names the sign-off by its number and its hash. A countersignature never changes a verdict, nor the
    sign-off.
    """
    from linecheck.log.signoff import signature

    signed = signature(by=by, role=role, decision=decision, reason=reason)
    with opened_log(log, station) as opened:
        opened.signoff(number)
    with log_to_add_to(log, station) as opened_to_add:
        head = opened_to_add.countersign(number, signed)
    echo_recorded(f"countersignature {head.sequence} of sign-off {number}", head, signed)
    click.echo(UNCHANGED)
