"""Symptoms of levels, order, polarity and time between channels."""

from __future__ import annotations

import math

from linecheck.causes.evidence import Evidence, beyond, both
from linecheck.causes.symptom import DECISIVE, RARE, SPECIFIC, Symptom

#: One of two legs alone: 20 log10(1/2).
HALF_DB = -20.0 * math.log10(2.0)
BIT_DB = 20.0 * math.log10(2.0)


def near(value: float | None, target: float, tolerance: float) -> float | None:
    """Return how surely a value lies within a tolerance of a target; None where there is none."""
    outside = beyond(None if value is None else abs(value - target), tolerance, 0.25 * tolerance)
    return None if outside is None else 1.0 - outside


def level_db(evidence: Evidence, channel: str | None) -> float | None:
    """Return how far the tone's level is off, dB."""
    return evidence.ratio_db("tone", "level", channel)


def others_db(evidence: Evidence, channel: str | None) -> float | None:
    """Return by how much a channel's tone is stronger than that of the others on average, dB."""
    own = evidence.value("tone", "level_dbfs", channel)
    others = [evidence.value("tone", "level_dbfs", other) for other in evidence.channels if other != channel]
    levels = [level for level in others if level is not None]
    return None if own is None or not levels else own - sum(levels) / len(levels)


def _half(evidence: Evidence, channel: str | None) -> float | None:
    return near(others_db(evidence, channel), HALF_DB, 0.4)


def _alone(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a channel is off by itself: further than the others, from which it differs too much."""
    apart, own = others_db(evidence, channel), level_db(evidence, channel)
    if apart is None:
        return None
    allowed = _allowed_balance(evidence)
    different = beyond(abs(apart), allowed, 0.2 * allowed)
    is_half = near(apart, HALF_DB, 0.4) or 0.0
    if own is None:
        return both(different, 1.0 - is_half)
    others = [level_db(evidence, other) for other in evidence.channels if other != channel]
    least = min((abs(other) for other in others if other is not None), default=0.0)
    return both(different, beyond(abs(own) - least, 0.0, 0.05), 1.0 - is_half)


def _allowed_balance(evidence: Evidence) -> float:
    for check, _ in evidence.items("tone", "balance", None):
        mask = evidence.run.mask(check.check, "balance")
        bounds = (mask.pass_.min, mask.pass_.max) if mask is not None else ()
        numbers = [abs(bound) for bound in bounds if isinstance(bound, float | int)]
        if numbers and not evidence.earlier:
            return max(numbers)
    return 0.1


def _together_db(evidence: Evidence) -> float | None:
    """Return how far all channels' levels are off alike, dB; None where one is not known."""
    levels = [level_db(evidence, channel) for channel in evidence.channels]
    known = [level for level in levels if level is not None]
    return sum(known) / len(known) if len(known) == len(levels) and known else None


def _off(evidence: Evidence, sign: float) -> float | None:
    off = _together_db(evidence)
    outs = [evidence.out("tone", "level", channel) for channel in evidence.channels]
    if off is None or any(out is None for out in outs):
        return None
    apart = max(abs(others_db(evidence, channel) or 0.0) for channel in evidence.channels)
    least = min(out.by for out in outs if out is not None)
    alike = 1.0 - (beyond(apart, 0.5, 0.15) or 0.0)
    return both(beyond(sign * off, 0.0, 0.02), beyond(least, 0.0, 0.005), alike)


def _low(evidence: Evidence, channel: str | None) -> float | None:
    return _off(evidence, -1.0)


def _high(evidence: Evidence, channel: str | None) -> float | None:
    return _off(evidence, 1.0)


def _off_either(evidence: Evidence, channel: str | None) -> float | None:
    low, high = _off(evidence, -1.0), _off(evidence, 1.0)
    return None if low is None or high is None else max(low, high)


def _by_bits(evidence: Evidence, channel: str | None) -> float | None:
    off = _together_db(evidence)
    if off is None:
        return None
    bits = round(off / BIT_DB)
    return 0.0 if bits == 0 else near(off, bits * BIT_DB, 0.15)


def _swapped(evidence: Evidence, channel: str | None) -> float | None:
    order = evidence.value("wiring", "order", None)
    return None if order is None else float(order < 0.5)


def _inverted(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("wiring", "polarity", channel)
    polarity = evidence.value("wiring", "polarity", channel)
    if polarity is None:
        return None
    return float(out.by > 0.5) if out is not None else float(polarity < 0.0)


def _delayed(evidence: Evidence, channel: str | None) -> float | None:
    delay, out = (
        evidence.value("wiring", "channel_delay", None),
        evidence.out("wiring", "channel_delay", None),
    )
    if out is not None:
        return beyond(out.by, 0.0, 0.05)
    return beyond(None if delay is None else abs(delay), 0.5, 0.05)


def _same(evidence: Evidence, channel: str | None) -> float | None:
    """All that one channel plays is in the other too, as loud."""
    separation = [evidence.value("crosstalk", "separation", one) for one in evidence.channels]
    known = [value for value in separation if value is not None]
    return None if not known else 1.0 - (beyond(max(known), 3.0, 1.0) or 0.0)


def _offset(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("tone", "dc_offset", channel)
    return None if out is None else beyond(out.by, 0.0, max(0.05, out.uncertainty))


SYMPTOMS = (
    Symptom("half_level", "half the level of the other channel", _half, leak=RARE),
    Symptom("level_alone", "a level off in one channel alone", _alone, leak=SPECIFIC),
    Symptom("levels_off", "all levels off alike", _off_either, of_pair=True),
    Symptom("levels_low", "all levels low alike", _low, of_pair=True),
    Symptom("levels_high", "all levels high alike", _high, of_pair=True),
    Symptom("levels_by_bits", "levels off by whole bits", _by_bits, of_pair=True),
    Symptom(
        "swapped", "what one channel plays comes out of the other", _swapped, of_pair=True, leak=DECISIVE
    ),
    Symptom("inverted", "polarity inverted", _inverted, leak=DECISIVE),
    Symptom("delayed", "one channel later than the other", _delayed, of_pair=True, leak=RARE),
    Symptom("channels_alike", "both channels play both", _same, of_pair=True, leak=DECISIVE),
    Symptom("offset", "direct voltage at the output", _offset),
)
