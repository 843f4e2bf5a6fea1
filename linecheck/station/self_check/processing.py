"""Hidden processing that a probe shows: each step with its numbers, and the name of the processing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from linecheck.station.config.loop import LoopLimits
from linecheck.station.self_check.plays import LoopPath
from linecheck.station.self_check.probe import PROBE_HZ, Gain, ProbeReading
from linecheck.station.self_check.result import MET, NOT_DONE, Measured, Step, step

#: Beyond its limit a change counts from so many standard uncertainties on.
SURE = 4.0
#: The noise's level is taken over a band: it may be off by so much and by what the response may move, dB.
NOISE_WITHIN_DB = 0.2
#: A section's beginning may be off by so much: filters ring.
ONSET_WITHIN_DB = 0.05
#: The faint tone is read to this, or not at all, dB.
FAINT_LEAST_DB = 1.0
#: A tone that came back so much lower is gone.
GONE_DB = -15.0
#: A channel so far below the loudest one is dead.
DEAD_DB = 40.0
#: Noise that comes back so much too low beside a steady tone was suppressed.
SUPPRESSED_DB = -1.5
#: Phases may step by this share of a frame.
FRAME_SHARE = 0.35

PROBE_STEPS = (
    "frames", "gain over level", "gain over time", "gain with noise", "one side alone", "faint tone",
)  # fmt: skip
CURE = (
    "Switch off every enhancement of the sound device (gain control, suppression, loudness, spatial sound), "
    "or use a direct device."
)
LEVEL_CURE = f"{CURE} Where the input clips, lower what drives it."
LEAK_CURE = "Look at the loop's cables and their shields."
CUT_CURE = "Set the device's format to 24 bits or more on both sides, and take out what converts in between."


def steps_not_done(reason: str, channels: int) -> tuple[Step, ...]:
    """Return the probe's steps where it could not be read."""
    return tuple(
        Step(name, NOT_DONE, reason, cure=CURE)
        for name in PROBE_STEPS
        if channels > 1 or name != "one side alone"
    )


@dataclass(frozen=True)
class _Probe:
    """A reading with the names of its channels and the limits."""

    reading: ProbeReading
    channels: tuple[str, ...]
    limits: LoopLimits
    capture_rate_hz: int

    def gain(self, section: str, channel: int) -> Gain:
        return self.reading.gains[section, channel]

    def off(self, section: str, channel: int) -> tuple[float, float]:
        """Return how far a section's gain is from the middle level's, dB, and its uncertainty."""
        here, middle = self.gain(section, channel), self.gain("middle", channel)
        return here.gain_db - middle.gain_db, (here.uncertainty_db**2 + middle.uncertainty_db**2) ** 0.5

    def furthest(self, section: str) -> float:
        """Return how far a section's gain is off in the worst channel, dB."""
        return max((self.off(section, channel)[0] for channel in range(len(self.channels))), key=abs)

    def within(self, what: str, channel: int, value: float, allowed: float, spread: float) -> Measured:
        most = allowed + SURE * spread
        return Measured(what, self.channels[channel], value, "dB", -most, most, spread)

    def steady(self, what: str, section: str, channel: int) -> Measured:
        """Return a section's gain re the middle level's, with the limit of a gain that does not change."""
        value, spread = self.off(section, channel)
        return self.within(what, channel, value, self.limits.gain_steady_db, spread)

    @property
    def nature(self) -> str:
        """What the gain's change with level looks like; empty where it looks like nothing that is known."""
        quiet, loud, limit = self.furthest("quiet"), self.furthest("loud"), self.limits.gain_steady_db
        if quiet < -3.0:
            return "a gate"
        if quiet > limit and loud < -limit:
            return "an automatic gain control"
        return "a limiter, or clipping" if loud < -limit and abs(quiet) <= limit else ""


