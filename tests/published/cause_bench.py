"""An outside bench: a unit, its output and a recorder made from closed forms and scipy, and nothing of linecheck's own.

=====================  ============================================================================
:class:`Unit`          what a healthy unit of the model is, drawn by seed around its typical figures
:class:`Recorder`      what captures it
:class:`Bench`         both, and what faults do at each place of the path
:func:`captures`       a bench plays every check of a plan
:func:`judged`         the run that these captures come to, without a disk
:func:`write_set`      the same captures as a set that ``linecheck judge`` takes
=====================  ============================================================================

The path: words → zero-stuffing and the reconstruction filter → dense signal → output stage → analogue transfer
functions → the recorder's clock → what is added in volts → the recorder's converter → frames.

Sampling is exact: words are impulses, whose spectrum repeats with their rate; it is multiplied by the filter's response
on a dense grid, and the recorder sees N words as L frames of one period of a Fourier series, so that the clock's ratio
is N/L and no interpolation comes in between (sampling theorem; Oppenheim and Schafer, Discrete-Time Signal Processing,
chapter 4).
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from linecheck.captures.capture_set import write_capture_set
from linecheck.checks.base import Capture, Stimulus
from linecheck.errors import StationError
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.measure.executors import InlineExecutor
from linecheck.run.model import Run
from linecheck.run.plan import Plan, make_plan
from linecheck.station.interfaces.interface import Interface, NotCaptured
from linecheck.station.runner import RunFacts, run_unit

Array = NDArray[np.float64]

LIMITS = Path(__file__).parents[2] / "limits" / "pellow-r3.yaml"
#: The dense signal's rate is the words' times a whole number, at least this.
DENSE_HZ = 350_000.0
AUDIO_BAND_HZ = 19_980.0


@dataclass(frozen=True)
class Words:
    """What the converter is given: values with full scale 1.0, shape (channels, frames), and their rate in Hz."""

    values: Array
    rate_hz: float


@dataclass(frozen=True)
class Moment:
    """One play of one check: what a fault may know of it.

    ``begins`` and ``ends`` are seconds of the recording between which the stimulus lies, ``noise`` a generator of this
    play alone.
    """

    check: str
    mains_hz: float
    begins: float
    ends: float
    noise: np.random.Generator


@dataclass(frozen=True)
class Unit:
    """A healthy unit.

    Attributes
    ----------
    volts : float
        Rms of a full-scale sine.
    gains : tuple of float
        Per channel, about 1.
    noise_volts : tuple of float
        Per channel, rms in 20 Hz to 20 kHz, white.
    hum_volts : float
        Rms of the first harmonic of the mains; the next ones are 6 and 10 dB below.
    offset_volts : tuple of float
    clock_ppm : float
    second, third : float
        Harmonics of a full-scale sine as a part of it, by a polynomial: x² is (1 - cos 2θ)/2, x³ (3 sin θ - sin 3θ)/4.
    crosstalk : float
    taps : tuple of float or None
        The reconstruction filter at eight times the words' rate; None for none: each word is held until the next.
    """

    volts: float
    gains: tuple[float, float]
    noise_volts: tuple[float, float]
    hum_volts: float
    offset_volts: tuple[float, float]
    clock_ppm: float
    second: float
    third: float
    crosstalk: float
    taps: tuple[float, ...] | None


@dataclass(frozen=True)
class Recorder:
    """What captures: ``gain`` ahead of its converter, the peak volts that it says and those that it has."""

    rate_hz: int = 192_000
    full_scale_volts: float = 8.0
    true_full_scale_volts: float = 8.0
    noise_volts: float = 1.5e-6
    bits: int = 24


WordStage = Callable[[Words, Moment], Words]
#: Shape (channels, frames), full scale 1.0, its rate in Hz.
DenseStage = Callable[[Array, float, Moment], Array]
#: A spectrum, shape (channels, lines), and its frequencies in Hz.
Transfer = Callable[[NDArray[np.complex128], Array], NDArray[np.complex128]]
#: Shape (channels, frames) in volts, the recorder's rate in Hz.
VoltStage = Callable[[Array, float, Moment], Array]
CaptureStage = Callable[[Capture, Moment], Capture]
SetStage = Callable[[dict[str, Capture], np.random.Generator], dict[str, Capture]]


@dataclass(frozen=True)
class Bench:
    """A unit at a recorder, and what acts at each place of the path; each tuple is gone through in its order.

    ``volts`` acts on the unit's signal with its hum and offset, ahead of the white noises of unit and recorder;
    ``output_gain`` on everything that the unit puts out. ``failing`` names a check at which the station fails.
    """

    seed: int
    unit: Unit
    recorder: Recorder
    mains_hz: float
    words: tuple[WordStage, ...] = ()
    dense: tuple[DenseStage, ...] = ()
    transfers: tuple[Transfer, ...] = ()
    volts: tuple[VoltStage, ...] = ()
    output_gain: tuple[float, float] = (1.0, 1.0)
    frames: tuple[CaptureStage, ...] = ()
    whole: tuple[SetStage, ...] = ()
    failing: str | None = None
    limits: LimitFile = field(default_factory=lambda: limit_file())

    def adding(self, **stages: Callable[..., object]) -> Bench:
        """Return it with one more stage at each place that is named."""
        return replace(self, **{name: (*getattr(self, name), stage) for name, stage in stages.items()})


@lru_cache
def limit_file() -> LimitFile:
    """Return the limits that the model is judged by."""
    return load_limits(LIMITS)


def planned(limits: LimitFile) -> Plan:
    """Return what linecheck itself would play for these limits; the stimuli are made once, whatever the masks."""
    checks = {check.name: check for check in limits.checks}
    plan = _planned()
    return replace(
        plan,
        limits=limits,
        checks=tuple(replace(entry, check=checks[entry.check.name]) for entry in plan.checks),
    )


@lru_cache
def _planned() -> Plan:
    return make_plan(limit_file())


@lru_cache
def kaiser_taps(low_hz: float, high_hz: float, stop_db: float, rate_hz: float) -> tuple[float, ...]:
    """Return a linear-phase low-pass whose transition goes from ``low_hz`` to ``high_hz``, by Kaiser's window.

    Its length and shape are Kaiser's formulas as scipy has them (scipy.signal.kaiserord, firwin).
    """
    count, beta = signal.kaiserord(stop_db, (high_hz - low_hz) / (0.5 * rate_hz))
    taps = signal.firwin(count | 1, 0.5 * (low_hz + high_hz), window=("kaiser", beta), fs=rate_hz)
    return tuple(taps.tolist())


def healthy(seed: int) -> Bench:
    """Return a healthy unit and its recorder, drawn by ``seed`` around the model's typical figures."""
    draw = np.random.default_rng((20_261_130, seed))
    rate = 44_100.0
    shift = draw.uniform(-40.0, 40.0)
    width = draw.uniform(1850.0, 2000.0)
    unit = Unit(
        volts=4.0 * (1.0 + draw.normal(0.0, 0.002)),
        gains=tuple((1.0 + draw.normal(0.0, 0.001, 2).clip(-0.002, 0.002)).tolist()),
        noise_volts=tuple((5.5e-6 * (1.0 + draw.uniform(-0.03, 0.03, 2))).tolist()),
        hum_volts=4.0 * 10 ** (draw.uniform(-138.0, -133.0) / 20),
        offset_volts=tuple(draw.uniform(-4e-4, 4e-4, 2).tolist()),
        clock_ppm=draw.uniform(-20.0, 20.0),
        second=10 ** (draw.normal(-118.3, 0.4) / 20),
        third=10 ** (draw.normal(-119.3, 0.4) / 20),
        crosstalk=10 ** (draw.normal(-118.0, 0.5) / 20),
        taps=kaiser_taps(0.5 * rate + shift - width, 0.5 * rate + shift + width, 112.0, 8 * rate),
    )
    recorder = Recorder(noise_volts=draw.uniform(1.2e-6, 1.8e-6))
    return Bench(seed, unit, recorder, float(draw.choice((50.0, 60.0))))


