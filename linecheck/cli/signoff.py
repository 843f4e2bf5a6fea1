"""``linecheck signoff``: record who accepts or rejects what a comparison showed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.cli.log.options import log_options, log_to_add_to
from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.history.comparison.model import Comparison
    from linecheck.log.signoff import Despite, Signature
    from linecheck.log.stored import Head

__all__ = ["UNCHANGED", "command", "echo_recorded"]

_FILE_NAME = "comparison.json"

UNCHANGED = "No verdict was changed: a signature stands beside them, in the log."


@click.command(name="signoff")
@click.argument("comparison", metavar="COMPARISON")
@log_options
@click.option("--by", metavar="NAME", required=True, help="Who signs.")
@click.option("--role", required=True, help="As what they sign: QA engineer, product manager.")
@click.option("--decision", type=click.Choice(("accept", "reject")), required=True, help="What they decide.")
@click.option("--reason", metavar="TEXT", required=True, help="Why.")
def command(
    comparison: str, log: str | None, station: str | None, by: str, role: str, decision: str, reason: str
) -> None:
    """Record who accepts or rejects what COMPARISON showed.

    COMPARISON is the folder that `linecheck compare` has made, or the comparison.json in it. What was compared is
    recorded with its hashes in the log's chain, which `linecheck log verify` verifies. A sign-off never changes a
    verdict. The log is made where there is none.
    """
    from linecheck.log.signoff import signature

    signed = signature(by=by, role=role, decision=decision, reason=reason)
    compared = _loaded(comparison)
    head, against = _signed(log, station, compared, signed)
    echo_recorded(f"sign-off {head.sequence}", head, signed)
    names = ", ".join(f"{side.label} {side.serial}" for side in compared.sides)
    count = len(compared.findings)
    click.echo(f"compared: {_line(names)}; {count} finding{'s' * (count != 1)}; {compared.digest}")
    click.echo(UNCHANGED)
    for side in against:
        click.echo(
            f"linecheck: warning: accepted although side {_line(side.label)} ({_line(side.serial)}) is "
            f"{side.verdict.upper()}: the record says so",
            err=True,
        )


def echo_recorded(what: str, head: Head, signed: Signature) -> None:
    """Say what was recorded, by whom, and the log's new head."""
    click.echo(f"{what}: {signed.decision.upper()} by {signed.by}, {signed.role}")
    click.echo(f"head {head}")


def _loaded(reference: str) -> Comparison:
    from linecheck.history.comparison.file import load_comparison

    path = Path(reference)
    if not reference or "\0" in reference:
        raise UsageError("COMPARISON: is no path; give the folder that `linecheck compare` has made")
    return load_comparison(path / _FILE_NAME if path.is_dir() else path)


def _signed(
    log: str | None, station: str | None, compared: Comparison, signed: Signature
) -> tuple[Head, tuple[Despite, ...]]:
    from linecheck.history.comparison.signing import despite, sign

    with log_to_add_to(log, station) as opened:
        head = sign(opened, compared, signed)
    return head, despite(compared) if signed.decision == "accept" else ()


def _line(text: str) -> str:
    from linecheck.files.text import visible

    return " ".join(visible(text).split())
