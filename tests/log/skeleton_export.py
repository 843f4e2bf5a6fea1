"""An export format as short as one can be: copy it to ``linecheck/log/export/NAME.py``, and ``--format`` knows it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, ClassVar

from linecheck.log.export.base import TextFormat

if TYPE_CHECKING:
    from linecheck.log.export.rows import Row
    from linecheck.log.export.tables import Table

__all__ = ["EXPORT_FORMAT", "TsvFormat"]


class TsvFormat(TextFormat):
    """Fields between tabs, each as JSON: a text in quotes, ``null`` where nothing is known."""

    name: ClassVar[str] = "tsv"
    text: ClassVar[str] = "tab-separated values"

    def lines(self, table: Table, pages: Iterable[list[Row]]) -> Iterator[bytes]:
        """Yield the header, and the line of each row."""
        yield ("\t".join(column.name for column in table.columns) + "\n").encode()
        for page in pages:
            for row in page:
                yield ("\t".join(map(_field, row)) + "\n").encode()


def _field(value: Any) -> str:
    return json.dumps(
        value.tolist() if hasattr(value, "tolist") else value, ensure_ascii=False, allow_nan=False
    )


EXPORT_FORMAT = TsvFormat()
