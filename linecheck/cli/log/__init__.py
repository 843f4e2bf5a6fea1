"""``linecheck log``: list, show, export and verify what is in a station's log."""

from __future__ import annotations

import click

from linecheck.cli.lazy import LazyGroup

__all__ = ["command"]

#: command -> (place in this package, one-line help)
_COMMANDS = {
    "assets": (
        "assets:assets_command",
        "List the assets that runs used: interfaces, cables, adapters.",
    ),
    "causes": ("causes:causes_command", "Count the causes that runs told against what repairs found."),
    "export": ("export:export_command", "Write runs, or what they measured, as a table for other programs."),
    "files": ("files:files_command", "Rewrite the result files of runs from their records."),
    "head": ("verify:head_command", "Print the last record's number and hash, to keep elsewhere."),
    "list": ("list:list_command", "List the runs in the log, newest first."),
    "outbox": ("outbox:outbox_command", "List the runs that wait to be handed over."),
    "rejudge": (
        "rejudge:rejudge_command",
        "Judge stored runs by another limit file; the log stays as it is.",
    ),
    "shift": ("shift:shift_command", "Count what a shift has done: units, yield, causes, takt."),
    "show": ("show:show_command", "Show every attempt of a unit, newest first, or one run."),
    "signoffs": ("list:signoffs_command", "List the sign-offs in the log and their countersignatures."),
    "status": ("room:status_command", "Show how large the log is, and when its disk will be full."),
    "thin": ("room:thin_command", "Remove the points of curves from old passes."),
    "used": ("assets:used_command", "List the runs that used one asset."),
    "verify": ("verify:verify_command", "Verify that the log is as it was written."),
}


@click.group(name="log", cls=LazyGroup, package=__name__, lazy=_COMMANDS)
def command() -> None:
    """List, show, export and verify what is in a station's log."""
