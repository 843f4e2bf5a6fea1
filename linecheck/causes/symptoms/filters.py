"""Symptoms of filters: the shape of the response, its edge, images, the impulse; crosstalk over frequency."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Final

import numpy as np

from linecheck.causes.evidence import Evidence, beyond, both, points
from linecheck.causes.symptom import LEAK, RARE, SPECIFIC, Symptom
from linecheck.dsp.arrays import FloatArray

#: A response within this of flat has no shape, dB.
FLAT_DB = 0.04
#: Where shapes are fitted, Hz: what lies above belongs to the reconstruction filter.
SHAPES_FROM_HZ, SHAPES_TO_HZ = 10.0, 19_000.0
SHAPES: Final = ("deemphasis", "preemphasis", "bass_falls", "treble_falls", "treble_peaks", "hold", "shelf")
#: A comb is what a mean over so many points leaves.
COMB_POINTS: Final = 9
#: What a fit may leave, dB and in parts of what there is to explain.
LEAVES_DB, LEAVES_SHARE = 0.02, 0.06


def _db(power: FloatArray) -> FloatArray:
    return np.asarray(10.0 * np.log10(power))


def _emphasis(frequency: FloatArray) -> FloatArray:
    """Return what 50/15 µs de-emphasis takes off, dB (IEC 60908, time constants from memory)."""
    turn = 2.0 * np.pi * frequency
    return _db((1.0 + (turn * 15e-6) ** 2) / (1.0 + (turn * 50e-6) ** 2))


def _high_pass(frequency: FloatArray, corner: FloatArray) -> FloatArray:
    return -_db(1.0 + (corner / frequency) ** 2)


def _one_pole(frequency: FloatArray, corner: FloatArray) -> FloatArray:
    return -_db(1.0 + (frequency / corner) ** 2)


def _two_poles(frequency: FloatArray, corner: FloatArray, quality: FloatArray) -> FloatArray:
    ratio = (frequency / corner) ** 2
    return -_db((1.0 - ratio) ** 2 + ratio / quality**2)


def _shelf(frequency: FloatArray, corner: FloatArray, gain_db: FloatArray, side: int) -> FloatArray:
    """Return a first-order shelf: ``gain_db`` above the corner (side 1) or below it (side -1), 0 dB beyond."""
    ratio = (frequency / corner) ** (2 * side)
    return _db((1.0 + 10.0 ** (gain_db / 10.0) * ratio) / (1.0 + ratio))


#: Where shapes are compared: few points, evenly over log frequency, since a sweep's many at the top must not outweigh
#: the bass.
_GRID_HZ: Final = np.geomspace(12.0, SHAPES_TO_HZ, 56)


@lru_cache(maxsize=1)
def _templates() -> dict[str, FloatArray]:
    """Return each shape's responses over its parameters, shape (candidates, points).

    A search through fixed candidates and not a fit: it costs a matrix product, where an iteration from several starts
    takes a hundred times as long, and the shape is asked for and not its parameters.
    """
    grid = _GRID_HZ[np.newaxis, :]

    def mesh(*axes: FloatArray) -> list[FloatArray]:
        return [axis.ravel()[:, np.newaxis] for axis in np.meshgrid(*axes, indexing="ij")]

    low, high = (
        np.geomspace(0.7, 300.0, 160)[:, np.newaxis],
        np.geomspace(5000.0, 400_000.0, 160)[:, np.newaxis],
    )
    corner, quality = mesh(np.geomspace(12_000.0, 200_000.0, 60), np.geomspace(0.72, 4.0, 20))
    gains = np.concatenate((np.linspace(-12.0, -0.3, 24), np.linspace(0.3, 12.0, 24)))
    bass, bass_db = mesh(np.geomspace(30.0, 800.0, 24), gains)
    treble, treble_db = mesh(np.geomspace(1200.0, 15_000.0, 24), gains)
    several = np.concatenate((np.linspace(-10.0, -0.5, 7), np.linspace(0.5, 10.0, 7)))
    both = mesh(np.geomspace(40.0, 500.0, 7), several, np.geomspace(1800.0, 12_000.0, 7), several)
    return {
        "deemphasis": _emphasis(grid),
        "preemphasis": -_emphasis(grid),
        "bass_falls": _high_pass(grid, low),
        "treble_falls": _one_pole(grid, high),
        "treble": _two_poles(grid, corner, quality),
        "shelf": np.concatenate(
            (
                _shelf(grid, bass, bass_db, -1),
                _shelf(grid, treble, treble_db, 1),
                _shelf(grid, both[0], both[1], -1) + _shelf(grid, both[2], both[3], 1),
            )
        ),
    }


def response_db(evidence: Evidence, channel: str | None) -> tuple[FloatArray, FloatArray] | None:
    """Return a channel's response re that at 1 kHz, Hz and dB."""
    curve = evidence.curve("response", "response", channel)
    if curve is None:
        return None
    x, y = points(curve, SHAPES_FROM_HZ, SHAPES_TO_HZ)
    if len(x) < 12:
        return None
    return x, y - float(np.interp(1000.0, x, y))


