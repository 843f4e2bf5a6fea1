"""The options of a run of a unit that is known, by which the station is judged."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

import click

from linecheck.cli.unit_facts import said_facts
from linecheck.line.unit_facts import UnitFacts

__all__ = ["known_facts", "known_unit_options"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


def known_unit_options(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the options of a run of a unit that is known."""
    for option in (
        click.option(
            "--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated unit a fault."
        ),
        click.option("--operator", metavar="O", help="Who runs the test, for the record."),
        click.option("--firmware", metavar="F", help="Firmware of the unit, for the record."),
        click.option("--serial", required=True, metavar="S", help="Serial number of the unit."),
        click.option(
            "--limits", "limits_path", required=True, metavar="FILE", help="Limit file of the model (YAML)."
        ),
        click.option(
            "--station", "station_path", required=True, metavar="FILE", help="Station config (TOML)."
        ),
    ):
        function = option(function)
    return function


def known_facts(firmware: str | None, operator: str | None) -> UnitFacts:
    """Return what the options say of the unit.

    Raises
    ------
    UsageError
        A text is too long or cannot be printed.
    """
    return said_facts(firmware=firmware, operator=operator)
