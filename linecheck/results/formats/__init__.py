"""The formats that a result is written in, one file each.

Every module of this package that defines ``FORMAT`` adds a format, with the command-line option that asks for it;
nothing else has to be edited.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linecheck.results.formats.base import ResultFormat

__all__ = ["result_formats"]


@cache
def result_formats() -> Mapping[str, ResultFormat]:
    """Return every format by its name, in the order of their modules' names.

    Raises
    ------
    ContractError
        A format is not what every format has to be.
    """
    from linecheck.registry import members
    from linecheck.results.formats.base import ResultFormat

    return members(sys.modules[__name__], "FORMAT", (ResultFormat,), "result format")
