r"""Rows as CSV: RFC 4180, UTF-8, a header, every line ended by CR LF.

- What is not there (not measured, not known) is an empty field; an empty text is ``""``.
- Numbers stand in full, with a point; a boolean is ``true`` or ``false``.
- Each point of a curve has a row of its own.
- A spreadsheet takes a text that begins with ``=``, ``+``, ``-`` or ``@`` for a formula, whatever quotes are round it
  (CWE-1236). A text that does, be it after spaces, gets an apostrophe before it, and so does one that begins with an
  apostrophe itself: take the first apostrophe of a field away and every text is as it was. Numbers get none.
- Characters that cannot be seen are written as ``\x1d``, but for tabs and line feeds.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, ClassVar

from linecheck.files.text import visible
from linecheck.log.export.base import TextFormat

if TYPE_CHECKING:
    from linecheck.log.export.rows import Row
    from linecheck.log.export.tables import Table

#: The wide forms are taken for a formula where the keyboard is Japanese (from memory).
_FORMULA = re.compile(r"['\t\n]|\s*[=+\-@＝＋－＠]")
_QUOTED = re.compile('[",\n\r]')


class CsvFormat(TextFormat):
    """CSV."""

    name: ClassVar[str] = "csv"
    text: ClassVar[str] = "CSV"

    def lines(self, table: Table, pages: Iterable[list[Row]]) -> Iterator[bytes]:
        """Yield the header, and the lines of each row."""
        yield line_bytes(column.name for column in table.columns)
        lists = [at for at, column in enumerate(table.columns) if column.kind == "list"]
        for page in pages:
            for row in page:
                if lists:
                    yield from _points(row, lists)
                else:
                    yield line_bytes(map(field_text, row))


EXPORT_FORMAT = CsvFormat()


def _points(row: Row, lists: list[int]) -> Iterator[bytes]:
    """Yield a row for each point of a curve, or one without a point where it has none."""
    start, end = lists[0], lists[-1] + 1
    before = ",".join(map(field_text, row[:start]))
    after = "".join(f",{field_text(value)}" for value in row[end:])
    columns = [None if values is None else values.tolist() for values in row[start:end]]
    for at in range(max(len(columns[0] or ()), 1)):
        point = ",".join(repr(values[at]) if values else "" for values in columns)
        yield f"{before},{point}{after}\r\n".encode()


def field_text(value: Any) -> str:  # noqa: ANN401 - any column
    """Return a value as a field of a line: numbers in full, texts so that no spreadsheet takes them for a formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    text = visible(value if isinstance(value, str) else _compact(value))
    if _FORMULA.match(text):
        text = f"'{text}"
    if not text or _QUOTED.search(text):
        return '"' + text.replace('"', '""') + '"'
    return text


def _compact(value: Any) -> str:  # noqa: ANN401 - plain data
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


def line_bytes(fields: Iterable[str]) -> bytes:
    """Return fields as a line."""
    return (",".join(fields) + "\r\n").encode()
