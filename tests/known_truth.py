"""Captures whose every part is known exactly, for tests that compare a reading with the truth.

A scene says what a channel holds; :func:`record` evaluates it at the capture's own instants from closed
forms, so that no resampler and no interpolation comes between the truth and the samples. Noise is made in
the frequency domain, what lies in the band apart from what lies outside, so that the power in the band is
known of each record and not only on average.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Location, Measurement, Reading, Reference

__all__ = ["Recording", "Scene", "decibels", "measured", "readings", "record"]

FloatArray = NDArray[np.float64]

RAMP_SECONDS = 0.01
SETTLE_SECONDS = 0.1
NAMES = ("left", "right")


def decibels(power_ratio: float) -> float:
    """10 lg."""
    return float(10.0 * np.log10(power_ratio))


@dataclass(frozen=True)
class Scene:
    """What one channel holds, re capture full scale 1.0.

    ``frequency_hz`` is by the unit's clock, ``hum_hz`` by the capture's. Harmonics and hum are in dB re the
    tone, by order. ``noise_db`` is the expected power of the noise in ``band_hz`` re the tone (None for
    none); outside the band the density goes on the same, and above ``outside_from_hz`` it is greater by
    ``outside_db``.
    """

    frequency_hz: float = 997.0
    amplitude: float = 0.9
    phase: float = 0.3
    harmonics_db: Mapping[int, float] = field(default_factory=dict)
    noise_db: float | None = None
    band_hz: tuple[float, float] = (20.0, 20000.0)
    outside_db: float = 0.0
    outside_from_hz: float = 24000.0
    hum_hz: float = 50.02
    hum_db: Mapping[int, float] = field(default_factory=dict)
    lines_db: Mapping[float, float] = field(default_factory=dict)
    constant: float = 0.0

    @property
    def power(self) -> float:
        """Mean square of the tone."""
        return 0.5 * self.amplitude**2

    @property
    def density(self) -> float:
        """Expected noise density in the band, power per hertz."""
        if self.noise_db is None:
            return 0.0
        return self.power * 10.0 ** (self.noise_db / 10.0) / (self.band_hz[1] - self.band_hz[0])


@dataclass(frozen=True)
class Recording:
    """A capture with what it was made of.

    ``band_noise`` is the noise within the band alone, shape (channels, frames); ``clock`` the unit's clock
    over the capture's.
    """

    capture: Capture
    scenes: tuple[Scene, ...]
    band_noise: FloatArray
    clock: float
    seconds: float

    @cached_property
    def spectra(self) -> FloatArray:
        """Transform of the noise in the band, for weighting it."""
        return np.fft.rfft(self.band_noise)

    def noise_power(self, location: Location, channel: int = 0, weighting: str | None = None) -> float:
        """Mean square of the band's noise over what is measured, as it came out in this record."""
        values = self.band_noise[channel]
        if weighting is not None:
            frequencies = np.fft.rfftfreq(values.size, 1.0 / self.capture.rate_hz)
            values = np.fft.irfft(self.spectra[channel] * np.sqrt(gain(weighting, frequencies)), values.size)
        return float(np.mean(values[location.start : location.stop] ** 2))

    def residual_power(self, noise: float, channel: int = 0, weighting: str | None = None) -> float:
        """Noise of a given power, and every line of the band besides the tone."""
        scene = self.scenes[channel]
        total = noise
        for frequency, level in self.line_levels(channel):
            if scene.band_hz[0] <= frequency <= scene.band_hz[1]:
                weight = 1.0 if weighting is None else float(gain(weighting, np.array([frequency]))[0])
                total += scene.power * 10.0 ** (level / 10.0) * weight
        return total

    def line_levels(self, channel: int = 0) -> list[tuple[float, float]]:
        """Frequency by the capture's clock and level re the tone of every harmonic, hum and other line."""
        scene = self.scenes[channel]
        tone = scene.frequency_hz * self.clock
        return [
            *((order * tone, level) for order, level in scene.harmonics_db.items()),
            *((order * scene.hum_hz, level) for order, level in scene.hum_db.items()),
            *scene.lines_db.items(),
        ]


def gain(weighting: str, frequencies_hz: FloatArray) -> FloatArray:
    """Power gain of A, or of BS.468 re 2 kHz; both are held to their published tables elsewhere."""
    from linecheck.dsp.weighting import a_weighting_power, weighting_468_power

    if weighting == "a":
        return a_weighting_power(frequencies_hz)
    return weighting_468_power(frequencies_hz, reference_hz=2000)


