"""Symptoms of clocks: jitter by its frequency, a clock that is off."""

from __future__ import annotations

from linecheck.causes.evidence import Evidence, beyond, both
from linecheck.causes.symptom import RARE, Symptom
from linecheck.causes.symptoms.lines import MAINS_HZ, OFFSET_HZ
from linecheck.checks.parts.origins import frames_at, mains_at, rates_at


def _paired(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("jitter", "paired_jitter", channel)
    return None if out is None else beyond(out.by, 0.0, max(0.2, out.uncertainty))


def _offset_is(evidence: Evidence, channel: str | None) -> str:
    """Return what runs at the offset of the largest pair."""
    offset = evidence.value("jitter", "sideband_offset", channel)
    if offset is None:
        return ""
    if rates_at(offset, OFFSET_HZ) is not None:
        return "rates"
    if frames_at(offset, OFFSET_HZ) is not None:
        return "frames"
    return "mains" if any(mains_at(offset, mains, OFFSET_HZ) for mains in MAINS_HZ) else "other"


def _pair_at(name: str) -> Symptom:
    words = {
        "mains": "jitter at a multiple of the mains",
        "frames": "jitter at a multiple of USB's frames",
        "other": "jitter at a frequency of its own",
    }

    def look(evidence: Evidence, channel: str | None) -> float | None:
        return both(_paired(evidence, channel), float(_offset_is(evidence, channel) == name))

    return Symptom(f"jitter_at_{name}", words[name], look)


def _skirt(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("jitter", "skirt", channel)
    return None if out is None else beyond(out.by, 0.0, max(0.3, out.uncertainty))


def _side_lines(evidence: Evidence, channel: str | None) -> float | None:
    outs = [evidence.out("jitter", name, channel) for name in ("lone_spur", "largest_sideband")]
    known = [out for out in outs if out is not None]
    return None if not known else beyond(max(out.by for out in known), 0.0, 0.3)


def _clock(evidence: Evidence, channel: str | None) -> float | None:
    outs = [evidence.out("tone", "clock_error", one) for one in evidence.channels]
    known = [out for out in outs if out is not None]
    return None if not known else beyond(max(out.by for out in known), 0.0, 0.3)


SYMPTOMS = (
    _pair_at("mains"),
    _pair_at("frames"),
    _pair_at("other"),
    Symptom("skirt", "noise around a tone that follows it", _skirt),
    Symptom("side_lines", "side lines of a tone above what is allowed", _side_lines),
    Symptom("clock_off", "a clock that is off", _clock, of_pair=True, leak=RARE),
)
