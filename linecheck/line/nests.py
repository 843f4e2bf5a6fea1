"""Which nest a scan is for, where a station has several.

A serial number goes to the nest that was chosen by its code, which stays chosen until a run of it has begun, or to the
only one that is free. It never goes to one of several by default: the unit in another nest would be tested in its name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.line.codes import Code, Order, control_code
from linecheck.line.states import SCAN, UNDER_TEST, State

#: What goes for the whole line: a scanner, a badge and a stop are no nest's own.
FOR_ALL: Final = frozenset({Order.STOP, Order.RESUME, Order.SHIFT, Order.OPERATOR, Order.KEYS})
#: What answers a question, where one is asked.
_ANSWERS: Final = frozenset({Order.DONE, Order.CANNOT, Order.REASON})
_MAX_SHOWN: Final = 64


@dataclass(frozen=True)
class Seen:
    """What is known of a nest when something is scanned; ``wrong_keyboard``: it takes no label until that is mended."""

    state: str
    run_id: str = ""
    serial: str = ""
    wants_details: bool = False
    wrong_keyboard: bool = False


@dataclass(frozen=True)
class Unplaced:
    """A scan that goes to no nest: what is said of it, and what to do."""

    serial: str
    says: str
    act: str


class Choice:
    """Which nest was chosen by its code.

    Parameters
    ----------
    is_serial : callable
        Whether a text is a serial number of the model.
    """

    def __init__(self, is_serial: Callable[[str], bool]) -> None:
        self._is_serial = is_serial
        self.chosen = ""
        self._run_before = ""

    def hear(self, nest: str, seen: Seen) -> None:
        """Hear where a nest stands: a run of the chosen one ends the choice."""
        if nest == self.chosen and seen.state == State.TESTING and seen.run_id not in ("", self._run_before):
            self.chosen = ""

    def act(self, nest: str, nests: Mapping[str, Seen], act: str) -> str:
        """Return what is done at a nest: where several are free a unit's label comes after the nest's code."""
        free = [name for name, seen in nests.items() if seen.state not in UNDER_TEST]
        if act != SCAN or self.chosen == nest or (not self.chosen and free == [nest]):
            return act
        return f"Scan {Code(Order.NEST, nest).text}, then a serial number."

    def meant(self, text: str, nests: Mapping[str, Seen]) -> tuple[str, ...] | Unplaced:
        """Return whom a scan is for; nobody where it chooses a nest.

        Parameters
        ----------
        text : str
        nests : mapping of str to Seen
            By name, in order.
        """
        try:
            code = control_code(text)
        except UsageError:
            code = None
        if len(nests) == 1:
            return tuple(nests)
        if code is not None and code.order is Order.NEST:
            return self._choose(code, nests)
        if code is not None and code.order in FOR_ALL:
            return tuple(nests)
        if code is None and not self._is_serial(text):
            return ((self.chosen or self._free(nests) or next(iter(nests))),)
        return self._one(text, code, nests)

    def _choose(self, code: Code, nests: Mapping[str, Seen]) -> tuple[str, ...] | Unplaced:
        self.chosen = code.name if code.name in nests else ""
        if not self.chosen:
            return Unplaced(
                code.text, f"There is no nest {code.name}: {', '.join(nests)}.", "Scan a nest's code."
            )
        self._run_before = nests[self.chosen].run_id
        return ()

    def _one(self, text: str, code: Code | None, nests: Mapping[str, Seen]) -> tuple[str, ...] | Unplaced:
        wrong = [nest for nest, seen in nests.items() if seen.wrong_keyboard]
        if code is None and wrong:
            return (wrong[0],)
        shown = visible(text[:_MAX_SHOWN])
        at = [nest for nest, seen in nests.items() if seen.serial == shown and seen.state in UNDER_TEST]
        if code is None and at:
            # A unit is in one nest alone: another would test what is in it in this one's name.
            says = f"It is under test in nest {at[0]}."
            elsewhere = self.chosen not in ("", *at)
            return Unplaced(shown, says, "Wait until that test has ended.") if elsewhere else (at[0],)
        if code is not None and code.order in _ANSWERS:
            candidates = [nest for nest, seen in nests.items() if seen.state == State.ASKED]
        elif code is not None and code.order is Order.BACK:
            candidates = [nest for nest, seen in nests.items() if seen.wants_details] or list(nests)[:1]
        elif code is not None and code.order is Order.DETAILS:
            candidates = [nest for nest, seen in nests.items() if seen.run_id]
        else:
            candidates = []
        candidates = candidates or [nest for nest, seen in nests.items() if seen.state not in UNDER_TEST]
        if self.chosen in candidates or (self.chosen and (code is None or code.order not in _ANSWERS)):
            return (self.chosen,)
        if len(candidates) == 1:
            return (candidates[0],)
        if not candidates:
            return Unplaced(
                shown,
                "Every nest is at a test.",
                "Wait for the one that it is in, then scan its code and this.",
            )
        says = f"Nobody has said which nest it is for: {', '.join(candidates)}."
        return Unplaced(shown, says, "Scan the nest's code first, then this again.")

    @staticmethod
    def _free(nests: Mapping[str, Seen]) -> str:
        return next((nest for nest, seen in nests.items() if seen.state not in UNDER_TEST), "")
