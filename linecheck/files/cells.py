"""Tables as CSV that no program for tables takes for formulas."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from linecheck.files.text import visible

#: What a program for tables takes for a formula.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def csv_text(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a table as CSV (RFC 4180): times in UTC, None as nothing, and no text that is taken for a formula."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(headings)
    table.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, int | float):
        return str(value)
    text = visible(value.isoformat() if isinstance(value, datetime) else str(value))
    return f"'{text}" if text.startswith(_FORMULA) else text
