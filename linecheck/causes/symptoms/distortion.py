"""Symptoms of distortion: which harmonics, at which levels, at which frequencies."""

from __future__ import annotations

import numpy as np

from linecheck.causes.evidence import Evidence, beyond, both
from linecheck.causes.spectrum import level_at, lines
from linecheck.causes.symptom import SPECIFIC, Symptom

#: Level of the faint tone re full scale.
FAINT_DBFS = -60.0


def _thd_out(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("tone", "thd", channel)
    return None if out is None else beyond(out.by, 0.0, max(0.2, out.uncertainty))


def _harmonic(evidence: Evidence, channel: str | None, order: int) -> float | None:
    return evidence.value("tone", f"harmonic_{order}", channel)


def _leads(
    evidence: Evidence, channel: str | None, orders: tuple[int, ...], others: tuple[int, ...]
) -> float | None:
    first = [level for order in orders if (level := _harmonic(evidence, channel, order)) is not None]
    second = [level for order in others if (level := _harmonic(evidence, channel, order)) is not None]
    if not first or not second:
        return None
    return both(_thd_out(evidence, channel), beyond(max(first) - max(second), 0.0, 1.5))


def _even(evidence: Evidence, channel: str | None) -> float | None:
    return _leads(evidence, channel, (2, 4, 6, 8), (3, 5, 7, 9))


def _odd(evidence: Evidence, channel: str | None) -> float | None:
    return _leads(evidence, channel, (3, 5, 7, 9), (2, 4, 6, 8))


def _high_orders(evidence: Evidence, channel: str | None) -> float | None:
    """Harmonics that hardly fall with their order: a corner in the transfer curve, and no bend."""
    low = [_harmonic(evidence, channel, order) for order in (2, 3)]
    high = [_harmonic(evidence, channel, order) for order in (5, 7, 9)]
    first = [level for level in low if level is not None]
    later = [level for level in high if level is not None]
    if not first or len(later) < 2:
        return None
    fall = max(first) - sorted(later)[-2]
    return both(_thd_out(evidence, channel), beyond(-fall, -28.0, 3.0))


def _sweep_out(evidence: Evidence, channel: str | None) -> float | None:
    outs = [
        evidence.out("distortion_sweep", name, channel) for name in ("worst_wideband", "worst_wide", "worst")
    ]
    known = [out for out in outs if out is not None]
    return None if not known else beyond(max(out.by for out in known), 0.0, 0.3)


def _climb_db(evidence: Evidence, channel: str | None) -> float | None:
    """Return by how much distortion and noise climb over the top two octaves, dB an octave."""
    for name in ("thd_n_wideband", "thd_n_wide", "thd_n"):
        curve = evidence.curve("distortion_sweep", name, channel)
        if curve is not None:
            break
    else:
        return None
    x, y = np.asarray(curve.x), np.asarray(curve.y)
    top = x >= 0.2 * x[-1]
    if int(top.sum()) < 3:
        return None
    return float(np.polyfit(np.log2(x[top]), y[top], 1)[0])


def _climbs(evidence: Evidence, channel: str | None) -> float | None:
    return both(_sweep_out(evidence, channel), beyond(_climb_db(evidence, channel), 5.0, 1.0))


def _imd(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("intermodulation", "imd", channel)
    return None if out is None else beyond(out.by, 0.0, max(0.3, out.uncertainty))


def _over_level(evidence: Evidence, channel: str | None) -> tuple[np.ndarray, np.ndarray] | None:
    curve = evidence.curve("intermodulation", "imd_over_level", channel)
    return None if curve is None or len(curve.x) < 5 else (np.asarray(curve.x), np.asarray(curve.y))


def _at_the_top(evidence: Evidence, channel: str | None) -> float | None:
    """Distortion that sets in at once near full scale: it falls by more than a bend of the third order can."""
    found = _over_level(evidence, channel)
    if found is None:
        return None
    level, imd = found
    drops = [float(imd[index + 1] - imd[index]) for index in range(len(level) - 1) if level[index] >= -21.0]
    return both(beyond(max(drops, default=0.0), 18.0, 2.5), beyond(float(imd[-1]), -80.0, 6.0))


def _at_low_level(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a tone at -60 dBFS has harmonics that stand out of noise and that silence does not have."""
    faint, still = (
        evidence.curve("low_level_tone", "spectrum", channel),
        evidence.curve("quiet", "spectrum", channel),
    )
    tone = evidence.value("tone", "frequency", channel)
    if faint is None or tone is None:
        return None
    best = -400.0
    for order in (2, 3, 5, 7, 9):
        level = level_at(faint, order * tone, 3.0)
        if level is None:
            continue
        beside = [level_at(faint, order * tone + shift, 6.0) for shift in (-60.0, -30.0, 30.0, 60.0)]
        silent = None if still is None else level_at(still, order * tone, 10.0)
        # The spectrum of silence is re the full-scale tone, this one re the faint one.
        known = [*beside, None if silent is None else silent - FAINT_DBFS]
        floor = max((one for one in known if one is not None), default=level)
        best = max(best, level - floor)
    return None if best < -300.0 else beyond(best, 9.0, 1.5)


def _gain(evidence: Evidence, channel: str | None) -> tuple[np.ndarray, np.ndarray] | None:
    curve = evidence.curve("linearity", "gain_error", channel)
    return None if curve is None or len(curve.x) < 5 else (np.asarray(curve.x), np.asarray(curve.y))


def _bends(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely gain depends on level over tens of dB, far above the noise."""
    found = _gain(evidence, channel)
    if found is None:
        return None
    level, error = found
    middle = (level >= -55.0) & (level <= -8.0)
    return beyond(float(np.ptp(error[middle])), 0.08, 0.02) if middle.any() else None


def _gives_way(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely gain is lower at full scale than 5 dB below."""
    found = _gain(evidence, channel)
    if found is None or found[0][-1] < -2.0:
        return None
    return beyond(-float(found[1][-1]), 0.05, 0.012)


def _low_off(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely gain is off at low levels, where it may well be right above."""
    found = _gain(evidence, channel)
    outs = [evidence.out("linearity", name, channel) for name in ("largest_error", "linear_down_to")]
    known = [out for out in outs if out is not None]
    if found is None or not known:
        return None
    level, error = found
    low = level <= -60.0
    largest = float(np.max(np.abs(error[low]))) if low.any() else 0.0
    return beyond(largest, 0.4, 0.1)


def _worse_when_faint(evidence: Evidence, channel: str | None) -> float | None:
    """Intermodulation that is relatively worse well below full scale, and is not noise."""
    found = _over_level(evidence, channel)
    if found is None:
        return None
    level, imd = found
    faint, middle, top = level <= -45.0, (level >= -45.0) & (level <= -15.0), level >= -5.0
    if not (faint.any() and middle.any() and top.any()):
        return None
    # Noise alone falls by a dB with every dB of level.
    noise = float(np.median((imd + level)[faint])) - level
    above = float(np.max((imd - noise)[middle]))
    return both(beyond(above, 6.0, 1.5), beyond(float(np.max(imd[middle]) - np.max(imd[top])), 0.0, 1.5))


def _many_lines(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely there is a forest of lines beside a tone."""
    curve = evidence.curve("tone", "spectrum", channel)
    return None if curve is None else beyond(float(len(lines(curve, 10.0, 300.0))), 22.0, 3.0)


def _between(evidence: Evidence, channel: str | None) -> float | None:
    """More between many tones than allowed."""
    out = evidence.out("multitone", "distortion_noise", channel)
    return None if out is None else beyond(out.by, 0.0, 0.2)


SYMPTOMS = (
    Symptom("even_harmonics", "even harmonics above what is allowed", _even, leak=SPECIFIC),
    Symptom("odd_harmonics", "odd harmonics above what is allowed", _odd, leak=SPECIFIC),
    Symptom("high_harmonics", "harmonics that hardly fall with their order", _high_orders),
    Symptom("many_lines", "a forest of lines beside a tone", _many_lines),
    Symptom("distortion_climbs", "distortion that climbs with frequency", _climbs),
    Symptom("sweep_out", "distortion over frequency above what is allowed", _sweep_out),
    Symptom("imd_out", "intermodulation above what is allowed", _imd),
    Symptom("between_tones_out", "more between many tones than allowed", _between),
    Symptom("distortion_at_top", "distortion that sets in at once near full scale", _at_the_top),
    Symptom("harmonics_at_low_level", "harmonics of a faint tone", _at_low_level),
    Symptom("imd_at_low_level", "intermodulation that is worse below full scale", _worse_when_faint),
    Symptom("gain_bends", "a gain that depends on level", _bends),
    Symptom("gain_gives_way", "less gain at full scale", _gives_way),
    Symptom("gain_off_at_low_level", "a gain that is off at low levels", _low_off),
)
