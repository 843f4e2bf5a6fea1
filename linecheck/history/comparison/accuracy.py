"""Below which difference a metric says nothing, however well it repeats: the accuracy of the checks.

Kinds state it with their metrics (:class:`~linecheck.checks.base.DifferenceSpec`), as far as it is known: response
levels, corners, stop bands and impulses are held against filters whose response is known (tests of the checks and of
resamplers). What they do not state is taken by its unit: 0.1 dB for levels of noise and distortion (common practice, no
source).
"""

from __future__ import annotations

from typing import Final

from linecheck.checks.base import CurveSpec, MetricSpec

__all__ = ["accuracy"]

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
_OTHERWISE: Final = 0.001


def accuracy(spec: MetricSpec | CurveSpec) -> float:
    """Return the smallest difference of a metric or curve that means anything, in its unit."""
    stated = spec.difference.accuracy
    return _BY_UNIT.get(spec.unit, _OTHERWISE) if stated is None else stated