def processing_steps(reading: ProbeReading, path: LoopPath) -> tuple[Step, ...]:
    """Return the steps that a probe proves, in the order of :data:`PROBE_STEPS`."""
    channels = path.channels
    probe = _Probe(reading, channels, path.loop.limits, path.capture_rate_hz)
    levels = [probe.gain("middle", channel).gain_db for channel in range(len(channels))]
    dead = [name for name, level in zip(channels, levels, strict=True) if level < max(levels) - DEAD_DB]
    if dead:
        return steps_not_done(f"nothing comes back on {', '.join(dead)}", len(channels))
    frames = _frames(probe)
    if frames.verdict != MET:
        # A hole looks like any processing: nothing is named by what has one.
        missing = steps_not_done("frames are missing from its capture, or there twice", len(channels))
        return (frames, *missing[1:])
    one_side = (_one_side(probe),) if len(channels) > 1 else ()
    return (frames, _over_level(probe), _over_time(probe), _with_noise(probe), *one_side, _faint(probe))


def _frames(probe: _Probe) -> Step:
    """Return whether the tone's phase went on: a frame more or less turns it."""
    names = ("middle", "loud", "after_loud", "after_silence", "with_noise", "last")
    turn = PROBE_HZ / probe.capture_rate_hz
    measured = []
    for channel, name in enumerate(probe.channels):
        turns = [probe.gain(section, channel).turns for section in names]
        steps = [later - earlier for earlier, later in pairwise(turns)]
        worst = max((value - round(value) for value in steps), key=abs)
        what = "frames lost or doubled"
        measured.append(Measured(what, name, -worst / turn, "frames", -FRAME_SHARE, FRAME_SHARE))
    return step(
        "frames",
        measured,
        "no frame is missing or there twice during the probe",
        "frames were lost or doubled during the probe",
        cure="Close other programs, raise latency_seconds, and use a port of the computer's own.",
    )


def _over_level(probe: _Probe) -> Step:
    measured = [
        probe.steady(f"gain at {words} re -20 dBFS", section, channel)
        for channel in range(len(probe.channels))
        for section, words in (("quiet", "-60 dBFS"), ("loud", "-3 dBFS"))
    ]
    quiet, loud = probe.furthest("quiet"), probe.furthest("loud")
    levels = f"{quiet:+.3f} dB at -60 dBFS, {loud:+.3f} dB at -3 dBFS, re -20 dBFS"
    return step(
        "gain over level",
        measured,
        f"the gain is the same at -60, -20 and -3 dBFS within {probe.limits.gain_steady_db:g} dB",
        f"{probe.nature or 'the gain depends on the level'}: {levels}",
        cure=LEVEL_CURE,
    )


#: Sections that the gain over time is taken from, with their names in a sentence.
_TIMED: Mapping[str, str] = {
    "middle": "at -20 dBFS",
    "loud": "at -3 dBFS",
    "after_loud": "after a loud tone",
    "after_silence": "after silence",
    "last": "at the end",
}


def _over_time(probe: _Probe) -> Step:
    measured: list[Measured] = []
    limit = probe.limits.gain_steady_db
    for channel in range(len(probe.channels)):
        for section, words in _TIMED.items():
            here = probe.gain(section, channel)
            change, onset = (
                (here.change_db, limit, here.change_uncertainty_db),
                (here.onset_db, ONSET_WITHIN_DB),
            )
            measured.append(probe.within(f"change {words}", channel, *change))
            measured.append(probe.within(f"beginning {words}", channel, *onset, here.uncertainty_db))
            if section in ("after_loud", "after_silence", "last"):
                measured.append(probe.steady(f"gain {words}", section, channel))
    outside = [entry for entry in measured if entry.verdict != MET]
    if outside and all("after silence" in entry.what for entry in outside):
        seen = "a gate or a fade-in: after silence the tone does not come back at once"
    else:
        nature = probe.nature or "an automatic gain control, or a contact that moves"
        largest = max((abs(entry.value or 0.0) for entry in outside), default=0.0)
        seen = f"{nature}: the gain moves with time, by up to {largest:.2f} dB"
    return step("gain over time", measured, f"the gain does not move: within {limit:g} dB", seen, cure=CURE)


