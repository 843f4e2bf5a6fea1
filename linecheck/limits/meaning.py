"""What a mask means, in words.

=======================  ==============================================
:func:`meaning`          a mask in one sentence
:func:`bounds_text`      what lies inside bounds: ``≤ -113``
:func:`outside_text`     what lies outside them: ``> -106``
=======================  ==============================================
"""

from __future__ import annotations

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.limits.model import Bounds, Limit, Mask

__all__ = ["bounds_text", "meaning", "outside_text"]

_Spec = MetricSpec | CurveSpec


def meaning(spec: _Spec, mask: Mask) -> str:
    """Return what passes, what fails and what is marginal, as one reads it aloud."""
    sentence = (
        f"{spec.text}: {_inside(spec, mask.pass_)} passes, {_outside(spec, mask.fail or mask.pass_)} fails"
    )
    return sentence if mask.fail is None else f"{sentence}, what lies between is marginal"


def bounds_text(bounds: Bounds) -> str:
    """Return what lies inside bounds, as a table has it."""
    low, high = _plain(bounds.min), _plain(bounds.max)
    if bounds.min is not None and bounds.max is not None:
        return f"{low} to {high}"
    return f"≥ {low}" if bounds.max is None else f"≤ {high}"


def outside_text(bounds: Bounds) -> str:
    """Return what lies outside bounds, as a table has it."""
    parts = []
    if bounds.min is not None:
        parts.append(f"< {_plain(bounds.min)}")
    if bounds.max is not None:
        parts.append(f"> {_plain(bounds.max)}")
    return " or ".join(parts)


def _plain(limit: Limit | None) -> str:
    if limit is None:
        return ""
    return "curve" if isinstance(limit, tuple) else f"{limit:g}"


def _inside(spec: _Spec, bounds: Bounds) -> str:
    if bounds.min is not None and bounds.max is not None:
        return f"from {_said(spec, bounds.min)} to {_said(spec, bounds.max)}"
    if bounds.min is not None:
        return f"{_said(spec, bounds.min)} or more"
    assert bounds.max is not None
    return f"{_said(spec, bounds.max)} or less"


def _outside(spec: _Spec, bounds: Bounds) -> str:
    parts = []
    if bounds.min is not None:
        parts.append(f"below {_said(spec, bounds.min)}")
    if bounds.max is not None:
        parts.append(f"above {_said(spec, bounds.max)}")
    return " or ".join(parts)


def _said(spec: _Spec, limit: Limit) -> str:
    """Return a limit with its unit; of a part of the whole its share in per cent too, which is how many know it."""
    if isinstance(limit, tuple):
        assert isinstance(spec, CurveSpec)
        corners = ", ".join(f"{value:g} {spec.unit} at {x:g} {spec.x_unit}" for x, value in limit)
        return f"the line through {corners}"
    text = f"{limit:g} {spec.unit}".rstrip()
    if spec.unit == "dB" and spec.possible[1] == 0.0 and limit < 0.0:
        text += f" ({100.0 * 10.0 ** (limit / 20.0):.2g} %)"
    return text
