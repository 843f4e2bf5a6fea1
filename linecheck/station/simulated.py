"""An interface without hardware: a simulated unit, reproducible and faster than the audio.

One play goes: samples (as the unit takes them) → converter with its own clock, jitter, reconstruction
filter, transfer curve → output stage (volts, hum, offset, noise) → capture converter (noise, dither, rails,
word length) → capture. Faults come in where they would in life (:mod:`linecheck.station.simulated_faults`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from types import MappingProxyType, TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, Stimulus
from linecheck.errors import StationError
from linecheck.station.simulated_converter import Converter, capture_at, transfer_curve
from linecheck.station.simulated_faults import (
    FAULTS,
    Bench,
    Moment,
    OutputChannel,
    apply_to_bench,
    apply_to_capture,
    apply_to_samples,
    parse_faults,
)
from linecheck.station.simulated_unit import NOTHING_DB, SimulatedUnit

__all__ = ["FAULTS", "SimulatedInterface", "SimulatedUnit", "parse_faults"]

FloatArray = NDArray[np.float64]

#: Bandwidth that noise levels are stated in: 20 Hz to 20 kHz.
NOISE_BAND_HZ = 19_980.0


class SimulatedInterface:
    """Plays into a simulated unit and captures what comes back.

    Parameters
    ----------
    unit : SimulatedUnit
    capture_rate_hz : int
    full_scale_volts : float or sequence of float
        Peak volts at digital 1.0 of the capture, for all channels or per channel.
    mains_hz : float
        Nominal mains frequency.
    faults : sequence of str
        Names in :data:`FAULTS`.
    serial : str or None
        The unit's serial number, which matters where the unit has a ``spread``.
    attempt : int
        Noise and delays differ from one attempt to the next.

    Raises
    ------
    UsageError
        A fault is unknown.
    """

    def __init__(
        self,
        unit: SimulatedUnit | None = None,
        *,
        capture_rate_hz: int = 192_000,
        full_scale_volts: float | Sequence[float] = 8.0,
        mains_hz: float = 50.0,
        faults: Sequence[str] = (),
        serial: str | None = None,
        attempt: int = 1,
    ) -> None:
        typical = unit or SimulatedUnit()
        self._unit = typical if serial is None else typical.of_serial(serial)
        self._capture_rate_hz = capture_rate_hz
        scales = (full_scale_volts,) if isinstance(full_scale_volts, float | int) else tuple(full_scale_volts)
        self._full_scale_volts = tuple(float(volts) for volts in scales)
        self._mains_hz = mains_hz
        self._faults = parse_faults(",".join(faults))
        self._attempt = attempt
        self._plays = 0

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface."""
        return MappingProxyType(
            {
                "kind": "simulated",
                "unit": f"simulated converter, {self._unit.filter} filter, seed {self._unit.seed}",
                "capture": f"{self._capture_rate_hz} Hz, {self._unit.adc_bits} bits",
                "faults": ", ".join(self._faults) or "none",
            }
        )

    def __enter__(self) -> Self:
        """Begin a run."""
        self._plays = 0
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End it; there is nothing to free."""

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play one check's stimulus and return its capture, at once.

        Raises
        ------
        StationError
            The capture's full scale is not known for every channel, or the fault asks for it.
        """
        self._plays += 1
        bench = apply_to_bench(self._faults, self._bench(stimulus))
        draw = _Draw(bench.unit.seed, self._attempt, check)
        samples = apply_to_samples(self._faults, stimulus.samples, draw.generator("samples"))
        clock_hz = stimulus.rate_hz * (1.0 + bench.unit.clock_ppm * 1e-6) * bench.clock_factor
        start = float(draw.generator("start").uniform(*bench.unit.start_seconds))
        seconds = start + len(samples) / clock_hz
        frames = int(np.ceil((seconds + bench.unit.tail_seconds) * self._capture_rate_hz))
        positions = self._positions(frames, start, clock_hz, bench, draw)
        volts = self._output(samples, positions, bench, draw)
        codes = _digitise(volts, bench, self._capture_rate_hz, draw)
        capture = Capture(
            samples=codes,
            rate_hz=self._capture_rate_hz,
            full_scale_volts=bench.full_scale_volts,
            bits=bench.unit.adc_bits,
            mains_hz=self._mains_hz,
        )
        edges = (int(start * self._capture_rate_hz), int(seconds * self._capture_rate_hz))
        return apply_to_capture(
            self._faults, capture, Moment(*edges, plays=self._plays, generator=draw.generator("faults"))
        )

    def _bench(self, stimulus: Stimulus) -> Bench:
        """Return the unit as built, without faults."""
        channels, unit = stimulus.channels, self._unit
        scales = self._full_scale_volts
        if len(scales) not in (1, channels):
            raise StationError(
                f"the capture's full_scale_volts has {len(scales)} entries and the stimulus {channels} "
                "channels: give one entry, or one for each channel"
            )
        peak = unit.output_volts * np.sqrt(2.0)
        return Bench(
            unit=unit,
            rate_hz=stimulus.rate_hz,
            full_scale_volts=scales if len(scales) == channels else scales * channels,
            channels=tuple(
                OutputChannel(
                    peak_volts=float(
                        peak * _amplitude(unit.channel_gain_db[index % len(unit.channel_gain_db)])
                    ),
                    noise_volts=unit.output_volts * _amplitude(unit.noise_db),
                    hum_db=unit.hum_db,
                    offset_volts=unit.dc_offset_mv[index % len(unit.dc_offset_mv)] * 1e-3,
                )
                for index in range(channels)
            ),
        )

    def _positions(self, frames: int, start: float, clock_hz: float, bench: Bench, draw: _Draw) -> FloatArray:
        """Return the capture's instants in periods of the unit's clock since its first sample."""
        rate = self._capture_rate_hz
        positions = (np.arange(frames) / rate - start) * clock_hz
        unit = bench.unit
        if unit.jitter_sine_ps > 0.0:
            phase = draw.generator("jitter_sine").uniform(0.0, 2.0 * np.pi)
            angle = np.arange(frames) * (2.0 * np.pi * unit.jitter_sine_hz / rate) + phase
            positions += np.cos(angle) * (unit.jitter_sine_ps * 1e-12 * clock_hz)
        if unit.jitter_random_ps > 0.0:
            noise = _band_noise(frames, clock_hz / rate, draw.generator("jitter_random"))
            positions += noise * (unit.jitter_random_ps * 1e-12 * clock_hz)
        return positions

    def _output(
        self, samples: NDArray[np.int32], positions: FloatArray, bench: Bench, draw: _Draw
    ) -> FloatArray:
        """Return the voltage at the capture's input, shape (channels, frames), without any noise."""
        unit = bench.unit
        converter = Converter(
            rate_hz=bench.rate_hz,
            capture_rate_hz=self._capture_rate_hz,
            filter=unit.filter,
            curve=transfer_curve(unit.harmonics_db),
            clip=bench.output_rail,
            gains=tuple(one.peak_volts for one in bench.channels),
            crosstalk=_amplitude(unit.crosstalk_db),
            crosstalk_corner_hz=unit.crosstalk_corner_hz,
        )
        volts = capture_at(np.ascontiguousarray(samples.T, dtype=np.float64) * 2.0**-31, positions, converter)
        hum = {
            levels: self._hum(levels, len(positions), unit, draw)
            for levels in {one.hum_db for one in bench.channels if one.hum_db}
        }
        for index, one in enumerate(bench.channels):
            volts[index] += one.offset_volts
            if one.hum_db:
                volts[index] += hum[one.hum_db]
        return volts

    def _hum(self, levels_db: tuple[float, ...], frames: int, unit: SimulatedUnit, draw: _Draw) -> FloatArray:
        """Return the hum's voltage at the output."""
        total = np.zeros(frames)
        turn = 2.0 * np.pi * (self._mains_hz + unit.mains_deviation_hz) / self._capture_rate_hz
        phases = draw.generator("hum").uniform(0.0, 2.0 * np.pi, len(levels_db))
        angle = np.arange(frames) * turn
        for index, level in enumerate(levels_db):
            total += np.cos(angle * (index + 1) + phases[index]) * _amplitude(level)
        total *= unit.output_volts * np.sqrt(2.0)
        return total


