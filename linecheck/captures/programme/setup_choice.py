"""Choosing one setup of every check, for whoever cannot set the unit in between: a player that plays one file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

from linecheck.captures.setup_captures import telling_settings
from linecheck.errors import UsageError
from linecheck.files.faults import did_you_mean
from linecheck.files.yaml import shown
from linecheck.limits.loading.header import NAME
from linecheck.limits.model import Check, LimitFile

__all__ = ["chosen_setup", "read_settings"]

MAX_LISTED = 10


def read_settings(texts: Iterable[str]) -> dict[str, str]:
    """Return settings that were given as NAME=VALUE.

    Raises
    ------
    UsageError
        One is not of that form, or is given twice with different values.
    """
    settings: dict[str, str] = {}
    for text in texts:
        name, mark, value = text.partition("=")
        if not mark or not value or re.fullmatch(NAME, name) is None:
            raise UsageError(f"--setup: expected NAME=VALUE, as in filter=slow, got {shown(text)}")
        if settings.setdefault(name, value) != value:
            raise UsageError(f"--setup: {name} is given twice, as {shown(settings[name])} and {shown(value)}")
    return settings


def chosen_setup(limits: LimitFile, settings: Mapping[str, str]) -> LimitFile:
    """Return a limit file with one setup of every check: the one that has the settings.

    Raises
    ------
    UsageError
        The settings leave several setups of a check, or none, or name what tells no setups apart.
    """
    telling = telling_settings(limits)
    known = list(dict.fromkeys(name for told in telling.values() for name in told))
    for name in settings:
        if name not in known:
            what = (
                did_you_mean(name, known, "the settings that differ are")
                if known
                else "every check has one setup"
            )
            raise UsageError(f"--setup {name}: no check has several setups that differ in it; {what}")
    by_entry: dict[str, list[Check]] = {}
    for check in limits.checks:
        by_entry.setdefault(check.entry, []).append(check)
    kept, open_ = set(), []
    for entry, checks in by_entry.items():
        fitting = [check for check in checks if _fits(check, telling.get(check.name, {}), settings)]
        if len(fitting) == 1:
            kept.add(fitting[0].name)
        else:
            open_.append(f"  {entry}: {_listed(telling, fitting or checks)}")
    if open_:
        which = "no setup, or more than one, fits" if settings else "more than one setup is there"
        raise UsageError(
            f"the unit cannot be set while one file plays, and {which}; say which with --setup NAME=VALUE:\n"
            + "\n".join(open_)
        )
    return replace(limits, checks=tuple(check for check in limits.checks if check.name in kept))


def _fits(check: Check, told: Mapping[str, str], settings: Mapping[str, str]) -> bool:
    return all(check.setup[name] == settings[name] for name in told if name in settings)


def _listed(telling: Mapping[str, Mapping[str, str]], checks: list[Check]) -> str:
    words = [" ".join(f"{name}={value}" for name, value in telling[check.name].items()) for check in checks]
    more = len(words) - MAX_LISTED
    return " or ".join(words[:MAX_LISTED]) + (f" and {more} more" if more > 0 else "")
