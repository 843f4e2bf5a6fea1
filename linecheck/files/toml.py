"""Reading a TOML file into a strict model, with every fault of the file at once.

================================  ==================================================================
:func:`read_toml`                 a file as data, with the place of every key
:func:`parse_model`               that data as a model, or every fault with its place
================================  ==================================================================
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ValidationError

from linecheck.errors import MAX_LISTED, Fault, FileFaults
from linecheck.files.bounded import read_bounded
from linecheck.files.faults import did_you_mean, expected, innermost, own_errors
from linecheck.files.yaml import described, dotted

#: A file that a person writes is never longer than this.
MAX_BYTES = 1_000_000

#: Keys are looked for in lines up to this length, so that the search stays quick whatever the file holds.
MAX_LINE_LENGTH = 2_000

#: Where a value stands in the data: names of keys and, in lists, indices.
Key = tuple[str | int, ...]

Model = TypeVar("Model", bound=BaseModel)


def _whole(value: object) -> object:
    if type(value) is int:
        return value
    raise ValueError(f"expected 1, got {_got(value)}")


#: The ``format`` of a file: the whole number 1, and neither 1.0 nor true, which are equal to it.
FormatOne = Annotated[Literal[1], BeforeValidator(_whole)]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_NAME = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
_ASSIGNMENT = re.compile(rf"^\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_SYNTAX_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True)
class TomlFile:
    """A TOML file as data.

    ``places`` holds line and column (from 1) of every key and table header, ``commas`` the lines in which digits
    stand on both sides of a comma; ``sha256`` is over the file's bytes.
    """

    path: str
    sha256: str
    data: Mapping[str, Any]
    places: Mapping[Key, tuple[int, int]]
    commas: frozenset[int] = frozenset()

    def fault(self, key: Key, message: str) -> Fault:
        """Return a fault at a key, or at the nearest one above it that the file has."""
        place = key
        while place and place not in self.places:
            place = place[:-1]
        line, column = self.places.get(place, (1, 1))
        hint = "; a decimal has a point, not a comma" if line in self.commas else ""
        return Fault(self.path, line, column, dotted(key), f"{message}{hint}")


def read_toml(path: str | Path, *, longest: int = MAX_BYTES) -> TomlFile:
    """Read a TOML file of at most ``longest`` bytes.

    Raises
    ------
    FileError
        As :func:`read_bounded`; a syntax error comes as :class:`FileFaults` with line and column.
    """
    import tomli

    path = Path(path)
    content = read_bounded(path, longest, "TOML file")
    try:
        # Some editors begin UTF-8 with a mark, which says nothing and which TOML does not have.
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        column = error.start - (content.rfind(b"\n", 0, error.start) + 1) + 1
        raise FileFaults(path, (Fault(str(path), line, column, "", "is not UTF-8 text"),)) from error
    try:
        data = tomli.loads(text)
    except (tomli.TOMLDecodeError, RecursionError, ValueError) as error:
        raise FileFaults(path, (_syntax_fault(str(path), text, str(error)),)) from error
    return TomlFile(str(path), hashlib.sha256(content).hexdigest(), data, dict(_places(text)), _commas(text))


def parse_model(file: TomlFile, model: type[Model], further: Sequence[Fault] = ()) -> Model:
    """Return the data as a model.

    Parameters
    ----------
    file : TomlFile
    model : type of BaseModel
    further : sequence of Fault
        Faults found by other means, listed with the model's own.

    Raises
    ------
    FileFaults
        Every fault, in the order of the file.
    """
    faults, uncounted = list(further), 0
    parsed: Model | None = None
    try:
        parsed = model.model_validate(file.data)
    except ValidationError as error:
        entries = own_errors(error.errors(include_url=False))
        faults += [_model_fault(file, model, entry) for entry in entries[:MAX_LISTED]]
        uncounted = max(0, len(entries) - MAX_LISTED)
    if faults or parsed is None:
        ordered = sorted(set(faults), key=lambda fault: (fault.line, fault.column, fault.key))
        raise FileFaults(file.path, ordered, uncounted)
    return parsed


def _syntax_fault(path: str, text: str, message: str) -> Fault:
    """Return a parser's error with its place, which the parser puts at the end of the message."""
    found = _SYNTAX_PLACE.search(message)
    if found is None:
        return Fault(path, 1, 1, "", f"is no TOML: {message}")
    if found[1] is None:
        lines = text.split("\n")
        line, column = len(lines), len(lines[-1]) + 1
    else:
        line, column = int(found[1]), int(found[2])
    words = message[: found.start()]
    return Fault(path, line, column, "", f"is no TOML: {words}{_hint(words, text, line, column)}")


def _hint(message: str, text: str, line: int, column: int) -> str:
    """Return what may have gone wrong where the parser stopped: a backslash in double quotes, a decimal comma."""
    if "\\" in message:
        return "; in double quotes a backslash begins an escape: write the text in single quotes"
    lines = text.split("\n")
    there = lines[line - 1][max(column - 3, 0) : column + 1] if line <= len(lines) else ""
    return "; write a decimal point, not a comma" if re.search(r"\d,\d", there) else ""


def _places(text: str) -> Iterator[tuple[Key, tuple[int, int]]]:
    """Yield every table header and key with its line and column.

    A line inside a multi-line string may look like one, and a line of absurd length is not looked at: that
    can only misplace a fault, never hide it.
    """
    table: Key = ()
    counts: dict[Key, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > MAX_LINE_LENGTH:
            continue
        header = _HEADER.match(line)
        if header is not None:
            table = _split(header[2])
            if header[1] == "[[":
                index = counts.get(table, 0)
                counts[table] = index + 1
                table = (*table, index)
            yield table, (number, line.index("[") + 1)
            continue
        assignment = _ASSIGNMENT.match(line)
        if assignment is not None:
            yield (*table, *_split(assignment[1])), (number, len(line) - len(line.lstrip()) + 1)


def _commas(text: str) -> frozenset[int]:
    """Return the lines in which digits stand on both sides of a comma: perhaps a decimal that was meant."""
    lines = enumerate(text.splitlines(), start=1)
    return frozenset(number for number, line in lines if re.search(r"\d,\d", line[:MAX_LINE_LENGTH]))


def _split(name: str) -> Key:
    """Return the parts of a dotted key, without their quotes."""
    return tuple(part.strip().strip("\"'") for part in name.split("."))


def _model_fault(file: TomlFile, model: type[BaseModel], entry: Mapping[str, Any]) -> Fault:
    """Return one of the model's errors in plain words, at its place."""
    key: Key = tuple(entry["loc"])
    match entry["type"]:
        case "extra_forbidden":
            known = sorted(innermost(model, key[:-1]).model_fields)
            return file.fault(key, f"is no key here; {did_you_mean(key[-1], known, 'the keys are')}")
        case "missing":
            return file.fault(key, "is missing")
        case "value_error":
            return file.fault(key, str(entry["ctx"]["error"]))
        case _:
            return file.fault(key, f"expected {expected(entry)}, got {_got(entry['input'])}")


def _got(value: object) -> str:
    """Return what a message says that it got; dates and times as TOML writes them."""
    return value.isoformat() if isinstance(value, date) else described(value)
