"""Readings that the server keeps as one row for each run (:mod:`linecheck.log.sync.packed`), as columns."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from linecheck.log.sync.packed import BOUND_SHIFT, BOUNDS, SIDE_SHIFT, SIDES, VERDICTS
from linecheck.statistics.sources.base import READING_COLUMNS, Only

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

#: Readings that are given at a time: some megabytes.
_AT_ONCE: Final = 400_000
_BITS: Final = {"verdict": (0, VERDICTS), "is_bound": (BOUND_SHIFT, BOUNDS), "side": (SIDE_SHIFT, SIDES)}
#: Where a number stands among the three that limits are.
_LIMITS: Final = {"margin": 0, "pass_limit": 1, "fail_limit": 2}
_TOLD: Final = ("check", "metric", "channel", "unit", "is_curve")
_DOUBLE: Final = np.dtype(">f8")


@dataclass(frozen=True)
class Layout:
    """What each reading of a run is: check, metric, channel, unit, and whether it is a curve."""

    entries: tuple[tuple[str, str, str | None, str, int], ...]

    @classmethod
    def parsed(cls, content: str) -> Layout:
        """Return a layout from its text at the server."""
        return cls(tuple(tuple(entry) for entry in json.loads(content)))

    def meant(self, only: Only) -> NDArray[np.int64]:
        """Return the places of the readings that are meant."""
        wanted = [(_TOLD.index(name), set(values)) for name, values in only.items() if name in _TOLD]
        at = [n for n, entry in enumerate(self.entries) if all(entry[of] in values for of, values in wanted)]
        return np.array(at, dtype=np.int64)


def stored_columns(names: Sequence[str], only: Only) -> list[str]:
    """Return the columns of the server's rows that are asked for."""
    asked = {*names, *only}
    found = ["value"] * ("value" in asked) + ["uncertainty"] * ("uncertainty" in asked)
    return found + ["flag"] * (not asked.isdisjoint(_BITS)) + ["limits"] * (not asked.isdisjoint(_LIMITS))


def schema_of(names: Sequence[str]) -> pa.Schema:
    """Return the columns that come of them, after ``record`` and ``log``."""
    import pyarrow as pa

    kinds = {"text": pa.dictionary(pa.int32(), pa.string()), "real": pa.float64(), "boolean": pa.int8()}
    fields = [(name, kinds[READING_COLUMNS[name]]) for name in names]
    return pa.schema([("record", pa.int64()), ("log", pa.int32()), *fields])


def unpacked(
    batch: pa.RecordBatch, layouts: Mapping[int, Layout], names: Sequence[str], only: Only
) -> Iterator[pa.RecordBatch]:
    """Yield the readings of a batch of the server's rows.

    Parameters
    ----------
    batch : RecordBatch
        With ``record``, ``log``, ``layout`` (its number) and :func:`stored_columns`.
    layouts : mapping of int to Layout
    names : sequence of str
        The columns that are asked for.
    only : mapping of str to sequence of str
        Which values a column may have; one of ``value`` or of a limit is not looked at.

    Raises
    ------
    ValueError
        A row is not as long as its layout.
    """
    number = batch.column("layout").to_numpy()
    kinds = np.unique(number)
    for which in kinds:
        layout = layouts[int(which)]
        meant = layout.meant(only)
        if not len(meant):
            continue
        rows = batch if len(kinds) == 1 else batch.take(np.flatnonzero(number == which))
        at_once = max(1, _AT_ONCE // len(meant))
        for begin in range(0, rows.num_rows, at_once):
            yield _columns(rows.slice(begin, at_once), layout, meant, names, only)


def _columns(
    rows: pa.RecordBatch, layout: Layout, meant: NDArray[np.int64], names: Sequence[str], only: Only
) -> pa.RecordBatch:
    import pyarrow as pa

    entries = len(layout.entries)
    stored = {
        name: _matrix(rows.column(name), entries * {"flag": 1, "limits": 24}.get(name, 8))
        for name in stored_columns(names, only)
    }
    keep = _kept(stored.get("flag"), meant, only)

    def flat(values: NDArray[Any]) -> NDArray[Any]:
        return values.ravel() if keep is None else values.ravel()[keep]

    def of_layout(name: str) -> pa.Array:
        told = [entry[_TOLD.index(name)] for entry in layout.entries]
        if name == "is_curve":
            return pa.array(flat(np.tile(np.array(told, np.int8)[meant], rows.num_rows)))
        texts = sorted({str(text) for text in told if text is not None})
        places = np.array([-1 if text is None else texts.index(str(text)) for text in told], np.int32)[meant]
        return _dictionary(flat(np.tile(places, rows.num_rows)), texts)

    def of_flag(name: str) -> pa.Array:
        shift, texts = _BITS[name]
        found = flat((stored["flag"][:, meant] >> shift) & 3 if shift else stored["flag"][:, meant] & 7)
        told = found.astype(np.int32) - 1
        if name == "is_bound":
            return pa.array(told.astype(np.int8), mask=told < 0)
        return _dictionary(told, [str(text) for text in texts if text is not None])

    def of_number(name: str) -> pa.Array:
        place = _LIMITS.get(name)
        if place is None:
            doubles = stored[name].view(_DOUBLE)[:, meant]
        else:
            doubles = stored["limits"].view(_DOUBLE).reshape(-1, entries, 3)[:, meant, place]
        numbers = flat(doubles).astype(np.float64)
        return pa.array(numbers, mask=np.isnan(numbers))

    made: dict[str, Callable[[str], pa.Array]] = dict.fromkeys(_TOLD, of_layout) | dict.fromkeys(
        _BITS, of_flag
    )
    columns = [
        pa.array(flat(np.repeat(rows.column(name).to_numpy(), len(meant))), type=kind)
        for name, kind in (("record", pa.int64()), ("log", pa.int32()))
    ]
    columns += [made.get(name, of_number)(name) for name in names]
    return pa.RecordBatch.from_arrays(columns, schema=schema_of(names))


def _kept(flags: NDArray[np.uint8] | None, meant: NDArray[np.int64], only: Only) -> NDArray[np.int64] | None:
    """Return which readings have a verdict that is meant; None for all."""
    if flags is None or "verdict" not in only:
        return None
    allowed = np.array([name in only["verdict"] for name in VERDICTS] + [False] * (8 - len(VERDICTS)))
    found = allowed[flags[:, meant] & 7]
    return None if found.all() else np.flatnonzero(found)


def _matrix(column: pa.Array, width: int) -> NDArray[np.uint8]:
    """Return binary values, all as long, as the rows of a matrix of bytes."""
    offsets = np.frombuffer(column.buffers()[1], np.int32)[column.offset : column.offset + len(column) + 1]
    if np.any(np.diff(offsets) != width):
        raise ValueError("a packed row of readings at the server is not as long as its layout")
    data = np.frombuffer(column.buffers()[2] or b"", np.uint8)[offsets[0] : offsets[-1]]
    return data.reshape(len(column), width)


def _dictionary(places: NDArray[np.int32], texts: Sequence[str]) -> pa.Array:
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(pa.array(places, mask=places < 0), pa.array(texts, pa.string()))
