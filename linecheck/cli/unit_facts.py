"""The options by which an operator says what is known of a unit and of a run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError
from linecheck.line.unit_facts import Override, UnitFacts
from linecheck.run.facts import FACTS

__all__ = ["said_facts", "unit_options"]

MAX_LENGTH = 100

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

#: What an operator says of a unit for the record.
_SAID: Final = tuple(fact for fact in FACTS if fact.metavar)
#: Option -> (placeholder, help).
_OPTIONS: Final = {
    **{
        fact.option: (
            fact.metavar,
            fact.help or f"{fact.meaning[0].upper()}{fact.meaning[1:]}, for the record.",
        )
        for fact in _SAID
    },
    "--override": ("CODE", "Let a run take place that the limit file's retest rules refuse."),
    "--override-by": ("NAME", "Who overrides."),
    "--override-note": ("TEXT", "What there is to say of it."),
}


def unit_options(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the options that say what an operator knows of a unit."""
    for name, (placeholder, text) in reversed(_OPTIONS.items()):
        function = click.option(name, metavar=placeholder, default=None, help=text)(function)
    return function


def said_facts(**said: Any) -> UnitFacts:  # noqa: ANN401 - the options' values
    """Return what the options of :func:`unit_options` say.

    Raises
    ------
    UsageError
        A text is too long or cannot be printed, or an override lacks its code or its name.
    """
    said = dict.fromkeys(map(_parameter, _OPTIONS)) | said
    for option in _OPTIONS:
        text = said[_parameter(option)]
        if text is not None and not (text.isprintable() and 0 < len(text) <= MAX_LENGTH):
            raise UsageError(
                f"{option} must be 1 to {MAX_LENGTH} printable characters, got {text[:MAX_LENGTH]!a}"
            )
    code, by, note = (said[name] for name in ("override", "override_by", "override_note"))
    if (code is None) != (by is None) or (code is None and note is not None):
        raise UsageError("an override takes both --override CODE and --override-by NAME")
    facts = {fact.name: said[fact.name] for fact in _SAID if said[fact.name] is not None}
    return UnitFacts(facts, None if code is None else Override(code, by, note))


def _parameter(option: str) -> str:
    return option.removeprefix("--").replace("-", "_")
