"""The results of runs as JUnit XML: what build servers show.

Suites and cases are those of :mod:`linecheck.results.cases`. What may be broken begins the ``message`` of each case
that does not pass, which is what a build server lists; the text below it is the case's own. JUnit has no word for
marginal: where it passes, its sentence stands in the suite's ``system-out``. The results of many sets go to one file
with a suite for each set. Texts are shorter there, and say nothing of what passes.

The form is the part that the Ant and the Jenkins schemas of JUnit files have in common. junit-xml builds
the elements; it drops zeros, and a failure without text becomes a pass in it, so what it built is counted
and completed here.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.files.write import GrowingFile
from linecheck.limits.verdict import Verdict
from linecheck.results.cases import Case, Suite, one_line, run_suite, set_suite
from linecheck.results.formats.base import OneRun, ResultFormat

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet
    from linecheck.results.overview import Brief
    from linecheck.run.model import Run

#: Where many sets share a file: characters of a case's ``message``, and of its text.
MAX_MESSAGE, MAX_TEXT = 300, 600

#: Build servers refuse JUnit files from about 30 MB, or with more than 250,000 elements; common practice, no source.
MAX_BYTES = 25_000_000
MAX_ELEMENTS = 200_000

_HEAD = b"<?xml version='1.0' encoding='utf-8'?>\n"
_FURTHER = b"<!-- linecheck: continues the file before it -->\n"
_OPEN, _CLOSE = b"<testsuites>\n", b"</testsuites>\n"


_NOTHING: Mapping[str, Any] = MappingProxyType({})


class JunitFormat(ResultFormat):
    """One file, or several where many sets make it large."""

    name: ClassVar[str] = "junit"
    what: ClassVar[str] = "the result"
    form: ClassVar[str] = "JUnit XML"
    suffix: ClassVar[str] = ".xml"
    run_file: ClassVar[str] = "junit.xml"

    def of_run(self, one: OneRun) -> bytes:
        """Return a file with one suite."""
        return junit_bytes(one.run, one.strict, one.cases, record=one.record)

    def of_sets(self, path: Path, *, strict: bool) -> JunitFiles:
        """Begin a file with a suite for each set."""
        return JunitFiles(path, strict=strict)

    def written(self, path: Path) -> None:
        """Remove what continued an earlier, larger file."""
        remove_parts(path)


FORMAT = JunitFormat()


def junit_bytes(run: Run, strict: bool = False, further: Iterable[Case] = (), *, record: str = "") -> bytes:
    """Return the JUnit file of a run, UTF-8.

    Parameters
    ----------
    run : Run
    strict : bool
        Marginal is a failure.
    further : iterable of Case
        Cases besides those of its readings and curves.
    record : str
        What the property ``log_record`` of its suite says; without it there is none.

    Raises
    ------
    RecordError
        A verdict was given on what was not measured.
    """
    root = ET.Element("testsuites")
    root.append(_element(_noted(run_suite(run, strict, further), record), 0))
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _noted(suite: Suite, record: str) -> Suite:
    return replace(suite, properties=suite.properties | {"log_record": record}) if record else suite


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
        most_bytes: int = MAX_BYTES,
        most_elements: int = MAX_ELEMENTS,
    ) -> None:
        self._path = path
        self._strict = strict
        self._most = (most_bytes, most_elements)
        self._places: Counter[str] = Counter()
        self._suites = 0
        self._parts: list[GrowingFile] = []
        self._size, self._filled = (0, 0), False
        self._begin()

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where it is, part after part."""
        return tuple(part.path for part in self._parts)

    def add(self, judged: JudgedSet, keys: Mapping[str, Any] = _NOTHING, cases: Iterable[Case] = ()) -> None:
        """Write a set's suite, with further cases besides those of its readings and curves."""
        suite = set_suite(judged, strict=self._strict, place=self._place(judged), further=cases)
        element = _element(_noted(suite, judged.record), self._suites)
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

    def finish(self, briefs: Sequence[Brief] = ()) -> None:
        """Keep the files; those that an earlier run had more of are removed."""
        self._parts[-1].write(_CLOSE)
        for part in self._parts:
            part.finish()
        remove_parts(self._path, len(self._parts) + 1)

    def abandon(self) -> None:
        """Leave everything as it was before."""
        for part in self._parts:
            part.abandon()

    def _begin(self) -> None:
        number = len(self._parts) + 1
        path = _part_path(self._path, number)
        if number > 1 and path.exists() and not _is_part(path):
            raise RecordError(
                f"{visible(str(path))}: is needed to continue {self._path.name}, but is another file: "
                "move it away, or give the JUnit file another name"
            )
        part = GrowingFile(path)
        self._parts.append(part)
        part.write(_HEAD + (_FURTHER if number > 1 else b"") + _OPEN)
        self._size, self._filled = (0, 0), False

    def _place(self, judged: JudgedSet) -> str:
        """Return what classnames begin with, another one for each set, the same from run to run."""
        run = judged.outcome
        place = f"{run.model}.{run.serial}" if run is not None else "linecheck.set"
        key = one_line(place if run is not None else f"{place} {judged.path}")  # as it stands in the file
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
            raise RecordError(f"{visible(str(part))}: is left from an earlier run and cannot be removed")
        number += 1


