"""What a log holds as tables for other programs, in one format a file.

======================================  ===========================================================
:mod:`linecheck.log.export.tables`      which tables there are, and what each of their columns says
:mod:`linecheck.log.export.rows`        their rows, read from the log a page at a time
:mod:`linecheck.log.export.base`        what every format does
======================================  ===========================================================

Every other module defines ``EXPORT_FORMAT`` and so adds a format; nothing else has to be edited.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linecheck.log.export.base import ExportFormat

__all__ = ["export_formats"]


@cache
def export_formats() -> Mapping[str, ExportFormat]:
    """Return every format by its name, in the order of their modules' names.

    Raises
    ------
    ContractError
        A format is not what every format has to be.
    """
    from linecheck.log.export.base import ExportFormat
    from linecheck.registry import members

    return members(sys.modules[__name__], "EXPORT_FORMAT", (ExportFormat,), "export format")