def _with_noise(probe: _Probe) -> Step:
    measured, noises = [], []
    allowed = NOISE_WITHIN_DB + probe.limits.flatness_db
    for channel in range(len(probe.channels)):
        noises.append(probe.reading.noise_gain_db[channel] - probe.gain("middle", channel).gain_db)
        measured.append(probe.within("gain of the noise re the tone", channel, noises[-1], allowed, 0.0))
        measured.append(probe.steady("gain with noise", "with_noise", channel))
    worst = max(noises, key=abs)
    if worst < SUPPRESSED_DB:
        seen = f"a noise suppressor: noise beside the tone comes back {-worst:.1f} dB too low"
    elif abs(worst) > allowed:
        seen = f"noise beside the tone comes back {worst:+.1f} dB off"
    else:
        seen = "the gain changes where noise sounds beside the tone"
    limit = probe.limits.gain_steady_db
    good = f"noise changes the tone's gain by less than {limit:g} dB, and comes back whole"
    return step("gain with noise", measured, good, seen, cure=CURE)


def _one_side(probe: _Probe) -> Step:
    channels, measured, leaks = range(len(probe.channels)), [], []
    for playing in channels:
        measured.append(probe.steady("gain alone", f"only_{playing + 1}", playing))
        isolated = [_isolation(probe, playing, other) for other in channels if other != playing]
        measured += isolated
        leaks += [entry for entry in isolated if entry.verdict != MET]
    least = min((entry.value or 0.0 for entry in leaks), default=0.0)
    if leaks and least < -20.0:
        seen = "each side comes back on the other"
    elif leaks and least < 20.0:
        along = f"the silent side plays along, {max(least, 0.0):.1f} dB below the other"
        seen = f"a spatialiser, or a mix of the sides: {along}"
    elif leaks:
        seen = f"the sides leak into each other: {least:.1f} dB"
    else:
        seen = "the gain of a side depends on the other: spatial processing"
    return step(
        "one side alone",
        measured,
        "each side alone has the same gain, and the other stays silent",
        seen,
        cure=LEAK_CURE if leaks and least >= 20.0 else CURE,
        why_missing="noise hides whether the silent side plays along",
    )


def _isolation(probe: _Probe, playing: int, other: int) -> Measured:
    """Return by how much a silent channel is below the one that plays; a bound where only noise is there."""
    own, leak = (probe.gain(f"only_{playing + 1}", channel) for channel in (playing, other))
    noise = leak.uncertainty_db / 8.686 * leak.amplitude
    is_bound = leak.amplitude < 4.0 * noise
    highest = leak.amplitude + (2.0 * noise if is_bound else 0.0)
    return Measured(
        f"isolation from {probe.channels[playing]}",
        probe.channels[other],
        20.0 * float(np.log10(max(own.amplitude, 1e-15) / max(highest, 1e-15))),
        "dB",
        low=probe.limits.crosstalk_db,
        uncertainty=min(leak.uncertainty_db, 20.0),
        is_bound=is_bound,
    )


def _faint(probe: _Probe) -> Step:
    measured, within = [], probe.limits.low_level_within_db
    for channel in range(len(probe.channels)):
        value, spread = probe.off("faint", channel)
        gone = value < GONE_DB
        entry = probe.within("gain at -110 dBFS re -20 dBFS", channel, value, within, 0.0 if gone else spread)
        hidden = not gone and spread > FAINT_LEAST_DB
        measured.append(replace(entry, value=None, uncertainty=None) if hidden else entry)
    worst = probe.furthest("faint")
    if worst < GONE_DB:
        seen = "the tone at -110 dBFS is gone: words are cut to 16 bits, or a gate closes"
    elif worst > within:
        words = "words are cut to 16 bits without dither (truncation)"
        seen = f"the tone at -110 dBFS comes {worst:+.1f} dB too loud: {words}"
    else:
        seen = f"the tone at -110 dBFS comes {worst:+.2f} dB off"
    return step(
        "faint tone",
        measured,
        "a tone at -110 dBFS, a tenth of a step of 16 bits, comes back at the right level",
        seen,
        cure=CUT_CURE,
        why_missing="noise hides a tone at -110 dBFS: whether words are cut cannot be told",
    )
