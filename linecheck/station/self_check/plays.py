"""What a self-check plays, made before anything sounds, and never louder than the station allows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks import kinds
from linecheck.checks.base import Capture, CheckKind, Stimulus
from linecheck.checks.contract import made_stimulus
from linecheck.checks.ultrasonic import MIN_REACH_HZ
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.locating.marks import EDGE_SECONDS
from linecheck.dsp.quantise import quantise
from linecheck.errors import UsageError
from linecheck.limits.model import Check
from linecheck.run.ramps import abrupt
from linecheck.station.config.loop import LoopConfig
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces import interface_of
from linecheck.station.self_check.loop_kinds import SETTLED_TONE, TO_EDGE
from linecheck.station.self_check.probe import ProbeReading, probe_values, ramps, read_probe
from linecheck.station.self_check.words import random_words

#: Highest level of the tone that distortion and gain are taken from.
TONE_DBFS: Final = -1.0
#: The level of the jitter test signal, which is fixed, and how long it is measured.
JITTER_DBFS: Final = -3.0
JITTER_SECONDS: Final = 0.7
#: What is played for the path's figures alone: no step is taken from it.
FIGURE_PLAYS: Final = frozenset({"multitone", "intermodulation", "linearity", "difference", "ultrasonic"})
#: Two tones over so many decibels, and one over so many more: what a path does to levels is seen well above its noise.
STEPS_DB, STEP_SECONDS = 15.0, 0.3
STAIRS_DB, STAIRS_SECONDS = 75.0, 1.2
#: 18 and 20 kHz, with their third-order products up to 22 kHz, fit below half of this.
MIN_DIFFERENCE_RATE_HZ: Final = 48_000
WORDS_SECONDS: Final = (0.7, 0.3)
PAUSE_SECONDS: Final = 0.05
WORDS_SEED: Final = 24
#: What a kind's level may be lowered by, at most, for a station that plays no louder.
MAX_LOWERED_DB: Final = 40.0


@dataclass(frozen=True)
class LoopPath:
    """A station's loop as it is checked.

    Attributes
    ----------
    loop : LoopConfig
    channels : tuple of str
    rate_hz, capture_rate_hz : int
    ramp_seconds, highest_dbfs : float
        The station's protection.
    shares_clock : bool
        Whether playback and capture run off one clock.
    """

    loop: LoopConfig
    channels: tuple[str, ...]
    rate_hz: int
    capture_rate_hz: int
    ramp_seconds: float
    highest_dbfs: float
    shares_clock: bool

    @property
    def lower_rate_hz(self) -> int:
        """The lower of both rates."""
        return min(self.rate_hz, self.capture_rate_hz)

    @property
    def hears_jitter(self) -> bool:
        """Whether the jitter test signal, whose level is fixed, may be played, and the capture holds its tone.

        A station that may not play it plays no jitter check either.
        """
        return self.highest_dbfs >= JITTER_DBFS and self.rate_hz <= 1.5 * self.capture_rate_hz

    @property
    def band_hz(self) -> tuple[float, float]:
        """The audio band, or what the rates leave of it."""
        return 20.0, min(20_000.0, 0.45 * self.lower_rate_hz)

    def probe(self) -> FloatArray:
        """Return the probe as it is played here, before it is quantised."""
        return probe_values(len(self.channels), self.rate_hz, self.ramp_seconds, self.highest_dbfs)

    def read_probe(self, capture: Capture) -> ProbeReading | None:
        """Return what a capture has of it; None where it is not there as a whole."""
        return read_probe(capture, len(self.channels), self.rate_hz, self.ramp_seconds, self.highest_dbfs)


@dataclass(frozen=True)
class Play:
    """Something that is played; ``check`` measures it, where a check kind does.

    It starts and stops with the station's ramp, but no slower than ``max_ramp_seconds``.
    """

    name: str
    stimulus: Stimulus
    check: Check | None = None
    max_ramp_seconds: float = math.inf


def channel_names(count: int) -> tuple[str, ...]:
    """Return names for so many channels."""
    return ("left", "right") if count == 2 else tuple(f"channel_{index + 1}" for index in range(count))


def loop_path(config: StationConfig) -> LoopPath:
    """Return how a station's loop is checked.

    Raises
    ------
    UsageError
        The config has no loop, or one that its devices cannot play.
    """
    loop = config.loop
    name = f"station {config.station}"
    if loop is None:
        raise UsageError(
            f'{name} has no [loop] in its config: add one with kind = "analogue" or "digital", '
            "which says how its output is patched to its input"
        )
    sides = {len(table.channels or ()) for table in (config.playback, config.capture)} - {0}
    if len(sides) > 1:
        raise UsageError(
            f"{name} plays and captures different numbers of channels: a loop needs the same number of each"
        )
    count = next(iter(sides), 2)
    if len(loop.gain_db) not in (1, count):
        raise UsageError(f"{name}: loop.gain_db has {len(loop.gain_db)} entries for {count} channels")
    rate = _rate(config, loop)
    floats = "float32" in (config.playback.sample_format, config.capture.sample_format)
    if loop.bits > 24 and interface_of(config).is_real and floats:
        raise UsageError(f'{name}: loop.bits = {loop.bits} need sample_format = "int32"; float32 holds 24')
    return LoopPath(
        loop,
        channel_names(count),
        rate,
        config.capture.rate_hz,
        config.protection.ramp_seconds,
        config.protection.highest_level_dbfs,
        _shares_clock(config, loop),
    )


def _rate(config: StationConfig, loop: LoopConfig) -> int:
    rates, captured = config.playback.rates_hz, config.capture.rate_hz
    known = ", ".join(str(rate) for rate in rates)
    if loop.rate_hz is not None:
        if loop.rate_hz not in rates:
            raise UsageError(f"loop.rate_hz = {loop.rate_hz} is not played: playback.rates_hz lists {known}")
        rate = loop.rate_hz
    else:
        usable = [rate for rate in rates if rate >= 44_100]
        if not usable:
            raise UsageError(f"a loop is checked at 44100 Hz or more; playback.rates_hz lists {known}")
        lower = [rate for rate in usable if rate <= captured]
        rate = captured if captured in usable else max(lower) if lower else min(usable)
    if captured < 44_100:
        raise UsageError(f"a loop is checked at 44100 Hz or more; capture.rate_hz is {captured}")
    if loop.kind == "digital" and rate != captured:
        raise UsageError(f"a digital loop has one rate; {rate} Hz is played and {captured} Hz captured")
    return rate


def _shares_clock(config: StationConfig, loop: LoopConfig) -> bool:
    if loop.shares_clock is not None:
        return loop.shares_clock
    one = config.playback.device == config.capture.device
    return loop.kind == "digital" or not interface_of(config).is_real or one


def make_plays(path: LoopPath) -> tuple[Play, ...]:
    """Return everything that is played, in order.

    Raises
    ------
    UsageError
        The station may play nothing as loud as a check needs, or something would start or stop faster than it may.
    """
    plays = (_digital_play(path),) if path.loop.kind == "digital" else _analogue_plays(path)
    for play in plays:
        found = abrupt(play.stimulus, min(path.ramp_seconds, play.max_ramp_seconds))
        if found is not None:
            raise UsageError(
                f"nothing is played: {play.name} of the self-check starts or stops within "
                f"{1e3 * found.ramp_seconds:.3g} ms, faster than protection.ramp_seconds. "
                "This is a fault of linecheck: please report it"
            )
    return plays


def _analogue_plays(path: LoopPath) -> tuple[Play, ...]:
    rate, bits, band = path.rate_hz, path.loop.bits, path.band_hz
    common = {"rate_hz": rate, "bits": bits}
    known = kinds()
    tone_dbfs = min(TONE_DBFS, path.highest_dbfs)
    flat = (path.loop.limits.flat_hz[0], min(path.loop.limits.flat_hz[1], 0.4 * path.lower_rate_hz))
    steps = {"level_dbfs": tone_dbfs, "lowest_dbfs": tone_dbfs - STEPS_DB, "seconds": STEP_SECONDS}
    stairs = {"level_dbfs": tone_dbfs, "lowest_dbfs": tone_dbfs - STAIRS_DB, "seconds": STAIRS_SECONDS}
    asked: list[tuple[str, CheckKind, dict[str, Any], dict[str, Any]]] = [
        ("wiring", known["wiring"], {"seconds": 0.4, "level_dbfs": -20.0}, {}),
        ("tone", SETTLED_TONE, {"seconds": 0.7, "level_dbfs": tone_dbfs}, {"band_hz": band}),
        ("quiet", known["quiet"], {"seconds": 1.0, "dither": True}, {"band_hz": band}),
        ("to_edge", TO_EDGE, {"seconds": 1.0, "level_dbfs": -20.0}, {"band_hz": flat}),
        ("multitone", known["multitone"], {"seconds": 1.0, "level_dbfs": tone_dbfs}, {"band_hz": band}),
        ("intermodulation", known["intermodulation"], steps, {}),
        ("linearity", known["linearity"], stairs, {}),
    ]
    if len(path.channels) > 1:
        asked.insert(
            3, ("crosstalk", known["crosstalk"], {"seconds": 1.0, "level_dbfs": -20.0}, {"band_hz": band})
        )
    if path.lower_rate_hz >= MIN_DIFFERENCE_RATE_HZ:
        asked.append(("difference", known["intermodulation"], {"pair": "18000+20000"} | steps, {}))
    if path.capture_rate_hz >= 2.0 * MIN_REACH_HZ:
        asked.append(("ultrasonic", known["ultrasonic"], {"seconds": 1.0}, {}))
    plays = [
        _play(path, name, kind, {**common, **stimulus}, analysis) for name, kind, stimulus, analysis in asked
    ]
    if path.hears_jitter:
        words = {"rate_hz": rate, "bits": 24 if bits >= 24 else 16, "seconds": JITTER_SECONDS}
        plays.append(_play(path, "jitter", known["jitter"], words, {}))
    probe = Stimulus(quantise(path.probe(), bits, 1), rate, bits)
    return (*plays, Play("probe", probe, max_ramp_seconds=EDGE_SECONDS))


def _play(
    path: LoopPath, name: str, kind: CheckKind, stimulus: dict[str, Any], analysis: Mapping[str, Any]
) -> Play:
    """Return a check kind's play, lowered until the station may play it."""
    lowered = 0.0
    while True:
        parameters = kind.stimulus_parameters.model_validate(stimulus)
        made = made_stimulus(kind, parameters, len(path.channels), path.ramp_seconds)
        over = _peak_dbfs(made) - path.highest_dbfs
        if over <= 0.01 or name == "quiet":
            break
        lowered += over + 0.01
        if lowered > MAX_LOWERED_DB:
            raise UsageError(
                f"the station may play at {path.highest_dbfs:g} dBFS at most (protection.highest_level_dbfs): "
                "that is too low for a self-check"
            )
        levels = [key for key in ("level_dbfs", "lowest_dbfs") if key in stimulus]
        stimulus = stimulus | {key: stimulus[key] - over - 0.01 for key in levels}
    check = Check(
        name=name,
        kind=kind,
        stimulus=parameters,
        analysis=kind.analysis_parameters.model_validate(analysis),
        setup={},
        masks={},
        reference="tone" if name == "quiet" else None,
    )
    return Play(name, made, check, kind.max_ramp_seconds(parameters))


