"""Reading YAML 1.2 that may be hostile, with the place of every key and value.

========================  =================================================================
:func:`read_source`       one file: its plain data, places, faults and SHA-256
:class:`Source`           what that returns
:class:`Place`            file, line and column
:data:`REFUSED`           stands for a value that has been reported as a fault already
========================  =================================================================

Plain scalars follow the core schema of YAML 1.2 (10.3.2): ``20e3`` is a number, a date is text. What other
programs read differently (``no``, ``1:30``, ``010``, ``0x10``, ``1_000``, ``.inf``) is refused, so that a
file means the same to everyone. Aliases, anchors, tags, directives, duplicate keys and further documents
are refused as well.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NoReturn

import yaml

from linecheck.errors import Fault, FileError, FileFaults
from linecheck.files.bounded import read_bounded

MAX_BYTES: Final = 1 << 20
MAX_DEPTH: Final = 24
MAX_NODES: Final = 100_000
MAX_DIGITS: Final = 40
#: What is longer than this is no number that anyone would misread; it also bounds the patterns' backtracking.
MAX_AMBIGUOUS_LENGTH: Final = 200

KeyPath = tuple[str | int, ...]


class _Refused:
    """A value that has been reported as a fault already."""

    def __repr__(self) -> str:
        return "REFUSED"


REFUSED: Final = _Refused()


@dataclass(frozen=True)
class Place:
    """Where a key or value stands; line and column count from 1."""

    file: str
    line: int
    column: int


@dataclass
class Source:
    """One YAML file as plain data.

    Attributes
    ----------
    path : str
        As it was given.
    sha256 : str
        Of the file's bytes.
    data : dict
        Mappings, lists, text, numbers, true, false and None; :data:`REFUSED` where a fault was reported.
    values, keys : mapping of KeyPath to Place
        Where every value stands, and the key of every value in a mapping.
    texts : mapping of KeyPath to str
        Every scalar as it is written, without quotes.
    faults : list of Fault
        What was refused.
    """

    path: str
    sha256: str
    data: dict[str, Any] = field(default_factory=dict)
    values: dict[KeyPath, Place] = field(default_factory=dict)
    keys: dict[KeyPath, Place] = field(default_factory=dict)
    texts: dict[KeyPath, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)


def shown(value: object, most: int = 40) -> str:
    """Return a value as a message quotes it: short, on one line, with nothing invisible in it."""
    text = ascii(value) if not isinstance(value, str) else "'" + value[: 2 * most] + "'"
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return text if len(text) <= most + 2 else text[: most - 1] + "…'"


def described(value: object) -> str:
    """Return what a message says that it got: ``the text 'no'``, ``a list``, ``3``, ``nothing``."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, dict | list | tuple):
        return "a mapping" if isinstance(value, dict) else "a list"
    return shown(value)


def dotted(path: KeyPath) -> str:
    """Return a path as messages write it: ``checks.tone.masks``, ``channels[2]``; lists count from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif re.fullmatch(r"[\w-]{1,64}", part):
            text += f".{part}" if text else part
        else:
            text += f".{shown(part)}" if text else shown(part)
    return text


def read_source(path: str | os.PathLike[str]) -> Source:
    """Read one YAML file.

    Raises
    ------
    FileError
        The file is missing, unreadable, too large or no text.
    FileFaults
        It is no YAML, or nests too deep to be a limit file. Milder faults are in :attr:`Source.faults`.
    """
    name = os.fspath(path)
    content = read_bounded(name, MAX_BYTES, "limit file")
    source = Source(name, hashlib.sha256(content).hexdigest())
    _Builder(source).build(_decode(name, content))
    return source


def _decode(name: str, content: bytes) -> str:
    """Return the text of a file that holds UTF-8 text and nothing else."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise FileError(name, "is UTF-16 text; save it as UTF-8")
    if b"\0" in content:
        raise FileError(name, "is a binary file, expected text")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = _position(content[: error.start].decode("utf-8", "replace"))
        message = f"byte 0x{content[error.start]:02X} is not UTF-8; save the file as UTF-8"
        raise FileFaults(name, (Fault(name, line, column, "", message),)) from None
    # What YAML 1.2 (5.1) does not allow in a stream.
    odd = re.search("[\x01-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ufeff\ufffe\uffff]", text)
    if odd is not None:
        line, column = _position(text[: odd.start()])
        message = f"the character U+{ord(odd[0]):04X} is not allowed in a limit file"
        raise FileFaults(name, (Fault(name, line, column, "", message),))
    return text


