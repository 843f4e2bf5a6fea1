r"""Patterns of serial numbers: the part of regular expressions that labels need, matched in linear time.

A pattern is what a scanned text is tested against before it becomes a path, a query or XML, so it may neither let
in what no label carries nor take long. RE2 matches in time that grows with the text alone, whatever the pattern
(https://swtch.com/~rsc/regexp/regexp3.html), where Python's own ``re`` backtracks. A pattern is made of

======================  ================================================================
``A``, ``-``, ``\.``    a printable ASCII character; a backslash before punctuation
``\d``, ``\w``          a digit; a letter, digit or underscore (ASCII only)
``[A-Z0-9]``            one of these characters; no ``[^…]``
``( )``, ``(?: )``      a group
``a|b``                 either
``{6}``, ``{2,4}``      so many times; also ``?``, ``*`` and ``+``
======================  ================================================================

and is matched against the whole serial number. ``.`` and ``[^…]`` are refused: they would let quotes,
slashes and control characters in.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import re2

MAX_SERIAL_LENGTH: Final = 64
MAX_PATTERN_LENGTH: Final = 200

_TOKEN = re.compile(r"\\.?|\[\^?\]?(?:\\.|[^\]\\])*|\(\?.?|\{[0-9]*(?:,[0-9]*)?\}?|.", re.DOTALL)
_COUNT = re.compile(r"\{(?:[0-9]+(?:,[0-9]*)?|,[0-9]+)\}")
_PIECE = re.compile(r"\[[^\]\\]*\]|\\.|\{[^}]*\}|.", re.DOTALL)
_WHOLE_PIECE = re.compile(r"\[\]?(?:\\.|[^\]\\])*\]|\\.|\{[0-9,]+\}|\(\?:|.", re.DOTALL)
_BOUNDED = re.compile(r"\{[0-9]+(?:,[0-9]+)?\}")
_UNKNOWN_ESCAPE = re.compile(r"\\(?![dw!-/:-@\[-`{-~ ])")
#: What is refused although it is a regular expression: how its token begins, and what to write instead.
_REFUSED: Final = (
    (".", "'.' would match anything, quotes and slashes too; write \\. or a list such as [A-Z0-9]"),
    ("[^", "[^…] would match anything else, control characters too; list what is allowed"),
    ("^", "'^' is not needed, the whole serial number is matched; leave it out"),
    ("$", "'$' is not needed, the whole serial number is matched; leave it out"),
)


class PatternError(ValueError):
    """A pattern of serial numbers cannot be used."""


@cache
def compile_serial_pattern(pattern: str) -> re2._Regexp[str]:
    """Return a pattern that is safe to match against a scanned text.

    Raises
    ------
    PatternError
        In words that say what is wrong and, where it is a matter of characters, at which.
    """
    import re2

    if not 0 < len(pattern) <= MAX_PATTERN_LENGTH:
        raise PatternError(f"a pattern has 1 to {MAX_PATTERN_LENGTH} characters, got {len(pattern)}")
    tokens = list(_TOKEN.finditer(pattern))
    for token in tokens:
        if advice := _why_refused(token[0]):
            raise PatternError(f"character {token.start() + 1}: {advice}")
    # To RE2 "{,3}" is four characters.
    plain = "".join(f"{{0{token[0][1:]}" if token[0].startswith("{,") else token[0] for token in tokens)
    options = re2.Options()
    options.log_errors = False
    try:
        compiled = re2.compile(plain, options)
    except re2.error as error:
        raise PatternError(f"is not a regular expression: {error.args[0].decode()}") from None
    if compiled.fullmatch(""):
        raise PatternError("an empty serial number would match; ask for at least one character")
    return compiled


def _why_refused(token: str) -> str | None:
    if not (token.isascii() and token.isprintable()):
        return "only printable ASCII characters are used in serial numbers"
    if _UNKNOWN_ESCAPE.search(token.replace("\\\\", "")):
        return "after a backslash expected d, w or punctuation"
    if token.startswith("[") and "[:" in token:
        # [[:^alpha:]] and [[:cntrl:]] are control characters to RE2.
        return "only lists of characters are used here, as in [A-Z0-9]"
    if token.startswith("(?") and token != "(?:":
        return "only plain groups, ( ) and (?: ), are used here"
    if token.startswith("{") and not _COUNT.fullmatch(token):
        # RE2 takes it for the characters themselves.
        return "expected a count such as {6} or {2,4}; write \\{ for the character itself"
    return next((advice for begins, advice in _REFUSED if token.startswith(begins)), None)


def serial_matches(pattern: str, serial: str) -> bool:
    """Return whether a serial number is as a limit file's ``serial_pattern`` wants it."""
    compiled = compile_serial_pattern(pattern)
    printable = serial.isascii() and serial.isprintable()
    return len(serial) <= MAX_SERIAL_LENGTH and printable and compiled.fullmatch(serial) is not None


