"""The check kinds, one file each.

Every module of this package that defines ``KIND`` adds a kind; nothing else has to be edited.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linecheck.checks.base import CheckKind

__all__ = ["kinds"]


@cache
def kinds() -> Mapping[str, CheckKind]:
    """Return every check kind by its name, in alphabetical order."""
    found: dict[str, CheckKind] = {}
    for module in sorted(pkgutil.iter_modules(__path__), key=lambda entry: entry.name):
        kind = getattr(importlib.import_module(f"{__name__}.{module.name}"), "KIND", None)
        if kind is not None:
            found[kind.name] = kind
    return MappingProxyType(found)
