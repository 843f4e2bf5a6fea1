"""The ``regression`` of a limit file: how far a metric may differ from a baseline.

::

    regression: {dB: 0.5, clock_error: 1}          # at the top: every masked metric of that unit or name
    checks:
      tone:
        kind: tone
        regression: {sinad: 0.3, spectrum: 6, hum: false}   # in a check: its metrics and curves, masked or not

The nearest counts: the check's own, then the file's by name, then the file's by unit. ``false`` says that something is
not compared. A unit stands for values and never for curves: a curve has hundreds of points, and needs a margin that
was thought of for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from linecheck.checks.base import CheckKind, CurveSpec
from linecheck.files.faults import FaultList, did_you_mean
from linecheck.files.yaml import KeyPath
from linecheck.limits.loading.values import LARGEST, read_mapping, read_number
from linecheck.limits.model import Mask

#: Margins by metric or unit; None where something is not compared.
Margins = Mapping[str, float | None]

_WHERE: Final[KeyPath] = ("regression",)


def class_names(kinds: Mapping[str, CheckKind]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what may stand at the top of a file: names of metrics and curves, and units of metrics."""
    names = [spec.name for kind in kinds.values() for spec in kind.specs]
    units = [spec.unit for kind in kinds.values() for spec in kind.metrics if spec.unit]
    return tuple(dict.fromkeys(names)), tuple(dict.fromkeys(units))


def read_classes(data: object, kinds: Mapping[str, CheckKind], faults: FaultList) -> dict[str, float | None]:
    """Return the file's own margins by metric or unit; what is wrong goes to ``faults`` and is left out."""
    names, units = class_names(kinds)
    return _read(data, (*units, *names), "the units and metrics are", _WHERE, faults)


def read_margins(data: object, kind: CheckKind, path: KeyPath, faults: FaultList) -> dict[str, float | None]:
    """Return a check's own margins by metric; what is wrong goes to ``faults`` and is left out."""
    names = [spec.name for spec in kind.specs]
    return _read(data, names, f"the metrics of {kind.name} are", path, faults)


def resolved_margins(
    kind: CheckKind, masks: Mapping[str, Mask], own: Margins, classes: Margins
) -> dict[str, float | None]:
    """Return what of a check is compared, and by which margin (None: the file says false), in the kind's order.

    Parameters
    ----------
    kind : CheckKind
    masks : mapping of str to Mask
        The check's: what a class compares is judged by a mask as well.
    own, classes : mapping of str to float or None
        The check's margins and the file's.
    """
    margins: dict[str, float | None] = {}
    for spec in kind.specs:
        classed = (spec.name,) if isinstance(spec, CurveSpec) else (spec.name, spec.unit)
        found = next((key for key in classed if key in classes), None)
        if spec.name in own:
            margins[spec.name] = own[spec.name]
        elif spec.name in masks and found is not None:
            margins[spec.name] = classes[found]
    return margins


def _read(
    data: object, names: Sequence[str], what: str, path: KeyPath, faults: FaultList
) -> dict[str, float | None]:
    form = "margins by name, as in {sinad: 0.5}"
    margins: dict[str, float | None] = {}
    for name, value in (read_mapping(data, path, form, faults) or {}).items():
        where = (*path, name)
        if name not in names:
            faults.add_key(where, f"unknown name; {did_you_mean(name, names, what)}")
            continue
        if value is False:
            margins[name] = None
            continue
        margin = read_number(value, where, "a number, or false if it is not compared", faults)
        if margin is not None and 0.0 < margin <= LARGEST:
            margins[name] = float(margin)
        elif margin is not None:
            faults.add(where, f"expected a margin above 0 and at most {LARGEST:g}, got {margin:g}")
    return margins
