"""Which capture of a set belongs to which check of a limit file, where checks are run under several setups.

===========================  =====================================================================
:func:`resolved_captures`    a set whose captures are known by the names of the checks
:func:`telling_settings`     what tells a check under one setup from the same under others
===========================  =====================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from linecheck.captures.capture_set import INDEX_NAME, CaptureEntry, CaptureSet
from linecheck.errors import FileError
from linecheck.files.yaml import shown
from linecheck.limits.model import Check, LimitFile

__all__ = ["resolved_captures", "telling_settings"]


def telling_settings(limits: LimitFile) -> dict[str, dict[str, str]]:
    """Return, for every check that has several setups, the settings in which they differ."""
    by_entry: dict[str, list[Check]] = {}
    for check in limits.checks:
        by_entry.setdefault(check.entry, []).append(check)
    return {
        check.name: _telling(check, checks)
        for checks in by_entry.values()
        if len(checks) > 1
        for check in checks
    }


def _telling(check: Check, checks: list[Check]) -> dict[str, str]:
    return {
        name: value
        for name, value in check.setup.items()
        if any(other.setup.get(name) != value for other in checks)
    }


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
    known = " or ".join(f"setup = {{{_toml(settings)}}}" for settings in _choices(named, limits))
    if found:
        raise ValueError(f"the limit file has several setups of it; say which it is of: {known}")
    told = _toml(entry.setup)
    raise ValueError(f"the limit file has no such setup of it ({told}); it has: {known}")


def _choices(checks: list[Check], limits: LimitFile) -> list[Mapping[str, str]]:
    telling = telling_settings(limits)
    return [telling.get(check.name, check.setup) for check in checks]


def _toml(settings: Mapping[str, str]) -> str:
    return ", ".join(f'{name} = "{value}"' for name, value in settings.items())
