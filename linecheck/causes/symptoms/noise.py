"""Symptoms of noise: how strong, of what colour, with or without a signal."""

from __future__ import annotations

import itertools
import math

import numpy as np

from linecheck.causes.evidence import Evidence, Out, beyond, both
from linecheck.causes.spectrum import floor_db, floor_power, lines
from linecheck.causes.symptom import RARE, SPECIFIC, Symptom


def _noise_out(evidence: Evidence, channel: str | None) -> Out | None:
    """Return by how much the noise of silence is above what is allowed, dB; None where nothing says."""
    volts = evidence.out("quiet", "noise_a", channel) or evidence.out("quiet", "noise", channel)
    value = evidence.value("quiet", "noise_a", channel) or evidence.value("quiet", "noise", channel)
    if volts is not None and evidence.earlier:
        return volts
    if volts is not None and value and value > volts.by:
        return Out(20.0 * math.log10(value / (value - volts.by)), 8.7 * volts.uncertainty / value)
    ratios = [evidence.out("quiet", metric, channel) for metric in ("snr_a", "snr")]
    known = next((out for out in ratios if out is not None), None)
    # Without a check of silence, the noise under a tone is all that is known of it.
    return (
        known
        if known is not None or any(evidence.checks("quiet"))
        else evidence.out("tone", "noise", channel)
    )


def _ratio_out(evidence: Evidence, channel: str | None) -> Out | None:
    """Return by how much noise re full scale is above what is allowed, the worst of several readings."""
    names = (
        ("quiet", "snr_a"),
        ("quiet", "snr"),
        ("low_level_tone", "dynamic_range_a_weighted"),
        ("low_level_tone", "dynamic_range_unweighted"),
        ("low_level_tone", "dynamic_range_a"),
        ("low_level_tone", "dynamic_range"),
    )
    outs = [out for kind, metric in names if (out := evidence.out(kind, metric, channel)) is not None]
    return max(outs, key=lambda out: out.by, default=None)


def _floor_share(evidence: Evidence, channel: str | None) -> float | None:
    """Return which share of the power of silence is its floor, and not lines or hum."""
    curve = evidence.curve("quiet", "spectrum", channel)
    if curve is None and not any(evidence.checks("quiet")):
        return _share_under_tone(evidence, channel)
    if curve is None:
        return None
    power = floor_power(curve)
    of_lines = sum(10.0 ** (line.level_db / 10.0) for line in lines(curve, 8.0, 20.0, 20_000.0))
    return power / (power + of_lines) if power > 0.0 else None


def _share_under_tone(evidence: Evidence, channel: str | None) -> float | None:
    """Return which share of the noise under a tone is no hum."""
    noise, hum = (evidence.value("tone", metric, channel) for metric in ("noise", "hum"))
    return None if noise is None or hum is None else max(1.0 - 10.0 ** ((hum - noise) / 10.0), 1e-9)


def _up(evidence: Evidence, channel: str | None) -> float | None:
    out = _floor_out(evidence, channel)
    return None if out is None else beyond(out.by, 0.0, max(0.15, out.uncertainty))


def _floor_out(evidence: Evidence, channel: str | None) -> Out | None:
    """Return by how much the floor alone, without lines and hum, is above what is allowed, dB."""
    out, share = _noise_out(evidence, channel), _floor_share(evidence, channel)
    if out is None or share is None or evidence.earlier:
        return out
    return Out(out.by + 10.0 * math.log10(max(share, 1e-9)), out.uncertainty)


def _ratios(evidence: Evidence, channel: str | None) -> float | None:
    out = _ratio_out(evidence, channel)
    return None if out is None else beyond(out.by, 0.0, max(0.1, out.uncertainty))