def _is_part(path: Path) -> bool:
    """Return whether a file is one that continues another, as they are written here."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(_HEAD + _FURTHER)) == _HEAD + _FURTHER
    except OSError:
        return False


def _shortened(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _element(suite: Suite, number: int) -> ET.Element:
    from junit_xml import TestCase, TestSuite

    cases = []
    for case in suite.cases:
        built = TestCase(case.name, classname=case.classname)
        text = _text(case, suite)
        message = _message(case, text, suite)
        if case.outcome == "failure":
            built.add_failure_info(message, text, case.kind)
        elif case.outcome == "error":
            built.add_error_info(message, text, case.kind)
        cases.append(built)
    element: ET.Element = TestSuite(
        one_line(suite.name),
        cases,
        hostname=one_line(suite.host),
        package=one_line(suite.package),
        timestamp=utc_text(suite.started)[:19],
        properties=suite.properties,
        stdout="\n".join(_output(suite)),
    ).build_xml_doc()
    _complete(element, suite, number)
    return element


def _output(suite: Suite) -> Iterator[str]:
    """Yield the lines of a suite that are in no failure or error; of a brief one, those that matter."""
    for note in suite.notes:
        yield _shortened(one_line(note), MAX_TEXT) if suite.brief else one_line(note)
    for case in suite.cases:
        if not suite.brief or (case.outcome == "passed" and case.kind != Verdict.PASS):
            yield _text(case, suite)


def _text(case: Case, suite: Suite) -> str:
    """Return what is said of a case."""
    if not suite.brief:
        return one_line(case.text)
    return _shortened(one_line(case.text[: MAX_TEXT + 1]), MAX_TEXT)


def _message(case: Case, text: str, suite: Suite) -> str:
    """Return what a list of cases shows of one: what may be broken, then what is said of the case."""
    # Whatever the cause takes, a third is left to the case itself.
    cause = _shortened(case.cause, 2 * MAX_MESSAGE // 3) if suite.brief else case.cause
    message = " ".join(filter(None, (cause, text)))
    return _shortened(message, MAX_MESSAGE) if suite.brief else message


def _complete(element: ET.Element, suite: Suite, number: int) -> None:
    """Bring an element into the common form; refuse it where a case's outcome was lost."""
    nodes = element.findall("testcase")
    for node, case in zip(nodes, suite.cases, strict=True):
        node.set("time", f"{case.seconds:.3f}")
        outcome = node[0].tag if len(node) else "passed"
        if outcome != case.outcome or len(node) > 1:
            name = f"{case.classname}.{case.name}"
            raise RecordError(f"{name}: JUnit lost its {case.outcome}; please report it")
    element.attrib.pop("disabled", None)
    element.set("id", str(number))
    element.set("time", f"{max(suite.seconds, 0.0):.3f}")
    element.set("tests", str(len(nodes)))
    for count, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        element.set(count, str(len(element.findall(f"testcase/{tag}"))))
    for tag in ("properties", "system-out", "system-err"):
        part = element.find(tag)
        if part is None:
            part = ET.Element(tag)
        else:
            element.remove(part)
        element.insert(0, part) if tag == "properties" else element.append(part)
