"""How the path enters each metric: one row for each.

Every metric of every kind has a row in one of two tables: what of the path enters it, or why nothing of a self-check
can be held against it. A mask of the second sort is told as not held, with the reason. The path enters a superseded
metric as it does what took its place, whose row is meant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from linecheck.checks.base import CheckKind, CurveSpec, MetricSpec
from linecheck.checks.parts.harmonic_curves import NAMES as HARMONICS
from linecheck.dsp.fits.multitone import ALL_TONES_DB
from linecheck.measure.path_part import Way

#: What a figure is re. ``own``: what the metric is re, whatever its level. ``loop_tone``: the loop's tone, but it stays
#: where it is when the tone does not. ``capture``: full scale of the capture. ``rate``: the loop's jitter tone, and the
#: same jitter modulates a higher tone more.
Re = Literal["own", "loop_tone", "capture", "rate"]
#: What the metric is re: the unit's tone as captured, its full-scale tone, or a volt.
To = Literal["tone", "full_scale", "volts"]


@dataclass(frozen=True)
class Contribution:
    """A figure of the path that enters a metric: in which way, what it is re, and what the metric is re.

    ``offset_db`` is added to it: what the metric's definition has in it.
    """

    figure: str
    way: Way
    re: Re = "own"
    to: To = "tone"
    offset_db: float = 0.0


_HARMONICS = Contribution("distortion", "amplitude")
_NOISE = Contribution("noise_with_tone", "power", "loop_tone")
_HUM = Contribution("hum", "amplitude", "capture")
_FLATNESS = Contribution("ripple", "additive")
_BALANCE = Contribution("balance", "additive")
_CLOCK = Contribution("clock", "additive")
_ULTRASONIC = Contribution("ultrasonic_noise", "power", "capture")
_LINE = Contribution("quiet_line", "amplitude", "capture")
_RESIDUE = Contribution("residue", "amplitude", "capture")
_PEAK = Contribution("peak_outside", "additive", to="volts")
#: An effective number of bits is (SINAD re full scale - 1.76 dB) / 6.02 dB (IEEE 1057): the quantisation of a sine.
_OF_BITS = 1.76

#: By kind and metric or curve.
CONTRIBUTIONS: Final[Mapping[tuple[str, str], tuple[Contribution, ...]]] = {
    ("tone", "level"): (Contribution("ripple", "relative"),),
    ("tone", "level_dbfs"): (_FLATNESS,),
    ("tone", "frequency"): (_CLOCK,),
    ("tone", "clock_error"): (_CLOCK,),
    ("tone", "sinad"): (_HARMONICS, _NOISE),
    ("tone", "thd_n"): (_HARMONICS, _NOISE),
    ("tone", "enob"): tuple(
        replace(part, to="full_scale", offset_db=_OF_BITS) for part in (_HARMONICS, _NOISE)
    ),
    ("tone", "thd"): (_HARMONICS,),
    **{("tone", f"harmonic_{order}"): (_HARMONICS,) for order in range(2, 10)},
    ("tone", "noise"): (_NOISE,),
    ("tone", "largest_spur"): (Contribution("spur", "amplitude"),),
    ("tone", "spectrum"): (Contribution("spur", "amplitude"),),
    ("tone", "hum"): (_HUM,),
    ("tone", "balance"): (_BALANCE,),
    ("tone", "dc_offset"): (Contribution("dc_offset", "additive", to="volts"),),
    ("tone", "peak_outside"): (_PEAK,),
    ("quiet", "snr"): (Contribution("noise", "power", "capture"),),
    ("quiet", "snr_a"): (Contribution("noise_a", "power", "capture"),),
    ("quiet", "noise"): (Contribution("noise", "power", "capture", "volts"),),
    ("quiet", "noise_a"): (Contribution("noise_a", "power", "capture", "volts"),),
    ("quiet", "noise_ccir_rms"): (Contribution("noise_468", "power", "capture", "volts"),),
    ("quiet", "hum"): (_HUM,),
    ("quiet", "spectrum"): (_LINE,),
    ("quiet", "peak_outside"): (_PEAK,),
    **{
        ("low_level_tone", f"dynamic_range_{name}"): (Contribution(figure, "power", "capture", "full_scale"),)
        for name, figure in (("unweighted", "noise"), ("a_weighted", "noise_a"), ("ccir_rms", "noise_468"))
    },
    ("low_level_tone", "spectrum"): (_LINE,),
    ("low_level_tone", "peak_outside"): (_PEAK,),
    ("distortion_sweep", "worst"): (_HARMONICS, _NOISE),
    ("distortion_sweep", "thd_n"): (_HARMONICS, _NOISE),
    ("distortion_sweep", "worst_wideband"): (_HARMONICS, _NOISE, _ULTRASONIC),
    ("distortion_sweep", "thd_n_wideband"): (_HARMONICS, _NOISE, _ULTRASONIC),
    **{("distortion_sweep", name): (_HARMONICS,) for name in HARMONICS},
    # Of the pair that the check plays: see :func:`linecheck.station.budget.assessment.figure_name`.
    **{("intermodulation", name): (Contribution(name, "amplitude"),) for name in ("imd", "imd_2", "imd_3")},
    ("intermodulation", "best_imd"): (Contribution("best_imd", "amplitude"),),
    ("intermodulation", "imd_over_level"): (Contribution("best_imd", "amplitude"),),
    ("multitone", "clean_range"): (_RESIDUE,),
    ("multitone", "clean_bits"): (_RESIDUE,),
    ("multitone", "residue"): (_RESIDUE,),
    ("multitone", "distortion_noise"): (
        Contribution("residue_power", "power", "capture", offset_db=-ALL_TONES_DB),
    ),
    ("linearity", "gain_error"): (Contribution("linearity", "additive"),),
    ("linearity", "largest_error"): (Contribution("linearity", "additive"),),
    ("ultrasonic", "noise_20k_100k"): (_ULTRASONIC,),
    ("ultrasonic", "band_levels"): (Contribution("ultrasonic_band", "power", "capture"),),
    ("jitter", "paired_jitter"): (Contribution("jitter", "additive"),),
    ("jitter", "largest_sideband"): (Contribution("sideband", "amplitude", "rate"),),
    ("jitter", "sidebands"): (Contribution("sideband", "amplitude", "rate"),),
    ("jitter", "both_sides"): (Contribution("sideband", "amplitude", "rate"),),
    ("jitter", "skirt"): (Contribution("skirt", "power", "rate"),),
    ("jitter", "lone_spur"): (Contribution("lone_spur", "amplitude"),),
    ("crosstalk", "separation"): (Contribution("crosstalk", "amplitude"),),
    ("crosstalk", "separation_over_frequency"): (Contribution("crosstalk", "amplitude"),),
    ("response", "flatness"): (_FLATNESS,),
    ("response", "passband_ripple"): (_FLATNESS,),
    ("response", "response"): (_FLATNESS,),
    ("response", "balance"): (_BALANCE,),
    ("wiring", "balance"): (_BALANCE,),
    ("wiring", "channel_delay"): (Contribution("delay", "additive"),),
    **{("reconstruction", f"response_{khz}k"): (_FLATNESS,) for khz in (10, 15, 17, 18, 19, 20)},
    ("reconstruction", "response"): (_FLATNESS,),
}

_PLACE = "they say where a maximum lies, and the path moves that only where the maximum is its own"
_ONE_LEVEL = "the path's share grows as the tone falls, and the self-check tells its distortion at one level"
_EDGE = "the self-check's flatness ends where the path's own filters begin"
_IMAGES = (
    "a loop's own filters are those of its playback: what the capture folds back cannot be told from them"
)

#: Why nothing of a self-check can be held against these.
NOT_HELD: Final[Mapping[tuple[str, str], str]] = {
    ("distortion_sweep", "worst_at"): _PLACE,
    ("distortion_sweep", "worst_wideband_at"): _PLACE,
    ("intermodulation", "best_imd_level"): _PLACE,
    ("intermodulation", "noise_limited_below"): _PLACE,
    ("jitter", "sideband_offset"): _PLACE,
    ("linearity", "linear_down_to"): _PLACE,
    ("ultrasonic", "rise_from"): _PLACE,
    ("response", "corner_low"): _EDGE,
    ("response", "corner_high"): _EDGE,
    ("reconstruction", "corner_3db"): _EDGE,
    ("reconstruction", "corner_6db"): _EDGE,
    **{
        ("reconstruction", name): _IMAGES
        for name in ("stopband_from", "stopband_attenuation", "image_rejection", "pre_ringing", "impulse")
    },
    **{("linearity", name): _ONE_LEVEL for name in ("thd_n", *HARMONICS)},
    ("ultrasonic", "image_level"): _IMAGES,
    ("reconstruction", "latency"): "a loop's delay is the sound device's, not the capture's alone",
    ("wiring", "order"): "the self-check has a step for it, which must be met",
    ("wiring", "polarity"): "the self-check has a step for it, which must be met",
}


def row_of(kind: CheckKind, spec: MetricSpec | CurveSpec) -> tuple[str, str]:
    """Return the row of a metric or curve in either table."""
    return kind.name, spec.name if spec.superseded_by is None else spec.superseded_by.name
