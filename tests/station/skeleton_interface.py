"""An interface as short as one can be: copy it to ``linecheck/station/interfaces/NAME.py``, and a config can name it.

What it plays comes back as it is, half as high and with some noise, between two silences.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Self

from linecheck.station.interfaces.interface import ConnectedUnit, Interface, InterfaceDescription

if TYPE_CHECKING:
    from linecheck.checks.base import Capture, Stimulus
    from linecheck.station.config.station import StationConfig


class SkeletonInterface(Interface):
    """A wire."""

    def __init__(self, station: StationConfig) -> None:
        self._station = station

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface."""
        return {"kind": "skeleton", "capture": "as played"}

    def __enter__(self) -> Self:
        """Open the hardware; what fails is a StationError, in words that an operator understands."""
        return self

    def __exit__(self, *_: object) -> None:
        """Stop all sound and free the hardware, whatever happened."""

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play one check's stimulus; the capture begins before it and ends after it."""
        import numpy as np

        from linecheck.checks.base import Capture

        frames = stimulus.rate_hz // 2
        samples = np.pad(stimulus.samples // 2, ((frames, frames), (0, 0)))
        samples += np.random.default_rng(1).integers(-(2**10), 2**10, samples.shape, dtype=np.int32)
        volts = self._station.capture.full_scale_volts
        return Capture(samples, stimulus.rate_hz, volts, bits=32, mains_hz=float(self._station.mains_hz))


def _open(station: StationConfig, unit: ConnectedUnit) -> Interface:
    return SkeletonInterface(station)


def _open_loop(station: StationConfig, faults: Sequence[str], opening: int) -> Interface:
    return SkeletonInterface(station)


INTERFACE = InterfaceDescription(
    name="skeleton", open=_open, open_loop=_open_loop, needs={"capture": ("full_scale_volts",)}
)
