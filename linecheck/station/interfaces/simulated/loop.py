"""A station's loop without hardware: what an ideal pair of converters, or a digital cable, would give back.

The analogue loop has a little noise, distortion, crosstalk and hum, filters that end before half the rate, a delay that
differs each time, and one clock. The digital loop gives every word back. Faults come in by name
(:mod:`~linecheck.station.interfaces.simulated.loop_faults`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Self

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, Stimulus
from linecheck.dsp.arrays import FloatArray
from linecheck.errors import StationError
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.simulated.faults import find_faults
from linecheck.station.interfaces.simulated.loop_faults import LOOP_FAULTS, LoopPlay
from linecheck.station.interfaces.simulated.output import NOISE_BAND_HZ, Draw

NOISE_DBFS = -108.0
HUM_DBFS = -125.0
#: Second and third harmonic of a full-scale sine.
HARMONICS_DB = (-108.0, -112.0)
CROSSTALK_DB = -112.0
GAIN_SPREAD_DB = 0.02
#: The filters of both converters: flat up to the first share of the lower rate, nothing from the second on.
PASSED_SHARE, STOPPED_SHARE = 0.4535, 0.515
DELAY_SECONDS = (0.02, 0.09)
TAIL_SECONDS = 0.1
ADC_BITS = 24


class SimulatedLoop(Interface):
    """Gives back what is played, as the loop of a station config would.

    Parameters
    ----------
    station : StationConfig
        With a ``[loop]``.
    faults : sequence of str
        What is wrong with the path, by name.
    seed : int
        Of noise, delays and the spread of everything.
    opening : int
        Which opening of the devices this is, from 1; some faults come later.

    Raises
    ------
    UsageError
        A fault is unknown.
    """

    def __init__(
        self, station: StationConfig, *, faults: Sequence[str] = (), seed: int = 1, opening: int = 1
    ) -> None:
        assert station.loop is not None
        self._loop = station.loop
        self._rate_hz, self._mains_hz = station.capture.rate_hz, float(station.mains_hz)
        self._faults = find_faults(faults, LOOP_FAULTS, " of a loop")
        self._seed, self._opening = seed, opening
        self._plays = 0

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface."""
        identity = {
            "kind": "simulated",
            "playback": f"simulated {self._loop.kind} loop, serial 1001",
            "capture": f"{self._rate_hz} Hz, {ADC_BITS} bits",
            "faults": ", ".join(fault.name for fault in self._faults) or "none",
        }
        for fault in self._faults:
            identity = dict(fault.identity(identity, self._opening))
        return identity

    def __enter__(self) -> Self:
        """Open it.

        Raises
        ------
        StationError
            The fault asks for it.
        """
        for fault in self._faults:
            fault.opened()
        return super().__enter__()

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play a stimulus and return what came back, at once.

        Raises
        ------
        StationError
            The fault asks for it, or a digital loop would have two rates.
        """
        self._plays += 1
        draw = Draw(self._seed, self._opening, f"{check}/{self._plays}")
        play = LoopPlay(check, stimulus.rate_hz, self._rate_hz, self._plays, draw.generator("faults"))
        values: FloatArray = stimulus.samples.T.astype(np.float64)
        values *= 2.0**-31
        for fault in self._faults:
            values = fault.played(values, play)
        if self._loop.kind == "digital":
            if stimulus.rate_hz != self._rate_hz:
                raise StationError(
                    "a digital loop has one rate: set rate_hz of [capture] to that of [playback]"
                )
            values = self._delayed(values, draw)
        else:
            values = self._converted(values, stimulus.rate_hz, draw)
        for fault in self._faults:
            values = fault.captured(values, play)
        bits = stimulus.bits if self._loop.kind == "digital" else ADC_BITS
        capture = Capture(
            _codes(values, bits, draw if self._loop.kind == "analogue" else None),
            self._rate_hz,
            bits=bits,
            mains_hz=self._mains_hz,
        )
        for fault in self._faults:
            capture = fault.delivered(capture, play)
        return capture

    def _delayed(self, values: FloatArray, draw: Draw) -> FloatArray:
        """Return a signal between two silences, shape (channels, frames)."""
        before = round(draw.generator("start").uniform(*DELAY_SECONDS) * self._rate_hz)
        return np.pad(values, ((0, 0), (before, round(TAIL_SECONDS * self._rate_hz))))

    def _converted(self, values: FloatArray, rate_hz: int, draw: Draw) -> FloatArray:
        """Return a signal as both converters leave it, at the capture's rate."""
        make = draw.generator("make") if self._seed != 1 else Draw(1, 1, "make").generator("make")
        values = self._delayed(_resampled(values, rate_hz, self._rate_hz), draw)
        values = _filtered(values, min(1.0, rate_hz / self._rate_hz))
        channels, frames = values.shape
        second, third = (10.0 ** (level / 20.0) for level in HARMONICS_DB)
        values += second * (2.0 * values**2) - 4.0 * third * values**3
        others = np.sum(values, axis=0) - values
        values = values + others * 10.0 ** (CROSSTALK_DB / 20.0)
        spread = make.uniform(-GAIN_SPREAD_DB, GAIN_SPREAD_DB, channels)
        gains = np.resize(self._loop.gain_db, channels) + spread
        values *= 10.0 ** (gains[:, None] / 20.0)
        deviation = 10.0 ** (NOISE_DBFS / 20.0) * np.sqrt(0.5 * self._rate_hz / 2.0 / NOISE_BAND_HZ)
        values += draw.generator("noise").standard_normal(values.shape) * deviation
        phase = draw.generator("hum").uniform(0.0, 2.0 * np.pi)
        turn = 2.0 * np.pi * self._mains_hz / self._rate_hz
        values += 10.0 ** (HUM_DBFS / 20.0) * np.cos(turn * np.arange(frames) + phase)
        return values


def _resampled(values: FloatArray, rate_hz: int, capture_rate_hz: int) -> FloatArray:
    if rate_hz == capture_rate_hz:
        return values
    from math import gcd

    from scipy.signal import resample_poly

    common = gcd(rate_hz, capture_rate_hz)
    up, down = capture_rate_hz // common, rate_hz // common
    return np.asarray(resample_poly(values, up, down, axis=1, window=("kaiser", 14.0)))


def _filtered(values: FloatArray, share: float) -> FloatArray:
    """Return a signal through both converters' filters; ``share`` is the lower rate over this one's."""
    from scipy.fft import irfft, next_fast_len, rfft

    frames = values.shape[1]
    length = next_fast_len(frames, real=True)
    places = np.arange(length // 2 + 1) / (length * share)
    inside = np.clip((STOPPED_SHARE - places) / (STOPPED_SHARE - PASSED_SHARE), 0.0, 1.0)
    gain = 0.5 - 0.5 * np.cos(np.pi * inside)
    return np.asarray(irfft(rfft(values, length, axis=1) * gain, length, axis=1)[:, :frames])


def _codes(values: FloatArray, bits: int, draw: Draw | None) -> NDArray[np.int32]:
    """Return whole numbers of 32 bits, shape (frames, channels); dithered where there is a draw, else rounded."""
    steps = 2.0 ** (bits - 1)
    scaled = values * steps
    if draw is not None:
        dither = draw.generator("dither")
        scaled += dither.random(scaled.shape) - dither.random(scaled.shape)
    scaled = np.clip(np.floor(scaled + 0.5), -steps, steps - 1.0)
    return np.ascontiguousarray((scaled.astype(np.int64) << (32 - bits)).astype(np.int32).T)
