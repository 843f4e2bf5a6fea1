"""The probe: one sequence of tones, noise and silence that any hidden processing must change, and reading it.

Gain control, limiter, gate, suppressor and spatialiser all act on something: level, time, what else sounds, which side
plays. The probe changes these one at a time and leaves the tone's frequency and phase alone, so that a path without
processing gives the same gain everywhere.

============================  ================================================================================
:func:`probe_values`          the sequence as it is played, before it is quantised
:func:`read_probe`            gains of all sections in a capture
:class:`ProbeReading`         those
============================  ================================================================================
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from linecheck.checks.base import Capture
from linecheck.checks.parts.readings import DB_PER_NEPER
from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.fits.tones import fit_scaled_tones, peak_frequency
from linecheck.dsp.locating.marks import SYNC_SECONDS, chirp
from linecheck.dsp.quantise import triangular_dither

PROBE_HZ = 997.0
SYNC_LEVEL_DBFS = -20.0
MIDDLE_DBFS = -20.0
QUIET_DBFS = -60.0
LOUD_DBFS = -3.0
FAINT_DBFS = -110.0
NOISE_DBFS = -30.0
#: The noise goes from here to this share of the rate, with a gap around the tone, Hz.
NOISE_FROM_HZ, NOISE_TO_SHARE, GAP_HZ = 200.0, 0.4, 120.0
#: Its level is taken in this band, Hz.
NOISE_BAND_HZ = (1500.0, 8000.0)
#: So much of a section is left out at its ends beyond the ramps: where it lies is known to a few ms, and filters ring.
SKIP_SECONDS = 0.02
#: The first and the last part of a section are compared over so long, s.
PART_SECONDS = 0.12
#: How much of a section's beginning is held against the ramp that was played, s.
ONSET_SECONDS = 0.03
#: What explains less of the power around it is no sync.
MIN_SHARE = 0.2
CLOCK_TOLERANCE = 1e-3
#: Noise at the tone's frequency is taken from beside it, Hz; no multiple of 50 or 60 Hz is among them.
BESIDE_HZ = np.array([-87.0, -74.0, -62.0, -53.0, 48.0, 57.0, 69.0, 88.0])


@dataclass(frozen=True)
class Section:
    """A part of the probe: where it begins and how long it is (s), the tone's level, and what else there is.

    ``only`` is the channel that alone plays; None where all do. ``level_dbfs`` is None in silence.
    """

    name: str
    start: float
    seconds: float
    level_dbfs: float | None
    only: int | None = None
    noise_dbfs: float | None = None


@dataclass(frozen=True)
class Gain:
    """One section in one channel.

    Attributes
    ----------
    amplitude : float
        Of the tone, peak.
    gain_db : float
        Over what was played there; of a channel that is silent, over what another plays.
    uncertainty_db : float
    change_db : float
        Of the tone's level from the section's first part to its last.
    change_uncertainty_db : float
    onset_db : float
        Level of the section's beginning over what its ramp says it should be.
    turns : float
        Phase re a tone without a break, in turns.
    """

    amplitude: float
    gain_db: float
    uncertainty_db: float
    change_db: float
    change_uncertainty_db: float
    onset_db: float
    turns: float


@dataclass(frozen=True)
class ProbeReading:
    """What was read: gains by section and channel (index), the noise's gain by channel, and both clocks' ratio."""

    gains: Mapping[tuple[str, int], Gain]
    noise_gain_db: tuple[float, ...]
    clock_ratio: float


def _sections(channels: int, highest_dbfs: float) -> tuple[Section, ...]:
    """Return the sections, one after the other; nothing is louder than ``highest_dbfs``."""
    parts: list[tuple[str, float, float | None, int | None, float | None]] = [
        ("quiet", 0.5, QUIET_DBFS, None, None),
        ("middle", 0.5, MIDDLE_DBFS, None, None),
        ("loud", 0.5, LOUD_DBFS, None, None),
        ("after_loud", 0.5, MIDDLE_DBFS, None, None),
        ("silence", 0.7, None, None, None),
        ("after_silence", 0.5, MIDDLE_DBFS, None, None),
        ("faint", 1.0, FAINT_DBFS, None, None),
        ("with_noise", 0.7, MIDDLE_DBFS, None, NOISE_DBFS),
        *((f"only_{index + 1}", 0.4, MIDDLE_DBFS, index, None) for index in range(channels) if channels > 1),
        ("last", 0.4, MIDDLE_DBFS, None, None),
    ]
    start, sections = SYNC_SECONDS + 0.05, []
    for name, seconds, level, only, noise in parts:
        allowed = None if level is None else min(level, highest_dbfs)
        sections.append(Section(name, start, seconds, allowed, only, noise))
        start += seconds
    return tuple(sections)


def probe_values(channels: int, rate_hz: int, ramp_seconds: float, highest_dbfs: float) -> FloatArray:
    """Return the probe, full scale 1.0, shape (frames, channels); it begins with the sync."""
    sections = _sections(channels, highest_dbfs)
    frames = round((sections[-1].start + sections[-1].seconds + 0.02) * rate_hz)
    values = np.zeros((frames, channels))
    sync = chirp(rate_hz, SYNC_SECONDS) * _amplitude(min(SYNC_LEVEL_DBFS, highest_dbfs))
    values[: len(sync)] = sync[:, None]
    for section in sections:
        first = round(section.start * rate_hz)
        count = round(section.seconds * rate_hz)
        signal = np.zeros(count)
        if section.level_dbfs is not None:
            signal += _tone(np.arange(first, first + count) / rate_hz) * _amplitude(section.level_dbfs)
        if section.noise_dbfs is not None:
            signal += _noise(count, rate_hz) * _amplitude(min(section.noise_dbfs, highest_dbfs - 12.0))
        signal *= ramps(count, ramp_seconds * rate_hz)
        playing = range(channels) if section.only is None else (section.only,)
        for channel in playing:
            values[first : first + count, channel] = signal
    return values


def _amplitude(level_dbfs: float) -> float:
    return float(10.0 ** (level_dbfs / 20.0))


def _tone(seconds: FloatArray) -> FloatArray:
    """Return the tone at some times since the probe began: without a break through all sections."""
    cycles = seconds * PROBE_HZ
    return np.asarray(np.cos(2.0 * np.pi * (cycles - np.rint(cycles))))


def ramps(frames: int, ramp_frames: float) -> FloatArray:
    """Return a gain that rises and falls as a raised cosine at both ends, shape (frames,)."""
    place = np.arange(frames) + 0.5
    inside = np.clip(np.minimum(place, frames - place) / max(ramp_frames, 1.0), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * inside))


def _noise(frames: int, rate_hz: float) -> FloatArray:
    """Return noise of the power of a sine of peak 1, the same every time, with a gap around the tone."""
    from scipy.fft import irfft, rfft

    spectrum = rfft(triangular_dither(frames, (997, frames)))
    places = np.arange(len(spectrum)) * (rate_hz / frames)
    kept = (places > NOISE_FROM_HZ) & (places < NOISE_TO_SHARE * rate_hz)
    kept &= np.abs(places - PROBE_HZ) > GAP_HZ
    values = irfft(spectrum * kept, frames)
    return np.asarray(values * (np.sqrt(0.5) / np.sqrt(np.mean(values**2))))


def read_probe(
    capture: Capture, channels: int, rate_hz: int, ramp_seconds: float, highest_dbfs: float
) -> ProbeReading | None:
    """Return the gains of all sections of a captured probe; None where it is not there as a whole.

    Parameters
    ----------
    capture : Capture
    channels, rate_hz, ramp_seconds, highest_dbfs
        As it was played.
    """
    found = _find_sync(capture) if np.all(np.isfinite(capture.scaled)) else None
    if found is None:
        return None
    sections = _sections(channels, highest_dbfs)
    reader = _Reader(capture, found, sections, ramp_seconds)
    ratio = reader.fit_clock()
    if ratio is None or not reader.is_whole():
        return None
    gains = {
        (section.name, channel): reader.gain(section, channel)
        for section in sections
        if section.level_dbfs is not None
        for channel in range(channels)
    }
    played = probe_values(channels, rate_hz, ramp_seconds, highest_dbfs)
    noise = tuple(reader.noise_gain(played[:, channel], rate_hz, channel) for channel in range(channels))
    return ProbeReading(gains, noise, ratio)


def _find_sync(capture: Capture) -> int | None:
    """Return the frame at which the sync begins, from the channel that has it best."""
    sync = chirp(capture.rate_hz, SYNC_SECONDS)
    best: tuple[float, int] = (MIN_SHARE, -1)
    for values in capture.scaled:
        if len(values) <= len(sync) or not np.ptp(values) > 0.0:
            continue
        products = np.abs(correlation(values, sync)[len(sync) - 1 : len(values)])
        power = np.concatenate(([0.0], np.cumsum(values**2)))
        around = power[len(sync) :] - power[: -len(sync)]
        quiet = 1e-6 * float(np.max(around))
        share = products**2 / (np.sum(sync**2) * np.maximum(around, max(quiet, 1e-30)))
        at = int(np.argmax(share))
        if share[at] > best[0]:
            best = (float(share[at]), at)
    return best[1] if best[1] >= 0 else None


def correlation(longer: FloatArray, shorter: FloatArray) -> FloatArray:
    """Return the sum of products at every lag, shape (longer + shorter - 1,).

    At index ``len(shorter) - 1 + k`` the shorter one begins at frame k of the longer one. By Fourier transforms:
    SciPy's own does the same and takes a second to import.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    frames = len(longer) + len(shorter) - 1
    length = next_fast_len(frames, real=True)
    products = irfft(rfft(longer, length) * rfft(shorter[::-1], length), length)
    return np.asarray(products[:frames])


