"""``linecheck gauge``: how much of what is measured is the units, and how much what they are measured by."""

from __future__ import annotations

import click

from linecheck.cli.lazy import LazyGroup

__all__ = ["command"]

#: command -> (place in this package, one-line help)
_COMMANDS = {
    "plan": ("plan:plan_command", "Plan a study: units, repeats, nests or operators, in random order."),
    "study": ("study:study_command", "Tell what a study shows, of all metrics at once."),
}


@click.group(name="gauge", cls=LazyGroup, package=__name__, lazy=_COMMANDS)
def command() -> None:
    """Study the station: plan a gauge study, and tell what it shows.

    Between the two its units are measured in the plan's order: `linecheck run --scan --study PLAN`, or `linecheck serve
    --study PLAN`.
    """
