"""Rows as JSON Lines: UTF-8, an object with all columns on a line for each row; null is what is not there."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from linecheck.log.export.base import TextFormat

if TYPE_CHECKING:
    from linecheck.log.export.rows import Row
    from linecheck.log.export.tables import Table


class JsonLinesFormat(TextFormat):
    """JSON Lines."""

    name: ClassVar[str] = "jsonl"
    text: ClassVar[str] = "JSON Lines"

    def lines(self, table: Table, pages: Iterable[list[Row]]) -> Iterator[bytes]:
        """Yield the line of each row."""
        names = [column.name for column in table.columns]
        for page in pages:
            for row in page:
                content = dict(zip(names, map(_plain, row), strict=True))
                yield (json.dumps(content, ensure_ascii=False, allow_nan=False) + "\n").encode()


EXPORT_FORMAT = JsonLinesFormat()


def _plain(value: Any) -> Any:  # noqa: ANN401 - any column
    return value.tolist() if isinstance(value, np.ndarray) else value
