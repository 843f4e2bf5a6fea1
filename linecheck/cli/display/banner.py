"""A verdict that is read from across the bench: a word and a shape, and colour only on top of them."""

from __future__ import annotations

from linecheck.limits.verdict import Verdict

__all__ = ["banner", "colour", "mark"]

#: shape in text, shape in ASCII, colour; the shapes tell the verdicts apart without the colours.
_SIGNS = {
    Verdict.PASS: ("●", "(o)", "bright_cyan"),
    Verdict.MARGINAL: ("▲", "/!\\", "bright_yellow"),
    Verdict.FAIL: ("✖", "[X]", "bright_red"),
    Verdict.INVALID: ("▒", "[?]", "bright_magenta"),
    Verdict.ABORTED: ("□", "[ ]", "bright_white"),
}

_SHAPES = {
    Verdict.PASS: (" ### ", "#####", "#####", "#####", " ### "),
    Verdict.MARGINAL: ("  #  ", "  #  ", " ### ", " ### ", "#####"),
    Verdict.FAIL: ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    Verdict.INVALID: ("# # #", " # # ", "# # #", " # # ", "# # #"),
    Verdict.ABORTED: ("#####", "#   #", "#   #", "#   #", "#####"),
}

_LETTERS = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "B": ("#### ", "#   #", "#### ", "#   #", "#### "),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "F": ("####", "#   ", "### ", "#   ", "#   "),
    "G": (" ####", "#    ", "#  ##", "#   #", " ####"),
    "I": ("#", "#", "#", "#", "#"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "V": ("#   #", "#   #", "#   #", " # # ", "  #  "),
}


def mark(verdict: Verdict | None, *, ascii_only: bool = False) -> str:
    """Return the shape of a verdict in one character (three in ASCII); blank where nothing judges."""
    if verdict is None:
        return "   " if ascii_only else " "
    return _SIGNS[verdict][1 if ascii_only else 0]


def colour(verdict: Verdict) -> str:
    """Return the name of a verdict's colour."""
    return _SIGNS[verdict][2]


def banner(verdict: Verdict, columns: int, *, ascii_only: bool = False) -> list[str]:
    """Return a verdict's shape and word in large letters, as wide as ``columns`` allow."""
    glyphs = [_SHAPES[verdict], *(_LETTERS[letter] for letter in verdict.value.upper())]
    rows = ["   ".join((glyphs[0][row], " ".join(glyph[row] for glyph in glyphs[1:]))) for row in range(5)]
    wide = 2 if 2 * len(rows[0]) + 2 <= columns else 1
    block = "#" if ascii_only else "█"
    return ["  " + "".join((block if dot == "#" else " ") * wide for dot in row).rstrip() for row in rows]
