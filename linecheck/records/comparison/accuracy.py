"""Below which difference a metric says nothing, however well it repeats: the accuracy of the checks.

Held against filters whose response is known (the tests of the checks and of resamplers): response levels to 0.001 dB,
corners to 1e-5 of the frequency, the top of a stop band's lobe to 1 dB, impulse figures to 0.02 dB and 0.004 ms; levels
of noise and distortion 0.1 dB (common practice, no source).
"""

from __future__ import annotations

from typing import Final

__all__ = ["PLACES", "accuracy"]

#: Where an extreme lies, not how great it is: of even noise it is anywhere, and where noise rises again moves with the
#: capture's rate. And what only says another metric in other words.
PLACES: Final = frozenset({"worst_at", "worst_wide_at", "sideband_offset", "enob", "frequency", "rise_from"})

_BY_METRIC: Final = {
    "stopband_attenuation": 1.2,
    "stopband_from": 60.0,
    "image_rejection": 0.5,
    "pre_ringing": 0.02,
    "latency": 0.004,
    "ripple": 0.002,
    "balance": 0.005,
    "corner_3db": 0.3,
    "corner_6db": 0.3,
    "corner_high": 0.3,
    "impulse": 0.001,
    "distortion_noise": 0.25,
}
_BY_UNIT: Final = {
    "dB": 0.1,
    "dBFS": 0.002,
    "Hz": 1.0,
    "V": 0.001,
    "mV": 0.01,
    "µV": 0.05,
    "ppm": 0.1,
    "ms": 0.004,
    "ps": 0.5,
    "samples": 0.1,
}


def accuracy(metric: str, unit: str) -> float:
    """Return the smallest difference of a metric that means anything, in its unit."""
    if metric.startswith("droop_"):
        return 0.002
    return _BY_METRIC.get(metric, _BY_UNIT.get(unit, 0.001))
