"""Masks of curves: bands that hold whole curves of a share of all units, with confidence.

==========================  ==================================================================
:func:`read_curve_sets`     the curves of the newest counted units, from their logs
:class:`CurveSet`           the curves of one metric in one channel, along one axis
:func:`deviations`          by how many spreads each curve leaves the middle of the others
:func:`propose_curve`       the mask of a curve
==========================  ==================================================================

A band that holds each point of most curves does not hold most curves: each may leave it somewhere else. So of every
curve the largest deviation counts, in spreads of its point, from the middle of all the others (a max-deviation band).
These deviations are one number a unit; so many spreads as a share of them stays below, with confidence
(:func:`~linecheck.statistics.propose.tolerance_of`), make the band, and it holds whole curves.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from linecheck.checks.base import CurveSpec
from linecheck.dsp.arrays import FloatArray
from linecheck.history.rejudge.read import Span, read_checks, read_curves
from linecheck.history.rejudge.select import opened
from linecheck.limits.masks import extent
from linecheck.limits.model import Bounds, Check, Limit, LimitFile, Mask, Side
from linecheck.log.connect import database_path
from linecheck.statistics.fits import Sample
from linecheck.statistics.propose import Proposal, Wanted, tolerance_of
from linecheck.statistics.readings import NEWEST_FIRST, specs_of

if TYPE_CHECKING:
    from linecheck.statistics.columns import Columns

#: Curves of at most so many of the newest units are read.
MAX_UNITS: Final = 1000
#: Fewer curves have no band.
MIN_CURVES: Final = 20
#: Corners of a proposed mask, at most.
_CORNERS: Final = 12
#: A point at which curves spread less than this part of the usual has this spread: nothing is known that exactly.
_MIN_SPREAD: Final = 0.05


@dataclass(frozen=True, eq=False)
class CurveSet:
    """The curves of one metric in one channel.

    ``y`` has shape (units, points); ``others`` is how many units have it along another axis, ``lacking`` how many have
    no points: not measured, or thinned out. ``uncertainty`` is the largest root mean square of a point; None where one
    has none.
    """

    check: Check
    spec: CurveSpec
    channel: str | None
    x: FloatArray
    y: FloatArray
    others: int
    lacking: int
    uncertainty: float | None


def read_curve_sets(columns: Columns, limits: LimitFile) -> Iterator[CurveSet]:
    """Yield the masked curves of the newest counted units, by channel; none of what is no log.

    Raises
    ------
    FileError, RecordError
        A log cannot be read.
    """
    wanted = [
        (check, spec) for check in limits.checks for spec in check_curves(check) if spec.name in check.masks
    ]
    if not wanted or not columns.place.logs:
        return
    found: dict[tuple[str, str, str | None], list[tuple[bytes, bytes, bytes | None] | None]] = {}
    names = sorted({spec.name for _, spec in wanted})
    newest = columns.rows(f"SELECT log, record FROM counted ORDER BY {NEWEST_FIRST} LIMIT {MAX_UNITS}")
    for log, path in enumerate(columns.place.logs):
        records = np.array(sorted(record for of, record in newest if of == log), dtype=np.int64)
        if len(records):
            _read(Path(database_path(path)), records, names, found)
    for check, spec in wanted:
        for channel in limits.channels if spec.per_channel else (None,):
            rows = found.get((check.name, spec.name, channel))
            if rows:
                yield _set(check, spec, channel, rows)


def check_curves(check: Check) -> list[CurveSpec]:
    """Return the curves that the kind of a check has."""
    return [spec for spec in specs_of(check) if isinstance(spec, CurveSpec)]


def _read(
    path: Path,
    records: FloatArray | np.ndarray[tuple[int], np.dtype[np.int64]],
    metrics: Sequence[str],
    found: dict[tuple[str, str, str | None], list[tuple[bytes, bytes, bytes | None] | None]],
) -> None:
    with opened(path) as reader, reader.understood():
        span = Span(np.asarray(records, dtype=np.int64))
        checks = read_checks(reader, span)
        for row in read_curves(reader, span, metrics, guarded=True):
            channel = None if row.channel is None else reader.text(row.channel)
            key = (checks[row.run][row.check_position], reader.text(row.metric), channel)
            points = None if not row.x or not row.y else (row.x, row.y, row.uncertainty)
            found.setdefault(key, []).append(points)


def _set(
    check: Check,
    spec: CurveSpec,
    channel: str | None,
    rows: Sequence[tuple[bytes, bytes, bytes | None] | None],
) -> CurveSet:
    there = [row for row in rows if row is not None]
    usual = Counter(row[0] for row in there).most_common(1)
    axis = usual[0][0] if usual else b""
    same = [row for row in there if row[0] == axis]
    x = np.frombuffer(axis, dtype="<f8")
    y = np.stack([np.frombuffer(row[1], dtype="<f8") for row in same]) if same else np.empty((0, 0))
    known = [np.frombuffer(row[2], dtype="<f8") for row in same if row[2]]
    uncertainty = (
        float(np.max(np.sqrt(np.mean(np.square(known), axis=0))))
        if len(known) == len(same) and same
        else None
    )
    return CurveSet(check, spec, channel, x, y, len(there) - len(same), len(rows) - len(there), uncertainty)


def deviations(y: FloatArray, side: Side) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return by how many spreads each curve leaves the middle of all others, at its farthest point on one side.

    Parameters
    ----------
    y : float64 array, shape (units, points)
    side : {"min", "max"}

    Returns
    -------
    deviations : float64 array, shape (units,)
    middle, spread : float64 array, shape (points,)
        Of all curves.
    """
    units = len(y)
    middle, spread = np.mean(y, axis=0), np.std(y, axis=0, ddof=1)
    spread = np.maximum(spread, _MIN_SPREAD * float(np.median(spread)))
    off = y - middle
    # The mean and the spread of all others, from those of all.
    apart = off * (units / (units - 1.0))
    left = ((units - 1.0) * spread**2 - off**2 * (units / (units - 1.0))) / (units - 2.0)
    own = np.sqrt(np.maximum(left, (_MIN_SPREAD * spread) ** 2))
    way = 1.0 if side == "max" else -1.0
    return np.max(way * apart / own, axis=1), middle, spread


