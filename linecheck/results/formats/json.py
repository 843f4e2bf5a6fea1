"""The results of runs as JSON: what other programs read. A run has a file, many sets have a line each (JSON Lines)."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar

from linecheck.files.write import GrowingFile
from linecheck.results.formats.base import OneRun, ResultFormat
from linecheck.results.result import result, set_result, to_json_bytes

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet
    from linecheck.results.cases import Case
    from linecheck.results.overview import Brief

_NOTHING: Mapping[str, Any] = MappingProxyType({})


class JsonFormat(ResultFormat):
    """The document of :mod:`linecheck.results.result`."""

    name: ClassVar[str] = "json"
    what: ClassVar[str] = "the result"
    form: ClassVar[str] = "JSON"
    of_many: ClassVar[str] = "of several, a line each"
    suffix: ClassVar[str] = ".json"
    run_file: ClassVar[str] = "result.json"

    def of_run(self, one: OneRun) -> bytes:
        """Return the document on lines of their own."""
        return to_json_bytes(result(one.run) | dict(one.keys))

    def of_sets(self, path: Path, *, strict: bool) -> ResultLines:
        """Begin a file of lines."""
        return ResultLines(path)


FORMAT = JsonFormat()


class ResultLines(GrowingFile):
    """A file of results, one on each line."""

    def add(self, judged: JudgedSet, keys: Mapping[str, Any] = _NOTHING, cases: Sequence[Case] = ()) -> None:
        """Write a line; ``keys`` are laid over the result's own."""
        line = json.dumps(set_result(judged) | dict(keys), ensure_ascii=False, allow_nan=False)
        self.write(line.encode() + b"\n")

    def finish(self, briefs: Sequence[Brief] = ()) -> None:
        """Keep the file."""
        super().finish()
