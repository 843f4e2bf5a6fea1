"""Captures whose every part is known exactly, for tests that compare a reading with the truth.

A scene says what a channel holds; :func:`record` evaluates it at the capture's own instants from closed
forms, so that no resampler and no interpolation comes between the truth and the samples. Noise is made in
the frequency domain, what lies in the band apart from what lies outside, so that the power in the band is
known of each record and not only on average.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from many_tone_captures import cosines
from numpy.typing import NDArray

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Location, Measurement, Reading, Reference
from linecheck.dsp.fits.combs import comb_frequencies, comb_phases

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
        return float(self.power * 10.0 ** (self.noise_db / 10.0) / (self.band_hz[1] - self.band_hz[0]))


@dataclass(frozen=True)
class Recording:
    """A capture with what it was made of.

    ``noise`` is the noise within the band alone, ``others`` the band's hum and other lines, ``harmonics``
    its harmonics; each of shape (channels, frames). ``clock`` is the unit's clock over the capture's.
    """

    capture: Capture
    scenes: tuple[Scene, ...]
    all_noise: FloatArray
    noise: FloatArray
    others: FloatArray
    harmonics: FloatArray
    clock: float
    delay_seconds: float

    def came_out(
        self, location: Location, channel: int = 0, *, harmonics: bool = True, weighting: str | None = None
    ) -> float:
        """Power of everything in the band but the tone, over what is measured, as it came out; re the tone.

        The expected power differs by the noise's own statistics, which no estimator can undo.
        """
        values = self.noise[channel] + self.others[channel]
        if harmonics:
            values = values + self.harmonics[channel]
        if weighting is not None:
            frequencies = np.arange(values.size // 2 + 1) * (self.capture.rate_hz / values.size)
            gains = np.sqrt(gain(weighting, frequencies))
            values = np.fft.irfft(np.fft.rfft(values) * gains, values.size)
        power = np.mean(values[location.start : location.stop] ** 2)
        return float(power / self.scenes[channel].power)

    def harmonic(self, location: Location, order: int, channel: int = 0) -> float:
        """Power of a harmonic with the noise that falls on its very frequency, as it came out; re the tone.

        The share that the noise has in it on average is taken off.
        """
        noise = self.all_noise[channel, location.start : location.stop]
        scene = self.scenes[channel]
        cycles = np.arange(location.start, location.stop) / self.capture.rate_hz - self.delay_seconds
        cycles = cycles * (self.clock * order * scene.frequency_hz)
        turned = 2.0 * np.mean(noise * np.exp(-2j * np.pi * (cycles - np.rint(cycles))))
        line = scene.amplitude * 10.0 ** (scene.harmonics_db[order] / 20.0) * np.exp(0.7j * order)
        share = scene.density * self.capture.rate_hz / noise.size
        return float((0.5 * np.abs(line + turned) ** 2 - share) / scene.power)


def gain(weighting: str, frequencies_hz: FloatArray) -> FloatArray:
    """Power gain of A, or of BS.468 re 2 kHz; both are held to their published tables elsewhere."""
    from linecheck.dsp.spectra.weighting import a_weighting_power, weighting_468_power

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
    # All of the power of the bin at 0 Hz is in its real part.
    shaped[0] *= np.sqrt(2.0)
    inside = (frequencies >= scene.band_hz[0]) & (frequencies <= scene.band_hz[1])
    return irfft(shaped, length)[:frames], irfft(np.where(inside, shaped, 0.0), length)[:frames]


def _cosine(cycles: FloatArray, phase: float | FloatArray) -> FloatArray:
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
    values = np.empty((len(channels), frames))
    parts = np.zeros((4, len(channels), frames))
    for index, scene in enumerate(channels):
        parts[:2, index] = _noise(scene, frames, rate_hz, np.random.default_rng((seed, index)))
        values[index] = parts[0, index] + scene.constant
        if tone:
            values[index] += (
                scene.amplitude * envelope * _cosine(unit_seconds * scene.frequency_hz, scene.phase)
            )
        for kind, frequency, line in _lines(scene, clock, capture_seconds, unit_seconds, envelope):
            values[index] += line
            if scene.band_hz[0] <= frequency <= scene.band_hz[1]:
                parts[kind, index] += line
    volts = None if full_scale_volts is None else (full_scale_volts,) * len(channels)
    mains = float(np.rint(channels[0].hum_hz / 10.0) * 10.0)
    capture = Capture(values.T.copy(), rate_hz, volts, mains_hz=mains)
    return Recording(capture, channels, parts[0], parts[1], parts[2], parts[3], clock, delay_seconds)


def _lines(
    scene: Scene, clock: float, capture_seconds: FloatArray, unit_seconds: FloatArray, envelope: FloatArray
) -> Iterator[tuple[int, float, FloatArray]]:
    """Yield every line but the tone: 3 for a harmonic, else 2; its frequency as captured; its samples."""
    for order, level in scene.harmonics_db.items() if np.any(envelope) else ():
        part = _cosine(unit_seconds * (order * scene.frequency_hz), 0.7 * order)
        amplitude = scene.amplitude * 10.0 ** (level / 20.0)
        yield 3, order * scene.frequency_hz * clock, amplitude * envelope * part
    steady = {order * scene.hum_hz: level for order, level in scene.hum_db.items()} | dict(scene.lines_db)
    for frequency, level in steady.items():
        part = _cosine(capture_seconds * frequency, 0.01 * frequency)
        yield 2, frequency, scene.amplitude * 10.0 ** (level / 20.0) * part


def record_combs(
    rate_hz: int,
    *,
    seed: int,
    seconds: float,
    late_frames: float = 0.0,
    balance_db: float = 0.0,
    polarity: tuple[int, int] = (1, 1),
    noise_db: float = -20.0,
    clock_ppm: float = 0.0,
    delay_seconds: float = 0.05,
) -> Capture:
    """Evaluate the wiring check's signal of two channels at a capture's instants.

    The second channel comes ``late_frames`` of the capture after the first, and ``balance_db`` below it.
    White noise up to half the rate is ``noise_db`` re the first channel's power.
    """
    combs = comb_frequencies(2, rate_hz)
    phases = comb_phases(combs.shape[1])
    amplitude = 0.1 / np.sqrt(combs.shape[1])
    frames = int((delay_seconds + 2.0 * RAMP_SECONDS + SETTLE_SECONDS + seconds + 0.1) * rate_hz)
    values = (
        np.random.default_rng(seed).standard_normal((frames, 2))
        * 0.1
        * np.sqrt(0.5 * 10.0 ** (noise_db / 10.0))
    )
    for channel, gain_db in enumerate((0.0, -balance_db)):
        unit_seconds = (np.arange(frames) - channel * late_frames) / rate_hz - delay_seconds
        unit_seconds *= 1.0 + 1e-6 * clock_ppm
        tones = cosines(unit_seconds, combs[channel], phases)
        gain = polarity[channel] * amplitude * 10.0 ** (gain_db / 20.0)
        values[:, channel] += gain * _sounding(unit_seconds, seconds) * tones
    return Capture(values, rate_hz)


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
        Context(names, reference, volts_uncertainty=0.0),
    )
    assert not [problem for problem in result.problems if problem.blocks], result.problems
    return location, result


def readings(result: Measurement, channel: str | None = "left") -> dict[str, Reading]:
    """The readings of a channel (None: of the pair) by metric."""
    return {reading.metric: reading for reading in result.readings if reading.channel == channel}
