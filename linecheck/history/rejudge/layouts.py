"""Which row of a run is which reading of a limit file, and what a run lacks.

Runs with the same checks in the same order, measured by the same limit file, have a layout in common: what is known of
it is found out once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.parts.declared import Better
from linecheck.checks.parts.superseded import former_names
from linecheck.history.rejudge.basis import Basis
from linecheck.history.rejudge.select import Reader
from linecheck.limits.bulk import FlatMasks
from linecheck.limits.model import Check, LimitFile, Mask

__all__ = ["PART", "ROW", "IsVoid", "Item", "Layout", "Layouts"]

#: Between the parts of what one row is, and between rows, where all rows of a run come as one text.
PART, ROW = b"\x1f", b"\x1e"
#: So many texts of a layout are remembered.
_MAX_TEXTS = 10_000


class Item(NamedTuple):
    """A reading or curve that runs have: of which check, which metric, which channel."""

    check: str
    metric: str
    channel: str | None
    is_curve: bool = False


@dataclass(frozen=True)
class Layout:
    """What runs of the same checks have in common.

    ``expected`` are the items that masks judge in the checks that they have, ``missing`` the checks of the limit file
    that they do not have, ``otherwise`` those that masks judge and that were measured differently, each with what
    differs. ``rows`` remembers which items the rows of a run are, by their text.
    """

    number: int
    names: tuple[str, ...]
    basis: Basis
    expected: NDArray[np.intp]
    missing: tuple[str, ...]
    otherwise: Mapping[str, str]
    rows: dict[bytes, NDArray[np.intp]] = field(default_factory=dict)

    def item(self, position: int, metric: bytes, channel: bytes | None, *, is_curve: bool = False) -> Item:
        """Return what a row is of; IndexError where its check is not there."""
        if position < 0:
            raise IndexError("a reading is of no check")
        named = None if channel is None else Reader.text(channel)
        return Item(self.names[position], Reader.text(metric), named, is_curve)


#: Whether something of a run, given by its index, is void.
IsVoid = Callable[[int, Item], bool]


class Layouts:
    """The layouts of the runs of one model, and the items in them, numbered as they come.

    Parameters
    ----------
    limits : LimitFile
        What is to judge the runs.
    """

    def __init__(self, limits: LimitFile) -> None:
        self.limits = limits
        self.checks: dict[str, Check] = {check.name: check for check in limits.checks}
        self.units = {
            (check.name, spec.name): spec.unit for check in limits.checks for spec in check.kind.specs
        }
        self.items: list[Item] = []
        self._numbers: dict[Item, int] = {}
        self._layouts: dict[tuple[str, tuple[str, ...]], Layout] = {}
        self._by_number: list[Layout] = []
        self._masks = FlatMasks.of([])

    def layout(self, digest: str, names: tuple[str, ...], basis: Basis) -> Layout:
        """Return the layout of runs that have these checks, by the digest of what they were measured with."""
        found = self._layouts.get((digest, names))
        if found is None:
            found = self._layouts[digest, names] = self._made(names, basis)
            self._by_number.append(found)
        return found

    def __getitem__(self, number: int) -> Layout:
        """Return a layout by its number."""
        return self._by_number[number]

    def _made(self, names: tuple[str, ...], basis: Basis) -> Layout:
        otherwise = {name: words for name, words in basis.otherwise.items() if name in names}
        expected = [
            self.number(Item(check.name, spec.name, channel, is_curve))
            for check in self.limits.checks
            if check.name in names and check.name not in otherwise
            for is_curve, specs in ((False, check.kind.metrics), (True, check.kind.curves))
            for spec in specs
            if spec.name in check.masks
            for channel in (self.limits.channels if spec.per_channel else (None,))
        ]
        missing = tuple(name for name in self.checks if name not in names)
        ids = np.array(expected, dtype=np.intp)
        return Layout(len(self._by_number), names, basis, ids, missing, otherwise)

    def number(self, item: Item) -> int:
        """Return the number of an item."""
        found = self._numbers.setdefault(item, len(self.items))
        if found == len(self.items):
            self.items.append(item)
        return found

    @property
    def masks(self) -> FlatMasks:
        """The masks of all items so far, by their numbers; those of curves judge nothing here."""
        if len(self._masks.masked) != len(self.items):
            self._masks = FlatMasks.of(self._mask_of(item) for item in self.items)
        return self._masks

    def _mask_of(self, item: Item) -> tuple[Mask | None, Better]:
        check = self.checks.get(item.check)
        if check is None or item.is_curve:
            return None, "nominal"
        return check.masks.get(item.metric), check.better(item.metric)

    def _judged_as(self, item: Item, there: set[Item]) -> Item:
        """Return an item as the limit file names it: a run from before knows a reading by its former name alone."""
        check = self.checks.get(item.check)
        if check is None or item.metric in check.masks:
            return item
        today = item._replace(metric=former_names(check.kind).get(item.metric, item.metric))
        return today if today.metric in check.masks and today not in there else item

    def items_of(self, layout: Layout, text: bytes) -> NDArray[np.intp]:
        """Return the items of all rows of a run: check position, position, metric and channel of each in one text.

        Raises
        ------
        ValueError
            They are not in the order in which their values are read.
        """
        found = layout.rows.get(text)
        if found is None:
            parts = [row.split(PART) for row in text.split(ROW)]
            places = [(int(part[0]), int(part[1])) for part in parts]
            if places != sorted(places) or any(len(part) not in (3, 4) for part in parts):
                raise ValueError("the readings of a run are not in order")
            items = [
                layout.item(int(part[0]), part[2], part[3] if len(part) == 4 else None) for part in parts
            ]
            there = set(items)
            items = [self._judged_as(item, there) for item in items]
            if len(layout.rows) >= _MAX_TEXTS:
                layout.rows.clear()
            found = layout.rows[text] = np.array([self.number(item) for item in items], dtype=np.intp)
        return found
