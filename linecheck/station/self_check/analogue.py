"""The steps of an analogue loop, from what was measured of each play."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from linecheck.checks.base import OVERLOAD, Measurement, Problem, Reading
from linecheck.station.self_check.plays import LoopPath
from linecheck.station.self_check.probe import ProbeReading
from linecheck.station.self_check.processing import processing_steps, steps_not_done
from linecheck.station.self_check.result import MET, NOT_DONE, NOT_MET, Measured, Step, step

#: Problems of what came back that are no fault of the stream.
SIGNAL_CODES = frozenset(
    {
        "stimulus_not_found",
        "wrong_rate",
        "capture_rate_low",
        "wrong_channel",
        "capture_too_coarse",
        "measurement_failed",
    }
)
#: A channel so far below the loudest one is dead.
DEAD_DB = 40.0
#: Where the response has to reach, unless the config says so.
EDGE_SHARE, EDGE_HZ = 0.45, 40_000.0
SHARED_PPM, OWN_PPM = 0.02, 100.0
CABLES = "Look at the loop's cables, and at playback.channels and capture.channels of the station config."
STREAM_CURE = (
    "Close other programs, raise latency_seconds, use a port of the computer's own, then check again."
)
STREAM_CURES = {
    OVERLOAD: "Lower the level that reaches the input: its gain, or that of the output.",
    "clipping": "Lower the level that reaches the input: its gain, or that of the output.",
    "silence": "Look at the cables, and at whether this program is allowed to record.",
    "wrong_channels": CABLES,
    "too_short": f"Where a step below names processing, switch that off. If none does: {STREAM_CURE}",
}
LEVEL_CURE = (
    "Set the device's level controls as they were when loop.gain_db was measured, or enter the right "
    "gain in the config."
)


@dataclass(frozen=True)
class _Loop:
    """What was measured, by play, and of which path."""

    path: LoopPath
    taken: Mapping[str, Measurement]

    @cached_property
    def dead(self) -> tuple[str, ...]:
        """Channels on which nothing comes back."""
        levels = {name: self._found("tone", "level_dbfs", name) for name in self.path.channels}
        values = {name: entry.value for name, entry in levels.items() if entry is not None}
        loudest = max((value for value in values.values() if value is not None), default=-300.0)
        lost = {entry.channel for _, entry in self.problems("stimulus_not_found")}
        if None in lost and loudest <= -300.0:
            return self.path.channels
        low = {name for name, value in values.items() if value is not None and value < loudest - DEAD_DB}
        return tuple(name for name in self.path.channels if name in lost | low)

    @cached_property
    def why(self) -> str:
        """Why what is missing could not be measured."""
        if self.dead:
            return f"nothing comes back on {_listed(self.dead, self.path.channels)}"
        if self.problems("wrong_rate"):
            return "what comes back is at another rate"
        if self.problems("capture_rate_low"):
            return "the capture's rate is too low for it"
        if self.problems("wrong_channel"):
            return "the channels are not where the config says"
        if any(entry.blocks and entry.code not in SIGNAL_CODES for _, entry in self.problems()):
            return "its capture is not whole"
        return "it could not be measured" if "probe" in self.taken else "it was not captured"

    def reading(self, play: str, metric: str, channel: str | None) -> Reading | None:
        return None if channel in self.dead else self._found(play, metric, channel)

    def step(self, name: str, measured: list[Measured], good: str, bad: str, cure: str) -> Step:
        return step(name, measured, good, bad, cure=cure, why_missing=self.why)

    def _found(self, play: str, metric: str, channel: str | None) -> Reading | None:
        readings = self.taken[play].readings if play in self.taken else ()
        return next((entry for entry in readings if (entry.metric, entry.channel) == (metric, channel)), None)

    def measured(
        self,
        what: str,
        play: str,
        metric: str,
        channel: str | None,
        *,
        low: float | None = None,
        high: float | None = None,
        offset: float | None = 0.0,
        sign: float = 1.0,
    ) -> Measured:
        """Return a reading with its limits, ``offset`` added to it; without either there is no value."""
        reading = self.reading(play, metric, channel)
        if reading is None or reading.value is None or offset is None:
            return Measured(what, channel, None, "" if reading is None else reading.unit, low, high)
        value = sign * reading.value + offset
        return Measured(what, channel, value, reading.unit, low, high, reading.uncertainty, reading.is_bound)

    def each(
        self, what: str, play: str, metric: str, *, low: float | None = None, high: float | None = None
    ) -> list[Measured]:
        return [self.measured(what, play, metric, name, low=low, high=high) for name in self.path.channels]

    def problems(self, code: str | None = None) -> list[tuple[str, Problem]]:
        """Return the problems of all plays, or those of one code."""
        found = [(play, problem) for play, taken in self.taken.items() for problem in taken.problems]
        return [entry for entry in found if code in (None, entry[1].code)]

    def level(self, channel: str) -> float | None:
        reading = self.reading("tone", "level_dbfs", channel)
        return None if reading is None else reading.value


def analogue_steps(
    path: LoopPath, taken: Mapping[str, Measurement], probe: ProbeReading | None, tone_dbfs: float
) -> tuple[Step, ...]:
    """Return the steps of an analogue loop but for identity, in order.

    Parameters
    ----------
    path : LoopPath
    taken : mapping of str to Measurement
        By play.
    probe : ProbeReading or None
    tone_dbfs : float
        Level that the tone was played at.
    """
    loop = _Loop(path, taken)
    broken = any(entry.blocks for play, entry in loop.problems() if play == "probe")
    lost = "its capture is not whole" if broken else "the probe did not come back as it was played"
    hidden = (
        steps_not_done(lost, len(path.channels)) if probe is None or broken else processing_steps(probe, path)
    )
    # What explains others comes before them: the first that is not met says what to do.
    steps = [stream_step(loop.problems()), _closed(loop), _clock(loop), *_wiring(loop)]
    steps += [*hidden[:-1], _gain(loop, tone_dbfs)]
    if len(path.channels) > 1:
        steps.append(_crosstalk(loop))
    jitter = [_jitter(loop)] if path.hears_jitter else []
    return (*steps, *_floor(loop), *_response(loop), _distortion(loop), *jitter, hidden[-1])


def stream_step(problems: list[tuple[str, Problem]]) -> Step:
    """Return whether every capture is whole, from what was found wrong with them."""
    found = [
        (play, problem) for play, problem in problems if problem.blocks and problem.code not in SIGNAL_CODES
    ]
    if not found:
        text = "every capture is whole: nothing lost, repeated, clipped or reported by the driver"
        return Step("stream", MET, text)
    play, first = found[0]
    channel = f"{first.channel}: " if first.channel else ""
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    cure = STREAM_CURES.get(first.code, STREAM_CURE)
    return Step("stream", NOT_MET, f"{play}: {channel}{_plain(first.message)}{more}", cure=cure)


def _plain(message: str) -> str:
    """Return a problem's words without those that speak of a unit: there is none in a loop."""
    for words in (
        " May be the unit's own fault.",
        " With the interface alive, it may be the unit's own fault.",
        " May be the unit's own fault",
        " or the unit stopped",
        ", or the unit's output",
    ):
        message = message.replace(words, "")
    return message.replace("the limit file", "the config").strip()


