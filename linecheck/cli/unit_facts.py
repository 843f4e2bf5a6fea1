"""What an operator says of a unit and of a run, and the options that say it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError
from linecheck.run.facts import FACTS

__all__ = ["Override", "UnitFacts", "said_facts", "unit_options"]

LONGEST = 100

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


@dataclass(frozen=True)
class Override:
    """Somebody's leave to run a test against a rule."""

    code: str
    by: str
    note: str | None = None


@dataclass(frozen=True)
class UnitFacts:
    """What is said of a unit before it is tested: facts by their names, and who lets it be tested against a rule."""

    said: Mapping[str, str] = field(default_factory=dict)
    override: Override | None = None

    @property
    def firmware(self) -> str | None:
        """The firmware that is expected of it."""
        return self.said.get("firmware")

    @property
    def reason(self) -> str | None:
        """Why it is tested once more."""
        return self.said.get("reason")

    def with_reason(self, reason: str | None) -> UnitFacts:
        """Return the same with another reason, or with none."""
        others = {name: text for name, text in self.said.items() if name != "reason"}
        return replace(self, said=others if reason is None else others | {"reason": reason})


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
        if text is not None and not (text.isprintable() and 0 < len(text) <= LONGEST):
            raise UsageError(f"{option} must be 1 to {LONGEST} printable characters, got {text[:LONGEST]!a}")
    code, by, note = (said[name] for name in ("override", "override_by", "override_note"))
    if (code is None) != (by is None) or (code is None and note is not None):
        raise UsageError("an override takes both --override CODE and --override-by NAME")
    facts = {fact.name: said[fact.name] for fact in _SAID if said[fact.name] is not None}
    return UnitFacts(facts, None if code is None else Override(code, by, note))


def _parameter(option: str) -> str:
    return option.removeprefix("--").replace("-", "_")
