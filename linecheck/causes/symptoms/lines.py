"""Symptoms of lines: hum, supplies, frames, oscillation, and what rates leave when they are converted."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from linecheck.causes.evidence import Evidence, beyond, both
from linecheck.causes.spectrum import Line, level_at, lines
from linecheck.causes.symptom import SPECIFIC, Symptom
from linecheck.checks.parts.origins import RATES_HZ, frames_at, mains_at, rates_at
from linecheck.dsp.arrays import FloatArray

__all__ = ["MAINS_HZ", "OFFSET_HZ", "SYMPTOMS", "is_hum"]

MAINS_HZ = (50.0, 60.0)
HUM_ORDERS = 8
#: Two clocks are this far apart at most; a spectrum's lines are known to the one, a fitted offset to the other, Hz.
CLOCKS, GRID_HZ, OFFSET_HZ = 150e-6, 3.0, 0.5


def hum_levels(evidence: Evidence, channel: str | None, kind: str = "quiet") -> dict[float, list[float]]:
    """Return the levels of the multiples of each mains frequency in a spectrum, dB, from the first on."""
    curve = evidence.curve(kind, "spectrum", channel)
    if curve is None:
        return {}
    found = {}
    for mains in MAINS_HZ:
        levels = [level_at(curve, order * mains, 3.0) for order in range(1, HUM_ORDERS + 1)]
        found[mains] = [-400.0 if level is None else level for level in levels]
    return found


def _power(levels: list[float]) -> float:
    return sum((10.0 ** (level / 10.0) for level in levels), 0.0)


def odd_share(evidence: Evidence, channel: str | None) -> float | None:
    """Return the share of the hum's power at odd multiples of the mains that it has; None without a spectrum."""
    levels = hum_levels(evidence, channel) or hum_levels(evidence, channel, "tone")
    if not levels:
        return None
    mains = max(levels, key=lambda one: _power(levels[one]))
    odd, even = _power(levels[mains][0::2]), _power(levels[mains][1::2])
    return odd / (odd + even)


def _hum_out(evidence: Evidence, channel: str | None) -> float | None:
    outs = [evidence.out(kind, "hum", channel) for kind in ("quiet", "tone")]
    known = [out for out in outs if out is not None]
    if not known:
        return None
    worst = max(known, key=lambda out: out.by)
    # It is stated re the tone: where the tone is low, as much hum reads higher.
    low = max(-(evidence.ratio_db("tone", "level", channel) or 0.0), 0.0)
    return beyond(worst.by - low, 0.0, max(0.3, worst.uncertainty))


def _hum_odd(evidence: Evidence, channel: str | None) -> float | None:
    share = odd_share(evidence, channel)
    return both(_hum_out(evidence, channel), beyond(share, 0.5, 0.08))


def _hum_even(evidence: Evidence, channel: str | None) -> float | None:
    share = odd_share(evidence, channel)
    return both(_hum_out(evidence, channel), beyond(None if share is None else -share, -0.5, 0.08))


def _silent_lines(evidence: Evidence, channel: str | None) -> list[Line] | None:
    """Return the lines of silence that are no hum."""
    curve = evidence.curve("quiet", "spectrum", channel)
    if curve is None:
        return None
    return [line for line in lines(curve, 9.0) if not is_hum(line.frequency_hz)]


def is_hum(frequency_hz: float) -> bool:
    """Return whether a line is one of the first multiples of the mains."""
    return any(mains_at(frequency_hz, mains, GRID_HZ) for mains in MAINS_HZ)


def _frames(evidence: Evidence, channel: str | None) -> float | None:
    found = _silent_lines(evidence, channel)
    if found is None:
        return None
    strong = [line for line in found if line.level_db > -142.0]
    if not strong:
        return 0.0
    framed = sum(10.0 ** (line.level_db / 10.0) for line in strong if frames_at(line.frequency_hz, GRID_HZ))
    return beyond(framed / sum(10.0 ** (line.level_db / 10.0) for line in strong), 0.7, 0.1)


def _silent_other(evidence: Evidence, channel: str | None) -> float | None:
    """Lines of silence in the audio band that are neither hum nor frames."""
    found = _silent_lines(evidence, channel)
    if found is None:
        return None
    others = [line for line in found if not frames_at(line.frequency_hz, GRID_HZ) and line.level_db > -140.0]
    return beyond(max((line.level_db - line.floor_db for line in others), default=0.0), 12.0, 2.0)


def _band_peak(evidence: Evidence, channel: str | None) -> tuple[float, float] | None:
    """Return by how much the strongest band above 20 kHz stands out of those beside it, and its level, dB."""
    curve = evidence.curve("ultrasonic", "band_levels", channel)
    if curve is None:
        return None
    above = [(float(x), float(y)) for x, y in zip(curve.x, curve.y, strict=True) if x > 24_000.0]
    if len(above) < 3:
        return None
    index = max(range(len(above)), key=lambda place: above[place][1])
    beside = [above[place][1] for place in (index - 1, index + 1) if 0 <= place < len(above)]
    return above[index][1] - max(beside), above[index][1]


def _high_line(evidence: Evidence, channel: str | None) -> float | None:
    peak = _band_peak(evidence, channel)
    noted = any(True for _ in evidence.problems("ultrasonic_line", channel=channel))
    if peak is None:
        return 1.0 if noted else None
    return max(beyond(peak[0], 5.0, 1.0) or 0.0, 0.97 if noted else 0.0)