def captures(bench: Bench) -> dict[str, Capture]:
    """Return what a bench captures of every check of its limits, by check."""
    taken = {
        entry.check.name: captured(bench, entry.check.name, entry.stimulus)
        for entry in planned(bench.limits).checks
    }
    for stage in bench.whole:
        taken = stage(taken, np.random.default_rng((7, bench.seed)))
    return taken


class _Bench(Interface):
    """What the runner plays into: it plays a bench, or gives captures that are there."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._taken = captures(bench) if bench.whole else None

    @property
    def identity(self) -> dict[str, str]:
        return {"kind": "outside bench"}

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        if check == self._bench.failing:
            raise StationError("the device has gone: it was unplugged")
        if self._taken is None:
            return captured(self._bench, check, stimulus)
        if check not in self._taken:
            raise NotCaptured(f"no capture of {check}")
        return self._taken[check]


def judged(bench: Bench) -> Run:
    """Return the run that a bench's unit comes to, judged as a station judges it."""
    facts = RunFacts(serial=f"PR3-{bench.seed % 1_000_000:06}")
    with InlineExecutor() as executor:
        return run_unit(planned(bench.limits), facts, _Bench(bench), executor).outcome


def write_set(folder: str | Path, bench: Bench) -> Path:
    """Write what a bench captures as a set for ``linecheck judge`` and return its folder."""
    return write_capture_set(
        folder, captures(bench), model=bench.limits.model, serial=f"PR3-{bench.seed % 1_000_000:06}"
    )


