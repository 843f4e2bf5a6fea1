"""An exponential sweep with a steady tone ahead of it: the stimulus, finding it, and the response from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from linecheck.checks.base import Capture, Location, Problem, Stimulus, Stretch
from linecheck.checks.parts.known_signal import (
    CAPTURE_EDGE,
    MAX_HALF_WIDTH_HZ,
    AllOver,
    Spectra,
    aligned,
    likeness,
    modelled,
    read_all_over,
)
from linecheck.checks.parts.steady import SETTLE_SECONDS, locate_tone, ramped
from linecheck.checks.parts.words import dropout, percent_off
from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.continuity.continuity import Break, breaks_of_model
from linecheck.dsp.fits.tones import fit_scaled_tones, peak_frequency
from linecheck.dsp.quantise import full_scale_amplitude, quantise
from linecheck.dsp.responses.responses import Response, line_levels
from linecheck.dsp.responses.sweeps import exponential_sweep, phaseless_dip, spectrum_at, transfer
from linecheck.dsp.spectra.narrow import Narrowed

#: The tone that gives the clock ratio: steady for so long after it has settled.
PILOT_HZ = 997.0
PILOT_SECONDS = 0.15
#: Silence between tone and sweep, and how the sweep itself fades in and out, whatever the ramp of a station.
GAP_SECONDS = 0.04
FADE_SECONDS = 0.01
#: The sweep begins below the lowest frequency that is wanted, so that this one has its full strength.
BELOW_LOWEST = 0.7
#: So much after the sweep still belongs to the response.
TAIL_SECONDS = 0.08
#: A response is fitted over this part of its frequency to either side, but no less than 2 bins and no more than 20 Hz.
HALF_WIDTH = 0.01
#: The tone's phase and the sweep's differ by no more than this (rad, and as much more for each second between them) or
#: so many standard deviations where nothing was lost.
OUT_OF_PHASE, DEVIATIONS = 0.006, 6.0


@dataclass(frozen=True)
class Swept:
    """A sweep over which frequencies, how long and how strong, at which rate."""

    rate_hz: int
    seconds: float
    lowest_hz: float
    highest_hz: float
    level_dbfs: float
    bits: int
    seed: int

    @property
    def frames(self) -> int:
        """Length of the sweep."""
        return round(self.seconds * self.rate_hz)

    def samples(self) -> FloatArray:
        """Return the sweep, shape (frames,)."""
        low, high = BELOW_LOWEST * self.lowest_hz / self.rate_hz, self.highest_hz / self.rate_hz
        amplitude = full_scale_amplitude(self.level_dbfs, self.bits)
        return amplitude * exponential_sweep(self.frames, low, high, round(FADE_SECONDS * self.rate_hz))


def sweep_stimulus(sweep: Swept, channels: int, ramp_seconds: float) -> Stimulus:
    """Return tone, silence and sweep, the same in every channel.

    ``ramp_seconds`` is that of the tone, which comes first; the sweep fades in and out over 10 ms.
    """
    rate = sweep.rate_hz
    frames = round((2.0 * ramp_seconds + SETTLE_SECONDS + PILOT_SECONDS) * rate)
    gap = round(GAP_SECONDS * rate)
    # Its phase is zero where the sweep begins, so that what is lost between them shows.
    cycles = (np.arange(frames) - (frames + gap)) * (PILOT_HZ / rate)
    tone = full_scale_amplitude(sweep.level_dbfs, sweep.bits) * np.sin(
        2.0 * np.pi * (cycles - np.rint(cycles))
    )
    tone = ramped(tone[:, None], rate, ramp_seconds)[:, 0]
    whole = np.concatenate((tone, np.zeros(gap), sweep.samples()))
    table = np.repeat(whole[:, None], channels, axis=1)
    return Stimulus(quantise(table, sweep.bits, sweep.seed), rate, sweep.bits)


def locate_sweep(capture: Capture, sweep: Swept, channels: tuple[str, ...]) -> Location:
    """Find the tone, its clock ratio, and the sweep that follows it.

    The location goes from the tone's settled part to the sweep's end; the tone is its one steady stretch. Raises
    nothing: what is wrong becomes a problem of the location.
    """
    nothing = (False,) * len(channels)
    if capture.rate_hz < sweep.rate_hz:
        message = f"captured at {capture.rate_hz} Hz, below the stimulus's own rate of {sweep.rate_hz} Hz"
        return Location.nowhere(channels, Problem("capture_rate_low", message))
    tone = locate_tone(capture, [PILOT_HZ] * len(channels), PILOT_SECONDS, channels)
    if not any(tone.found):
        return _at_another_rate(capture, channels) or tone
    if any(problem.channel is None for problem in tone.problems):
        return replace(tone, found=nothing)
    narrowed = capture.narrowed(max(20_000.0, 0.5 * sweep.rate_hz))
    ratio = _clock_ratio(narrowed, tone)
    end = _sweep_end(narrowed, tone, sweep, ratio)
    if end is None or end > capture.frames + 0.005 * capture.rate_hz:
        problems = (*tone.problems, _not_whole(capture, end))
        return Location(tone.start, tone.stop, nothing, None, problems=problems)
    steady = Stretch(
        tone.start, tone.stop, tuple((PILOT_HZ * ratio,) if there else () for there in tone.found)
    )
    # Not steady, but the slowest that sounds: by it trust tells held samples from natural ones.
    slowest = ((BELOW_LOWEST * sweep.lowest_hz * ratio, PILOT_HZ * ratio),) * len(channels)
    stop = min(end, capture.frames)
    location = Location(tone.start, stop, tone.found, ratio, slowest, tone.problems, (steady,))
    return replace(location, problems=(*location.problems, *_breaks(narrowed, location, sweep, channels)))


def _not_whole(capture: Capture, end: int | None) -> Problem:
    """Return the problem of a tone that no sweep follows, or one that would end at a frame beyond the capture."""
    if end is None:
        return Problem("stimulus_not_found", "the tone is there, but no sweep follows it: did the unit stop?")
    missing = (end - capture.frames) / capture.rate_hz
    message = f"the last {missing:.3f} s of the sweep are missing: the capture ends too early."
    return Problem("too_short", f"{message} May be the unit's own fault.")


def _at_another_rate(capture: Capture, channels: tuple[str, ...]) -> Location | None:
    """Return where the tone shows at the ratio of two usual rates, as a problem."""
    for factor in (48000 / 44100, 44100 / 48000, 2.0, 0.5):
        hertz = PILOT_HZ * factor
        found = locate_tone(capture, [hertz] * len(channels), PILOT_SECONDS, channels)
        if any(found.found):
            message = (
                f"the tone of {PILOT_HZ:g} Hz ahead of the sweep is at {hertz:.1f} Hz: the unit or the capture runs at "
                "another rate than was set. May be the unit's own fault."
            )
            return Location.nowhere(channels, Problem("wrong_rate", message))
    return None


def _clock_ratio(narrowed: Narrowed, tone: Location) -> float:
    """Return the unit's clock over the capture's from the tone, in the channel where it is strongest."""
    record = narrowed.between(_loudest(narrowed, tone), tone.start, tone.stop)
    nominal = PILOT_HZ / narrowed.rate_hz
    coarse, _ = peak_frequency(record, 0.99 * nominal, 1.01 * nominal)
    fit, _ = fit_scaled_tones(record, np.array([coarse]))
    return coarse * fit.scale / nominal


def _loudest(narrowed: Narrowed, tone: Location) -> int:
    """Return the channel in which the tone is strongest."""
    there = [index for index, found in enumerate(tone.found) if found]
    return max(there, key=lambda index: float(np.std(narrowed.between(index, tone.start, tone.stop))))


@lru_cache(maxsize=4)
def _reference(sweep: Swept, spacing_hz: float, count: int) -> ComplexArray:
    """Return the sweep's spectrum at multiples of a spacing by the unit's clock."""
    return spectrum_at(sweep.samples(), spacing_hz / sweep.rate_hz, count)


def _sweep_end(narrowed: Narrowed, tone: Location, sweep: Swept, ratio: float) -> int | None:
    """Return the frame of the capture at which the sweep ends, from its correlation with the reference."""
    from scipy.fft import next_fast_len, rfft

    rate = narrowed.rate_hz
    first = min(-(-tone.stop // narrowed.factor), narrowed.values.shape[1])
    lasting = int(np.ceil(sweep.frames / (sweep.rate_hz * ratio) * rate))
    part = narrowed.values[_loudest(narrowed, tone), first : first + lasting + int(0.2 * rate)]
    if len(part) < 0.1 * rate:
        return None
    length = next_fast_len(len(part) + lasting, real=True)
    spectrum = rfft(part - np.mean(part), length)
    spacing = rate / (length * ratio)
    count = min(len(spectrum), int(0.49 * sweep.rate_hz / spacing))
    alike = likeness(spectrum, _reference(sweep, spacing, count), length)[: int(0.2 * rate)]
    best = int(np.argmax(alike))
    if alike[best] < 12.0 * float(np.median(alike)):
        return None
    return int((first + best + lasting) * narrowed.factor)


def _lasting(narrowed: Narrowed, location: Location, sweep: Swept) -> int:
    """Return how many frames a located sweep lasts."""
    return int(np.ceil(sweep.frames / (sweep.rate_hz * (location.clock_ratio or 1.0)) * narrowed.rate_hz))


def _spectra(narrowed: Narrowed, index: int, location: Location, sweep: Swept) -> Spectra:
    """Return a channel's sweep and the reference, both re the moment at which the sweep begins."""
    from scipy.fft import next_fast_len, rfft

    assert location.clock_ratio is not None
    rate = narrowed.rate_hz
    lasting = _lasting(narrowed, location, sweep)
    begin = round(location.stop / narrowed.factor) - lasting
    margin = round(0.5 * GAP_SECONDS * rate)
    early = begin - max(0, begin - margin)
    length = next_fast_len(lasting + margin + round(TAIL_SECONDS * rate), real=True)
    values = narrowed.values[index, begin - early : begin - early + length]
    # The offset as it is in the silence ahead: the sweep's own mean is not zero.
    values = values - np.mean(values[: max(early, 1)])
    spacing = rate / (length * location.clock_ratio)
    spectrum = rfft(values, length)
    count = min(len(spectrum), int(0.4995 * sweep.rate_hz / spacing))
    spectrum = spectrum[:count] * np.exp(2j * np.pi * np.mod(np.arange(count) * (early / length), 1.0))
    return Spectra(spectrum, _reference(sweep, spacing, count), spacing, length)


