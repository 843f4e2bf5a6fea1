"""A summary in Markdown (GitHub's dialect), as build servers show it: a short table, worst first.

What comes from outside, a serial number above all, is text there and nothing else: no markup, link or mention. The
whole is never longer than :data:`MAX_BYTES`, since a build server that takes at most 1 MiB drops a longer one without
a word; what has no room is counted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.limits.verdict import Verdict, worst
from linecheck.results.formats.base import OneRun, ResultFormat
from linecheck.results.overview import Brief, counted, worst_first

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet
    from linecheck.results.cases import Case

MAX_BYTES = 1_000_000
#: So many rows are filled up with sets that pass; those that do not are all shown.
MAX_ROWS_OF_PASSES = 50
MAX_CHARACTERS = 300
MAX_NOTES = 20
#: For the line that says how many more there are.
ENDING_BYTES = 300

_HEAD = (
    "| verdict | serial | model | firmware | set | worst finding |\n| --- | --- | --- | --- | --- | --- |\n"
)
#: What may mean something in Markdown or HTML, or begin a link or a mention.
_MEANINGFUL = re.compile(
    r"[^\w\s.,;:=()%/+'\"°µ–−±…≥≤·-]"
    r"|(?<![A-Za-z0-9])_|_(?![A-Za-z0-9])"  # within a word it means nothing
    r"|:(?=\S)|(?<=[Ww]{3})\.|\s+",
    re.ASCII,
)


class MarkdownFormat(ResultFormat):
    """A table of runs, worst first."""

    name: ClassVar[str] = "summary"
    what: ClassVar[str] = "a short table"
    form: ClassVar[str] = "Markdown"
    suffix: ClassVar[str] = ".md"

    def of_run(self, one: OneRun) -> bytes:
        """Return a table with one row."""
        return summary_bytes([one.brief])

    def of_sets(self, path: Path, *, strict: bool) -> _Table:
        """Begin a table with a row for each set."""
        return _Table(path)


FORMAT = MarkdownFormat()


class _Table:
    """The table of many sets, which stand in it worst first, so that it is written at the end."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def add(self, judged: JudgedSet, keys: Mapping[str, Any], cases: Sequence[Case]) -> None:
        """Do nothing: a set is told in brief, at the end."""

    def finish(self, briefs: Sequence[Brief]) -> None:
        """Write it."""
        write_atomically(self._path, summary_bytes(briefs))

    def abandon(self) -> None:
        """Do nothing: nothing was written."""


def summary_bytes(briefs: Sequence[Brief]) -> bytes:
    """Return the summary, UTF-8, at most :data:`MAX_BYTES` long; the worst verdict heads it."""
    whole = worst(entry.verdict for entry in briefs)
    head = f"### linecheck: {whole.value}\n\n{_plain(counted(briefs))}\n\n"
    ordered = worst_first(briefs)
    noted = dict.fromkeys(note for entry in briefs for note in entry.notes)  # most often all alike
    notes = "".join(f"\n{_plain(note)}\n" for note in list(noted)[:MAX_NOTES])
    rows, left = [], MAX_BYTES - len((head + _HEAD + notes).encode()) - ENDING_BYTES
    for number, entry in enumerate(ordered):
        if entry.verdict is Verdict.PASS and number >= MAX_ROWS_OF_PASSES:
            break
        row = _row(entry)
        left -= len(row.encode())
        if left < 0:
            break
        rows.append(row)
    table = _HEAD + "".join(rows) if rows else ""
    rest = ordered[len(rows) :]
    more = f"\nand {_plain(counted(rest).replace(' set', ' more set', 1))}\n" if rest else ""
    return (head + table + more + notes).encode()


def _row(entry: Brief) -> str:
    told = [_plain(text) for text in (entry.cause, *entry.findings[:1]) if text]
    more = f" (and {entry.found - 1} more)" if entry.found > 1 else ""
    whose = (entry.serial, entry.model, entry.firmware, entry.path)
    cells = [f"**{entry.state}**" if entry.state != Verdict.PASS else entry.state]
    cells += [_plain(text) for text in whose]
    cells.append(" ".join(told) + more)
    return f"| {' | '.join(cells)} |\n"


def _plain(text: str) -> str:
    """Return a text that Markdown shows as it is, on one line."""
    shown = visible(text)
    if len(shown) > MAX_CHARACTERS:
        shown = shown[: MAX_CHARACTERS - 1] + "…"
    return _MEANINGFUL.sub(_escaped, shown)


def _escaped(found: re.Match[str]) -> str:
    text = found[0]
    if text.isspace():
        return " "
    return "".join(f"&#{ord(character)};" if character.isascii() else character for character in text)
