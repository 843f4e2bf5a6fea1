"""Finding a signal of many steady tones in a capture, and the one clock ratio that all of them share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linecheck.checks.base import Capture
from linecheck.checks.parts.steady import CLOCK_TOLERANCE
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import fit_scaled_tones, peak_frequency
from linecheck.dsp.locating.locate import hop_frames, loudest_span, tone_blocks

#: So many tones show where all of them sound.
MAX_WATCHED = 16
#: A hop of the envelope is taken in so many parts: under a Hann weight over four hops, hum does not pass for a tone.
HOP_PARTS = 8
#: A level that changes by less than this share meanwhile ends nothing: it is found later, as such.
MAX_SAG = 0.15


def sounding_span(capture: Capture, tones_hz: FloatArray, seconds: float) -> tuple[int, int] | None:
    """Return the frames between which tones sound, settled; the loudest channel decides, None where there is none.

    Parameters
    ----------
    capture : Capture
    tones_hz : float64 array, shape (tones,)
        Nominal frequencies, in whichever channels they are.
    seconds : float
        How long they are to be measured.
    """
    narrowed = capture.narrowed(1.01 * float(np.max(tones_hz)))
    rate, factor = narrowed.rate_hz, narrowed.factor
    watched = tones_hz[np.unique(np.linspace(0, len(tones_hz) - 1, MAX_WATCHED).astype(int))]
    parts = HOP_PARTS
    hop = parts * round(hop_frames(125.0 / rate, rate) / parts)
    weights = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(4 * parts) + 0.5) / (4 * parts))
    weights /= np.sum(weights)

    def envelope(values: FloatArray) -> FloatArray:
        centred = values - np.mean(values)
        power = np.zeros(max(0, len(centred) // hop - 3))
        for tone in watched:
            blocks = tone_blocks(centred, float(tone) / rate, hop // parts)
            if len(power):
                power += np.abs(np.convolve(blocks, weights, mode="valid")[::parts][: len(power)]) ** 2
        return np.sqrt(power)

    span = loudest_span(map(envelope, narrowed.values), int(0.3 * seconds * rate / hop), MAX_SAG)
    if span is None:
        return None
    first, last = (span.settled_start + 2) * hop * factor, (span.settled_stop + 1) * hop * factor
    last = min(capture.frames, last)
    return None if last - first < 8 * hop * factor else (first, last)


def clock_ratio(capture: Capture, tones_hz: Sequence[FloatArray], start: int, stop: int) -> float | None:
    """Return the unit's clock over the capture's, from whichever tones show most clearly; None where none show.

    The whole is tried, then either half: a break spoils one half at most.

    Parameters
    ----------
    capture : Capture
    tones_hz : sequence of float64 arrays
        Nominal frequencies; every array is a set that may be in any channel. Each ascends.
    start, stop : int
        Between which frames they sound.
    """
    middle = (start + stop) // 2
    for first, last in ((start, stop), (start, middle), (middle, stop)):
        ratio = _clock_ratio(capture, tones_hz, first, last)
        if ratio is not None:
            return ratio
    return None


def _clock_ratio(capture: Capture, tones_hz: Sequence[FloatArray], start: int, stop: int) -> float | None:
    """Return the clock ratio from the channel and the set that show most clearly; None where no set shows."""
    narrowed = capture.narrowed(1.01 * max(float(np.max(tones)) for tones in tones_hz))
    rate = narrowed.rate_hz
    best: tuple[float, float, int, int] = (0.0, 1.0, 0, 0)
    for channel in range(capture.channels):
        record = narrowed.between(channel, start, stop)
        if not np.ptp(record) > 0.0:
            continue
        for index, tones in enumerate(tones_hz):
            expected = float(tones[0]) / rate
            spread = CLOCK_TOLERANCE * expected + 0.5 / len(record)
            found, prominence = peak_frequency(record, expected - spread, expected + spread)
            if prominence > best[0]:
                best = (prominence, found / expected, channel, index)
    prominence, coarse, channel, index = best
    # Noise alone has 10 to 20 (:func:`peak_frequency`).
    if prominence < 100.0:
        return None
    ratio, tones = coarse, tones_hz[index]
    record = narrowed.between(channel, start, stop)
    # Low tones first: their frequency needs less of a start than that of the highest.
    for share in (0.25, 0.5, 1.0):
        part = tones[: max(2, int(share * len(tones)))] / rate * ratio
        fit, rest = fit_scaled_tones(record, part)
        ratio *= fit.scale
    explained = 1.0 - float(np.var(rest)) / max(float(np.var(record)), 1e-300)
    if abs(ratio - 1.0) < 1.1 * CLOCK_TOLERANCE and explained > 0.02:
        return ratio
    # A break in the signal spoils the fit, not the peak: it is there, and the test of continuity finds the break.
    return coarse if prominence > 1000.0 and abs(coarse - 1.0) < 1.5 * CLOCK_TOLERANCE else None
