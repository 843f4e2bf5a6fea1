"""``linecheck statistics``: what many units tell."""

from __future__ import annotations

import click

from linecheck.cli.lazy import LazyGroup

__all__ = ["command"]

#: command -> (place in this package, one-line help)
_COMMANDS = {
    "chart": ("charts:chart_command", "Show a control chart of a metric."),
    "chart-answer": ("charts:answer_command", "Answer a signal of a control chart, with name and reason."),
    "chart-set": ("charts:set_command", "State the phase-1 set from which a chart's limits come."),
    "drift": ("drift:drift_command", "Tell whether the product, a station or a nest has moved."),
    "capability": ("capability:capability_command", "Tell whether the process makes units within the masks."),
    "among": ("among:among_command", "Tell where a run's readings lie among units of several models."),
    "look": ("look:look_command", "Tell what to look at first: lots, nests, stations that stand out."),
    "page": ("page:page_command", "Write a line at a glance as one page."),
    "yield": ("yields:yield_command", "Count yield, what fails most, and what retests hid."),
}


@click.group(name="statistics", cls=LazyGroup, package=__name__, lazy=_COMMANDS)
def command() -> None:
    """Tell what many units tell: yield, capability, charts, drift.

    Runs are read from logs, from exports as Parquet, or from the central server.
    """