def propose_curve(sets: Sequence[CurveSet], wanted: Wanted) -> Proposal:
    """Return the mask of a curve, from the curves of all channels along its axis.

    Parameters
    ----------
    sets : sequence of CurveSet
        Its channels; at least one.
    wanted : Wanted
    """
    check, spec = sets[0].check, sets[0].spec
    present = check.masks[spec.name]
    notes = list(_notes(sets))
    limits: dict[str, Limit | None] = {}
    outer: dict[str, Limit | None] = {}
    for one in sets:
        why = _why_none(one)
        if why:
            return Proposal(check.name, spec.name, spec, present, None, f"{one.channel or 'pair'}: {why}")
    for side in present.pass_.sides:
        x = _corners_x(present.pass_.sides[side], sets[0].x, spec.log_x)
        corners: list[FloatArray] = []
        for one in sets:
            found = band(one, side, wanted)
            if isinstance(found, str):
                return Proposal(
                    check.name, spec.name, spec, present, None, f"{one.channel or 'pair'}: {found}"
                )
            edge, method = found
            notes.append(f"{one.channel or 'pair'}: {method}")
            corners.append(_above(x, one.x, edge if side == "max" else -edge))
        step = 10.0 ** math.floor(math.log10(max(float(np.median(np.std(sets[0].y, axis=0))), 1e-12)))
        worst = np.max(corners, axis=0)
        limits[side] = _limit(x, worst, step, side)
        guard = _guard(sets, wanted)
        if guard is not None:
            outer[side] = _limit(x, worst + guard, step, side)
    if not outer:
        notes.append("no uncertainty is known: there is no fail mask")
    mask = Mask(Bounds(**limits), Bounds(**outer) if outer else None)
    return Proposal(check.name, spec.name, spec, present, mask, "", (), tuple(notes))


