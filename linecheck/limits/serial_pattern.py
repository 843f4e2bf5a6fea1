r"""Patterns of serial numbers: a small, safe part of regular expressions.

A pattern is what a scanned text is tested against before it becomes a path, a query or XML, so it may not
be open-ended in what it allows or in how long it takes. It is made of

======================  ================================================================
``A``, ``-``, ``\.``    a printable ASCII character; a backslash before punctuation
``\d``, ``\w``          a digit; a letter, digit or underscore (ASCII only)
``[A-Z0-9]``            one of these characters; no ``[^…]``
``( )``, ``(?: )``      a group
``a|b``                 either
``{6}``, ``{2,4}``      so many times; also ``?``, ``*`` and ``+``
======================  ================================================================

and is matched against the whole serial number. ``.`` and ``[^…]`` are refused: they would let quotes,
slashes and control characters in. The number of ways in which a text may be split among the pattern's parts
is bounded, so that matching never takes noticeable time, whatever is scanned.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from functools import cache
from typing import Final

__all__ = [
    "MAX_PATTERN_LENGTH",
    "MAX_SERIAL_LENGTH",
    "PatternError",
    "compile_serial_pattern",
    "serial_hint",
    "serial_matches",
]

MAX_SERIAL_LENGTH: Final = 64
MAX_PATTERN_LENGTH: Final = 200
MAX_WAYS: Final = 300_000
MAX_GROUPS_DEEP: Final = 10

_PUNCTUATION = r"""!"#$%&'()*+,-./:;<=>?@[\]^_`{|}~ """
_COUNT = r"[0-9]{1,4}"
_QUANTIFIER = re.compile(rf"[*+?]|\{{(?:({_COUNT})(,({_COUNT})?)?|,({_COUNT}))\}}")


class PatternError(ValueError):
    """A pattern of serial numbers cannot be used."""


@dataclass(frozen=True)
class _Part:
    """A part of a pattern: shortest and longest text, and in how many ways it may match one text."""

    least: int
    most: int
    ways: int