def _closed(loop: _Loop) -> Step:
    """Return whether what is played comes back at all, on every channel."""
    if loop.dead:
        which = _listed(loop.dead, loop.path.channels)
        return Step("loop", NOT_MET, f"nothing played comes back on {which}", cure=CABLES)
    if any(loop.level(name) is None for name in loop.path.channels):
        return Step("loop", NOT_DONE, loop.why, cure=STREAM_CURE)
    return Step("loop", MET, "what is played comes back on every channel")


def _listed(names: tuple[str, ...], every: tuple[str, ...]) -> str:
    return "any channel" if len(names) == len(every) else ", ".join(names)


def _wiring(loop: _Loop) -> list[Step]:
    several, within = len(loop.path.channels) > 1, loop.path.loop.limits.delay_within_frames
    steps = []
    if several:
        order = [loop.measured("order", "wiring", "order", None, low=1.0)]
        mistaken = [f"{entry.channel} {entry.message}" for _, entry in loop.problems("wrong_channel")]
        bad = mistaken[0] if mistaken else "the channels are not where the config says"
        steps.append(loop.step("order", order, "each channel carries its own signal", bad, CABLES))
    polarity = loop.each("polarity", "wiring", "polarity", low=1.0, high=1.0)
    turned = ", ".join(entry.channel or "" for entry in polarity if entry.value == -1.0)
    steps.append(loop.step("polarity", polarity, "no channel is inverted", f"inverted: {turned}", CABLES))
    if several:
        delay = loop.measured("delay", "wiring", "channel_delay", None, low=-within, high=within)
        steps.append(
            loop.step(
                "delay",
                [delay],
                f"the channels arrive together within {within:g} frames",
                f"the channels are {abs(delay.value or 0.0):.2f} frames of the capture apart",
                "Remove whatever delays one channel: a driver's correction, a processor in one cable.",
            )
        )
    return steps


def _gain(loop: _Loop, tone_dbfs: float) -> Step:
    wanted, within = loop.path.loop.gain_db, loop.path.loop.limits.gain_within_db
    measured = []
    for index, name in enumerate(loop.path.channels):
        gain = wanted[index % len(wanted)]
        limits = {"low": gain - within, "high": gain + within}
        entry = loop.measured("gain", "tone", "level_dbfs", name, offset=-tone_dbfs, **limits)
        measured.append(replace(entry, unit="dB"))
    off = ", ".join(
        f"{entry.channel} {entry.value:+.2f} dB"
        for entry in measured
        if entry.verdict == NOT_MET and entry.value
    )
    good = f"each channel's gain is within {within:g} dB of loop.gain_db"
    return loop.step("gain", measured, good, f"the gain is not what loop.gain_db says: {off}", LEVEL_CURE)


