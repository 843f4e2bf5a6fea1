"""Texts from outside (scanned serial numbers, names, messages) made safe to show and to store."""

from __future__ import annotations

import re
from collections.abc import Sequence

#: Shown as an escape: C0 but tab and newline, DEL, C1, line separators, marks that have no width or turn
#: the writing direction, lone surrogates and what XML cannot hold.
_HIDDEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufffe\uffff\ud800-\udfff]"
)
_SURROGATES = re.compile("[\ud800-\udfff]")


def visible(text: str) -> str:
    r"""Return a text in which every character can be seen, or is a space, tab or newline.

    A group separator from a barcode becomes ``\x1d``. What comes out can be written to a terminal, as UTF-8
    and as XML 1.0.
    """
    return _HIDDEN.sub(_escaped, text)


def encodable(text: str) -> str:
    r"""Return a text that is UTF-8: what bytes on the command line become is written as ``\udc80``."""
    return _SURROGATES.sub(_escaped, text)


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def listed(names: Sequence[str], most: int, joint: str = ", ") -> str:
    """Return the first ``most`` names, and how many more there are: ``a, b and 3 more``."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return joint.join(names[:most]) + more


def _escaped(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape", "surrogatepass").decode("ascii")
