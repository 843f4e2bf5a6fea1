"""What is written of many sets while they are judged: one after the other, so that none has to be kept in memory.

====================  =============================================================================
:class:`ResultLines`  a result on each line (JSON Lines)
:class:`JunitFiles`   a suite for each set; further files beside the first where it would be too large
====================  =============================================================================

Each takes its name at the end, whole, or not at all.
"""

from __future__ import annotations

import json
import uuid
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from linecheck import __version__
from linecheck.captures.many_sets import JudgedSet
from linecheck.errors import RecordError
from linecheck.files.text import encodable, visible
from linecheck.files.times import utc_text
from linecheck.files.write import GrowingFile
from linecheck.results.junit import Case, set_suite
from linecheck.results.result import facts_keys, result
from linecheck.run.facts import Facts

__all__ = ["JunitFiles", "ResultLines", "remove_parts", "set_result"]

#: Build servers refuse JUnit files from about 30 MB, or with more than 250,000 elements; common practice, no source.
MOST_BYTES = 25_000_000
MOST_ELEMENTS = 200_000

_HEAD = b"<?xml version='1.0' encoding='utf-8'?>\n"
_FURTHER = b"<!-- linecheck: continues the file before it -->\n"
_OPEN, _CLOSE = b"<testsuites>\n", b"</testsuites>\n"


def set_result(judged: JudgedSet) -> dict[str, Any]:
    """Return what became of a set as plain data: its result, with the set's path before it.

    A set that was not judged has the same keys, nothing measured, and the problem that says why.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    first = {"set": encodable(judged.path)}
    return first | (result(judged.outcome) if judged.outcome is not None else _without_result(judged))


def _without_result(judged: JudgedSet) -> dict[str, Any]:
    now = utc_text(datetime.now(UTC))
    facts = Facts(software=f"linecheck {__version__}")
    problem = judged.problem
    problems = [] if problem is None else [(problem.code, encodable(problem.message))]
    return {
        "format": 1,
        "run": str(uuid.uuid4()),
        "serial": None,
        "model": None,
        **facts_keys(facts, "unit"),
        "verdict": judged.verdict.value,
        "limit_file": None,
        **facts_keys(facts, "station"),
        "started": now,
        "finished": now,
        "duration_seconds": 0.0,
        **{name: [] for name in ("checks", "readings", "curves")},
        "problems": [
            {
                "check": None,
                "setup": None,
                "channel": None,
                "code": code,
                "message": text,
                "blocks": True,
                "metrics": [],
            }
            for code, text in problems
        ],
        "settings": [],
    }


class ResultLines:
    """A file of results, one on each line.

    Raises
    ------
    RecordError
        It cannot be written, here as in every method.
    """

    def __init__(self, path: Path) -> None:
        self._file = GrowingFile(path)

    def add(self, judged: JudgedSet, keys: Mapping[str, Any] | None = None) -> None:
        """Write a line; ``keys`` are laid over the result's own."""
        line = json.dumps(set_result(judged) | dict(keys or {}), ensure_ascii=False, allow_nan=False)
        self._file.write(line.encode() + b"\n")

    def finish(self) -> None:
        """Keep the file."""
        self._file.finish()

    def abandon(self) -> None:
        """Leave everything as it was before."""
        self._file.abandon()


class JunitFiles:
    """The JUnit file of many sets: ``FILE.xml``, and ``FILE-2.xml`` and so on once it has grown large.

    Parameters
    ----------
    path : Path
    strict : bool
        Marginal is a failure.
    most_bytes, most_elements : int
        What a file may have before the next one begins; a suite is never divided.

    Raises
    ------
    RecordError
        One of them cannot be written, here as in every method.
    """

    def __init__(
        self,
        path: Path,
        *,
        strict: bool = False,
        most_bytes: int = MOST_BYTES,
        most_elements: int = MOST_ELEMENTS,
    ) -> None:
        self._path = path
        self._strict = strict
        self._most = (most_bytes, most_elements)
        self._places: Counter[str] = Counter()
        self._suites = 0
        self._parts: list[GrowingFile] = []
        self._size, self._filled = (0, 0), False
        self._begin()

    def add(self, judged: JudgedSet, further: Iterable[Case] = ()) -> None:
        """Write a set's suite, with further cases besides those of its readings and curves."""
        suite = set_suite(judged, strict=self._strict, place=self._place(judged), further=further)
        element = suite.element(self._suites)
        self._suites += 1
        ET.indent(element, level=1)
        text: bytes = b"  " + ET.tostring(element, encoding="utf-8").rstrip() + b"\n"
        size = (len(text), sum(1 for _ in element.iter()))
        grown = tuple(there + more for there, more in zip(self._size, size, strict=True))
        if self._filled and any(there > most for there, most in zip(grown, self._most, strict=True)):
            self._parts[-1].write(_CLOSE)
            self._begin()
        self._parts[-1].write(text)
        self._filled = True
        self._size = (self._size[0] + size[0], self._size[1] + size[1])

    def finish(self) -> tuple[Path, ...]:
        """Keep the files and return where they are; those that an earlier run had more of are removed."""
        self._parts[-1].write(_CLOSE)
        for part in self._parts:
            part.finish()
        remove_parts(self._path, len(self._parts) + 1)
        return tuple(part.path for part in self._parts)

    def abandon(self) -> None:
        """Leave everything as it was before."""
        for part in self._parts:
            part.abandon()

    def _begin(self) -> None:
        number = len(self._parts) + 1
        path = _part_path(self._path, number)
        if number > 1 and path.exists() and not _is_part(path):
            raise RecordError(
                f"{visible(str(path))}: is needed for what {self._path.name} has no room for, and is another file: "
                "move it away, or name the JUnit file otherwise"
            )
        part = GrowingFile(path)
        self._parts.append(part)
        part.write(_HEAD + (_FURTHER if number > 1 else b"") + _OPEN)
        self._size, self._filled = (0, 0), False

    def _place(self, judged: JudgedSet) -> str:
        """Return what classnames begin with, another one for each set, the same from run to run."""
        run = judged.outcome
        place = f"{run.model}.{run.serial}" if run is not None else "linecheck.set"
        named = place if run is not None else f"{place} {judged.path}"
        key = " ".join(visible(named).split())  # as it stands in the file
        self._places[key] += 1
        return place if self._places[key] == 1 else f"{place}#{self._places[key]}"


def _part_path(path: Path, number: int) -> Path:
    return path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")


def remove_parts(path: Path, number: int = 2) -> None:
    """Remove what continued an earlier, larger file, from a number on: it would be taken for a part of this one.

    Raises
    ------
    RecordError
        It cannot be removed.
    """
    while _is_part(part := _part_path(path, number)):
        with suppress(OSError):
            part.unlink()
        if part.exists():
            raise RecordError(f"{visible(str(part))}: is of an earlier run and cannot be removed")
        number += 1


def _is_part(path: Path) -> bool:
    """Return whether a file is one that continues another, as they are written here."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(_HEAD + _FURTHER)) == _HEAD + _FURTHER
    except OSError:
        return False