#: How much a fit says: the more a formula can bend, the less. Without a parameter, with one, with two, with four.
_WORTH: Final = {
    "deemphasis": 10.0, "preemphasis": 10.0, "hold": 10.0, "bass_falls": 3.0, "treble_falls": 3.0,
    "treble_peaks": 1.0, "shelf": 0.2,
}  # fmt: skip


def shapes(evidence: Evidence, channel: str | None) -> dict[str, float] | None:
    """Return how surely a response has each shape, ``other`` included; all 0 where it is flat."""
    found = response_db(evidence, channel)
    if found is None:
        return None
    values = np.interp(np.log(_GRID_HZ), np.log(found[0]), found[1])
    return dict(_shapes(values.tobytes(), evidence.rate_hz("response") or 44_100.0))


@lru_cache(maxsize=16)
def _shapes(values: bytes, rate_hz: float) -> tuple[tuple[str, float], ...]:
    y = np.frombuffer(values)
    bent = beyond(float(np.max(np.abs(y))), FLAT_DB, 0.25 * FLAT_DB) or 0.0
    if bent < 0.01:
        return ()
    y = y - y.mean()
    allowed = LEAVES_DB + LEAVES_SHARE * float(np.sqrt(np.mean(y**2)))
    templates = _templates() | {"hold": 20.0 * np.log10(np.sinc(_GRID_HZ[np.newaxis, :] / rate_hz))}
    # A tone control or a loudness curve has no one formula: it is smooth over the octaves.
    terms = np.vander(np.log(_GRID_HZ / 1000.0) / np.log(100.0), 6)
    smooth = y - terms @ np.linalg.lstsq(terms, y, rcond=None)[0]
    scores = {"other": 0.02, "smooth": 0.04 * float(np.exp(-np.mean(smooth**2) / allowed**2))}
    for name, candidates in templates.items():
        named = name
        if name == "treble":
            named = "treble_peaks" if y[-1] > 0.0 else "treble_falls"
        score = float(np.exp(-((_left(y, candidates) / allowed) ** 2))) * _WORTH[named]
        scores[named] = max(scores.get(named, 0.0), score)
    # Sharpened: shapes exclude each other, and what is left to the second best must not hide how good the best is.
    scores = {name: score**1.5 for name, score in scores.items()}
    total = sum(scores.values())
    return tuple((name, bent * score / total) for name, score in scores.items())


def _left(y: FloatArray, candidates: FloatArray) -> float:
    """Return what the best candidate leaves, rms in dB; a constant is free, since 1 kHz is a reference by choice."""
    centred = candidates - candidates.mean(axis=1, keepdims=True)
    squares = np.sum(centred**2, axis=1) - 2.0 * centred @ y + np.sum(y**2)
    return float(np.sqrt(max(float(np.min(squares)), 0.0) / len(y)))


def _shape(name: str, text: str, leak: float = LEAK) -> Symptom:
    def look(evidence: Evidence, channel: str | None) -> float | None:
        found = shapes(evidence, channel)
        return None if found is None else found.get(name, 0.0)

    return Symptom(f"response_{name}", text, look, leak=leak)


