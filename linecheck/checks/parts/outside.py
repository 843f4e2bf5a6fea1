"""Clicks outside of what is measured: what a listener hears before, after or beside a stimulus that reads well."""

from __future__ import annotations

import numpy as np

from linecheck.checks.base import Capture, Location, Note
from linecheck.checks.parts.declared import NO_NEGATIVE, DifferenceSpec, MetricSpec
from linecheck.checks.parts.readings import ReadingList
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import fit_scaled_tones
from linecheck.dsp.locating.locate import hop_frames, tone_envelope

PEAK_OUTSIDE = MetricSpec(
    "peak_outside",
    "V",
    "highest peak outside of what is measured, by which it exceeds the tone where one sounds",
    "less",
    DifferenceSpec(is_place=True),
    NO_NEGATIVE,
)

#: While it fades, a tone's own peak is told to this share of its amplitude, from so many blocks on either side; it is
#: settled where it is as strong as in what is measured, to this share.
TOLD_TO, BLOCKS_BESIDE, SETTLED = 1.03, 2, 0.002
#: A click is in fewer points of an envelope than half of these.
CLICK_BLOCKS = 11
#: What nobody can tell of a peak beside a tone, re the tone's amplitude.
DOUBT = 0.002
#: A peak is worth a note that is so many times what noise and distortion reach in what is measured, and so much of the
#: capture's full scale (-80 dB).
TIMES_USUAL, MIN_PEAK = 6.0, 1e-4


def add_peak_outside(out: ReadingList, capture: Capture, location: Location, index: int, name: str) -> None:
    """Add the highest peak before and after what is measured, and a note where it stands out.

    A peak is a deviation from the direct voltage; where the located tone sounds there, what exceeds its amplitude.
    Ends of the capture in which the channel does not move do not count: there the interface was not alive.

    Parameters
    ----------
    out : ReadingList
    capture : Capture
    location : Location
    index : int
        The channel.
    name : str
    """
    values = capture.scaled[index]
    inside = slice(location.start, location.stop)
    moving = np.flatnonzero(np.diff(values))
    first, last = (int(moving[0]), int(moving[-1]) + 2) if len(moving) else (0, 0)
    deviation = values - np.mean(values[inside])
    tones = location.tones_hz[index] if location.tones_hz else ()
    if tones:
        beyond, amplitude = _beside_tone(deviation, tones[0] / capture.rate_hz, capture.rate_hz, inside)
        doubt = DOUBT * amplitude
    else:
        beyond, doubt = np.abs(deviation), 0.0
    usual = max(float(np.max(beyond[inside], initial=0.0)), doubt)
    beyond[inside] = 0.0
    beyond[:first] = beyond[last:] = 0.0
    place = int(np.argmax(beyond))
    peak = max(float(beyond[place]), 0.0)
    volts = capture.volts(index)
    out.volts(PEAK_OUTSIDE.name, name, volts, peak, usual / 3.0)
    if peak > max(TIMES_USUAL * usual, MIN_PEAK):
        size = f"{peak * volts:.3g} V" if volts is not None else f"{peak:.3g} of full scale"
        message = (
            f"a click of {size} at {place / capture.rate_hz:.3f} s, outside of what is measured: no reading but "
            "peak_outside shows it, and a mask on that judges it"
        )
        out.problems.append(Note("click_outside", message, name, values=(peak,)))


def _beside_tone(
    values: FloatArray, frequency: float, rate_hz: int, inside: slice
) -> tuple[FloatArray, float]:
    """Return by how much each frame exceeds a tone that is measured in a part, and the tone's amplitude.

    Where it is settled, what it leaves; where it fades in or out, or does not sound, what is beyond its envelope.
    """
    from scipy.ndimage import maximum_filter1d, median_filter

    record = values[inside]
    fit, rest = fit_scaled_tones(record, np.array([frequency]))
    amplitude = abs(complex(fit.amplitudes[0]))
    envelope = tone_envelope(values, frequency, hop_frames(frequency, rate_hz))
    if not len(envelope):
        return np.abs(values), amplitude
    beyond = np.empty(len(values))
    beyond[inside] = np.abs(rest)
    # Point k of the envelope covers hops k to k + 3.
    places = (np.arange(len(envelope)) + 2.0) * hop_frames(frequency, rate_hz)
    frames = np.concatenate((np.arange(inside.start), np.arange(inside.stop, len(values))))
    most = np.interp(frames, places, maximum_filter1d(envelope, 2 * BLOCKS_BESIDE + 1, mode="nearest"))
    # A click is shorter than the median takes note of.
    steady = np.interp(frames, places, median_filter(envelope, CLICK_BLOCKS, mode="nearest"))
    middle = inside.start + 0.5 * (len(record) - 1)
    angles = 2.0 * np.pi * np.mod(float(fit.frequencies[0]) * (frames - middle), 1.0) + np.angle(
        fit.amplitudes[0]
    )
    settled = np.abs(steady - amplitude) < SETTLED * amplitude
    tone = np.where(settled, amplitude * np.cos(angles), 0.0)
    beyond[frames] = np.abs(values[frames] - tone) - np.where(settled, 0.0, TOLD_TO * most)
    return beyond, amplitude
