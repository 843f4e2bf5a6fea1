"""Which row of a run is which reading of a limit file, and what a run lacks.

Runs with the same checks in the same order, measured by the same limit file, have a layout in common: what is known of
it is found out once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Parameters
from linecheck.history.rejudge.select import Reader
from linecheck.limits.bulk import FlatMasks
from linecheck.limits.model import Check, LimitFile, Mask
from linecheck.limits.regression import Better

__all__ = ["PART", "ROW", "Basis", "IsVoid", "Item", "Layout", "Layouts", "basis_of"]

Content = Mapping[str, Any]


@dataclass(frozen=True)
class Basis:
    """How a limit file relates to the one that runs were measured with.

    ``otherwise`` says of each check that masks judge and that was measured differently what differs, in words.
    ``dropped_curves`` are the curves (check, metric) that were judged and are no longer.
    """

    otherwise: Mapping[str, str]
    dropped_curves: frozenset[tuple[str, str]]


def basis_of(content: Content, limits: LimitFile) -> Basis:
    """Hold a limit file against what one said that is stored in a log.

    Parameters
    ----------
    content : mapping
        As :func:`~linecheck.log.rows.limits_content` stores it.
    limits : LimitFile
    """
    stored = {check["name"]: check for check in content["checks"]}
    current = {check.name: check for check in limits.checks}
    channels = ""
    if tuple(content["channels"]) != limits.channels:
        channels = f"channels {', '.join(content['channels'])}, now {', '.join(limits.channels)}"
    otherwise = {}
    for check in limits.checks:
        if check.masks:
            words = channels or _difference(check, stored, current)
            if words:
                otherwise[check.name] = words
    return Basis(otherwise, frozenset(_dropped(stored, current)))


def _dropped(stored: Mapping[str, Content], current: Mapping[str, Check]) -> Iterator[tuple[str, str]]:
    for name, check in stored.items():
        now = current.get(name)
        for metric in check["masks"]:
            if now is None or metric not in now.masks:
                yield name, metric


def _difference(check: Check, stored: Mapping[str, Content], current: Mapping[str, Check]) -> str:
    """Return in what a check was measured differently, in words; empty where it was not."""
    before = stored.get(check.name)
    if before is None:
        # Where a run has it all the same, nobody knows how it was measured; else it was not measured.
        return "not in the limit file of that time"
    own = _own_difference(check, before)
    if own or check.reference is None:
        return own
    if before.get("reference") != check.reference:
        return f"refers to {before.get('reference') or 'no check'}, now {check.reference}"
    if check.reference not in stored or check.reference not in current:
        return ""
    other = _own_difference(current[check.reference], stored[check.reference])
    return f"refers to {check.reference}, of which {other}" if other else ""


def _own_difference(check: Check, before: Content) -> str:
    if before["kind"] != check.kind.name:
        return f"kind {before['kind']}, now {check.kind.name}"
    found = [
        *_differing("setup", before["setup"], dict(check.setup), {}),
        *_parameters("stimulus", before["stimulus"], check.stimulus),
        *_parameters("analysis", before["analysis"], check.analysis),
    ]
    return "; ".join(found)


def _parameters(where: str, before: Content, now: Parameters) -> Iterator[str]:
    """Yield what differs; a parameter that came later had its default's effect before."""
    return _differing(where, before, now.model_dump(mode="json"), type(now)().model_dump(mode="json"))


def _differing(where: str, before: Content, now: Content, defaults: Content) -> Iterator[str]:
    for name in sorted(before.keys() | now.keys()):
        one, other = before.get(name, defaults.get(name)), now.get(name)
        if one != other:
            yield f"{where} {name} {_shown(one)}, now {_shown(other)}"


def _shown(value: object) -> str:
    return "none" if value is None else str(value)[:60]


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
        better: dict[str, Better] = {spec.name: spec.better for spec in check.kind.metrics}
        return check.masks.get(item.metric), better.get(item.metric, "nominal")

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
            if len(layout.rows) >= _MAX_TEXTS:
                layout.rows.clear()
            found = layout.rows[text] = np.array([self.number(item) for item in items], dtype=np.intp)
        return found