def _flatness(evidence: Evidence, channel: str | None) -> float | None:
    outs = [evidence.out("response", name, channel) for name in ("flatness", "ripple")]
    known = [out for out in outs if out is not None]
    return None if not known else beyond(max(out.by for out in known), 0.0, 0.01)


def _uneven(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a response goes up and down from one frequency to the next: a comb, as an echo makes it."""
    curve = evidence.curve("reconstruction", "response", channel) or evidence.curve(
        "response", "response", channel
    )
    if curve is None:
        return None
    _, y = points(curve, 200.0, 16_000.0)
    if len(y) < 3 * COMB_POINTS:
        return None
    # A mean over neighbours follows every filter's shape, and leaves a comb.
    left = (y - np.convolve(y, np.full(COMB_POINTS, 1.0 / COMB_POINTS), "same"))[COMB_POINTS:-COMB_POINTS]
    turns = float(np.mean(np.diff(np.sign(left)) != 0.0))
    return both(beyond(float(np.sqrt(np.mean(left**2))), 0.06, 0.015), beyond(turns, 0.32, 0.03))


def _local(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a response dips or peaks in one narrow band alone, which no tone control does."""
    found = response_db(evidence, channel)
    if found is None:
        return None
    off = np.abs(found[1] - np.median(found[1]))
    top = int(np.argmax(off))
    wide = off > 0.5 * off[top]
    within = int(wide.sum()) >= 3 and not wide[0] and not wide[-1]
    return both(beyond(float(off[top]), 0.1, 0.025), float(within), beyond(-float(wide.mean()), -0.09, 0.015))


def _edge_falls(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely a response falls at the edge of the band and nowhere else."""
    curve = evidence.curve("reconstruction", "response", channel) or evidence.curve(
        "response", "response", channel
    )
    if curve is None:
        return None
    _, top = points(curve, 17_000.0, 20_000.0)
    _, middle = points(curve, 500.0, 5000.0)
    if not len(top) or not len(middle):
        return None
    fall = float(np.median(middle) - np.min(top))
    return both(beyond(fall, 0.3, 0.08), beyond(-float(np.ptp(middle)), -0.1, 0.03))


def _band_ends(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely nothing comes through above some frequency within the audio band."""
    if any(True for _ in evidence.problems("tone_missing", channel=channel)):
        return 1.0
    curve = evidence.curve("response", "response", channel)
    if curve is None:
        return None
    _, y = points(curve, 1000.0, 20_000.0)
    return beyond(-float(np.min(y)), 30.0, 4.0) if len(y) else None


def _images(evidence: Evidence, channel: str | None) -> float | None:
    outs = [
        evidence.out("reconstruction", "image_rejection", channel),
        evidence.out("ultrasonic", "image_level", channel),
    ]
    known = [out for out in outs if out is not None]
    return None if not known else beyond(max(out.by for out in known), 0.0, 0.4)


def _strong_images(evidence: Evidence, channel: str | None) -> float | None:
    """Images of a tone near half the rate that are hardly weaker than the tone: a hold, and no filter."""
    rejection = evidence.value("reconstruction", "image_rejection", channel)
    attenuation = evidence.value("reconstruction", "stopband_attenuation", channel)
    if rejection is None:
        return None
    return both(
        beyond(-rejection, -12.0, 2.0), 1.0 if attenuation is None else beyond(-attenuation, -40.0, 5.0)
    )


def _stopband(evidence: Evidence, channel: str | None) -> float | None:
    out = evidence.out("reconstruction", "stopband_attenuation", channel)
    return None if out is None else beyond(out.by, 0.0, 0.4)


def _corner(sign: float) -> Callable[[Evidence, str | None], float | None]:
    def look(evidence: Evidence, channel: str | None) -> float | None:
        out = evidence.out("reconstruction", "corner_3db", channel)
        change = evidence.change("reconstruction", "corner_3db", channel)
        if out is None or change is None:
            return None
        return both(beyond(out.by, 0.0, 0.3), float(sign == 0.0 or sign * change > 0.0))

    return look


def _ringing(evidence: Evidence, channel: str | None) -> tuple[float, float] | None:
    """Return by how much pre-ringing is out of what is allowed, and its level, dB."""
    out, value = (
        evidence.out("reconstruction", "pre_ringing", channel),
        evidence.value("reconstruction", "pre_ringing", channel),
    )
    return None if out is None or value is None else (out.by, value)


def _no_pre_ringing(evidence: Evidence, channel: str | None) -> float | None:
    found = _ringing(evidence, channel)
    return None if found is None else both(beyond(found[0], 0.0, 0.1), beyond(-found[1], 34.0, 2.0))


def _other_ringing(evidence: Evidence, channel: str | None) -> float | None:
    """Pre-ringing that is out of what is allowed, and there."""
    found = _ringing(evidence, channel)
    return None if found is None else both(beyond(found[0], 0.0, 0.1), beyond(found[1], -34.0, 2.0))


def _crosstalk_out(evidence: Evidence, channel: str | None) -> float | None:
    outs = [evidence.out("crosstalk", name, channel) for name in ("separation", "crosstalk")]
    known = [out for out in outs if out is not None]
    return None if not known else beyond(max(out.by for out in known), 0.0, 0.3)


def _crosstalk_climbs(evidence: Evidence, channel: str | None) -> float | None:
    """Crosstalk that climbs by some 6 dB an octave over the top two octaves and a half."""
    curve = evidence.curve("crosstalk", "separation_over_frequency", channel)
    if curve is None:
        return None
    x, y = np.asarray(curve.x), np.asarray(curve.y)
    top = x >= 2500.0
    if int(top.sum()) < 3:
        return None
    slope = float(np.polyfit(np.log2(x[top]), -y[top], 1)[0])
    return beyond(slope, 2.6, 0.5)


def _crosstalk_flat(evidence: Evidence, channel: str | None) -> float | None:
    climbs = _crosstalk_climbs(evidence, channel)
    return None if climbs is None else both(_crosstalk_out(evidence, channel), 1.0 - climbs)


SYMPTOMS = (
    _shape("deemphasis", "the response of 50/15 µs de-emphasis", leak=RARE),
    _shape("preemphasis", "the response of 50/15 µs pre-emphasis", leak=RARE),
    _shape("bass_falls", "bass that falls as by a coupling capacitor"),
    _shape("treble_falls", "treble that falls as by a pole of an output filter"),
    _shape("treble_peaks", "treble that peaks as by an output filter"),
    _shape("hold", "the response of a hold without a filter", leak=RARE),
    _shape("shelf", "bass or treble raised or lowered by a shelf"),
    _shape("smooth", "bass or treble raised or lowered smoothly"),
    _shape("other", "a response that is not flat, of no known shape"),
    Symptom("response_uneven", "a response that goes up and down like a comb", _uneven),
    Symptom("response_local", "a dip or a peak in one narrow band", _local, leak=RARE),
    Symptom("flatness_out", "a response less flat than allowed", _flatness, leak=SPECIFIC),
    Symptom("edge_falls", "a response that falls at the edge of the band", _edge_falls),
    Symptom("band_ends", "nothing above some frequency in the audio band", _band_ends, leak=RARE),
    Symptom("images", "images above what is allowed", _images),
    Symptom("strong_images", "images hardly weaker than their tones", _strong_images),
    Symptom("stopband_out", "a stop band less deep than allowed", _stopband),
    Symptom("corner_off", "the filter's corner not where it may be", _corner(0.0), leak=SPECIFIC),
    Symptom("corner_lower", "the filter's corner lower than allowed", _corner(-1.0), leak=SPECIFIC),
    Symptom("corner_higher", "the filter's corner higher than allowed", _corner(1.0), leak=SPECIFIC),
    Symptom("no_pre_ringing", "no ringing before an impulse", _no_pre_ringing, leak=SPECIFIC),
    Symptom(
        "other_pre_ringing", "another ringing before an impulse than allowed", _other_ringing, leak=SPECIFIC
    ),
    Symptom(
        "crosstalk_climbs",
        "crosstalk that climbs with frequency",
        lambda evidence, channel: both(
            _crosstalk_out(evidence, channel), _crosstalk_climbs(evidence, channel)
        ),
        leak=SPECIFIC,
    ),
    Symptom(
        "crosstalk_flat", "crosstalk that is the same at all frequencies", _crosstalk_flat, leak=SPECIFIC
    ),
)
