"""A margin explained: what a marginal or failed ratio is made of, whose powers add up to the reading."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from linecheck.causes.evidence import Evidence
from linecheck.causes.spectrum import floor_power, lines
from linecheck.causes.symptoms.lines import is_hum
from linecheck.checks.base import Curve
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.measure.path_part import PathPart, PathParts
from linecheck.run.causes import ExplainedMargin, MarginPart
from linecheck.run.model import CheckOutcome

#: What is taken apart: ratios of a wanted level to all that is left.
RATIOS = {
    "tone": ("sinad", "thd_n"),
    "low_level_tone": ("dynamic_range_unweighted", "dynamic_range"),
    "multitone": ("distortion_noise",),
}
#: A part below this share of the power is not worth a word.
MIN_SHARE = 0.02
MAX_EXPLAINED = 6
FIRST_LINES = 30


def explained_margins(evidence: Evidence, path: Mapping[str, PathParts]) -> tuple[ExplainedMargin, ...]:
    """Return what each marginal or failed ratio is made of, the worst first; ``path`` is what the station may add."""
    found = [
        margin
        for kind in RATIOS
        for check in evidence.checks(kind)
        for item in check.judged.readings
        if (margin := _explained(evidence, check, item, path.get(check.check, {}))) is not None
    ]
    return tuple(sorted(found, key=lambda margin: -margin.short_by)[:MAX_EXPLAINED])


def _explained(
    evidence: Evidence, check: CheckOutcome, item: JudgedReading, path: PathParts
) -> ExplainedMargin | None:
    reading = item.reading
    if item.verdict not in (Verdict.MARGINAL, Verdict.FAIL) or reading.value is None or item.margin is None:
        return None
    if reading.metric not in RATIOS[check.kind]:
        return None
    # The residue re the wanted level, whichever way round the metric states it.
    level = -abs(reading.value)
    total = 10.0 ** (level / 10.0)
    parts, left = [], total
    for name, metric, power in _parts(evidence, check, reading.channel):
        power = min(power, left)
        left -= power
        parts.append((name, metric, power))
    # Products of many tones are as dense as noise is: what is left of their residue is either.
    parts.append(
        ("noise and products", None, left) if check.kind == "multitone" else ("noise", "noise", left)
    )
    shown = sorted((part for part in parts if part[2] >= MIN_SHARE * total), key=lambda part: -part[2])
    return ExplainedMargin(
        check.check,
        reading.metric,
        reading.channel,
        round(-item.margin, 4),
        tuple(
            MarginPart(name, metric, round(10.0 * math.log10(power), 3), round(power / total, 4))
            for name, metric, power in shown
        ),
        station=_station_share(path.get((reading.metric, reading.channel), ()), total),
    )


def _station_share(parts: tuple[PathPart, ...], total: float) -> float | None:
    """Return which share of a residue the station's own path may be, at most; None where nothing is known of it."""
    powers = [
        10.0 ** (part.size / 10.0)
        for part in parts
        if part.way in ("power", "amplitude") and part.scale == "decibels"
    ]
    return round(min(sum(powers) / total, 1.0), 4) if powers else None


def _parts(
    evidence: Evidence, check: CheckOutcome, channel: str | None
) -> Iterator[tuple[str, str | None, float]]:
    """Yield what is known of a residue, each with the metric that reads it: power re the wanted level."""
    curve = next(
        (item.curve for item in check.judged.curves if item.curve.channel == channel and len(item.curve.x)),
        None,
    )
    own = _values(check, channel)
    if check.kind == "tone":
        for order in range(2, 10):
            level = own.get(f"harmonic_{order}")
            if level is not None:
                yield f"harmonic {order}", f"harmonic_{order}", 10.0 ** (level / 10.0)
    hum = own.get("hum") if check.kind == "tone" else evidence.value("quiet", "hum", channel)
    if hum is not None:
        # Re a full-scale tone as the others; tones that together are weaker have as much hum, which reads higher.
        yield "hum", "hum", 10.0 ** (hum / 10.0)
    if curve is None or check.kind == "multitone":
        return
    if check.kind == "tone" and (tone := own.get("frequency")) is not None:
        yield "other lines", "largest_spur", _line_powers(curve, tone, harmonics=True)
    elif (tone := evidence.value("tone", "frequency", channel)) is not None:
        products, floor = _line_powers(curve, tone, harmonics=False), floor_power(curve)
        ratio = next((value for name in RATIOS[check.kind] if (value := own.get(name)) is not None), None)
        if ratio is not None and products + floor > 0.0:
            # Levels of its spectrum are re the faint tone: their ratio is the same in any scale.
            yield "products", None, 10.0 ** (-abs(ratio) / 10.0) * products / (products + floor)


def _values(check: CheckOutcome, channel: str | None) -> dict[str, float]:
    """Return the readings of a channel by their metrics."""
    return {
        item.reading.metric: item.reading.value
        for item in check.judged.readings
        if item.reading.channel == channel and item.reading.value is not None
    }


def _line_powers(curve: Curve, tone_hz: float, *, harmonics: bool) -> float:
    """Return the power of the lines that are neither hum nor the tone, nor, where these count alone, its harmonics."""
    beside = 5.0 * (curve.resolution_hz or 5.0)  # the window spreads a line over some times the resolution
    powers = 0.0
    for line in lines(curve, 10.0, 20.0, 20_000.0)[:FIRST_LINES]:
        order = max(round(line.frequency_hz / tone_hz), 1)
        of_tone = abs(line.frequency_hz - (order if harmonics else 1) * tone_hz) <= beside
        if not is_hum(line.frequency_hz) and not of_tone:
            powers += 10.0 ** (line.level_db / 10.0)
    return powers