def sweep_response(
    narrowed: Narrowed, index: int, location: Location, sweep: Swept, frequencies_hz: FloatArray
) -> Response:
    """Return a channel's response at some frequencies (by the unit's clock), in dB re the stimulus.

    Parameters
    ----------
    narrowed : Narrowed
        The capture, with everything up to half the unit's rate.
    index : int
    location : Location
        From :func:`locate_sweep`.
    sweep : Swept
    frequencies_hz : float64 array, shape (points,)
        Ascending; those that the capture does not hold are left out.
    """
    spectra, _ = aligned(_spectra(narrowed, index, location, sweep))
    spacing = spectra.spacing_hz
    half = np.clip(HALF_WIDTH * frequencies_hz, 2.0 * spacing, MAX_HALF_WIDTH_HZ)
    usable = frequencies_hz + half < (len(spectra.captured) - 1) * spacing
    kept, half = frequencies_hz[usable], half[usable]
    centre = np.rint(kept / spacing).astype(np.int64)
    reach = np.maximum(np.rint(half / spacing).astype(np.int64), 2)
    found = transfer(spectra.captured, spectra.reference, centre, np.minimum(reach, centre - 1))
    return Response(np.asarray(centre * spacing), *line_levels(found.gains, found.noise))


def _out_of_phase(
    narrowed: Narrowed, index: int, location: Location, sweep: Swept, spectra: Spectra, delay: int
) -> bool:
    """Return whether the tone's phase is not what the sweep's is where it passes the tone's frequency.

    It is not where a stretch was lost between them, or came twice, unless it lasts a multiple of 1.003 ms.

    Parameters
    ----------
    narrowed : Narrowed
    index : int
        The channel.
    location : Location
    sweep : Swept
    spectra : Spectra
        The sweep's, as aligned.
    delay : int
        What has been taken off it, frames.
    """
    assert location.clock_ratio is not None
    ratio, rate = location.clock_ratio, narrowed.rate_hz
    span = location.stretches[0]
    first, _ = narrowed.inside(span.start, span.stop)
    record = narrowed.between(index, span.start, span.stop)
    fit, rest = fit_scaled_tones(record, np.array([PILOT_HZ * ratio / rate]))
    bin_ = round(PILOT_HZ / spectra.spacing_hz)
    reach = max(2, int(HALF_WIDTH * PILOT_HZ / spectra.spacing_hz))
    found = transfer(spectra.captured, spectra.reference, np.array([bin_]), np.array([reach]))
    # Neighbouring lines go on in phase; the tone lies between two.
    gain = complex(found.gains[0]) * np.exp(
        -2j * np.pi * (PILOT_HZ / spectra.spacing_hz) * delay / spectra.frames
    )
    begin = round(location.stop / narrowed.factor) - _lasting(narrowed, location, sweep)
    cycles = PILOT_HZ * ratio / rate * (first + 0.5 * (len(record) - 1) - begin)
    expected = -1j * gain * np.exp(2j * np.pi * (cycles - np.rint(cycles)))
    off = abs(float(np.angle(complex(fit.amplitudes[0]) * np.conj(expected))))
    between = GAP_SECONDS + sweep.seconds * _octaves_share(sweep, PILOT_HZ)
    spread = float(np.std(rest)) / abs(fit.amplitudes[0]) * np.sqrt(2.0 / len(record))
    # The tone tells the clock too, and its error grows until the sweep comes by.
    spread *= 1.0 + np.sqrt(12.0) * between * rate / len(record)
    spread = np.hypot(spread, np.sqrt(0.5 * found.noise[0]) / abs(gain))
    return bool(off > OUT_OF_PHASE * (1.0 + between) + DEVIATIONS * spread)