def captured(bench: Bench, check: str, stimulus: Stimulus) -> Capture:
    """Return what a bench captures of one stimulus."""
    draw = np.random.default_rng((bench.seed, zlib.crc32(check.encode())))
    lead, tail = draw.uniform(0.1, 0.5), draw.uniform(0.1, 0.3)
    words = Words(stimulus.samples.T.astype(np.float64) * 2.0**-31, float(stimulus.rate_hz))
    moment = Moment(check, bench.mains_hz, lead, lead + stimulus.seconds, draw)
    for stage in bench.words:
        words = stage(words, moment)
    moment = replace(moment, ends=lead + words.values.shape[1] / words.rate_hz)
    volts = _heard(bench, words, lead, tail, moment)
    capture = _recorded(bench, volts, moment)
    for stage in bench.frames:
        capture = stage(capture, moment)
    return capture


def _heard(bench: Bench, words: Words, lead: float, tail: float, moment: Moment) -> Array:
    """Return the unit's output at the recorder's instants, volts without noise."""
    unit, rate = bench.unit, words.rate_hz
    before = round(lead * rate)
    least = before + words.values.shape[1] + round(tail * rate)
    count, frames = grid(least, bench.recorder.rate_hz / (rate * (1.0 + 1e-6 * unit.clock_ppm)))
    padded = np.zeros((len(words.values), count))
    padded[:, before : before + words.values.shape[1]] = words.values
    x, dense_hz = converted(padded, rate, unit.taps)
    for stage in bench.dense:
        x = stage(x, dense_hz, moment)
    x = x + (2.0 * unit.second) * np.square(x) - (4.0 * unit.third) * x * np.square(x)
    lines = fft.rfft(x, axis=-1)
    frequencies = np.arange(frames // 2 + 1) * (dense_hz / x.shape[1])
    lines = lines[:, : len(frequencies)]
    late = np.exp(-2j * np.pi * frequencies * (moment.noise.uniform() / bench.recorder.rate_hz))
    lines = lines * (late * _recorder_filter(frequencies, bench.recorder.rate_hz))
    for transfer in bench.transfers:
        lines = transfer(lines, frequencies)
    lines = lines + unit.crosstalk * lines[::-1]
    heard = fft.irfft(lines, frames, axis=-1) * (frames / x.shape[1])
    return heard * (unit.volts * np.sqrt(2.0) * np.array(unit.gains)[:, None])


def converted(words: Array, rate_hz: float, taps: tuple[float, ...] | None) -> tuple[Array, float]:
    """Return words on a dense grid behind the reconstruction filter, and the grid's rate in Hz.

    Parameters
    ----------
    words : array, shape (channels, frames)
    rate_hz : float
    taps : tuple of float or None
        At eight times the rate; None holds each word until the next: sin(πf/rate)/(πf/rate), half a period late
        (Oppenheim and Schafer, 4.8).
    """
    factor = max(2, int(np.ceil(DENSE_HZ / rate_hz)))
    count = words.shape[1]
    dense = factor * count
    index = np.arange(dense // 2 + 1)
    response = _hold(index * (rate_hz / count), rate_hz) if taps is None else _of_taps(taps, factor, count)
    lines = fft.fft(words, axis=-1)[:, index % count]
    lines *= factor * response
    return fft.irfft(lines, dense, axis=-1), factor * rate_hz


def _hold(frequencies_hz: Array, rate_hz: float) -> Array:
    return np.sinc(frequencies_hz / rate_hz) * np.exp(-1j * np.pi * frequencies_hz / rate_hz)


def _of_taps(taps: tuple[float, ...], factor: int, count: int) -> Array:
    """The response of taps at eight times the rate on the lines up to half of ``factor`` times the rate."""
    index = np.arange(factor * count // 2 + 1)
    full = fft.fft(np.array(taps), 8 * count) if len(taps) <= 8 * count else None
    return full[index % (8 * count)]


def _recorder_filter(frequencies_hz: Array, rate_hz: float) -> Array:
    """An anti-alias filter: flat to 0.458 of the rate, a quarter of a cosine to nothing at half the rate."""
    place = np.clip((frequencies_hz / rate_hz - 0.458) / 0.042, 0.0, 1.0)
    return np.cos(0.5 * np.pi * place)


def _recorded(bench: Bench, volts: Array, moment: Moment) -> Capture:
    """Add what is there whatever is played, and convert."""
    unit, recorder, draw = bench.unit, bench.recorder, moment.noise
    frames, rate = volts.shape[1], recorder.rate_hz
    volts += np.array(unit.offset_volts)[:, None]
    volts += mains_lines(frames, rate, moment, unit.hum_volts * np.array([1.0, 0.5, 0.3]), (1, 2, 3))
    for stage in bench.volts:
        volts = stage(volts, float(rate), moment)
    wide = np.sqrt(0.5 * rate / AUDIO_BAND_HZ)
    step = 2.0 ** (1 - recorder.bits)
    codes = np.empty((frames, len(volts)), dtype=np.int32)
    top = 2.0 ** (recorder.bits - 1)
    for index, values in enumerate(volts):
        gain = bench.output_gain[index]
        deviation = wide * np.hypot(gain * unit.noise_volts[index], recorder.noise_volts)
        values = gain * values + deviation * draw.standard_normal(frames)
        values *= 1.0 / (recorder.true_full_scale_volts * step)
        values += draw.random(frames) - draw.random(frames)
        codes[:, index] = np.clip(np.rint(values), -top, top - 1.0).astype(np.int32) << (32 - recorder.bits)
    return Capture(
        codes, rate, (recorder.full_scale_volts,) * len(volts), recorder.bits, mains_hz=bench.mains_hz
    )


def mains_lines(frames: int, rate_hz: float, moment: Moment, rms: Array, orders: tuple[int, ...]) -> Array:
    """Return lines at multiples of the mains, shape (frames,); the mains are off by some 0.02 %."""
    time = np.arange(frames) / rate_hz
    off = 1.0 + 2e-4 * moment.noise.standard_normal()
    total = np.zeros(frames)
    for volts, order in zip(rms, orders, strict=True):
        phase = moment.noise.uniform(0.0, 2.0 * np.pi)
        total += np.sqrt(2.0) * volts * np.sin(2.0 * np.pi * order * moment.mains_hz * off * time + phase)
    return total


@lru_cache(maxsize=256)
def grid(least: int, ratio: float) -> tuple[int, int]:
    """Return two counts of at least ``least`` words and of frames whose ratio is nearly ``ratio``, quick to transform.

    Among counts without a prime factor above 47, the ones nearest to the ratio, up to an eighth longer.
    """
    counts = _smooth_between(least, least + least // 8 + 400)
    wanted = counts * ratio
    frames = np.rint(wanted).astype(np.int64)
    off = np.abs(frames / wanted - 1.0)
    off[~_smooth()[frames]] = 1.0
    best = int(np.argmin(off))
    return int(counts[best]), int(frames[best])


LONGEST = 3_000_000


@lru_cache(maxsize=1)
def _smooth() -> NDArray[np.bool_]:
    """Whether a count up to the longest has no prime factor above 47."""
    rest = np.arange(LONGEST)
    rest[0] = LONGEST + 1
    for prime in (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47):
        power = prime
        while power < LONGEST:
            rest[power::power] //= prime
            power *= prime
    return rest == 1


def _smooth_between(low: int, high: int) -> NDArray[np.int64]:
    return low + np.flatnonzero(_smooth()[low:high])
