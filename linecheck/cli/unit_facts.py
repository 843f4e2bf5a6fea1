"""The options by which an operator says what is known of a unit and of a run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError
from linecheck.line.unit_facts import Override, UnitFacts

__all__ = ["said_facts", "unit_options"]

LONGEST = 100

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

#: Option -> (placeholder, help).
_OPTIONS = {
    "--firmware": ("F", "Firmware of the unit, for the record."),
    "--operator": ("O", "Who runs the test, for the record."),
    "--variant": ("V", "Variant of the model, for the record."),
    "--lot": ("L", "Lot of the unit, for the record."),
    "--work-order": ("W", "Work order, for the record."),
    "--shift": ("S", "Shift, for the record."),
    "--reason": ("CODE", "Why a unit is tested once more; the limit file may say which codes there are."),
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
    for option in _OPTIONS:
        text = said[option.removeprefix("--").replace("-", "_")]
        if text is not None and not (text.isprintable() and 0 < len(text) <= LONGEST):
            raise UsageError(f"{option} must be 1 to {LONGEST} printable characters, got {text[:LONGEST]!a}")
    code, by, note = (said.pop(name) for name in ("override", "override_by", "override_note"))
    if (code is None) != (by is None) or (code is None and note is not None):
        raise UsageError("an override takes both --override CODE and --override-by NAME")
    return UnitFacts(**said, override=None if code is None else Override(code, by, note))
