"""Control codes: what is scanned at a station besides serial numbers, so that nobody needs a keyboard.

======================  =====================================================================
:class:`Code`           a code, and the name in it (an operator's, a retest reason)
:func:`control_code`    the code that a scanned text is; None where it is none
:func:`chosen`          the choice that a scanned text makes
:func:`printed_codes`   the codes that a station can use, for the sheet that is printed
======================  =====================================================================

All begin with :data:`PREFIX`, whose hyphen is at another place on QWERTZ and AZERTY keyboards: a scanner that types for
the wrong one shows itself at the first code (:mod:`linecheck.line.keyboards`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from linecheck.errors import UsageError
from linecheck.limits.serial_pattern import has_one_length, serial_matches

if TYPE_CHECKING:
    from linecheck.limits.model import LimitFile
    from linecheck.station.config.station import StationConfig

PREFIX: Final = "LINE-"
#: As much as a label of ten centimetres holds.
MAX_NAME_LENGTH: Final = 32
#: Every character that lies elsewhere on QWERTZ or AZERTY keyboards and stands on labels.
KEYS: Final = "AZYQWM-0123456789"

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._ -]*")


class Order(StrEnum):
    """What a code orders; the text is the word in it."""

    DONE = "DONE"
    CANNOT = "CANNOT"
    STOP = "STOP"
    RESUME = "RESUME"
    CHECK = "CHECK"
    GOLDEN = "GOLDEN"
    CHALLENGE = "CHALLENGE"
    DETAILS = "DETAILS"
    BACK = "BACK"
    KEYS = "KEYS"
    REASON = "REASON"
    OPERATOR = "OPERATOR"
    SHIFT = "SHIFT"
    NEST = "NEST"


#: What people read beside a code that has no name in it.
MEANINGS: Final = {
    Order.DONE: "What was asked for is done",
    Order.CANNOT: "What was asked for cannot be done",
    Order.STOP: "Stop: end the test under way, test nothing",
    Order.RESUME: "The station is put right: test again",
    Order.CHECK: "Self-check of the station by its loop",
    Order.GOLDEN: "The next unit is the golden one",
    Order.CHALLENGE: "The next unit is the known-bad one",
    Order.DETAILS: "Show the engineer's page of this unit",
    Order.BACK: "Back to the station",
    Order.KEYS: "Test the scanner's keyboard",
}
#: Those that have a name in them, and what people read beside it.
NAMED: Final = {
    Order.REASON: "Retest reason: {}",
    Order.OPERATOR: "Operator: {}",
    Order.SHIFT: "Shift: {}",
    Order.NEST: "The next unit is in nest {}",
}


@dataclass(frozen=True)
class Code:
    """A control code; ``name`` is what stands in it, as it was scanned."""

    order: Order
    name: str = ""

    @property
    def text(self) -> str:
        """What the barcode says."""
        return "-".join(filter(None, (f"{PREFIX}{self.order}", self.name)))

    @property
    def meaning(self) -> str:
        """What people read beside it."""
        return NAMED[self.order].format(self.name) if self.order in NAMED else MEANINGS[self.order]


def control_code(text: str) -> Code | None:
    """Return the control code that a scanned text is; None where it does not begin as one.

    Raises
    ------
    UsageError
        It begins as one and is none.
    """
    if not text.startswith(PREFIX):
        return None
    word, _, name = text.removeprefix(PREFIX).partition("-")
    order = next((order for order in Order if order == word), None)
    if order is None:
        raise UsageError(f"{text[:40]!a} is no control code: print the sheet of codes anew")
    code = Code(order, name)
    if order is Order.KEYS:  # whatever came of it says how the scanner types
        return code
    if order in NAMED:
        if _NAME.fullmatch(name) is None or len(name) > MAX_NAME_LENGTH:
            raise UsageError(
                f"{text[:60]!a} has no name that can be used: letters, digits, '.', '_', '-' and blanks, at most "
                f"{MAX_NAME_LENGTH}"
            )
        return code
    if name:
        raise UsageError(f"{text[:40]!a} is no control code: {PREFIX}{order} has nothing after it")
    return code


def chosen(text: str, choices: Sequence[str]) -> str | None:
    """Return which of some choices a scanned text is, by itself or as a retest reason's code; None where it is none."""
    name = text.removeprefix(f"{PREFIX}{Order.REASON}-")
    return next((choice for choice in choices if choice.lower() == name.lower()), None)


def printed_codes(limits: LimitFile, config: StationConfig, names: Iterable[Code] = ()) -> Iterator[Code]:
    """Yield the codes that a station can use, and those with ``names`` (operators, shifts) beside them."""
    yield Code(Order.STOP)
    yield Code(Order.RESUME)
    if config.loop is not None:
        yield Code(Order.CHECK)
    if config.golden is not None:
        yield Code(Order.GOLDEN)
    if config.challenge is not None:
        yield Code(Order.CHALLENGE)
    for order in (Order.DONE, Order.CANNOT, Order.DETAILS, Order.BACK):
        yield Code(order)
    for reason in limits.retest.reasons if limits.retest is not None else ():
        yield Code(Order.REASON, reason)
    yield from names
    yield Code(Order.KEYS, KEYS)


def needs_end(limits: LimitFile, config: StationConfig, codes: Iterable[Code]) -> bool:
    """Return whether a scan counts only with Enter or Tab at its end.

    It must where what a pause has cut off could be a label as well: a shorter serial number, another name.
    """
    texts = sorted(code.text for code in codes)
    could_be_cut = any(after.startswith(before) for before, after in pairwise(texts))
    return config.screen.scanner_ends == "enter" or not has_one_length(limits.serial_pattern) or could_be_cut


def refuse_confusable(limits: LimitFile) -> None:
    """Refuse a model of which a serial number could be a control code.

    Raises
    ------
    UsageError
        One could.
    """
    for order in Order:
        text = Code(order, KEYS if order is Order.KEYS else "").text
        if serial_matches(limits.serial_pattern, text):
            raise UsageError(
                f"{limits.path}: serial_pattern: {text} is a control code of the station and would be a serial "
                "number: write the pattern so that it matches no text that begins with LINE-"
            )
