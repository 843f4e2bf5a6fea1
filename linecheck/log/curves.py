"""The curves of a record: between what was judged and the rows of the log, both ways.

=========================  ====================================================================
:func:`curve_rows`         rows of ``packed_curve`` and ``curve_points``
:func:`stored_curves`      judged curves again, of any record format
:func:`plain_curves`       rows in which the points are plain numbers
:func:`curves_query`       the same rows, asked of the database
:func:`points_fault`       what is wrong with the points of a record
=========================  ====================================================================
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

import numpy as np

from linecheck.checks.base import Curve
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.log.chain import digest
from linecheck.log.packing import packed, unpacked

Row = dict[str, Any]
Rows = Sequence[Row]
Parts = Mapping[str, Rows]

#: The columns of numbers, in the order in which they are packed; an axis stands first where it is there.
_POINTS: Final = ("x", "y", "uncertainty")
#: Columns that say what the field of that name does.
_CURVE: Final = ("metric", "channel", "x_unit", "unit", "resolution_hz")


def curve_rows(checks: Iterable[tuple[int, Iterable[JudgedCurve]]]) -> dict[str, list[Row]]:
    """Return the rows of a run's curves, given those of each check with its place, and the row of their points.

    Curves of a check along one axis, as those of two channels are, have it once.
    """
    rows, content = [], bytearray()
    for at, curves in checks:
        axes: dict[bytes, int] = {}
        for position, item in enumerate(curves):
            curve, axis = item.curve, np.ascontiguousarray(item.curve.x, "<f8").tobytes()
            axis_of = axes.get(axis)
            axes.setdefault(axis, position)
            columns = [curve.x] * (axis_of is None) + [curve.y]
            own = packed(columns if curve.uncertainty is None else [*columns, curve.uncertainty])
            rows.append(
                {
                    "check_position": at,
                    "position": position,
                    **{name: getattr(curve, name) for name in _CURVE},
                    "points": len(curve.x),
                    "axis_of": axis_of,
                    "start": len(content),
                    "size": len(own),
                    "content_sha256": digest(own),
                    "worst_x": item.worst_x,
                    "worst_y": item.worst_y,
                    **judged_row(item),
                }
            )
            content += own
    return {"packed_curves": rows, "curve_points": [{"content": bytes(content)}] if rows else []}


def judged_row(item: JudgedReading | JudgedCurve) -> Row:
    """Return what a reading or a curve was judged to, as its row has it."""
    return {
        "verdict": None if item.verdict is None else item.verdict.value,
        "margin": item.margin,
        "pass_limit": item.limit,
        "fail_limit": item.fail_limit,
        "side": item.side,
    }


def stored_curves(parts: Parts) -> Iterator[tuple[int, JudgedCurve]]:
    """Yield the curves of a record with the place of their check; those that were thinned out have no points."""
    for row in plain_curves(parts):
        x, y, uncertainty = (
            None if row[name] is None else np.frombuffer(row[name], "<f8") for name in _POINTS
        )
        if x is None or y is None:
            x = y = np.empty(0)
        curve = Curve(**{name: row[name] for name in _CURVE}, x=x, y=y, uncertainty=uncertainty)
        judgement = stored_judgement(row)
        yield (
            row["check_position"],
            JudgedCurve(curve, worst_x=row["worst_x"], worst_y=row["worst_y"], **judgement),
        )


def stored_judgement(row: Row) -> dict[str, Any]:
    """Return what a reading or a curve was judged to, from its row."""
    return {
        "verdict": None if row["verdict"] is None else Verdict(row["verdict"]),
        "margin": row["margin"],
        "limit": row["pass_limit"],
        "fail_limit": row["fail_limit"],
        "side": row["side"],
    }


def plain_curves(parts: Parts) -> list[Row]:
    """Return the curves of a record as rows with plain ``x``, ``y`` and ``uncertainty``, None where they are gone.

    Raises
    ------
    ValueError
        The points of a curve are not as they were packed.
    """
    contents = _contents(parts)
    found = list(parts.get("curves", ()))
    for row in parts.get("packed_curves", ()):
        axis = None if row["axis_of"] is None else contents.get((row["check_position"], row["axis_of"]))
        columns = _columns(contents.get(_place(row)), axis, row["axis_of"] is not None)
        found.append(row | dict(zip(_POINTS, columns, strict=True)))
    return sorted(found, key=_place)


def _contents(parts: Parts) -> dict[tuple[int, int], bytes]:
    """Return the packed points of each curve by its place; empty where they are gone."""
    whole = next((row["content"] for row in parts.get("curve_points", ())), None)
    if whole is None:
        return {}
    return {
        _place(row): whole[row["start"] : row["start"] + row["size"]]
        for row in parts.get("packed_curves", ())
    }


def _place(row: Row) -> tuple[int, int]:
    return row["check_position"], row["position"]


@lru_cache(maxsize=4)
def _columns(content: bytes | None, axis: bytes | None, is_shared: bool) -> tuple[bytes | None, ...]:
    """Return x, y and uncertainty as plain numbers; the last calls are kept, since a query asks for one at a time."""
    if content is None or (is_shared and axis is None):
        return None, None, None
    columns = list(_unpacked(content))
    if is_shared and axis is not None:
        columns.insert(0, _unpacked(axis)[0])
    if len(columns) not in (2, 3) or len({len(column) for column in columns}) != 1:
        raise ValueError("the points of a curve are not as they were packed")
    plain = [column.astype("<f8").tobytes() for column in columns]
    return plain[0], plain[1], plain[2] if len(plain) == len(_POINTS) else None


#: Curves along one axis come one after the other, and the axis stands with the first.
_unpacked = lru_cache(maxsize=4)(unpacked)


def points_fault(parts: Parts, *, may_lack: bool) -> str | None:
    """Return what is wrong with the points of a record; ``may_lack`` says that it was stated that they go."""
    rows, whole = parts["packed_curves"], parts["curve_points"]
    if not whole:
        return (
            None if may_lack or not rows else "the points of its curves are missing, and nobody stated that"
        )
    contents = _contents(parts)
    for row in rows:
        if digest(contents[_place(row)]) != row["content_sha256"]:
            return f"the points of its curve {row['metric']} have been changed"
    if len(whole) > 1 or sum(map(len, contents.values())) != len(whole[0]["content"]):
        return "it has points of a curve that it does not have"
    return None


def curves_query(columns: Sequence[str], condition: str, order: str = "") -> str:
    """Return SQL for curves of any record format with plain points; :func:`lay_functions` makes what it calls.

    ``columns`` may be those of ``curve``. ``condition`` stands in it twice, and so do its parameters, which have
    names (``:run``) therefore; columns in it begin with ``c.``.
    """
    plain = ", ".join(f"c.{name} AS {name}" for name in columns)
    packed_ones = ", ".join(
        f"curve_points_of(substr(p.content, c.start + 1, c.size), substr(p.content, a.start + 1, a.size), "
        f"c.axis_of IS NOT NULL, {_POINTS.index(name)}) AS {name}"
        if name in _POINTS
        else f"c.{name} AS {name}"
        for name in columns
    )
    joined = ""
    if any(name in _POINTS for name in columns):
        joined = (
            "LEFT JOIN curve_points AS p ON p.sequence = c.sequence LEFT JOIN packed_curve AS a ON "
            "(a.sequence, a.check_position, a.position) = (c.sequence, c.check_position, c.axis_of) "
        )
    return (
        f"SELECT {plain} FROM curve AS c WHERE {condition} UNION ALL "
        f"SELECT {packed_ones} FROM packed_curve AS c {joined}WHERE {condition} {order}"
    )


def lay_functions(connection: sqlite3.Connection) -> None:
    """Make the function that :func:`curves_query` calls."""
    connection.create_function(
        "curve_points_of",
        4,
        lambda content, axis, is_shared, at: _columns(content, axis, bool(is_shared))[at],
        deterministic=True,
    )
