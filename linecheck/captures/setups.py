"""Checks that are run under several setups: what tells these apart, and choosing between them.

===============================  =====================================================================
:func:`distinguishing_settings`  the settings in which the setups of a check differ
:func:`resolved_captures`        a set whose captures are known by the names of the checks
:func:`chosen_setup`             one setup of every check, for a unit that cannot be set in between
:func:`read_settings`            settings from the command line
===============================  =====================================================================
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from linecheck.captures.capture_set import INDEX_NAME, CaptureEntry, CaptureSet
from linecheck.errors import FileError, UsageError
from linecheck.files.faults import did_you_mean
from linecheck.files.text import listed
from linecheck.files.yaml import shown
from linecheck.limits.loading.header import NAME
from linecheck.limits.model import Check, LimitFile

MAX_LISTED = 10


def _by_entry(limits: LimitFile) -> dict[str, list[Check]]:
    """Return the checks of a limit file by their names without a setup."""
    found: dict[str, list[Check]] = {}
    for check in limits.checks:
        found.setdefault(check.entry, []).append(check)
    return found


def distinguishing_settings(limits: LimitFile) -> dict[str, dict[str, str]]:
    """Return, for every check that has several setups, the settings in which they differ."""
    found = {}
    for checks in _by_entry(limits).values():
        for check in checks if len(checks) > 1 else ():
            settings = check.setup.items()
            found[check.name] = {
                name: value
                for name, value in settings
                if any(other.setup.get(name) != value for other in checks)
            }
    return found


def resolved_captures(captures: CaptureSet, limits: LimitFile) -> CaptureSet:
    """Return a set whose entries and hashes are by the names of the limit file's checks.

    A capture of a check that the limit file does not have keeps the name that it has.

    Raises
    ------
    FileError
        A capture could be of several setups of its check or is of none of them, or two are of the same.
    """
    place = captures.folder / INDEX_NAME
    keys: dict[str, str] = {}
    for key, entry in captures.entries.items():
        try:
            name = _name_of(entry, limits) or key
            if name in keys:
                raise ValueError("has a capture already under this setup; leave one out")
        except ValueError as error:
            raise FileError(
                place, f"the capture {shown(entry.file)} of {shown(entry.check)}: {error}"
            ) from error
        keys[name] = key
    return replace(
        captures,
        entries=MappingProxyType({name: captures.entries[key] for name, key in keys.items()}),
        hashes=MappingProxyType({name: captures.hashes[key] for name, key in keys.items()}),
    )


def _name_of(entry: CaptureEntry, limits: LimitFile) -> str | None:
    """Return the name of the check that a capture is of, None where the limit file has none such.

    Raises
    ------
    ValueError
        It is of several, or of none of the check's setups.
    """
    named = [check for check in limits.checks if entry.check in (check.name, check.entry)]
    found = [check for check in named if entry.setup.items() <= check.setup.items()]
    if len(found) == 1 or not named:
        return found[0].name if found else None
    differing = distinguishing_settings(limits)
    choices = (differing.get(check.name, check.setup) for check in named)
    known = " or ".join(f"setup = {{{_toml(settings)}}}" for settings in choices)
    if found:
        raise ValueError(f"the limit file has several setups of it; say which it is of: {known}")
    told = _toml(entry.setup)
    raise ValueError(f"the limit file has no such setup of it ({told}); it has: {known}")


def _toml(settings: Mapping[str, str]) -> str:
    return ", ".join(f'{name} = "{value}"' for name, value in settings.items())


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
    differing = distinguishing_settings(limits)
    known = list(dict.fromkeys(name for told in differing.values() for name in told))
    for name in settings:
        if name not in known:
            what = (
                did_you_mean(name, known, "the settings that differ are")
                if known
                else "every check has one setup"
            )
            raise UsageError(f"--setup {name}: no check has several setups that differ in it; {what}")
    kept, open_ = set(), []
    for entry, checks in _by_entry(limits).items():
        fitting = [check for check in checks if _fits(check, differing.get(check.name, {}), settings)]
        if len(fitting) == 1:
            kept.add(fitting[0].name)
        else:
            open_.append(f"  {entry}: {_listed(differing, fitting or checks)}")
    if open_:
        which = "no setup, or more than one, fits" if settings else "more than one setup is there"
        raise UsageError(
            f"the unit cannot be set while one file plays, and {which}; say which with --setup NAME=VALUE:\n"
            + "\n".join(open_)
        )
    return replace(limits, checks=tuple(check for check in limits.checks if check.name in kept))


def _fits(check: Check, told: Mapping[str, str], settings: Mapping[str, str]) -> bool:
    return all(check.setup[name] == settings[name] for name in told if name in settings)


def _listed(differing: Mapping[str, Mapping[str, str]], checks: list[Check]) -> str:
    words = [" ".join(f"{name}={value}" for name, value in differing[check.name].items()) for check in checks]
    return listed(words, MAX_LISTED, " or ")
