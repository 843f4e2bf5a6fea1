"""An interface without hardware: a simulated unit, reproducible and faster than the audio.

One play goes: samples (as the unit takes them) → converter with its own clock, jitter, bit weights, reconstruction
filter, transfer curve → output stage (volts, modulation, coupling, hum, lines, offset, noise) → capture converter
(noise, dither, rails, word length) → capture. Faults come in where they would in life
(:mod:`linecheck.station.interfaces.simulated.faults`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Self, get_args

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, Stimulus
from linecheck.dsp.arrays import FloatArray
from linecheck.errors import StationError
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.simulated.converter import Converter, capture_at, transfer_curve
from linecheck.station.interfaces.simulated.faults import (
    FAULTS,
    Bench,
    Moment,
    OutputChannel,
    find_faults,
)
from linecheck.station.interfaces.simulated.filters import OutputFilter
from linecheck.station.interfaces.simulated.output import (
    NOISE_BAND_HZ,
    Draw,
    added_lines,
    amplitude,
    band_noise,
    block_constant,
    hum,
    modulate,
    shaped_noise,
)
from linecheck.station.interfaces.simulated.unit import SETTABLE, FilterName, SimulatedUnit


class SimulatedInterface(Interface):
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
        self._faults = find_faults(faults, FAULTS)
        self._attempt = attempt
        self._plays = 0

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface."""
        return {
            "kind": "simulated",
            "unit": f"simulated converter, {self._unit.filter} filter, seed {self._unit.seed}",
            "capture": f"{self._capture_rate_hz} Hz, {self._unit.adc_bits} bits",
            "faults": ", ".join(fault.name for fault in self._faults) or "none",
        }

    def can_set(self, setting: str, value: str) -> bool:
        """Return whether the unit has this setting, and this value of it."""
        return setting in SETTABLE and (setting != "filter" or value in get_args(FilterName))

    def set(self, setting: str, value: str) -> None:
        """Set the unit."""
        if not self.can_set(setting, value):
            raise StationError(f"the simulated unit cannot be set to {setting} {value}")
        if setting == "filter":
            self._unit = self._unit.model_copy(update={"filter": value})

    def __enter__(self) -> Self:
        """Begin a run."""
        self._plays = 0
        return super().__enter__()

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play one check's stimulus and return its capture, at once.

        Raises
        ------
        StationError
            The capture's full scale is not known for every channel, or the fault asks for it.
        """
        self._plays += 1
        bench = self._bench(stimulus)
        for fault in self._faults:
            bench = fault.bench(bench)
        draw = Draw(bench.unit.seed, self._attempt, check)
        samples, generator = stimulus.samples, draw.generator("samples")
        for fault in self._faults:
            samples = fault.samples(samples, generator)
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
        first, last = (int(moment * self._capture_rate_hz) for moment in (start, seconds))
        moment = Moment(first, last, self._plays, draw.generator("faults"))
        for fault in self._faults:
            capture = fault.capture(capture, moment)
        return capture

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
                        peak * amplitude(unit.channel_gain_db[index % len(unit.channel_gain_db)])
                    ),
                    noise_volts=unit.output_volts * amplitude(unit.noise_db),
                    hum_db=unit.hum_db,
                    offset_volts=unit.dc_offset_mv[index % len(unit.dc_offset_mv)] * 1e-3,
                )
                for index in range(channels)
            ),
        )

    def _positions(self, frames: int, start: float, clock_hz: float, bench: Bench, draw: Draw) -> FloatArray:
        """Return the capture's instants in periods of the unit's clock since its first sample."""
        rate = self._capture_rate_hz
        positions = (np.arange(frames) / rate - start) * clock_hz
        unit = bench.unit
        if unit.jitter_sine_ps > 0.0:
            phase = draw.generator("jitter_sine").uniform(0.0, 2.0 * np.pi)
            angle = np.arange(frames) * (2.0 * np.pi * unit.jitter_sine_hz / rate) + phase
            positions += np.cos(angle) * (unit.jitter_sine_ps * 1e-12 * clock_hz)
        if unit.jitter_random_ps > 0.0:
            noise = band_noise(frames, clock_hz / rate, draw.generator("jitter_random"))
            positions += noise * (unit.jitter_random_ps * 1e-12 * clock_hz)
        return positions

    def _output(
        self, samples: NDArray[np.int32], positions: FloatArray, bench: Bench, draw: Draw
    ) -> FloatArray:
        """Return the voltage at the capture's input, shape (channels, frames), without any noise."""
        unit = bench.unit
        converter = Converter(
            rate_hz=bench.rate_hz,
            capture_rate_hz=self._capture_rate_hz,
            filter=unit.filter,
            curve=transfer_curve(unit.harmonics_db),
            slew=amplitude(unit.slew_db),
            clip=bench.output_rail,
            output=OutputFilter(unit.lowpass_hz, unit.lowpass_q, unit.deemphasis),
            gains=tuple(one.peak_volts for one in bench.channels),
            crosstalk=amplitude(unit.crosstalk_db),
            crosstalk_corner_hz=unit.crosstalk_corner_hz,
        )
        volts = capture_at(_converted(samples, unit.bit_errors), positions, converter)
        modulate(volts, unit, self._capture_rate_hz, draw)
        block_constant(volts, unit.coupling_hz, self._capture_rate_hz)
        self._add_to_output(volts, bench, draw)
        return volts

    def _add_to_output(self, volts: FloatArray, bench: Bench, draw: Draw) -> None:
        """Add what is there whatever is played, but for white noise, in place."""
        unit, rate, frames = bench.unit, self._capture_rate_hz, volts.shape[1]
        levels = {one.hum_db for one in bench.channels if one.hum_db}
        hums = {level: hum(level, frames, unit, self._mains_hz, rate, draw) for level in levels}
        if unit.added_lines:
            volts += added_lines(frames, unit, rate, draw)
        shaped, generator = amplitude(unit.shaped_noise_db), draw.generator("shaped_noise")
        for index, one in enumerate(bench.channels):
            volts[index] += one.offset_volts
            if one.hum_db:
                volts[index] += hums[one.hum_db]
            if shaped > 0.0:
                noise = shaped_noise(frames, unit.shaped_noise_hz, rate, generator)
                volts[index] += noise * (shaped * unit.output_volts)


def _converted(samples: NDArray[np.int32], bit_errors: tuple[float, ...]) -> FloatArray:
    """Return what each sample is worth to the converter, shape (channels, frames), full scale 1.0.

    A word's bits, the top one worth −1 and the others 1/2, 1/4 and so on, add up with their weights' errors.
    """
    words = np.ascontiguousarray(samples.T)
    values = words.astype(np.float64) * 2.0**-31
    for place, error in enumerate(bit_errors):
        if error != 0.0:
            weight = -1.0 if place == 0 else 2.0**-place
            values += ((words.view(np.uint32) >> np.uint32(31 - place)) & np.uint32(1)) * (weight * error)
    return values


def _digitise(volts: FloatArray, bench: Bench, rate_hz: int, draw: Draw) -> NDArray[np.int32]:
    """Add the noise of output and capture, dither, and convert: codes of shape (frames, channels)."""
    unit = bench.unit
    channels, frames = volts.shape
    noise, dither = draw.generator("noise"), draw.generator("dither")
    codes = np.empty((frames, channels), dtype=np.int32)
    steps = 2.0 ** (unit.adc_bits - 1)
    for index, (one, full_scale) in enumerate(zip(bench.channels, bench.full_scale_volts, strict=True)):
        scale = steps / full_scale
        adc_volts = full_scale / np.sqrt(2.0) * amplitude(unit.adc_noise_db)
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
