"""Which keyboard a scanner types as, where that is not the computer's own.

A scanner that stands for a keyboard sends keys, not characters: set up for one country and plugged into a computer of
another it types other characters, and some of them look right. What cannot be a label is therefore typed again, in
thought, on each pair of keyboards; where that gives a label, the pair is named. It is never taken for that label: Y and
Z would change places in silence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import permutations
from typing import Final

#: The keys of each keyboard from the top left, alone and with Shift: the national layouts of a PC (from memory).
_LAYOUTS: Final = {
    "QWERTY": (
        "`1234567890-=qwertyuiop[]\\asdfghjkl;'zxcvbnm,./",
        '~!@#$%^&*()_+QWERTYUIOP{}|ASDFGHJKL:"ZXCVBNM<>?',
    ),
    "QWERTZ": (
        "^1234567890ß´qwertzuiopü+#asdfghjklöäyxcvbnm,.-",
        "°!\"§$%&/()=?`QWERTZUIOPÜ*'ASDFGHJKLÖÄYXCVBNM;:_",
    ),
    "AZERTY": (
        "²&é\"'(-è_çà)=azertyuiop^$*qsdfghjklmùwxcvbn,;:!",
        "³1234567890°+AZERTYUIOP¨£µQSDFGHJKLM%WXCVBN?./§",
    ),
}
#: From what one keyboard shows to what the same keys are on another, by (the computer's, the scanner's).
_TABLES: Final = {
    (computer, scanner): str.maketrans("".join(_LAYOUTS[computer]), "".join(_LAYOUTS[scanner]))
    for computer, scanner in permutations(_LAYOUTS, 2)
}


@dataclass(frozen=True)
class Misread:
    """What a scanned text was meant to be, and how that is said to people.

    ``is_layout`` says that keys are at other places: then a text that looks right may be wrong.
    """

    meant: str
    why: str
    is_layout: bool = True


def misread(text: str, is_label: Callable[[str], bool]) -> Misread | None:
    """Return what a text would be on the keyboard that the scanner types as; None where that is no label either."""
    return next((found for found in _candidates(text) if found.meant != text and is_label(found.meant)), None)


def _candidates(text: str) -> Iterator[Misread]:
    yield Misread(text.swapcase(), "Caps Lock is on: press it on the computer's keyboard", is_layout=False)
    for (computer, scanner), table in _TABLES.items():
        why = (
            f"the scanner types as a {scanner} keyboard, and this computer reads a {computer} one: set the scanner "
            f"to {computer}"
        )
        yield Misread(text.translate(table), why)
        yield Misread(text.swapcase().translate(table), f"{why}, and press Caps Lock, which is on")
