"""Which findings a cause explains: metrics in groups, by what can move them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict

#: A cause that touches this explains all that is in its channel.
EVERYTHING: Final = "everything"
#: A cause that touches this explains what could not be measured for want of a capture's rate.
COARSE: Final = "coarse"

#: Groups of metrics that move together, by kind and metric; ``*`` stands for those of the kind that are not named.
GROUPS: Final[Mapping[str, Mapping[str, str]]] = MappingProxyType(
    {
        "wiring": {"order": "order", "polarity": "polarity", "channel_delay": "delay", "balance": "level"},
        "tone": {
            "level": "level", "level_dbfs": "level", "balance": "level", "frequency": "clock",
            "clock_error": "clock", "sinad": "residue", "thd_n": "residue", "enob": "residue", "thd": "harmonics",
            "noise": "noise", "hum": "hum", "largest_spur": "lines", "spectrum": "lines", "dc_offset": "offset",
            "peak_outside": "clicks", "*": "harmonics",
        },
        "low_level_tone": {"spectrum": "lines", "peak_outside": "clicks", "*": "range"},
        "quiet": {
            "hum": "hum", "spectrum": "lines", "peak_outside": "clicks", "snr": "range", "snr_a": "range", "*": "noise",
        },
        "multitone": {"*": "between"},
        "linearity": {"*": "linearity"},
        "jitter": {"*": "jitter"},
        "intermodulation": {"*": "intermodulation"},
        "response": {"balance": "level", "*": "response"},
        "reconstruction": {
            "stopband_attenuation": "images", "stopband_from": "images", "image_rejection": "images",
            "pre_ringing": "impulse", "impulse": "impulse", "latency": "impulse", "corner_3db": "edge",
            "corner_6db": "edge", "*": "response",
        },
        "distortion_sweep": {"worst": "sweep", "worst_at": "sweep", "thd_n": "sweep", "*": "wide"},
        "ultrasonic": {"*": "ultrasonic"},
        "crosstalk": {"*": "crosstalk"},
    }
)  # fmt: skip


def group_of(kind: str, metric: str) -> str:
    """Return the group of a metric; its own name where it has none."""
    of_kind = GROUPS.get(kind, {})
    return of_kind.get(metric, of_kind.get("*", metric))


def is_explained(
    kind: str, item: JudgedReading | JudgedCurve, touches: tuple[str, ...], channel: str | None
) -> bool:
    """Return whether a cause that touches these groups, in a channel or in all, explains a finding."""
    measured = item.measured
    if channel is not None and measured.channel not in (None, channel):
        return False
    if EVERYTHING in touches:
        return True
    if COARSE in touches:
        return item.verdict is Verdict.INVALID
    # What is invalid for want of a value follows from whatever spoilt its check.
    if item.verdict is Verdict.INVALID and "capture" in touches:
        return True
    return group_of(kind, measured.metric) in touches
