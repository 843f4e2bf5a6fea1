"""A state that is read from across the bench: a word and a shape, and colour only on top of them.

States are verdicts, and those of a station that waits for scans (:mod:`linecheck.line.states`).
"""

from __future__ import annotations

from typing import Final, NamedTuple


class _Sign(NamedTuple):
    """The shape of a state in text, in ASCII and large, and its colour; shapes tell states apart without colours."""

    text: str
    ascii: str
    colour: str
    shape: tuple[str, ...]


_PASSES: Final = _Sign("●", "(o)", "bright_cyan", (" ### ", "#####", "#####", "#####", " ### "))
_FAILS: Final = _Sign("✖", "[X]", "bright_red", ("#   #", " # # ", "  #  ", " # # ", "#   #"))
_INVALID: Final = _Sign("▒", "[?]", "bright_magenta", ("# # #", " # # ", "# # #", " # # ", "# # #"))
_SIGNS: Final = {
    "pass": _PASSES,
    "hold": _Sign("‖", "[=]", "bright_yellow", ("## ##", "## ##", "## ##", "## ##", "## ##")),
    "marginal": _Sign("▲", "/!\\", "bright_yellow", ("  #  ", "  #  ", " ### ", " ### ", "#####")),
    "fail": _FAILS,
    "invalid": _INVALID,
    "test again": _INVALID,
    "aborted": _Sign("□", "[ ]", "bright_white", ("#####", "#   #", "#   #", "#   #", "#####")),
    "stopped": _Sign("□", "[ ]", "bright_white", ("#####", "#   #", "#   #", "#   #", "#####")),
    "not tested": _Sign("—", "[-]", "bright_white", ("     ", "#####", "     ", "#####", "     ")),
    "station locked": _Sign("▣", "[#]", "bright_magenta", (" ### ", " # # ", "#####", "#####", "#####")),
    "do this": _Sign("▶", "[>]", "bright_yellow", ("#    ", "###  ", "#####", "###  ", "#    ")),
    "met": _PASSES,
    "not met": _FAILS,
}

#: Rows of a letter, one behind the other.
_LETTERS: Final = {
    "A": " ### |#   #|#####|#   #|#   #",
    "B": "#### |#   #|#### |#   #|#### ",
    "C": " ####|#    |#    |#    | ####",
    "D": "#### |#   #|#   #|#   #|#### ",
    "E": "####|#   |### |#   |####",
    "F": "####|#   |### |#   |#   ",
    "G": " ####|#    |#  ##|#   #| ####",
    "H": "#   #|#   #|#####|#   #|#   #",
    "I": "#|#|#|#|#",
    "J": "  ##|   #|   #|#  #| ## ",
    "K": "#   #|#  # |###  |#  # |#   #",
    "L": "#   |#   |#   |#   |####",
    "M": "#   #|## ##|# # #|#   #|#   #",
    "N": "#   #|##  #|# # #|#  ##|#   #",
    "O": " ### |#   #|#   #|#   #| ### ",
    "P": "#### |#   #|#### |#    |#    ",
    "Q": " ### |#   #|# # #|#  # | ## #",
    "R": "#### |#   #|#### |#  # |#   #",
    "S": " ####|#    | ### |    #|#### ",
    "T": "#####|  #  |  #  |  #  |  #  ",
    "U": "#   #|#   #|#   #|#   #| ### ",
    "V": "#   #|#   #|#   #| # # |  #  ",
    "W": "#   #|#   #|# # #|## ##|#   #",
    "X": "#   #| # # |  #  | # # |#   #",
    "Y": "#   #| # # |  #  |  #  |  #  ",
    "Z": "#####|   # |  #  | #   |#####",
    "0": " ## |#  #|#  #|#  #| ## ",
    "1": " #|##| #| #| #",
    "2": "### |   #| ## |#   |####",
    "3": "### |   #| ## |   #|### ",
    "4": "#  #|#  #|####|   #|   #",
    "5": "####|#   |### |   #|### ",
    "6": " ## |#   |### |#  #| ## ",
    "7": "####|   #|  # | #  | #  ",
    "8": " ## |#  #| ## |#  #| ## ",
    "9": " ## |#  #| ###|   #| ## ",
    "-": "   |   |###|   |   ",
    "_": "   |   |   |   |###",
    ".": " | | | |#",
    "/": "   #|  # | ## |#   |#   ",
    " ": "  |  |  |  |  ",
}


def mark(state: str | None, *, ascii_only: bool = False) -> str:
    """Return the shape of a state in one character (three in ASCII); blank where nothing judges."""
    if state is None:
        return "   " if ascii_only else " "
    return _SIGNS[state].ascii if ascii_only else _SIGNS[state].text


def colour(state: str) -> str:
    """Return the name of a state's colour."""
    return _SIGNS[state].colour


def banner(state: str, columns: int, *, ascii_only: bool = False) -> list[str]:
    """Return a state's shape and word in large letters, as wide as ``columns`` allow; else the last of its words."""
    word, shape = state.upper(), [_SIGNS[state].shape, ("   ",) * 5]
    rows = _drawn([*shape, *map(_letter, word)], columns, ascii_only)
    if max(map(len, rows)) > columns:
        rows = _drawn([*shape, *map(_letter, word.rpartition(" ")[2])], columns, ascii_only)
    return rows


def large(text: str, columns: int, *, ascii_only: bool = False) -> list[str]:
    """Return a text in large letters; as it is where it does not fit, or has a character without one."""
    # Not ß, of which upper() makes two letters: a label is shown as it was scanned.
    known = text.isascii() and all(letter in _LETTERS for letter in text.upper())
    rows = _drawn(list(map(_letter, text.upper())), columns, ascii_only) if known and text else []
    return rows if rows and max(map(len, rows)) <= columns else [f"  {text}"[:columns]]


def _letter(letter: str) -> tuple[str, ...]:
    return tuple(_LETTERS[letter].split("|"))


def _drawn(glyphs: list[tuple[str, ...]], columns: int, ascii_only: bool) -> list[str]:
    rows = [" ".join(glyph[row] for glyph in glyphs) for row in range(5)]
    wide = 2 if 2 * len(rows[0]) + 2 <= columns else 1
    block = "#" if ascii_only else "█"
    return ["  " + "".join((block if dot == "#" else " ") * wide for dot in row).rstrip() for row in rows]
