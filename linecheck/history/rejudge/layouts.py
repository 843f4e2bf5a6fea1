"""Which row of a run is which reading of a limit file, and what a run lacks.

Runs with the same checks in the same order, measured by the same limit file, have a layout in common: what is known of
it is found out once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.history.rejudge.basis import Basis
from linecheck.history.rejudge.read import Keys, RowKey
from linecheck.history.rejudge.select import Reader
from linecheck.limits.bulk import FlatMasks
from linecheck.limits.model import Check, LimitFile, Mask

__all__ = ["IsVoid", "Item", "Layout", "Layouts"]

Better = Literal["more", "less", "nominal"]

_UNKNOWN = -1


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
    that they do not have, ``otherwise`` those that masks judge and that were measured otherwise, each with what
    differs.
    """

    number: int
    names: tuple[str, ...]
    basis: Basis
    expected: NDArray[np.intp]
    missing: tuple[str, ...]
    otherwise: Mapping[str, str]


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
        self.keys = Keys()
        self.items: list[Item] = []
        self._numbers: dict[Item, int] = {}
        self._layouts: dict[tuple[str, tuple[str, ...]], Layout] = {}
        self._by_number: list[Layout] = []
        self._table = np.full((0, 0), _UNKNOWN, dtype=np.intp)
        self._held = np.zeros((0, 0), dtype=bool)
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
        found = self._numbers.get(item)
        if found is None:
            found = self._numbers[item] = len(self.items)
            self.items.append(item)
        return found

    @property
    def masks(self) -> FlatMasks:
        """The masks of all items so far, by their numbers; those of curves judge nothing here."""
        if len(self._masks.masked) != len(self.items):
            self._masks = FlatMasks.of(self._mask_of(item) for item in self.items)
        return self._masks

    @property
    def units(self) -> dict[tuple[str, str], str]:
        """The units of metrics and curves, by check and name."""
        return {
            (check.name, spec.name): spec.unit for check in self.limits.checks for spec in check.kind.specs
        }

    def _mask_of(self, item: Item) -> tuple[Mask | None, Better]:
        check = self.checks.get(item.check)
        if check is None or item.is_curve:
            return None, "nominal"
        better: dict[str, Better] = {spec.name: spec.better for spec in check.kind.metrics}
        return check.masks.get(item.metric), better.get(item.metric, "nominal")

    def items_of(
        self, layout: NDArray[np.intp], key: NDArray[np.intp]
    ) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
        """Return which items rows are, and whether they can be held against a mask: not if measured otherwise.

        Parameters
        ----------
        layout, key : int array, shape (rows,)
            The numbers of their layouts and keys.
        """
        self._grow()
        found = self._table[layout, key]
        if bool(np.any(found == _UNKNOWN)):
            pairs = np.unique(np.stack([layout, key], axis=1)[found == _UNKNOWN], axis=0)
            keys = list(self.keys.known)
            for one, other in pairs.tolist():
                item = self.item(self._by_number[one], keys[other])
                self._table[one, other] = self.number(item)
                self._held[one, other] = item.check not in self._by_number[one].otherwise
            found = self._table[layout, key]
        return found, self._held[layout, key]

    @staticmethod
    def item(layout: Layout, key: RowKey, *, is_curve: bool = False) -> Item:
        """Return what a row is of; IndexError where its check is not there."""
        position, metric, channel = key
        if position < 0:
            raise IndexError("a reading is of no check")
        named = None if channel is None else Reader.text(channel)
        return Item(layout.names[position], Reader.text(metric), named, is_curve)

    def _grow(self) -> None:
        shape = (len(self._by_number), len(self.keys.known))
        if self._table.shape != shape:
            table, held = np.full(shape, _UNKNOWN, dtype=np.intp), np.zeros(shape, dtype=bool)
            rows, columns = self._table.shape
            table[:rows, :columns], held[:rows, :columns] = self._table, self._held
            self._table, self._held = table, held