def _position(before: str) -> tuple[int, int]:
    lines = re.split("\r\n|[\r\n]", before)
    return len(lines), len(lines[-1]) + 1


@dataclass
class _Frame:
    """A mapping or list that is being read; ``lost`` where it was refused and its content goes nowhere."""

    path: KeyPath
    value: dict[str, Any] | list[Any]
    lost: bool
    key: str = "?"
    key_lost: bool = False
    wants_key: bool = True


class _Builder:
    """Turns parser events into a :class:`Source`. No recursion, so that nothing nests too deep for it."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.stack: list[_Frame] = []
        self.nodes = 0
        self.documents = 0

    def build(self, text: str) -> None:
        root: Any = None
        for event in self._events(text):
            if isinstance(event, yaml.DocumentStartEvent):
                if self._document(event):
                    break
            elif isinstance(event, yaml.CollectionEndEvent):
                frame = self.stack.pop()
                if not self.stack:
                    root = frame.value
            elif isinstance(event, yaml.NodeEvent):
                value = self._node(event)
                if not self.stack:
                    root = value
        if not isinstance(root, dict):
            self._give_up(
                1,
                1,
                "expected 'key: value' lines, as in 'format: 1'" + (", the file is empty" * (root is None)),
            )
        self.source.data = root

    def _events(self, text: str) -> Iterator[yaml.Event]:
        loader: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader
        try:
            yield from yaml.parse(text, Loader=loader)
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
            self._give_up(line, column, _plain_words(error, _character(text, line, column)))
        except yaml.YAMLError as error:
            self._give_up(1, 1, f"is no YAML: {shown(str(error), 120)}")

    def _give_up(self, line: int, column: int, message: str) -> NoReturn:
        fault = Fault(self.source.path, line, column, "", message)
        raise FileFaults(self.source.path, (*self.source.faults, fault)) from None

    def _document(self, event: yaml.DocumentStartEvent) -> bool:
        """Note a document's start; return whether reading ends here."""
        self.documents += 1
        if self.documents > 1:
            self._fault(event, (), "a second document begins here, a limit file is one document")
            return True
        if getattr(event, "version", None) or getattr(event, "tags", None):
            self._fault(event, (), "directives (%YAML, %TAG) are not used in limit files")
        return False

    def _fault(self, event: yaml.Event, path: KeyPath, message: str) -> None:
        place = self._mark(event)
        self.source.faults.append(Fault(place.file, place.line, place.column, dotted(path), message))

    def _mark(self, event: Any) -> Place:  # noqa: ANN401 - PyYAML's stubs make the mark optional
        return Place(self.source.path, event.start_mark.line + 1, event.start_mark.column + 1)

    def _node(self, event: yaml.NodeEvent) -> Any:  # noqa: ANN401 - plain data
        self.nodes += 1
        if self.nodes > MAX_NODES or len(self.stack) >= MAX_DEPTH:
            place = self._mark(event)
            too_many = f"more than {MAX_NODES} values, too many for a limit file"
            too_deep = f"nests more than {MAX_DEPTH} levels deep"
            self._give_up(place.line, place.column, too_many if self.nodes > MAX_NODES else too_deep)
        frame = self.stack[-1] if self.stack else None
        if frame is not None and isinstance(frame.value, dict) and frame.wants_key:
            self._key(event, frame)
            return None
        path, lost = self._place(event, frame)
        value = self._value(event, path)
        if not lost and frame is not None:
            if isinstance(frame.value, dict):
                frame.value[frame.key] = value
            else:
                frame.value.append(value)
        if isinstance(value, dict | list):
            self.stack.append(_Frame(path, value, lost))
        elif value is REFUSED and isinstance(event, yaml.CollectionStartEvent):
            self.stack.append(_Frame(path, {} if isinstance(event, yaml.MappingStartEvent) else [], True))
        return value

    def _place(self, event: yaml.Event, frame: _Frame | None) -> tuple[KeyPath, bool]:
        """Return the path of the value that begins, and whether it goes nowhere; note where it stands."""
        path: KeyPath
        if frame is None:
            path, lost = (), False
        elif isinstance(frame.value, dict):
            path, lost = (*frame.path, frame.key), frame.lost or frame.key_lost
            frame.wants_key = True
        else:
            path, lost = (*frame.path, len(frame.value)), frame.lost
        if not lost:
            self.source.values[path] = self._mark(event)
        return path, lost

    def _key(self, event: yaml.NodeEvent, frame: _Frame) -> None:
        """Take a mapping's next key; where it is refused, its value goes nowhere."""
        frame.wants_key = False
        before = frame.key
        frame.key, frame.key_lost = "?", True
        if not isinstance(event, yaml.ScalarEvent):
            self._fault(event, frame.path, "a key must be a word, got " + _what(event))
            if isinstance(event, yaml.CollectionStartEvent):
                content: dict[str, Any] | list[Any] = {} if isinstance(event, yaml.MappingStartEvent) else []
                self.stack.append(_Frame(frame.path, content, True))
            return
        text: str = event.value
        path, frame.key = (*frame.path, text), text
        if self._marked(event, path):
            return
        if event.implicit[0] and not isinstance(_core(text), str):
            self._fault(event, frame.path, self._no_key(text, frame, before))
        elif text == "<<" and event.implicit[0]:
            self._fault(event, frame.path, "merge keys ('<<') are not used in limit files; see 'based_on'")
        elif _CONTROLS.search(text):
            self._fault(event, frame.path, f"the key {shown(text)} has control characters in it")
        elif isinstance(frame.value, dict) and text in frame.value and not frame.lost:
            first = self.source.keys[path]
            self._fault(event, path, f"the key is given twice, first in line {first.line}; remove one")
        else:
            frame.key_lost = False
            if not frame.lost:
                self.source.keys[path] = self._mark(event)

    def _no_key(self, text: str, frame: _Frame, before: str) -> str:
        """Say of a number in a key's place what it may have been: the rest of a number with a decimal comma."""
        value = self.source.texts.get((*frame.path, before), "")
        if text.isdecimal() and _INTEGER.fullmatch(value) and isinstance(frame.value, dict):
            frame.value[before] = REFUSED  # it is not what was meant
            return f"a comma ends a value here; write a decimal point, as in {before}: {value}.{text}"
        return f"a key must be a word, got {shown(text)}; quote it if it is meant so"

    def _marked(self, event: Any, path: KeyPath) -> bool:  # noqa: ANN401 - PyYAML's stubs lack the attributes
        """Report an anchor or tag of a node; return whether it has one."""
        if event.anchor is not None:
            self._fault(event, path, "anchors ('&') are not used in limit files; write the value out")
        elif event.tag is not None:
            self._fault(event, path, f"tags are not used in limit files, got {shown(event.tag)}")
        else:
            return False
        return True

    def _value(self, event: Any, path: KeyPath) -> Any:  # noqa: ANN401
        if isinstance(event, yaml.AliasEvent):
            self._fault(event, path, "aliases ('*') are not used in limit files; write the value out")
            return REFUSED
        if self._marked(event, path):
            return REFUSED
        if isinstance(event, yaml.MappingStartEvent):
            return {}
        if isinstance(event, yaml.SequenceStartEvent):
            return []
        text: str = event.value
        if _CONTROLS.search(text):
            self._fault(event, path, "the text has control characters in it")
            return REFUSED
        self.source.texts.setdefault(path, text)
        if not event.implicit[0]:
            return text
        refusal = _ambiguous(text)
        if refusal is not None:
            self._fault(event, path, refusal)
            return REFUSED
        return _core(text)