def _high_line_strong(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a line above 20 kHz is as strong as a programme: a stage that oscillates."""
    peak, line = _band_peak(evidence, channel), _high_line(evidence, channel)
    return None if peak is None else both(line, beyond(peak[1], -38.0, 4.0))


def _ripple(evidence: Evidence, channel: str | None) -> float | None:
    """Side lines at multiples of the mains that are no jitter."""
    out, offset = _side(evidence, channel)
    if out is None or offset is None:
        return out
    paired = evidence.out("jitter", "paired_jitter", channel)
    jitter = 0.0 if paired is None else beyond(paired.by, 0.0, 0.3) or 0.0
    return both(out, float(is_hum(offset)), 1.0 - jitter)


def _side(evidence: Evidence, channel: str | None) -> tuple[float | None, float | None]:
    """Return how surely a side line is beyond what is allowed, and its offset."""
    out = evidence.out("jitter", "largest_sideband", channel)
    offset = evidence.value("jitter", "sideband_offset", channel)
    if out is None:
        return None, None
    return beyond(out.by, 0.0, max(0.3, out.uncertainty)), offset


def _between_tones(evidence: Evidence, channel: str | None) -> list[tuple[Line, float]] | None:
    """Return the lines beside the tone of each tone check that are no harmonics and no hum, each with the tone."""
    key = ("between tones", channel)
    if key not in evidence.kept:
        evidence.kept[key] = _found_between_tones(evidence, channel)
    found: list[tuple[Line, float]] | None = evidence.kept[key]
    return found


def _found_between_tones(evidence: Evidence, channel: str | None) -> list[tuple[Line, float]] | None:
    found: list[tuple[Line, float]] = []
    seen = False
    for kind in ("tone", "treble"):
        for check in evidence.checks(kind):
            curve = next(
                (
                    item.curve
                    for item in check.judged.curves
                    if item.curve.channel == channel and len(item.curve.x)
                ),
                None,
            )
            tone = evidence.value(kind, "frequency", channel)
            if curve is None or tone is None:
                continue
            seen = True
            for line in lines(curve, 10.0):
                order = max(round(line.frequency_hz / tone), 1)
                if abs(line.frequency_hz - order * tone) > GRID_HZ + 5.0 and not is_hum(line.frequency_hz):
                    found.append((line, tone))
    return found if seen else None


@lru_cache(maxsize=32)
def _images(tone_hz: float, rate_hz: float) -> FloatArray:
    """Return where a tone lands that was converted to another rate and back, Hz.

    Sampled at r, a tone f has images at k r ± f; sampled again at s they fold to |m s ± (k r ± f)|: sums and
    differences of whole multiples of both rates and the tone.
    """
    others = np.array([rate for rate in (*RATES_HZ, 384_000) if rate != rate_hz], dtype=np.float64)
    orders = np.arange(4.0)
    first, second, sign, turn, other = np.meshgrid(orders, orders, (1.0, -1.0), (1.0, -1.0), others)
    images = np.abs(first * rate_hz + sign * second * other + turn * tone_hz)
    is_image = (first + second > 0.0) & (images > 20.0) & (images < 0.5 * min(rate_hz, 48_000.0))
    return np.asarray(images[is_image])


def _converted(evidence: Evidence, channel: str | None) -> float | None:
    """Lines where images of two rates lie: the strongest of them, by power."""
    found, rate = _between_tones(evidence, channel), evidence.rate_hz("tone")
    if found is None or rate is None:
        return None
    # Images must be told from the chance of hitting one of them: some forty lie within 20 kHz.
    strongest = sorted(found, key=lambda entry: -entry[0].level_db)[:8]
    if not strongest or strongest[0][0].level_db < -135.0:
        side = _conversion_pair(evidence, channel)
        return 0.0 if side is None else side
    powers = hits = 0.0
    for line, tone in strongest:
        power = 10.0 ** (line.level_db / 10.0)
        powers += power
        reach = GRID_HZ + CLOCKS * line.frequency_hz
        if np.any(np.abs(_images(tone, rate) - line.frequency_hz) < reach):
            hits += power
    return max(beyond(hits / powers, 0.8, 0.08) or 0.0, _conversion_pair(evidence, channel) or 0.0)


def _conversion_pair(evidence: Evidence, channel: str | None) -> float | None:
    """Side lines of the jitter check at the difference of two rates."""
    out, offset = _side(evidence, channel)
    if out is None or offset is None:
        return out
    return both(out, float(rates_at(offset, OFFSET_HZ) is not None))


def _inharmonic(evidence: Evidence, channel: str | None) -> float | None:
    """Lines beside a tone that silence does not have, and that are no harmonics."""
    found = _between_tones(evidence, channel)
    if found is None:
        return None
    still = evidence.curve("quiet", "spectrum", channel)
    strength = -math.inf
    for line, _ in found:
        before = None if still is None else level_at(still, line.frequency_hz, 10.0)
        if before is None or line.level_db > before + 8.0:
            strength = max(strength, line.level_db)
    return beyond(max(strength, -300.0), -124.0, 4.0)


SYMPTOMS = (
    Symptom("hum_odd", "hum at odd multiples of the mains", _hum_odd, leak=SPECIFIC),
    Symptom("hum_even", "hum at even multiples of the mains", _hum_even, leak=SPECIFIC),
    Symptom("frame_lines", "lines at multiples of 1 kHz in silence", _frames, leak=SPECIFIC),
    Symptom("silent_lines", "lines in silence that are neither hum nor frames", _silent_other),
    Symptom("high_line", "a line above 20 kHz", _high_line),
    Symptom("high_line_strong", "a strong line above 20 kHz", _high_line_strong),
    Symptom(
        "mains_beside_tone", "side lines of a tone at multiples of the mains that are no jitter", _ripple
    ),
    Symptom(
        "conversion_lines", "lines at sums and differences of two sample rates", _converted, leak=SPECIFIC
    ),
    Symptom("lines_with_tone", "lines beside a tone that are no harmonics", _inharmonic),
)