def has_one_length(pattern: str) -> bool:
    """Return whether all serial numbers of a pattern have one length: then none of them is the beginning of another."""
    least, most = _lengths(_WHOLE_PIECE.findall(pattern))
    return least == most


def _lengths(pieces: list[str]) -> tuple[float, float]:
    """Return the least and the greatest length of what matches these pieces, which it takes up to a closing bracket."""
    ways = [(0.0, 0.0)]
    while pieces and (piece := pieces.pop(0)) != ")":
        if piece == "|":
            ways.append((0.0, 0.0))
            continue
        least, most = _lengths(pieces) if piece in ("(", "(?:") else (1.0, 1.0)
        while pieces and (counts := _counts(pieces[0])) is not None:
            del pieces[0]
            least, most = least * counts[0], most * counts[1] if most else 0.0
        ways[-1] = (ways[-1][0] + least, ways[-1][1] + most)
    return min(low for low, _ in ways), max(high for _, high in ways)


def _counts(piece: str) -> tuple[float, float] | None:
    """Return how often what stands before a piece may come; None where it is no count."""
    if piece in ("?", "*", "+"):
        return (float(piece == "+"), 1.0 if piece == "?" else math.inf)
    if len(piece) < 2 or not piece.startswith("{"):
        return None
    low, comma, high = piece[1:-1].partition(",")
    return float(low or 0), float(high or math.inf) if comma else float(low)


#: Lists of characters as people call them: one of them, several.
_NAMED: Final = {
    r"\d": ("digit", "digits"),
    "[0-9]": ("digit", "digits"),
    "[A-Z]": ("capital letter", "capital letters"),
    "[a-z]": ("small letter", "small letters"),
    "[A-Z0-9]": ("capital letter or digit", "capital letters or digits"),
}


def pattern_in_words(pattern: str) -> str:
    """Return what serial numbers look like, for who has never seen a regular expression: ``PR3- and 6 digits``.

    A pattern with alternatives, groups or lists without a name stands as it is.
    """
    parts: list[str] = []
    literal, tokens = "", _PIECE.findall(pattern)
    for token, after in zip(tokens, [*tokens[1:], ""], strict=True):
        if token in _NAMED:
            one, several = _NAMED[token]
            count = after[1:-1].replace(",", " to ") if _BOUNDED.fullmatch(after) else "1"
            parts += [literal] * bool(literal) + [f"{count} {one if count == '1' else several}"]
            literal = ""
        elif token.startswith("{") and parts and not literal:
            continue
        elif token[-1] in "?*+|(){}[]" or token.startswith("[") or token in (r"\w", "(?:"):
            return pattern
        else:
            literal += token[-1]
    parts += [literal] * bool(literal)
    return ", ".join(parts[:-1]) + " and " * (len(parts) > 1) + parts[-1] if parts else pattern


#: What a German and a French keyboard layout make of what a scanner types by the American one (from memory).
_LAYOUTS: Final = (
    str.maketrans({"ß": "-", "?": "_", "-": "/", "y": "z", "z": "y", "Y": "Z", "Z": "Y"}),
    str.maketrans("àé&\"'(-è_ç)aqzwAQZW", "0213456789-qawzQAWZ"),
)


def serial_hint(pattern: str, serial: str) -> str:
    """Return the likely cause of a serial number that does not match; empty if unknown."""
    if serial_matches(pattern, serial.strip()):
        return "; there is a blank before or after it"
    if serial_matches(pattern, serial.swapcase()) or serial_matches(pattern, serial.upper()):
        return "; upper and lower case are the other way round: is Caps Lock on, or the scanner set to another case?"
    for layout in _LAYOUTS:
        typed = serial.translate(layout)
        if serial_matches(pattern, typed) or serial_matches(pattern, typed.upper()):
            return f"; is the scanner set to another keyboard layout than this computer? It may have read {typed}"
    return ""