def _what(event: yaml.Event) -> str:
    if isinstance(event, yaml.AliasEvent):
        return "an alias"
    return "a mapping" if isinstance(event, yaml.MappingStartEvent) else "a list"


_CONTROLS = re.compile("[\0-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")


def _character(text: str, line: int, column: int) -> str:
    """Return the character at a place; empty where there is none."""
    lines = text.splitlines()
    return lines[line - 1][column - 1 : column] if line <= len(lines) else ""


def _plain_words(error: yaml.MarkedYAMLError, character: str) -> str:
    problem = str(error.problem or error.context or error)
    if character == "\t":
        return "a tab cannot indent in YAML; use spaces"
    context = f" ({error.context})" if error.context else ""
    hint = next((hint for words, hint in _HINTS.items() if words in problem), "")
    return f"is no YAML: {problem}{context}{hint}"


_HINTS: Final[Mapping[str, str]] = {
    "escape character": "; in double quotes a backslash begins an escape: write the text in single quotes",
    "did not find expected key": "; does this line begin in the same column as those that it belongs with?",
    "mapping values are not allowed": "; does this line begin further to the right than the one that it belongs with?",
}


_INTEGER = re.compile(r"[-+]?[0-9]+")
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NULL = frozenset({"", "~", "null", "Null", "NULL"})
_BOOLEAN: Mapping[str, bool] = {
    "true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False,
}  # fmt: skip
_REFUSALS: tuple[tuple[re.Pattern[str], str], ...] = (
    (
        re.compile(r"yes|no|on|off|y|n", re.IGNORECASE),
        "some programs read {0} as true or false; write true or false, or quote it if it is a word",
    ),
    (
        re.compile(r"[-+]?[0-9][0-9_]*(:[0-5]?[0-9])+(\.[0-9_]*)?"),
        "some programs read {0} as a number to base 60; write a decimal number, or quote it if it is text",
    ),
    (
        re.compile(r"[-+]?0[0-9_]+"),
        "some programs read {0} as an octal number; drop the leading zeros, or quote it if it is text",
    ),
    (
        re.compile(r"[-+]?0[xob][0-9a-f_]+", re.IGNORECASE),
        "{0} is no decimal number; write it in decimal digits, or quote it if it is text",
    ),
    (
        re.compile(r"[-+]?[0-9][0-9_]*_[0-9_]*(\.[0-9_]*)?([eE][-+]?[0-9]+)?"),
        "some programs read {0} as a number; write it without '_', or quote it if it is text",
    ),
    (
        re.compile(r"[-+]?\.inf|\.nan", re.IGNORECASE),
        "{0} is no finite number; leave a limit out where there is none",
    ),
)


def _ambiguous(text: str) -> str | None:
    """Return why a plain scalar is refused; None where it means the same to every program."""
    for pattern, message in _REFUSALS if len(text) <= MAX_AMBIGUOUS_LENGTH else ():
        if pattern.fullmatch(text):
            return message.format(shown(text))
    if _NUMBER.fullmatch(text):
        if len(text) > MAX_DIGITS:
            return f"the number {shown(text)} has {len(text)} digits, at most {MAX_DIGITS} are read"
        if abs(float(text)) == float("inf"):
            return f"the number {shown(text)} is too large"
    return None


def _core(text: str) -> str | int | float | bool | None:
    """Return the value of a plain scalar by the core schema of YAML 1.2 (10.3.2)."""
    if text in _NULL:
        return None
    if text in _BOOLEAN:
        return _BOOLEAN[text]
    if len(text) <= MAX_DIGITS and _NUMBER.fullmatch(text):
        return int(text) if _INTEGER.fullmatch(text) else float(text)
    return text
