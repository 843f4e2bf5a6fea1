"""How the path enters each metric: one row for each.

A metric without a row is told as not held against the path: what the self-check plays says nothing of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from linecheck.measure.path_part import Way

__all__ = ["CONTRIBUTIONS", "Contribution"]

#: What a figure is re, and has to be re for the metric: ``own``, both alike. ``tone``: from re the loop's tone to re
#: the unit's. ``scale``: from re full scale to re the unit's tone. ``rate``: from the loop's jitter tone to the
#: check's; the same jitter modulates the higher one more. ``volts``: from re full scale to volts.
Re = Literal["own", "tone", "scale", "rate", "volts"]


@dataclass(frozen=True)
class Contribution:
    """A figure of the path that enters a metric: in which way, and what it has to be re."""

    figure: str
    way: Way
    re: Re = "own"


_HARMONICS = Contribution("distortion", "amplitude")
_NOISE = Contribution("noise_with_tone", "power", "tone")
_HUM = Contribution("hum", "amplitude", "scale")
_FLATNESS = Contribution("ripple", "additive")
_BALANCE = Contribution("balance", "additive")

#: By kind and metric or curve.
CONTRIBUTIONS: Final[Mapping[tuple[str, str], tuple[Contribution, ...]]] = {
    ("tone", "level"): (Contribution("ripple", "relative"),),
    ("tone", "level_dbfs"): (_FLATNESS,),
    ("tone", "sinad"): (_HARMONICS, _NOISE),
    ("tone", "thd_n"): (_HARMONICS, _NOISE),
    ("tone", "thd"): (_HARMONICS,),
    **{("tone", f"harmonic_{order}"): (_HARMONICS,) for order in range(2, 10)},
    ("tone", "noise"): (_NOISE,),
    ("tone", "largest_spur"): (Contribution("spur", "amplitude"),),
    ("tone", "spectrum"): (Contribution("spur", "amplitude"),),
    ("tone", "hum"): (_HUM,),
    ("tone", "balance"): (_BALANCE,),
    ("tone", "clock_error"): (Contribution("clock", "additive"),),
    ("quiet", "snr"): (Contribution("noise", "power", "scale"),),
    ("quiet", "snr_a"): (Contribution("noise_a", "power", "scale"),),
    ("quiet", "noise"): (Contribution("noise", "power", "volts"),),
    ("quiet", "noise_a"): (Contribution("noise_a", "power", "volts"),),
    ("quiet", "hum"): (_HUM,),
    ("low_level_tone", "dynamic_range"): (Contribution("noise", "power", "scale"),),
    ("low_level_tone", "dynamic_range_a"): (Contribution("noise_a", "power", "scale"),),
    ("distortion_sweep", "worst"): (_HARMONICS, _NOISE),
    ("distortion_sweep", "thd_n"): (_HARMONICS, _NOISE),
    ("jitter", "paired_jitter"): (Contribution("jitter", "additive"),),
    ("jitter", "largest_sideband"): (Contribution("sideband", "amplitude", "rate"),),
    ("jitter", "sidebands"): (Contribution("sideband", "amplitude", "rate"),),
    ("jitter", "skirt"): (Contribution("skirt", "power", "rate"),),
    ("jitter", "lone_spur"): (Contribution("lone_spur", "amplitude"),),
    ("crosstalk", "crosstalk"): (Contribution("crosstalk", "amplitude"),),
    ("crosstalk", "crosstalk_over_frequency"): (Contribution("crosstalk", "amplitude"),),
    ("response", "ripple"): (_FLATNESS,),
    ("response", "response"): (_FLATNESS,),
    ("response", "balance"): (_BALANCE,),
    ("wiring", "balance"): (_BALANCE,),
    ("wiring", "channel_delay"): (Contribution("delay", "additive"),),
    **{("reconstruction", f"droop_{khz}k"): (_FLATNESS,) for khz in (10, 15, 17, 18, 19, 20)},
}
