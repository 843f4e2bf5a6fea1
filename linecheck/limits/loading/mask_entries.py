"""The ``masks`` of a check: limits that make sense for the check's kind."""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Final, get_args

import numpy as np

from linecheck.checks.base import CheckKind, CurveSpec, MetricSpec
from linecheck.files.faults import FaultList, did_you_mean
from linecheck.files.yaml import REFUSED, KeyPath, described
from linecheck.limits.loading.values import LARGEST, read_mapping, read_number, refuse_other_keys
from linecheck.limits.masks import Clash, bounds_clash, extent, mask_clash
from linecheck.limits.model import Bounds, Limit, Mask, Side

_Spec = MetricSpec | CurveSpec
_SIDES: Final[tuple[Side, ...]] = get_args(Side)


def read_masks(data: object, kind: CheckKind, path: KeyPath, faults: FaultList) -> dict[str, Mask]:
    """Return the masks of a check by metric; what is wrong goes to ``faults`` and is left out."""
    specs = {spec.name: spec for spec in kind.specs}
    hint = f"; the metrics are: {', '.join(specs)}"
    masks: dict[str, Mask] = {}
    for metric, entry in (read_mapping(data, path, "masks by metric", faults, hint=hint) or {}).items():
        where = (*path, metric)
        if metric not in specs:
            what = f"the metrics of {kind.name} are"
            faults.add_key(where, f"unknown metric; {did_you_mean(metric, specs, what)}")
            continue
        mask = _read_mask(entry, specs[metric], where, faults)
        if mask is not None:
            masks[metric] = mask
    return masks


def _read_mask(entry: object, spec: _Spec, path: KeyPath, faults: FaultList) -> Mask | None:
    form = "pass and fail, as in {pass: {min: 1}}"
    data = read_mapping(entry, path, form, faults, may_be_empty=True)
    if data is None:
        return None
    refuse_other_keys(data, ("pass", "fail"), path, faults)
    if "pass" not in data:
        faults.add_missing((*path, "pass"), "is missing; a mask says what passes")
    inner = _read_bounds(data["pass"], spec, (*path, "pass"), faults) if "pass" in data else None
    outer = _read_bounds(data["fail"], spec, (*path, "fail"), faults) if "fail" in data else None
    if inner is None or ("fail" in data and outer is None):
        return None
    mask = Mask(inner, outer)
    return mask if _makes_sense(mask, spec, path, faults) else None


def _read_bounds(entry: object, spec: _Spec, path: KeyPath, faults: FaultList) -> Bounds | None:
    """Return a lower and upper limit; None (and faults) where one of them is wrong or both are absent."""
    data = read_mapping(entry, path, "min, max or both", faults)
    if data is None:
        return None
    refuse_other_keys(data, _SIDES, path, faults)
    limits = {side: _read_limit(data[side], spec, (*path, side), faults) for side in _SIDES if side in data}
    if data.keys() - set(_SIDES) or None in limits.values():
        return None
    return Bounds(limits.get("min"), limits.get("max"))


def _read_limit(data: object, spec: _Spec, path: KeyPath, faults: FaultList) -> Limit | None:
    unit = f" in {spec.unit}" if spec.unit else ""
    if isinstance(data, list):
        if isinstance(spec, CurveSpec):
            return _read_corners(data, spec, path, faults)
        faults.add(path, f"{spec.name} is one value, not a curve; expected a number{unit}, got a list")
        return None
    what = f"a number{unit}" + (
        f", or a list of points [{spec.x_unit}, {spec.unit}]" if isinstance(spec, CurveSpec) else ""
    )
    return _read_number(data, what, path, faults)


def _read_number(data: object, what: str, path: KeyPath, faults: FaultList) -> float | None:
    value = read_number(data, path, what, faults)
    if value is not None and abs(value) > LARGEST:
        faults.add(path, f"expected {what} within ±{LARGEST:g}, got {value:g}")
        return None
    return None if value is None else float(value)


def _read_corners(
    data: list[Any], spec: CurveSpec, path: KeyPath, faults: FaultList
) -> tuple[tuple[float, float], ...] | None:
    if len(data) < 2:
        faults.add(
            path,
            f"expected at least 2 points [{spec.x_unit}, {spec.unit}], got {len(data)}; "
            "a flat limit is a number",
        )
        return None
    points = [_read_point(point, spec, (*path, index), faults) for index, point in enumerate(data)]
    if None in points:
        return None
    corners = tuple(point for point in points if point is not None)
    descents = [index for index, (first, second) in enumerate(pairwise(corners)) if second[0] <= first[0]]
    for index in descents:
        before, after = corners[index][0], corners[index + 1][0]
        message = f"points ascend; expected more than {before:.9g} {spec.x_unit}, got {after:.9g}"
        faults.add((*path, index + 1, 0), message)
    return None if descents else corners


def _read_point(
    data: object, spec: CurveSpec, path: KeyPath, faults: FaultList
) -> tuple[float, float] | None:
    if data is REFUSED:
        return None
    if not isinstance(data, list) or len(data) != 2:
        got = f"{len(data)} values" if isinstance(data, list) else described(data)
        faults.add(path, f"expected a point [{spec.x_unit}, {spec.unit}], got {got}")
        return None
    x = _read_number(data[0], f"a number in {spec.x_unit}", (*path, 0), faults)
    y = _read_number(data[1], f"a number in {spec.unit}", (*path, 1), faults)
    if x is None or y is None:
        return None
    if spec.log_x and x <= 0.0:
        faults.add((*path, 0), f"expected more than 0 {spec.x_unit}, the axis is logarithmic; got {x:g}")
        return None
    return x, y


def _makes_sense(mask: Mask, spec: _Spec, path: KeyPath, faults: FaultList) -> bool:
    """Return whether the pass mask lets something through and lies inside the fail mask."""
    log_x = isinstance(spec, CurveSpec) and spec.log_x
    clash = bounds_clash(mask.pass_, log_x)
    if clash is not None:
        x, lower, upper = clash
        message = f"must be above min ({lower:.9g} {spec.unit}){_at(x, spec)}, got {upper:.9g}"
        faults.add((*path, "pass", "max"), message)
    sound = clash is None
    for side in _SIDES:
        clash = mask_clash(mask, side, log_x)
        if clash is not None:
            inner: Limit | None = getattr(mask.pass_, side)
            faults.add((*path, "fail", side), _fail_message(side, clash, inner, spec))
            sound = False
    return sound


def _fail_message(side: str, clash: Clash, inner: Limit | None, spec: _Spec) -> str:
    x, limit, fail_limit = clash
    if np.isnan(limit):
        where = ""
        if inner is not None and x is not None and isinstance(spec, CurveSpec):
            first, last = extent(inner)
            where = f" below {first:.9g} {spec.x_unit}" if x < first else f" above {last:.9g} {spec.x_unit}"
        return (
            f"what fails here passes by the pass mask, which has no {side}{where}; "
            "give it one, or leave this out"
        )
    order = "at most" if side == "min" else "at least"
    return (
        f"the pass mask must lie inside the fail mask; expected {order} {limit:.9g} {spec.unit}"
        f"{_at(x, spec)}, got {fail_limit:.9g}"
    )


def _at(x: float | None, spec: _Spec) -> str:
    return f" at {x:.9g} {spec.x_unit}" if x is not None and isinstance(spec, CurveSpec) else ""
