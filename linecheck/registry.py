"""Registries: what can be added by adding a file.

Every module (or package) of a registry's package that defines the registry's attribute adds a member; nothing else
has to be edited.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Mapping
from types import MappingProxyType, ModuleType
from typing import Protocol, TypeVar

from linecheck.errors import ContractError

#: Names of members, and of the metrics of a check kind: they become keys, options, columns and parts of file names.
NAME = re.compile(r"[a-z][a-z0-9_]{0,62}")


class Named(Protocol):
    """What every member has: the name that it is asked for by."""

    @property
    def name(self) -> str:
        """Lower-case letters, digits and ``_``."""
        ...


Member = TypeVar("Member", bound=Named)


def members(
    package: ModuleType, attribute: str, sorts: tuple[type[Member], ...], noun: str
) -> Mapping[str, Member]:
    """Return the members of a registry by their names, in the order of their modules' names.

    Parameters
    ----------
    package : module
        Whose modules are looked through.
    attribute : str
        What a module calls its member, as in ``KIND``.
    sorts : tuple of type
        What a member is an instance of; abstract classes too, which a type checker takes in a tuple only.
    noun : str
        What a member is called in a message.

    Raises
    ------
    ContractError
        A member is of another type, has no plain name, or the name of another one.
    """
    found: dict[str, Member] = {}
    places: dict[str, str] = {}
    for entry in sorted(pkgutil.iter_modules(package.__path__), key=lambda entry: entry.name):
        module = importlib.import_module(f"{package.__name__}.{entry.name}")
        member = getattr(module, attribute, None)
        if member is None:
            continue
        name, place = getattr(member, "name", entry.name), module.__name__
        if not isinstance(member, sorts):
            raise ContractError.of(noun, str(name), f"{attribute} of {place} is no {sorts[0].__name__}")
        if not isinstance(name, str) or NAME.fullmatch(name) is None:
            raise ContractError.of(
                noun, str(name), f"its name, in {place}, is not of lower-case letters, digits and '_'"
            )
        if name in found:
            raise ContractError.of(noun, name, f"{places[name]} and {place} both have this name")
        found[name], places[name] = member, place
    return MappingProxyType(found)