def _noise(
    scene: Scene, frames: int, rate_hz: int, generator: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Gaussian noise of a scene: all of it, and what lies in the band."""
    from scipy.fft import irfft, next_fast_len

    if scene.noise_db is None:
        return np.zeros(frames), np.zeros(frames)
    length = next_fast_len(frames, real=True)
    bins = length // 2 + 1
    frequencies = np.arange(bins) * (rate_hz / length)
    # A one-sided density S gives each bin a mean square modulus of S · rate · length / 2.
    spectrum = generator.standard_normal((2, bins)) * np.sqrt(0.25 * scene.density * rate_hz * length)
    shaped = (spectrum[0] + 1j * spectrum[1]) * np.where(
        frequencies > scene.outside_from_hz, 10.0 ** (scene.outside_db / 20.0), 1.0
    )
    inside = (frequencies >= scene.band_hz[0]) & (frequencies <= scene.band_hz[1])
    return irfft(shaped, length)[:frames], irfft(np.where(inside, shaped, 0.0), length)[:frames]


def _cosine(cycles: FloatArray, phase: float) -> FloatArray:
    return np.cos(2.0 * np.pi * (cycles - np.rint(cycles)) + phase)


def _sounding(unit_seconds: FloatArray, seconds: float) -> FloatArray:
    """Envelope of a stimulus over the unit's time: ramps, settling, the measured part."""
    length = 2.0 * RAMP_SECONDS + SETTLE_SECONDS + seconds
    edge = np.minimum(unit_seconds, length - unit_seconds) / RAMP_SECONDS
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(edge, 0.0, 1.0))


def record(
    scenes: Scene | Sequence[Scene],
    rate_hz: int,
    *,
    seed: int = 0,
    seconds: float = 1.0,
    clock_ppm: float = 0.0,
    delay_seconds: float = 0.1,
    tail_seconds: float = 0.1,
    full_scale_volts: float | None = None,
    tone: bool = True,
) -> Recording:
    """Evaluate scenes, one per channel, at a capture's instants.

    The unit's clock runs at ``1 + clock_ppm · 1e-6`` of the capture's. Hum, other lines, noise and the
    constant are there before and after the stimulus too; with ``tone`` false they are all that is there.
    """
    channels = (scenes,) if isinstance(scenes, Scene) else tuple(scenes)
    clock = 1.0 + 1e-6 * clock_ppm
    sounding = 2.0 * RAMP_SECONDS + SETTLE_SECONDS + seconds
    frames = int(np.ceil((delay_seconds + sounding / clock + tail_seconds) * rate_hz))
    capture_seconds = np.arange(frames) / rate_hz
    unit_seconds = (capture_seconds - delay_seconds) * clock
    envelope = _sounding(unit_seconds, seconds) if tone else np.zeros(frames)
    values, band = np.empty((len(channels), frames)), np.empty((len(channels), frames))
    for index, scene in enumerate(channels):
        noise, band[index] = _noise(scene, frames, rate_hz, np.random.default_rng((seed, index)))
        signal = _cosine(unit_seconds * scene.frequency_hz, scene.phase)
        for order, level in scene.harmonics_db.items():
            part = _cosine(unit_seconds * (order * scene.frequency_hz), 0.7 * order)
            signal += 10.0 ** (level / 20.0) * part
        values[index] = scene.amplitude * envelope * signal + noise + scene.constant
        steady = {order * scene.hum_hz: level for order, level in scene.hum_db.items()} | dict(scene.lines_db)
        for frequency, level in steady.items():
            part = _cosine(capture_seconds * frequency, 0.01 * frequency)
            values[index] += scene.amplitude * 10.0 ** (level / 20.0) * part
    volts = None if full_scale_volts is None else (full_scale_volts,) * len(channels)
    capture = Capture(
        values.T.copy(), rate_hz, volts, mains_hz=float(np.rint(channels[0].hum_hz / 10.0) * 10.0)
    )
    return Recording(capture, channels, band, clock, seconds)


def measured(
    kind: str,
    capture: Capture,
    analysis: Mapping[str, object] | None = None,
    reference: Reference | None = None,
    **stimulus: object,
) -> tuple[Location, Measurement]:
    """Locate and measure by a kind, as the station does; what is found wrong fails the test."""
    check = kinds()[kind]
    parameters = check.stimulus_parameters(**stimulus)
    names = NAMES[: capture.channels]
    location = check.locate(capture, parameters, names)
    assert not location.problems, location.problems
    result = check.measure(
        capture,
        location,
        parameters,
        check.analysis_parameters(**(analysis or {})),
        Context(names, reference),
    )
    assert not [problem for problem in result.problems if problem.blocks], result.problems
    return location, result


def readings(result: Measurement, channel: str | None = "left") -> dict[str, Reading]:
    """The readings of a channel (None: of the pair) by metric."""
    return {reading.metric: reading for reading in result.readings if reading.channel == channel}
