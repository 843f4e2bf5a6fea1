"""Numbers and names as people read them, on pages and in figures: no digit that says nothing, and none that is missing.

========================  ====================================================================
:func:`metric_name`       a metric as the trade writes it
:func:`value_text`        a value with its unit
:func:`measured_texts`    a value and its expanded uncertainty
:func:`signed_texts`      a difference likewise, with its sign
:func:`amount_text`       a margin, a distance
:func:`place_text`        a place along an axis
========================  ====================================================================
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from linecheck.checks.parts.declared import difference_unit
from linecheck.results.wording import response_at, significant

#: Parts of names as the trade writes them.
_WORDS = {
    "468": "(ITU-R 468)",
    "a": "(A)",
    "dc": "DC",
    "enob": "ENOB",
    "imd": "IMD",
    "passband": "pass band",
    "sinad": "SINAD",
    "snr": "SNR",
    "stopband": "stop band",
    "thd": "THD",
}
#: Names that their parts do not say as the trade does.
_NAMES = {
    "best_imd_level": "level of the best IMD",
    "channel_delay": "delay between the channels",
    "corner_3db": "−3 dB corner",
    "corner_6db": "−6 dB corner",
    "corner_high": "upper corner",
    "corner_low": "lower corner",
    "separation": "channel separation",
    "separation_over_frequency": "channel separation over frequency",
    "distortion_noise": "distortion and noise",
    "dynamic_range_a_weighted": "dynamic range, A-weighted",
    "dynamic_range_ccir_rms": "dynamic range, CCIR-RMS",
    "dynamic_range_unweighted": "dynamic range, unweighted",
    "imd_2": "IMD, second order",
    "imd_3": "IMD, third order",
    "level_dbfs": "level, dBFS",
    "noise_20k_100k": "noise, 20 kHz to 100 kHz",
    "noise_ccir_rms": "noise, CCIR-RMS",
    "pre_ringing": "pre-ringing",
    "thd_n": "THD+N",
    "thd_n_wide": "THD+N, wide band",
    "thd_n_wideband": "THD+N, wideband",
    "worst": "worst THD+N",
    "worst_at": "worst THD+N at",
    "worst_wide": "worst THD+N, wide band",
    "worst_wide_at": "worst THD+N, wide band, at",
    "worst_wideband": "worst THD+N, wideband",
    "worst_wideband_at": "worst THD+N, wideband, at",
}
_CURVES = {
    "thd_n_wide": "THD+N in the wide band",
    "imd_over_level": "intermodulation",
    "thd_n_wideband": "THD+N in the wide band",
    "crosstalk_over_frequency": "channel separation",
    "separation_over_frequency": "channel separation",
    "both_sides": "re the tone",
    "impulse": "impulse response re its peak",
    "response": "response re 1 kHz",
}
_NOT_PLAIN = re.compile(r"[^A-Za-z0-9_]+")

#: A value has no more significant digits than this, and no more decimals; what is within its uncertainty of zero and
#: levels have fewer.
_MAX_DIGITS, _MAX_DECIMALS, _NOTHING_DECIMALS = 6, 6, 4
_LEVELS = ("dB", "dBFS")
_FINEST = 15
#: Values so great or small are written with an exponent.
_PLAIN = 1e9


def metric_name(metric: str) -> str:
    """Return a metric's or curve's name as the trade writes it: THD+N, SNR (A), DC offset; else as words."""
    if place := response_at(metric):
        return f"{metric.partition('_')[0]} at {place}"
    return _NAMES.get(metric) or " ".join(_WORDS.get(word, word) for word in metric.split("_"))


def plain_name(name: str) -> str:
    """Return a name as words, without underscores."""
    return name.replace("_", " ")


def plain_number(value: float, digits: int = 6) -> str:
    """Return a number with at most so many digits; a true minus sign, no plus in its exponent."""
    return f"{value:.{digits}g}".replace("-", "−").replace("e+", "e")


def axis_number(value: float) -> str:
    """Return a number for an axis: 1250000 becomes 1.25e6."""
    return plain_number(value, 5) if abs(value) < 1e6 else plain_number(value, 3)


def short_number(value: float) -> str:
    """Return a number as a logarithmic axis has it: 20, 500, 1k, 20k."""
    return f"{plain_number(value / 1000.0)}k" if 1000.0 <= abs(value) < 1e6 else plain_number(value)


def value_text(value: float, unit: str) -> str:
    """Return a value with its unit; levels have two decimals, as everywhere."""
    is_level = unit == "dB" and abs(value) < 1e6
    return _with_unit(fixed(value, 2) if is_level else _told(value, 5), unit)


def place_text(value: float, unit: str, digits: int = 4) -> str:
    """Return a place along an axis: 1.99 kHz, 50 Hz, −60 dBFS."""
    if unit == "Hz" and abs(value) >= 1000.0:
        return f"{_told(value / 1000.0, digits)} kHz"
    return _with_unit(_told(value, digits), unit)


def limit_text(value: float, unit: str) -> str:
    """Return a limit with its unit, as the limit file has it."""
    return _with_unit(_told(value), unit)


def curve_name(metric: str) -> str:
    """Return what a curve shows, for the axis that it is drawn along."""
    return _CURVES.get(metric, metric_name(metric))


def file_name(name: str) -> str:
    """Return a name that is plain enough for a file or an id: letters, digits, underscores, single hyphens."""
    return _NOT_PLAIN.sub("-", name).strip("-") or "figure"


def measured_texts(
    value: float, expanded: float | None, unit: str, apart: Iterable[float | None] = ()
) -> tuple[str, str]:
    """Return a value with its unit, and its expanded uncertainty with ± and unit.

    The value has the decimals of two digits of its uncertainty, within reason; the uncertainty is told "below" where it
    is less than the last of them. It is empty where there is none.

    Parameters
    ----------
    value : float
    expanded : float or None
        In the value's unit.
    unit : str
    apart : iterable of float or None
        Numbers (limits) that the value's text must differ from, unless it is one of them.
    """
    if not abs(value) < _PLAIN or not (expanded or 0.0) < _PLAIN:
        return value_text(value, unit), ""
    others = [other for other in apart if other is not None and other != value]
    if not expanded and value_text(value, unit) not in [value_text(other, unit) for other in others]:
        return value_text(value, unit), ""
    decimals = _decimals(value, expanded or 1.0, unit)
    while decimals < _FINEST and any(fixed(other, decimals) == fixed(value, decimals) for other in others):
        decimals = max(decimals, 0) + 1
    spread = _spread(expanded, decimals, unit) if expanded else ""
    return _with_unit(fixed(value, decimals), unit), spread


def signed_texts(value: float, expanded: float | None, unit: str) -> tuple[str, str]:
    """Return a difference with its sign, and its expanded uncertainty, as :func:`measured_texts`."""
    text, spread = measured_texts(value, expanded, difference_unit(unit))
    return ("+" if value > 0.0 and any(digit in "123456789" for digit in text) else "") + text, spread


def amount_text(value: float, unit: str) -> str:
    """Return how much something is apart, with at most four digits; it is never written as nothing."""
    apart = difference_unit(unit)
    if not 0.0 < abs(value) < _PLAIN:
        return value_text(value, apart)
    decimals = 3 - math.floor(math.log10(abs(value)))
    if apart == "dB" and abs(value) >= 0.01:
        decimals = 2
    number = fixed(value, max(min(decimals, _FINEST), 0))
    if apart != "dB" and "." in number:
        number = number.rstrip("0").rstrip(".")
    return _with_unit(number, apart)


def fixed(value: float, decimals: int) -> str:
    """Return a number with so many decimals; fewer than none round it to tens, hundreds and so on."""
    rounded = round(value, decimals) + 0.0
    return f"{rounded:.{max(decimals, 0)}f}".replace("-", "−")


def _decimals(value: float, expanded: float, unit: str) -> int:
    of_spread = 1 - math.floor(math.log10(expanded))
    of_value = max(_MAX_DIGITS - 1 - math.floor(math.log10(abs(value))), 0) if value else _MAX_DECIMALS
    most = _MAX_DECIMALS if abs(value) > expanded else _NOTHING_DECIMALS
    if unit in _LEVELS:
        most = 2 if abs(value) >= 1.0 else 3
    return min(of_spread, of_value, most)


def _spread(expanded: float, decimals: int, unit: str) -> str:
    """Return ± an uncertainty; it is never written as nothing."""
    least = 10.0**-decimals
    if expanded < 0.5 * least:
        return f"± below {_with_unit(fixed(least, decimals), unit)}"
    return f"± {_with_unit(fixed(expanded, decimals), unit)}"


def _told(value: float, digits: int = 6) -> str:
    """Return a number in a sentence or beside its unit: without an exponent, with a true minus sign."""
    return significant(value, digits).replace("-", "−").replace("e+", "e")


def _with_unit(number: str, unit: str) -> str:
    return f"{number} {unit}".rstrip()