def _peak_dbfs(stimulus: Stimulus) -> float:
    peak = float(np.max(np.abs(stimulus.samples.astype(np.float64)))) * 2.0**-31
    return 20.0 * math.log10(peak) if peak > 0.0 else -math.inf


def first_words_frames(path: LoopPath) -> int:
    """Return how many frames of random words a digital loop's stimulus begins with."""
    return round(WORDS_SECONDS[0] * path.rate_hz)


def _digital_play(path: LoopPath) -> Play:
    """Return words, the probe, and words again, so that every frame between the first and the last has its place."""
    rate, bits, channels = path.rate_hz, path.loop.bits, len(path.channels)
    peak = min(1.0, 10.0 ** (path.highest_dbfs / 20.0))
    first, last = (
        random_words(round(seconds * rate), channels, bits, WORDS_SEED + index, peak)
        for index, seconds in enumerate(WORDS_SECONDS)
    )
    probe = quantise(path.probe(), bits, 1, dither=False)
    pause = np.zeros((round(PAUSE_SECONDS * rate), channels), dtype=np.int32)
    ramp = round(path.ramp_seconds * rate)
    parts = (_faded(first, bits, ramp), pause, probe, pause, _faded(last, bits, ramp))
    return Play("words", Stimulus(np.concatenate(parts), rate, bits), max_ramp_seconds=EDGE_SECONDS)


def _faded(words: NDArray[np.int32], bits: int, ramp: int) -> NDArray[np.int32]:
    """Return words that fade in and out, so that nothing clicks; each is a whole number of steps."""
    steps = np.trunc((words.astype(np.int64) >> (32 - bits)) * ramps(len(words), ramp)[:, None])
    return np.asarray((steps.astype(np.int64) << (32 - bits)).astype(np.int32))