@dataclass
class _Reader:
    """Reads sections of one capture, once it is known where the probe begins."""

    capture: Capture
    found: int
    sections: Sequence[Section]
    ramp_seconds: float
    ratio: float = 1.0

    def fit_clock(self) -> float | None:
        """Fit the ratio of both clocks in the section that is neither loud nor quiet; None where no tone is there."""
        section = next(entry for entry in self.sections if entry.name == "middle")
        start, stop = self._inside(section)
        nominal = PROBE_HZ / self.capture.rate_hz
        best: tuple[float, float] | None = None
        for values in self.capture.scaled[:, start:stop]:
            if len(values) < 1000 or not np.ptp(values) > 0.0:
                continue
            near, prominence = peak_frequency(values, nominal * 0.98, nominal * 1.02)
            if prominence < 100.0 or abs(near / nominal - 1.0) > CLOCK_TOLERANCE + 0.5 / len(values):
                continue
            fit, _ = fit_scaled_tones(values, np.array([near]))
            if best is None or abs(fit.amplitudes[0]) > best[0]:
                best = (abs(float(np.abs(fit.amplitudes[0]))), float(fit.frequencies[0]) / nominal)
        if best is None:
            return None
        self.ratio = best[1]
        return self.ratio

    def is_whole(self) -> bool:
        """Return whether the capture goes on to the end of the last section."""
        return self._inside(self.sections[-1])[1] <= self.capture.frames

    def _frame(self, seconds: float) -> float:
        return self.found + seconds * self.capture.rate_hz / self.ratio

    def _inside(self, section: Section) -> tuple[int, int]:
        kept = self.ramp_seconds + SKIP_SECONDS
        return (
            round(self._frame(section.start + kept)),
            round(self._frame(section.start + section.seconds - kept)),
        )

    def gain(self, section: Section, channel: int) -> Gain:
        """Return what came of a section in a channel."""
        assert section.level_dbfs is not None
        start, stop = self._inside(section)
        part = round(PART_SECONDS * self.capture.rate_hz)
        whole, spread = self._tone(channel, start, stop)
        first, first_spread = self._tone(channel, start, min(stop, start + part))
        last, last_spread = self._tone(channel, max(start, stop - part), stop)
        played = _amplitude(section.level_dbfs)
        return Gain(
            amplitude=abs(whole),
            gain_db=_decibels(abs(whole) / played),
            uncertainty_db=_spread_db(spread, abs(whole)),
            change_db=_decibels(abs(last) / max(abs(first), 1e-15)),
            change_uncertainty_db=float(
                np.hypot(_spread_db(first_spread, abs(first)), _spread_db(last_spread, abs(last)))
            ),
            onset_db=self._onset(section, channel, whole),
            turns=float(np.angle(whole) / (2.0 * np.pi)),
        )

    def _tone(self, channel: int, start: int, stop: int) -> tuple[complex, float]:
        """Return the tone's complex amplitude, phase re the probe's beginning, and its standard uncertainty."""
        values = self.capture.scaled[channel, max(0, start) : stop]
        if len(values) < 100:
            return 0j, 1.0
        window = np.hanning(len(values))
        windowed = (values - np.mean(values)) * window * (2.0 / np.sum(window))
        places = np.arange(start, start + len(values), dtype=np.float64) - self.found
        frequency = PROBE_HZ * self.ratio / self.capture.rate_hz
        offsets = BESIDE_HZ / self.capture.rate_hz
        here = complex(np.dot(windowed, _turns(-frequency * places)))
        tone = values - (here * _turns(frequency * places)).real
        beside = np.array(
            [
                np.dot((tone - np.mean(tone)) * window, _turns(-(frequency + offset) * places))
                for offset in offsets
            ]
        )
        power = float(np.mean(np.abs(beside * (2.0 / np.sum(window))) ** 2))
        return here, float(np.sqrt(0.5 * power))

    def _onset(self, section: Section, channel: int, whole: complex) -> float:
        """Return the level of a section's beginning re what its ramp makes of the section's own tone, dB."""
        start = self._frame(section.start)
        first = int(np.ceil(start))
        stop = first + round((self.ramp_seconds + ONSET_SECONDS) * self.capture.rate_hz)
        values = self.capture.scaled[channel, max(0, first) : stop]
        if abs(whole) < 1e-12 or first < 0 or len(values) < stop - first:
            return 0.0
        places = np.arange(first, stop, dtype=np.float64)
        inside = np.clip((places - start) / (self.ramp_seconds * self.capture.rate_hz + 1e-9), 0.0, 1.0)
        frequency = PROBE_HZ * self.ratio / self.capture.rate_hz
        model = (whole * _turns(frequency * (places - self.found))).real * (
            0.5 - 0.5 * np.cos(np.pi * inside)
        )
        share = float(np.dot(values, model) / np.dot(model, model))
        return _decibels(max(share, 1e-6))

    def noise_gain(self, played: FloatArray, rate_hz: int, channel: int) -> float:
        """Return the level of the noise as captured over that as played, dB."""
        section = next(entry for entry in self.sections if entry.noise_dbfs is not None)
        start, stop = self._inside(section)
        first = round((section.start + self.ramp_seconds + SKIP_SECONDS) * rate_hz)
        last = round((section.start + section.seconds - self.ramp_seconds - SKIP_SECONDS) * rate_hz)
        came = _band_level(self.capture.scaled[channel, start:stop], self.capture.rate_hz)
        went = _band_level(played[first:last], rate_hz)
        return _decibels(np.sqrt(came / went)) if came > 0.0 else -300.0


def _turns(cycles: FloatArray) -> ComplexArray:
    angle = 2.0 * np.pi * (cycles - np.rint(cycles))
    return np.asarray(np.cos(angle) + 1j * np.sin(angle))


def _band_level(values: FloatArray, rate_hz: float) -> float:
    """Return the mean square within the band that the noise is judged in."""
    from scipy.fft import next_fast_len, rfft

    if len(values) < 100:
        return 0.0
    window = np.hanning(len(values))
    power = np.abs(rfft(values * window, next_fast_len(len(values), real=True))) ** 2
    places = np.arange(len(power)) * (0.5 * rate_hz / (len(power) - 1))
    inside = (places >= NOISE_BAND_HZ[0]) & (places <= NOISE_BAND_HZ[1])
    return float(np.sum(power[inside]) / len(power) / np.sum(window**2))


def _decibels(ratio: float) -> float:
    return float(20.0 * np.log10(max(float(ratio), 1e-15)))


def _spread_db(spread: float, amplitude: float) -> float:
    return float(DB_PER_NEPER * spread / max(amplitude, 1e-15))
