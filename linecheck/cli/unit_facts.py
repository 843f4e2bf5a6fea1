"""The options by which an operator says what is known of a unit and of a run."""

from __future__ import annotations

from typing import Final

import click

from linecheck.cli.options import collected, printable
from linecheck.errors import UsageError
from linecheck.line.unit_trace import Override, UnitFacts
from linecheck.run.facts import FACTS

#: What an operator says of a unit for the record.
_FACTS: Final = {fact.name: fact for fact in FACTS if fact.metavar}


def _made(
    override: str | None = None,
    override_by: str | None = None,
    override_note: str | None = None,
    **said: str | None,
) -> UnitFacts:
    """Return what the options say.

    Raises
    ------
    UsageError
        A text is too long or cannot be printed, or an override lacks its code or its name.
    """
    for name, text in {
        **{_FACTS[name].option: text for name, text in said.items()},
        "--override": override,
        "--override-by": override_by,
        "--override-note": override_note,
    }.items():
        printable(name, text)
    if (override is None) != (override_by is None) or (override is None and override_note is not None):
        raise UsageError("an override takes both --override CODE and --override-by NAME")
    allowed = Override(override, override_by, override_note) if override and override_by else None
    return UnitFacts({name: text for name, text in said.items() if text is not None}, allowed)


_FACT_OPTIONS: Final = {
    name: click.option(
        fact.option,
        metavar=fact.metavar,
        help=fact.help or f"{fact.meaning[0].upper()}{fact.meaning[1:]}, for the record.",
    )
    for name, fact in _FACTS.items()
}
_OVERRIDE_OPTIONS: Final = (
    click.option("--override", metavar="CODE", help="Allow a run that the limit file's retest rules refuse."),
    click.option("--override-by", metavar="NAME", help="Who overrides."),
    click.option("--override-note", metavar="TEXT", help="A note on the override."),
)

#: What an operator knows of a unit; a command gets it as ``facts``. Of a golden or challenge unit that is less.
unit_facts = collected((*_FACT_OPTIONS.values(), *_OVERRIDE_OPTIONS), "facts", _made)
known_unit_facts = collected(tuple(_FACT_OPTIONS[name] for name in ("firmware", "operator")), "facts", _made)
