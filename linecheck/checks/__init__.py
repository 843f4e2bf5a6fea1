"""The check kinds, one file each.

In: parameters of a limit file, and captures. Out: stimuli, readings and curves with their uncertainties, problems.
Every module of this package that defines ``KIND`` adds a kind; nothing else has to be edited.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linecheck.checks.base import CheckKind

__all__ = ["kinds"]


@cache
def kinds() -> Mapping[str, CheckKind]:
    """Return every check kind by its name, in alphabetical order.

    Raises
    ------
    ContractError
        A kind is not what every kind has to be.
    """
    from linecheck.checks.base import CheckKind
    from linecheck.checks.contract import NOUN, refuse_kinds
    from linecheck.registry import members

    found = members(sys.modules[__name__], "KIND", (CheckKind,), NOUN)
    refuse_kinds(found)
    return found
