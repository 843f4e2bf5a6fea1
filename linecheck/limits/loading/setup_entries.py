"""The ``setups`` of a check: several ways to set the unit, each of which the check is run under.

::

    reconstruction:
      kind: reconstruction
      masks: {response_20k: {pass: {min: -0.5}}}
      setups:
        - {filter: sharp}
        - {filter: slow, masks: {response_20k: {pass: {min: -4}}}}

Each is laid over the file's setup and the check's. Its ``masks`` and ``regression`` are laid over the check's, metric
by metric; nothing (``null``) removes one. ``rate_hz`` is the rate of the stimulus as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from linecheck.files.faults import FaultList
from linecheck.files.yaml import REFUSED, KeyPath, described
from linecheck.limits.model import SETUP_MARK

MAX_SETUPS: Final = 32
#: Characters of a name with its setup; files are named after it.
MAX_NAME_LENGTH: Final = 120
MAX_VALUE_LENGTH: Final = 40
#: The setting that is the stimulus's as well.
RATE: Final = "rate_hz"
#: What a setup may hold besides settings.
LAID_OVER: Final = ("masks", "regression")


@dataclass(frozen=True)
class Member:
    """One of a check's setups; that of a check without any is empty.

    ``setup`` is complete. ``masks`` and ``regression`` are as they stand in the file, None where they do not.
    """

    name: str
    setup: Mapping[str, str]
    path: KeyPath | None = None
    data: Mapping[str, Any] = field(default_factory=dict)


def variant_name(entry: str, settings: Mapping[str, str]) -> str:
    """Return the name of a check under a setup; its own where there is nothing to tell apart."""
    if not settings:
        return entry
    parts = (f"{name}={_plain(value)}" for name, value in settings.items())
    return f"{entry}{SETUP_MARK}{','.join(parts)}"


def _plain(value: str) -> str:
    return re.sub(r"[^A-Za-z0-9.+-]", "-", value)[:MAX_VALUE_LENGTH]


def read_members(
    entry: str,
    data: object,
    own: Sequence[Mapping[str, str]],
    setup: Mapping[str, str],
    path: KeyPath,
    faults: FaultList,
) -> tuple[Member, ...]:
    """Return a check's setups in the file's order; what is wrong goes to ``faults`` and is left out.

    Parameters
    ----------
    entry : str
        The check's name in the file.
    data : object
        What stands under ``setups``.
    own : sequence of mapping
        The settings that each names.
    setup : mapping of str to str
        What they are laid over.
    path : KeyPath
        Where ``setups`` stands.
    faults : FaultList
    """
    assert isinstance(data, list)
    named = list(dict.fromkeys(name for settings in own for name in settings))
    complete = [{**setup, **settings} for settings in own]
    members: list[Member] = []
    for index, (member, settings) in enumerate(zip(data, complete, strict=True)):
        where = (*path, index)
        lacking = [name for name in named if name not in settings]
        if not isinstance(member, dict):
            continue
        if lacking:
            message = f"does not set {', '.join(lacking)}, which other setups here do; set it here too"
            faults.add(where, f"{message}, or in setup")
            continue
        told = {name: settings[name] for name in named} if len(own) > 1 else {}
        name = variant_name(entry, told)
        if _is_usable(name, settings, members, where, faults):
            members.append(Member(name, settings, where, member))
    return tuple(members)


def _is_usable(
    name: str, setup: Mapping[str, str], members: Sequence[Member], where: KeyPath, faults: FaultList
) -> bool:
    """Return whether a setup is another than those before it, also by the name that it gives its check."""
    if len(name) > MAX_NAME_LENGTH:
        message = (
            f"names and values of the settings make a check's name of {len(name)} characters ({name[:40]}…)"
        )
        faults.add(where, f"{message}, at most {MAX_NAME_LENGTH}, since files are named after it")
        return False
    for member in members:
        if member.setup == setup:
            number = int((member.path or (0,))[-1]) + 1
            faults.add(where, f"is the same as setup {number} of the list; remove one")
            return False
        if member.name.lower() == name.lower():
            message = f"would have the same name as another of these setups, {name}"
            faults.add(where, f"{message}: only letters, digits, '.', '+' and '-' count; choose other values")
            return False
    return True


def setups_of(data: object, path: KeyPath, faults: FaultList) -> list[Any]:
    """Return the list of a check's setups; empty, and a fault, where it is none."""
    if data is REFUSED:
        return []
    if not isinstance(data, list):
        faults.add(
            path,
            f"expected a list of setups, as in [{{filter: sharp}}, {{filter: slow}}], got {described(data)}",
        )
        return []
    if not 1 <= len(data) <= MAX_SETUPS:
        faults.add(path, f"expected 1 to {MAX_SETUPS} setups, got {len(data)}")
        return []
    return data


def removed(
    data: object, known: Mapping[str, Any] | object, path: KeyPath, faults: FaultList
) -> Iterator[str]:
    """Yield what a setup takes away from the check's masks or margins."""
    if not isinstance(data, dict):
        return
    for name, value in data.items():
        if value is not None:
            continue
        if isinstance(known, dict) and name in known:
            yield name
        else:
            faults.add_key((*path, name), "removes what the check does not have; leave it out")
