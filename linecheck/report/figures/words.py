"""Numbers and names in figures, as people read them."""

from __future__ import annotations

import re

import numpy as np

from linecheck.report.figures.names import metric_name, plain_name

__all__ = [
    "axis_number",
    "curve_name",
    "file_name",
    "near_text",
    "place_text",
    "plain_name",
    "plain_number",
    "value_text",
]

_CURVES = {
    "thd_n_wide": "THD+N in the wide band",
    "imd_over_level": "intermodulation",
    "crosstalk_over_frequency": "crosstalk",
    "impulse": "impulse response re its peak",
    "response": "response re 1 kHz",
}
_NOT_PLAIN = re.compile(r"[^A-Za-z0-9_]+")


def plain_number(value: float, digits: int = 6) -> str:
    """Return a number with at most so many digits; a true minus sign, no plus in its exponent."""
    return f"{value:.{digits}g}".replace("-", "−").replace("e+", "e")


def axis_number(value: float) -> str:
    """Return a number for an axis: 1250000 becomes 1.25e6."""
    return plain_number(value, 5) if abs(value) < 1e6 else plain_number(value, 3)


def value_text(value: float, unit: str) -> str:
    """Return a value with its unit; levels have two decimals, as everywhere."""
    is_level = unit == "dB" and abs(value) < 1e6
    number = f"{round(value, 2) + 0.0:.2f}".replace("-", "−") if is_level else plain_number(value, 5)
    return f"{number} {unit}".rstrip()


def near_text(value: float, unit: str, span: float) -> str:
    """Return a value with as many decimals as a thousandth of a span takes; levels have two at most."""
    if not 1e-9 < span < 1e6 or not abs(value) < 1e6 or (not unit and value == round(value)):
        return value_text(value, unit)
    decimals = max(0, int(np.ceil(3.0 - np.log10(span))))
    rounded = round(value, min(decimals, 2) if unit.startswith("dB") else decimals) + 0.0
    number = f"{rounded:.{min(decimals, 2) if unit.startswith('dB') else decimals}f}".replace("-", "−")
    return f"{number} {unit}".rstrip()


def place_text(value: float, unit: str, digits: int = 4) -> str:
    """Return a place along an axis: 1.99 kHz, 50 Hz, −60 dBFS."""
    if unit == "Hz" and abs(value) >= 1000.0:
        return f"{plain_number(value / 1000.0, digits)} kHz"
    return f"{plain_number(value, digits)} {unit}".rstrip()


def curve_name(metric: str) -> str:
    """Return what a curve shows, for the axis that it is drawn along."""
    return _CURVES.get(metric, metric_name(metric))


def file_name(name: str) -> str:
    """Return a name that is plain enough for a file or an id: letters, digits, underscores, single hyphens."""
    return _NOT_PLAIN.sub("-", name).strip("-") or "figure"
