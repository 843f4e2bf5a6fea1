"""Groups whose commands are imported when they are called, so that starting costs nothing."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """A group that knows of its commands no more than their names, places and short helps.

    Parameters
    ----------
    package : str
        The package that the commands' modules are in.
    lazy : mapping of str to tuple of str
        By the name of each command, ``module:name`` and its help in one line.
    """

    def __init__(self, *, package: str, lazy: Mapping[str, tuple[str, str]], **options: Any) -> None:  # noqa: ANN401 - click's own
        super().__init__(**options)
        self.package, self.lazy = package, lazy

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return sorted(self.lazy)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, which is imported for it."""
        if cmd_name not in self.lazy:
            return None
        module, _, name = self.lazy[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(f"{self.package}.{module}"), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, self.lazy[name][1]) for name in self.list_commands(ctx)])