def _breaks(narrowed: Narrowed, location: Location, sweep: Swept, channels: tuple[str, ...]) -> list[Problem]:
    """Return problems where the captured sweep is not what its own smooth response makes of the reference."""
    problems = []
    for index, name in location.found_of(channels):
        spectra, delay = aligned(_spectra(narrowed, index, location, sweep))
        if _out_of_phase(narrowed, index, location, sweep, spectra, delay):
            what = (
                "the sweep does not follow its tone at the distance at which both were played: a stretch was lost "
                "between them, or came twice"
            )
        else:
            what = _break_in(spectra, narrowed, location, sweep)
        if what:
            problems.append(dropout(name, what))
    return problems


def _break_in(spectra: Spectra, narrowed: Narrowed, location: Location, sweep: Swept) -> str:
    """Say where a sweep is not whole; nothing where it is."""
    lasting, rate = _lasting(narrowed, location, sweep), narrowed.rate_hz
    begin_seconds = location.stop / (narrowed.factor * rate) - lasting / rate
    response = read_all_over(spectra)
    found = _breaks_of_sweep(spectra, response, narrowed, lasting, sweep)
    if found:
        worst = max(found, key=lambda entry: abs(entry.size))
        seconds = begin_seconds + worst.frame / rate
        if worst.kind == "hole":
            return f"the sweep's level is {percent_off(worst.size)} at {seconds:.3f} s"
        return f"samples do not belong to the sweep at {seconds:.3f} s"
    frequencies = np.asarray(response.bins * spectra.spacing_hz)
    dip = phaseless_dip(response.found, frequencies, min(CAPTURE_EDGE * rate, 0.9 * sweep.highest_hz))
    if dip is None:
        return ""
    seconds = begin_seconds + float(_octaves_share(sweep, frequencies[dip])) * lasting / rate
    return (
        f"the level changes about {frequencies[dip]:.4g} Hz with none of the phase that an analogue filter's would: "
        f"it was faded while the sweep passed, at {seconds:.3f} s"
    )


def _octaves_share(sweep: Swept, frequency_hz: float) -> float:
    """Return the share of a sweep's time at which it passes a frequency."""
    lowest = BELOW_LOWEST * sweep.lowest_hz
    return float(np.log(frequency_hz / lowest) / np.log(sweep.highest_hz / lowest))


def _breaks_of_sweep(
    spectra: Spectra, response: AllOver, narrowed: Narrowed, lasting: int, sweep: Swept
) -> list[Break]:
    """Return where a sweep differs from its model, from its begin to where it fades or the capture's filter does.

    Frames are those of the narrowed capture from the sweep's first on.
    """
    rate = narrowed.rate_hz
    signal, model = modelled(spectra, response)
    # The search keeps clear of its ends: with them go the silence ahead of the sweep, and its fade.
    ahead = round(0.5 * GAP_SECONDS * rate)
    whole = slice(0, ahead + lasting)
    found = breaks_of_model(np.roll(signal, ahead)[whole], np.roll(model, ahead)[whole])
    last = min(
        lasting - round(FADE_SECONDS * rate), _octaves_share(sweep, 0.95 * CAPTURE_EDGE * rate) * lasting
    )
    return [replace(entry, frame=entry.frame - ahead) for entry in found if entry.frame - ahead < last]