class _Draw:
    """Random streams of one play, one for each purpose, so that a fault does not change the noise."""

    def __init__(self, seed: int, attempt: int, check: str) -> None:
        self._words = f"{seed}/{attempt}/{check}"

    def generator(self, purpose: str) -> np.random.Generator:
        """Return the stream for a purpose."""
        digest = hashlib.sha256(f"{self._words}/{purpose}".encode()).digest()
        return np.random.Generator(np.random.PCG64(int.from_bytes(digest, "little")))


def _amplitude(level_db: float) -> float:
    """Return the ratio of a level, 0 where the level means nothing at all."""
    return 0.0 if level_db <= NOTHING_DB else float(10.0 ** (level_db / 20.0))


def _band_noise(frames: int, rate_ratio: float, generator: np.random.Generator) -> FloatArray:
    """Return Gaussian noise of unit variance at the unit's rate, as the capture sees it.

    White from 0 to half the unit's rate; where the capture's is lower, what lies above half of that is left
    out.
    """
    from scipy.fft import irfft, next_fast_len

    length = next_fast_len(frames, real=True)
    lines = min(length // 2, int(length * rate_ratio / 2.0))
    spectrum = np.zeros(length // 2 + 1, dtype=np.complex128)
    spectrum[1:lines] = generator.standard_normal(2 * (lines - 1)).view(np.complex128)
    # Each line has a power of 4 / length²; length·ratio / 2 lines make 1.
    return np.asarray(irfft(spectrum, length)[:frames] * np.sqrt(length / (2.0 * rate_ratio)))


def _digitise(volts: FloatArray, bench: Bench, rate_hz: int, draw: _Draw) -> NDArray[np.int32]:
    """Add the noise of output and capture, dither, and convert: codes of shape (frames, channels)."""
    unit = bench.unit
    channels, frames = volts.shape
    noise, dither = draw.generator("noise"), draw.generator("dither")
    codes = np.empty((frames, channels), dtype=np.int32)
    steps = 2.0 ** (unit.adc_bits - 1)
    for index, (one, full_scale) in enumerate(zip(bench.channels, bench.full_scale_volts, strict=True)):
        scale = steps / full_scale
        adc_volts = full_scale / np.sqrt(2.0) * _amplitude(unit.adc_noise_db)
        power = (one.noise_volts * bench.capture_gain) ** 2 + adc_volts**2
        values = volts[index] * (scale * bench.capture_gain)
        if power > 0.0:
            deviation = scale * np.sqrt(power * rate_hz / 2.0 / NOISE_BAND_HZ)
            values += noise.standard_normal(frames) * deviation
        values += dither.random(frames, dtype=np.float32)
        values -= dither.random(frames, dtype=np.float32)
        np.floor(values + 0.5, out=values)
        np.clip(values, -steps, steps - 1.0, out=values)
        codes[:, index] = values.astype(np.int32) << (32 - unit.adc_bits)
    return codes