@cache
def compile_serial_pattern(pattern: str) -> re.Pattern[str]:
    """Return a pattern that is safe to match against a scanned text.

    Raises
    ------
    PatternError
        In words that say what is wrong and at which character.
    """
    if not 0 < len(pattern) <= MAX_PATTERN_LENGTH:
        raise PatternError(f"a pattern has 1 to {MAX_PATTERN_LENGTH} characters, got {len(pattern)}")
    whole = _Parser(pattern).whole()
    if whole.least > MAX_SERIAL_LENGTH:
        raise PatternError(
            f"the shortest serial number that matches has {whole.least} characters, "
            f"at most {MAX_SERIAL_LENGTH} are allowed"
        )
    if whole.least == 0:
        raise PatternError("an empty serial number would match; ask for at least one character")
    if whole.ways > MAX_WAYS:
        raise PatternError(
            "a text could be split among its parts in too many ways; repeat nothing that repeats or "
            "branches itself, and write fixed counts such as [0-9]{6}"
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return re.compile(pattern, re.ASCII)
    except (re.error, Warning, OverflowError, RecursionError) as error:
        raise PatternError(f"is no regular expression: {error}") from None


def serial_matches(pattern: str, serial: str) -> bool:
    """Return whether a serial number is as a limit file's ``serial_pattern`` wants it."""
    return len(serial) <= MAX_SERIAL_LENGTH and compile_serial_pattern(pattern).fullmatch(serial) is not None


#: What a German and a French keyboard layout make of what a scanner types by the American one (from memory).
_LAYOUTS: Final = (
    str.maketrans({"ß": "-", "?": "_", "-": "/", "y": "z", "z": "y", "Y": "Z", "Z": "Y"}),
    str.maketrans("àé&\"'(-è_ç)aqzwAQZW", "0213456789-qawzQAWZ"),
)


def serial_hint(pattern: str, serial: str) -> str:
    """Return what may have gone wrong where a serial number does not match; empty where nobody can tell."""
    if serial_matches(pattern, serial.strip()):
        return "; there is a blank before or after it"
    if serial_matches(pattern, serial.swapcase()) or serial_matches(pattern, serial.upper()):
        return "; upper and lower case are the other way round: is Caps Lock on, or the scanner set to another case?"
    for layout in _LAYOUTS:
        typed = serial.translate(layout)
        if serial_matches(pattern, typed) or serial_matches(pattern, typed.upper()):
            return f"; is the scanner set to another keyboard layout than this computer? It may have read {typed}"
    return ""


class _Parser:
    """Reads a pattern from left to right and refuses what is not in its part of regular expressions."""

    def __init__(self, pattern: str) -> None:
        self.pattern = pattern
        self.at = 0
        self.deep = 0

    def whole(self) -> _Part:
        part = self._either()
        if self.at < len(self.pattern):
            raise self._error("')' closes nothing")
        return part

    def _error(self, message: str) -> PatternError:
        return PatternError(f"character {self.at + 1}: {message}")

    def _next(self) -> str:
        return self.pattern[self.at : self.at + 1]

    def _either(self) -> _Part:
        parts = [self._sequence()]
        while self._next() == "|":
            self.at += 1
            parts.append(self._sequence())
        return _Part(
            min(part.least for part in parts),
            max(part.most for part in parts),
            sum(part.ways for part in parts),
        )

    def _sequence(self) -> _Part:
        least, most, ways = 0, 0, 1
        while self._next() not in ("", "|", ")"):
            part = self._repeated(self._atom())
            least, most = least + part.least, min(most + part.most, MAX_SERIAL_LENGTH)
            ways = min(ways * part.ways, MAX_WAYS + 1)
        return _Part(least, most, ways)

    def _repeated(self, part: _Part) -> _Part:
        found = _QUANTIFIER.match(self.pattern, self.at)
        if found is None:
            if self._next() == "{":
                raise self._error("expected a count such as {6} or {2,4}; write \\{ for the character itself")
            return part
        least, most = _counts(found)
        if most is not None and most < least:
            raise self._error(f"{found[0]} ends below where it begins")
        self.at = found.end()
        if self._next() in ("*", "+", "?", "{"):
            raise self._error(f"{self._next()!r} repeats what is repeated already")
        times = min(MAX_SERIAL_LENGTH if most is None else most, MAX_SERIAL_LENGTH)
        ways, total = part.ways ** min(least, MAX_SERIAL_LENGTH), 0
        for _ in range(min(least, times), times + 1):
            total = min(total + ways, MAX_WAYS + 1)
            ways = min(ways * part.ways, MAX_WAYS + 1)
        return _Part(part.least * least, min(part.most * times, MAX_SERIAL_LENGTH), total)

    def _atom(self) -> _Part:
        character = self._next()
        if character == "(":
            return self._group()
        if character == "[":
            return self._class()
        if character == "\\":
            self._escape()
        elif character in "^$":
            raise self._error(
                f"'{character}' is not needed, the whole serial number is matched; leave it out"
            )
        elif character == ".":
            raise self._error(
                "'.' would match anything, quotes and slashes too; write \\. or a list such as [A-Z0-9]"
            )
        elif character in "*+?{":
            raise self._error(f"'{character}' has nothing to repeat")
        else:
            self._literal()
        return _Part(1, 1, 1)

    def _literal(self) -> str:
        character = self._next()
        if not (" " <= character <= "~"):
            raise self._error("only printable ASCII characters are used in serial numbers")
        self.at += 1
        return character

    def _escape(self) -> None:
        self.at += 1
        character = self._next()
        if character == "" or character not in _PUNCTUATION + "dw":
            raise self._error("after a backslash expected d, w or punctuation")
        self.at += 1

    def _group(self) -> _Part:
        self.at += 1
        if self._next() == "?":
            if not self.pattern.startswith("?:", self.at):
                raise self._error("only plain groups, ( ) and (?: ), are used here")
            self.at += 2
        self.deep += 1
        if self.deep > MAX_GROUPS_DEEP:
            raise self._error(f"groups nest more than {MAX_GROUPS_DEEP} deep")
        part = self._either()
        self.deep -= 1
        if self._next() != ")":
            raise self._error("expected ')'")
        self.at += 1
        return part

    def _class(self) -> _Part:
        self.at += 1
        if self._next() == "^":
            raise self._error("[^…] would match anything else, control characters too; list what is allowed")
        first = self.at
        while self._next() != "]" or self.at == first:
            if self._next() == "":
                raise self._error("expected ']'")
            if self._next() == "\\":
                self._escape()
            else:
                self._literal()
        self.at += 1
        return _Part(1, 1, 1)


def _counts(found: re.Match[str]) -> tuple[int, int | None]:
    """Return how many times at least and at most; None is any number."""
    if found[0] in "*+?":
        return {"*": (0, None), "+": (1, None), "?": (0, 1)}[found[0]]
    if found[4] is not None:
        return 0, int(found[4])
    least = int(found[1])
    if found[2] is None:
        return least, least
    return least, None if found[3] is None else int(found[3])
