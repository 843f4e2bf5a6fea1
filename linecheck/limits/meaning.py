"""Masks in words.

=======================  ==============================================
:func:`meaning`          a mask in one sentence
:func:`bounds_text`      what lies inside bounds: ``≤ -113``
:func:`outside_text`     what lies outside them: ``> -106``
=======================  ==============================================
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.limits.model import Bounds, Limit, Mask

_Spec = MetricSpec | CurveSpec


def meaning(spec: _Spec, mask: Mask) -> str:
    """Return what passes, fails and is marginal, in one sentence."""
    outside = _outside(mask.fail or mask.pass_, ("below", "above"), partial(_said, spec))
    sentence = f"{spec.text}: {_inside(spec, mask.pass_)} passes, {outside} fails"
    return sentence if mask.fail is None else f"{sentence}, what lies between is marginal"


def bounds_text(bounds: Bounds) -> str:
    """Return what lies inside bounds, as a table has it."""
    low, high = _plain(bounds.min), _plain(bounds.max)
    if bounds.min is not None and bounds.max is not None:
        return f"{low} to {high}"
    return f"≥ {low}" if bounds.max is None else f"≤ {high}"


def outside_text(bounds: Bounds) -> str:
    """Return what lies outside bounds, as a table has it."""
    return _outside(bounds, ("<", ">"), _plain)


def _plain(limit: Limit | None) -> str:
    if limit is None:
        return ""
    return "curve" if isinstance(limit, tuple) else f"{limit:g}"


def _inside(spec: _Spec, bounds: Bounds) -> str:
    low, high = (None if limit is None else _said(spec, limit) for limit in (bounds.min, bounds.max))
    if low and high:
        return f"from {low} to {high}"
    return f"{low} or more" if low else f"{high} or less"


def _outside(bounds: Bounds, words: tuple[str, str], text: Callable[[Limit], str]) -> str:
    sides = zip(words, (bounds.min, bounds.max), strict=True)
    return " or ".join(f"{word} {text(limit)}" for word, limit in sides if limit is not None)


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