def _flicker(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely the floor climbs toward low frequencies; hum's own lines do not move a median."""
    curve = evidence.curve("quiet", "spectrum", channel)
    if curve is None:
        return None
    low, high = floor_db(curve, 22.0, 90.0), floor_db(curve, 3000.0, 15_000.0)
    return None if low is None or high is None else beyond(low - high, 7.0, 1.5)


def _with_signal(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely the floor under a full-scale tone stands above that of silence, both re the tone."""
    loud, still = evidence.curve("tone", "spectrum", channel), evidence.curve("quiet", "spectrum", channel)
    if loud is None or still is None:
        return None
    rises = [
        high - low
        for band in ((200.0, 800.0), (4000.0, 8000.0), (9000.0, 18_000.0))
        if (high := floor_db(loud, *band)) is not None and (low := floor_db(still, *band)) is not None
    ]
    return beyond(min(rises), 2.5, 0.6) if rises else None


def _with_frequency(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely the floor is higher under a treble tone: jitter makes noise in proportion to frequency."""
    low, high = evidence.curve("tone", "spectrum", channel), evidence.curve("treble", "spectrum", channel)
    if low is None or high is None:
        return None
    rises = [
        above - below
        for band in ((2000.0, 6000.0), (7000.0, 12_000.0))
        if (above := floor_db(high, *band)) is not None and (below := floor_db(low, *band)) is not None
    ]
    return beyond(min(rises), 3.5, 0.7) if rises else None


def _low_level(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a tone at -60 dBFS has more beside it than silence has."""
    dynamic = evidence.value("low_level_tone", "dynamic_range_unweighted", channel)
    silent = evidence.value("quiet", "snr", channel)
    return None if dynamic is None or silent is None else beyond(silent - dynamic, 2.0, 0.5)


def _sixteen(evidence: Evidence, channel: str | None) -> float | None:
    """Dynamic range as words of 16 bits have it: 98.1 dB by rounding alone, 93.3 dB with triangular dither."""
    dynamic = evidence.value("low_level_tone", "dynamic_range_unweighted", channel)
    if dynamic is None:
        dynamic = evidence.value("quiet", "snr", channel)
    return _within(dynamic, 92.3, 100.2, 0.4)


def _sixteen_in_silence(evidence: Evidence, channel: str | None) -> float | None:
    """Silence that is as loud as the dither of 16 bits: 93.3 dB, one-sided by what else there is."""
    silent = evidence.value("quiet", "snr", channel)
    return _within(silent, 92.3, 94.1, 0.25)


def _within(value: float | None, low: float, high: float, width: float) -> float | None:
    """Return how surely a value lies between two others."""
    outside = beyond(None if value is None else abs(value - 0.5 * (low + high)), 0.5 * (high - low), width)
    return None if outside is None else 1.0 - outside


def _rising(evidence: Evidence, channel: str | None) -> float | None:
    """Noise that climbs above 20 kHz, by bands of a third of an octave."""
    curve = evidence.curve("ultrasonic", "band_levels", channel)
    if curve is None:
        return None
    above = curve.y[curve.x > 26_000.0]
    if len(above) < 3:
        return None
    # Noise that is white rises 1 dB a band, since the bands grow.
    steps = above[1:] - above[:-1]
    # A line lifts one band; noise climbs over several.
    climb = float(above[-1] - above[0]) - len(steps) - float(steps.max())
    steady = float((above[1:] > above[:-1]).mean())
    return both(beyond(climb, 6.0, 1.5), beyond(steady, 0.7, 0.1))


def _ultrasonic(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("ultrasonic", "noise_20k_100k", channel)
    return None if out is None else beyond(out.by, 0.0, 0.3)


def _hump(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely the floor of silence is higher in a band than on both sides of it: no colour of noise is."""
    curve = evidence.curve("quiet", "spectrum", channel)
    if curve is None:
        return None
    edges = itertools.pairwise(np.geomspace(200.0, 18_000.0, 14))
    floors = [level for low, high in edges if (level := floor_db(curve, low, high)) is not None]
    if len(floors) < 5:
        return None
    # Two bands away: the flanks of a hump fill its neighbours.
    rises = [floors[i] - max(floors[i - 2], floors[i + 2]) for i in range(2, len(floors) - 2)]
    return beyond(max(rises), 4.0, 0.8)


def _in_bursts(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely noise that is up has higher peaks than noise that goes on evenly can have."""
    noise, peak = (evidence.value("quiet", metric, channel) for metric in ("noise", "peak_outside"))
    bands = evidence.curve("ultrasonic", "band_levels", channel)
    if not noise or peak is None or bands is None:
        return None
    # The highest of a million normal values is 4.8 deviations. The peak is of the capture's whole band.
    even = 4.8e-6 * noise * math.sqrt(1.2 * float(bands.x[-1]) / 20_000.0)
    return both(
        _up(evidence, channel), beyond(peak / even, 1.4, 0.1), 1.0 - (_rising(evidence, channel) or 0.0)
    )


def _uncommon_floor(evidence: Evidence, channel: str | None) -> float | None:
    out = None if evidence.earlier else _floor_out(evidence, channel)
    return None if out is None else beyond(out.by, 12.0, 2.0)


SYMPTOMS = (
    Symptom("noise_up", "more noise in silence than allowed", _up, leak=SPECIFIC),
    Symptom("noise_far_up", "noise 12 dB or more above what is allowed", _uncommon_floor),
    Symptom("ratios_low", "dynamic range and signal-to-noise ratio below what is allowed", _ratios),
    Symptom("noise_flicker", "noise that climbs toward low frequencies", _flicker, leak=SPECIFIC),
    Symptom("noise_hump", "noise that is stronger in one band", _hump, leak=RARE),
    Symptom("noise_in_bursts", "noise with peaks that even noise does not have", _in_bursts, leak=RARE),
    Symptom("noise_with_signal", "more noise under a loud tone than in silence", _with_signal),
    Symptom("noise_with_frequency", "more noise under a treble tone than under a lower one", _with_frequency),
    Symptom("noise_at_low_level", "more beside a faint tone than in silence", _low_level),
    Symptom("range_of_16_bits", "the dynamic range of words of 16 bits", _sixteen),
    Symptom("silence_of_16_bits", "silence as loud as the dither of 16 bits", _sixteen_in_silence),
    Symptom("noise_rises_above_20k", "noise that climbs above 20 kHz", _rising, leak=SPECIFIC),
    Symptom("ultrasonic_up", "more above 20 kHz than allowed", _ultrasonic),
)