def _crosstalk(loop: _Loop) -> Step:
    least = loop.path.loop.limits.crosstalk_db
    measured = loop.each("attenuation of the others", "crosstalk", "separation", low=least)
    lowest = min((entry.value for entry in measured if entry.value is not None), default=0.0)
    return loop.step(
        "crosstalk",
        measured,
        f"every channel is at least {least:g} dB down in the others",
        f"one channel is only {lowest:.1f} dB down in another",
        CABLES,
    )


def _floor(loop: _Loop) -> list[Step]:
    cure = "Look for a loose shield, a nearby supply, or an open input; lower the gain of an amplifier."
    limits, levels = loop.path.loop.limits, {name: loop.level(name) for name in loop.path.channels}
    steps = []
    for name, words, metric, sign, high in (
        ("noise", "noise in silence", "snr", -1.0, limits.noise_dbfs),
        ("hum", "hum", "hum", 1.0, limits.hum_dbfs),
    ):
        measured = [
            loop.measured(name, "quiet", metric, channel, high=high, offset=level, sign=sign)
            for channel, level in levels.items()
        ]
        good, bad = f"{words} is below {high:g} dBFS", f"{words} reaches {_highest(measured):.1f} dBFS"
        steps.append(loop.step(name, measured, good, bad, cure))
    return steps


def _highest(measured: list[Measured]) -> float:
    return max((entry.value for entry in measured if entry.value is not None), default=math.nan)


def _distortion(loop: _Loop) -> Step:
    limit = loop.path.loop.limits.thd_n_db
    measured = loop.each("THD+N", "tone", "thd_n", high=limit)
    return loop.step(
        "distortion",
        measured,
        f"distortion and noise are below {limit:g} dB re a tone near full scale",
        f"distortion and noise reach {_highest(measured):.1f} dB re a tone near full scale",
        "Lower the level that overdrives a converter; switch off every enhancement of the device.",
    )


def _jitter(loop: _Loop) -> Step:
    limit = loop.path.loop.limits.jitter_ps
    measured = loop.each("jitter", "jitter", "paired_jitter", high=limit)
    return loop.step(
        "jitter",
        measured,
        f"the clocks' jitter, where it differs between both ends, is below {limit:g} ps",
        f"the tone is jittered by {_highest(measured):.0f} ps",
        "Run both converters off one clock, without a long cable between them; look for what hums or switches "
        "near it.",
    )


def _response(loop: _Loop) -> list[Step]:
    limits, rate = loop.path.loop.limits, loop.path.lower_rate_hz
    flat = loop.each("ripple", "to_edge", "ripple", high=limits.flatness_db)
    share = limits.edge_share or min(EDGE_SHARE, EDGE_HZ / rate)
    edge = loop.each("-3 dB", "to_edge", "edge", low=share)
    images = loop.each("residue", "to_edge", "images", high=limits.images_db)
    lowest = min((entry.value for entry in edge if entry.value is not None), default=math.nan)
    places = [loop.reading("to_edge", "images_at", name) for name in loop.path.channels]
    place = next((entry.value for entry in places if entry is not None and entry.value is not None), 0.0)
    cure = "Run the device at the rate that is played: no sound server, no mixer, no sharing between them."
    return [
        loop.step(
            "edge",
            edge,
            f"the response reaches {share:.3g} of the rate ({share * rate:.0f} Hz)",
            f"the response ends at {lowest:.3f} of the rate ({lowest * rate:.0f} Hz): a rate converter, or a filter",
            cure,
        ),
        loop.step(
            "images",
            images,
            f"nothing above {limits.images_db:g} dB comes back between many tones",
            f"what comes back between many tones reaches {_highest(images):.1f} dB at {place:.0f} Hz: images of a rate "
            "converter, or distortion",
            cure,
        ),
        loop.step(
            "flatness",
            flat,
            f"the response is flat within {limits.flatness_db:g} dB",
            f"the response moves by {_highest(flat):.2f} dB in the band",
            "Switch off tone controls, equalisers and loudness of the sound device.",
        ),
    ]


def _clock(loop: _Loop) -> Step:
    path = loop.path
    limit = path.loop.limits.clock_ppm or (SHARED_PPM if path.shares_clock else OWN_PPM)
    wrong = loop.problems("wrong_rate")
    cure = "Set both devices to one rate and one clock; if each has its own clock, set shares_clock = false."
    if wrong:
        return Step("clock", NOT_MET, _plain(wrong[0][1].message), cure=cure)
    measured = loop.each("clock", "tone", "clock_error", low=-limit, high=limit)
    worst = max((entry.value or 0.0 for entry in measured), key=abs)
    shared = "one clock" if path.shares_clock else "two clocks"
    return loop.step(
        "clock",
        measured,
        f"{shared}: the ratio is 1 within {limit:g} ppm",
        f"the clocks are {worst:+.3f} ppm apart, and may be {limit:g} ({shared})",
        cure,
    )