def _notes(sets: Sequence[CurveSet]) -> Iterator[str]:
    for one in sets:
        where = one.channel or "pair"
        if one.others:
            yield f"{where}: {one.others} curves along another axis are left out"
        if one.lacking:
            yield f"{where}: {one.lacking} curves have no points"


def _why_none(one: CurveSet) -> str:
    """Return why curves have no band; nothing where they may have one."""
    if len(one.y) < MIN_CURVES:
        return (
            f"{len(one.y)} curves with points along one axis are too few for a band, which takes {MIN_CURVES}"
        )
    if not np.all(np.isfinite(one.y)):
        return "curves have points that are not finite"
    return "" if float(np.median(np.std(one.y, axis=0))) > 0.0 else "the curves do not spread"


def band(one: CurveSet, side: Side, wanted: Wanted) -> tuple[FloatArray, str] | str:
    """Return the edge of the band along the axis, and how it was had; in words why there is none."""
    units = len(one.y)
    farthest, middle, spread = deviations(one.y, side)
    found = tolerance_of(Sample.of(farthest), (False, True), wanted.share, wanted.confidence)
    if isinstance(found, str):
        return f"largest deviations of {units} curves: {found}"
    way = 1.0 if side == "max" else -1.0
    told = f"{found.high:.3g} spreads from the middle hold whole curves ({found.method}, {units} curves)"
    return middle + way * found.high * spread, told


def _corners_x(limit: Limit, x: FloatArray, log_x: bool) -> FloatArray:
    """Return the corners of a mask: where the present one has them, and evenly between."""
    low, high = extent(limit) if isinstance(limit, tuple) else (float(x[0]), float(x[-1]))
    low = max(low, float(x[x > 0][0])) if log_x else low
    even = np.geomspace(low, high, _CORNERS) if log_x else np.linspace(low, high, _CORNERS)
    own = [point[0] for point in limit] if isinstance(limit, tuple) else []
    inner = [float(f"{at:.3g}") for at in even[1:-1]]
    # A corner that is there already stands for those close to it.
    reach = (math.log(high / low) if log_x else high - low) / (2.0 * _CORNERS)
    place = math.log if log_x else float
    kept = [at for at in inner if all(abs(place(at) - place(other)) > reach for other in own)]
    return np.array(sorted({low, high, *own, *kept}))


def _above(corners: FloatArray, x: FloatArray, edge: FloatArray) -> FloatArray:
    """Return heights of corners so that straight lines between them lie nowhere below an edge."""
    heights = np.full(len(corners), -math.inf)
    at = np.clip(np.searchsorted(corners, x, side="right") - 1, 0, len(corners) - 2)
    inside = (x >= corners[0]) & (x <= corners[-1])
    np.maximum.at(heights, at[inside], edge[inside])
    np.maximum.at(heights, at[inside] + 1, edge[inside])
    # Where a segment has no point of the curve, its neighbours say how high it is.
    empty = np.isinf(heights)
    heights[empty] = np.interp(corners[empty], corners[~empty], heights[~empty])
    return heights


def _limit(x: FloatArray, heights: FloatArray, step: float, side: Side) -> Limit:
    rounded = np.ceil(heights / step - 1e-9) * step
    way = 1.0 if side == "max" else -1.0
    digits = max(0, -round(math.log10(step)))
    return tuple(
        (float(at), round(float(way * height), digits)) for at, height in zip(x, rounded, strict=True)
    )


def _guard(sets: Sequence[CurveSet], wanted: Wanted) -> float | None:
    """Return how far the fail mask lies outside: no point at the pass mask has a larger specific risk."""
    known = [one.uncertainty for one in sets if one.uncertainty is not None]
    if len(known) < len(sets):
        return None
    return max(known) * float(-special.ndtri(min(wanted.consumer, wanted.producer) / wanted.masks))
