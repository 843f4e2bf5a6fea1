"""What a simulated unit's output and the capture add to the converter's voltage.

============================  ================================================================================
:func:`modulate`              sinusoidal modulation of the level
:func:`block_constant`        the coupling capacitor at the output
:func:`hum`                   the mains and its multiples
:func:`added_lines`           lines that are there whatever is played
:func:`band_noise`            noise that is white up to a limit
:func:`shaped_noise`          noise that rises steeply above the audio band, as of a one-bit modulator
:class:`Draw`                 random streams of one play, one for each purpose
============================  ================================================================================
"""

from __future__ import annotations

import hashlib

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.station.interfaces.simulated.filters import anti_alias_gain
from linecheck.station.interfaces.simulated.unit import NOTHING_DB, SimulatedUnit

#: Bandwidth that noise levels are stated in: 20 Hz to 20 kHz.
NOISE_BAND_HZ = 19_980.0
#: Order of the Butterworth high-pass that shapes a one-bit modulator's noise.
SHAPING_ORDER = 6


class Draw:
    """Random streams of one play, one for each purpose, so that a fault does not change the noise."""

    def __init__(self, seed: int, attempt: int, check: str) -> None:
        self._words = f"{seed}/{attempt}/{check}"

    def generator(self, purpose: str) -> np.random.Generator:
        """Return the stream for a purpose."""
        digest = hashlib.sha256(f"{self._words}/{purpose}".encode()).digest()
        return np.random.Generator(np.random.PCG64(int.from_bytes(digest, "little")))


def amplitude(level_db: float) -> float:
    """Return the ratio of a level, 0 where the level means nothing at all."""
    return 0.0 if level_db <= NOTHING_DB else float(10.0 ** (level_db / 20.0))


def modulate(volts: FloatArray, unit: SimulatedUnit, rate_hz: int, draw: Draw) -> None:
    """Multiply all channels, shape (channels, frames), by one plus the modulation, in place."""
    depth = amplitude(unit.modulation_db)
    if depth > 0.0:
        phase = draw.generator("modulation").uniform(0.0, 2.0 * np.pi)
        angle = np.arange(volts.shape[1]) * (2.0 * np.pi * unit.modulation_hz / rate_hz) + phase
        volts *= 1.0 + depth * np.cos(angle)


def block_constant(volts: FloatArray, corner_hz: float, rate_hz: int) -> None:
    """Pass all channels, shape (channels, frames), through the coupling capacitor, in place.

    The high-pass jf / (jf + corner) by the bilinear transform: right to (corner/rate)² up to half the rate.
    """
    if corner_hz > 0.0:
        from scipy.signal import lfilter

        turn = np.tan(np.pi * corner_hz / rate_hz)
        gain = 1.0 / (1.0 + turn)
        volts[:] = lfilter([gain, -gain], [1.0, (turn - 1.0) * gain], volts, axis=1)


def hum(
    levels_db: tuple[float, ...], frames: int, unit: SimulatedUnit, mains_hz: float, rate_hz: int, draw: Draw
) -> FloatArray:
    """Return the hum's voltage at the output, shape (frames,)."""
    total = np.zeros(frames)
    turn = 2.0 * np.pi * (mains_hz + unit.mains_deviation_hz) / rate_hz
    phases = draw.generator("hum").uniform(0.0, 2.0 * np.pi, len(levels_db))
    angle = np.arange(frames) * turn
    for index, level in enumerate(levels_db):
        total += np.cos(angle * (index + 1) + phases[index]) * amplitude(level)
    total *= unit.output_volts * np.sqrt(2.0)
    return total


def added_lines(frames: int, unit: SimulatedUnit, rate_hz: int, draw: Draw) -> FloatArray:
    """Return the voltage of the added lines at the output, shape (frames,), as the capture lets them through."""
    total = np.zeros(frames)
    phases = draw.generator("added_lines").uniform(0.0, 2.0 * np.pi, len(unit.added_lines))
    time = np.arange(frames) * (2.0 * np.pi / rate_hz)
    for (frequency, level), phase in zip(unit.added_lines, phases, strict=True):
        seen = amplitude(level) * float(anti_alias_gain(np.array([frequency / rate_hz]))[0])
        if seen > 0.0:
            total += np.cos(time * frequency + phase) * seen
    total *= unit.output_volts * np.sqrt(2.0)
    return total


def band_noise(frames: int, rate_ratio: float, generator: np.random.Generator) -> FloatArray:
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


def shaped_noise(frames: int, corner_hz: float, rate_hz: int, generator: np.random.Generator) -> FloatArray:
    """Return one channel's shaped noise, shape (frames,).

    Where it is flat, far above the corner, its density is what makes an rms of 1 within 20 Hz to 20 kHz.
    """
    from scipy.fft import irfft, next_fast_len

    length = next_fast_len(frames, real=True)
    frequency = np.arange(length // 2 + 1) / length
    # |H|² of a Butterworth high-pass of order n: r^2n / (1 + r^2n) with r = f / corner.
    power = (frequency * rate_hz / corner_hz) ** (2 * SHAPING_ORDER)
    gain = np.sqrt(power / (1.0 + power)) * anti_alias_gain(frequency)
    spectrum = generator.standard_normal(2 * len(gain)).view(np.complex128) * gain
    density = 0.5 * np.sqrt(length * rate_hz / NOISE_BAND_HZ)
    return np.asarray(irfft(spectrum, length)[:frames] * density)
