"""A result format as short as one can be: copy it to ``linecheck/results/formats/NAME.py``, and ``--tap`` asks for it.

TAP 14 (https://testanything.org): a line for each case.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from linecheck.files.write import GrowingFile
from linecheck.results.cases import Case, Suite, run_suite, set_suite
from linecheck.results.formats.base import OneRun, ResultFormat

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet
    from linecheck.results.overview import Brief


class TapFormat(ResultFormat):
    """A line for each case; of many sets, one after the other."""

    name: ClassVar[str] = "tap"
    what: ClassVar[str] = "the result"
    form: ClassVar[str] = "TAP"
    suffix: ClassVar[str] = ".tap"

    def of_run(self, one: OneRun) -> bytes:
        """Return the whole file."""
        suite = run_suite(one.run, one.strict, one.cases)
        return _HEAD + b"".join(_lines(suite, 1)) + _plan(len(suite.cases))

    def of_sets(self, path: Path, *, strict: bool) -> _Sets:
        """Begin a file that grows."""
        return _Sets(path, strict)


class _Sets:
    def __init__(self, path: Path, strict: bool) -> None:
        self._strict, self._count, self._file = strict, 0, GrowingFile(path)
        self._file.write(_HEAD)

    def add(self, judged: JudgedSet, keys: Mapping[str, Any], cases: Sequence[Case]) -> None:
        """Write the lines of a set."""
        suite = set_suite(judged, strict=self._strict, further=cases)
        self._file.write(b"".join(_lines(suite, self._count + 1)))
        self._count += len(suite.cases)

    def finish(self, briefs: Sequence[Brief]) -> None:
        """Keep the file."""
        self._file.write(_plan(self._count))
        self._file.finish()

    def abandon(self) -> None:
        """Leave everything as it was before, unless it was finished."""
        self._file.abandon()


_HEAD = b"TAP version 14\n"


def _lines(suite: Suite, first: int) -> list[bytes]:
    words = {"passed": "ok", "failure": "not ok", "error": "not ok"}
    return [
        f"{words[case.outcome]} {number} - {case.classname}.{case.name}\n".replace("#", "\\#").encode()
        for number, case in enumerate(suite.cases, first)
    ]


def _plan(count: int) -> bytes:
    return f"1..{count}\n".encode()


FORMAT = TapFormat()
