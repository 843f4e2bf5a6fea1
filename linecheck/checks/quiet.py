"""``quiet``: what the unit puts out when nothing is played."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from linecheck.checks.base import Capture, Context, Location, Parameters, Problem, Stimulus
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    former,
    opposite,
)
from linecheck.checks.parts.outside import PEAK_OUTSIDE, add_peak_outside
from linecheck.checks.parts.readings import (
    WEIGHTINGS,
    Located,
    ReadingList,
    not_captured,
    power_weights,
    ratio_reading,
)
from linecheck.checks.parts.steady import SETTLE_SECONDS, SteadyParameters
from linecheck.checks.parts.uneven import uneven_noise
from linecheck.checks.parts.words import UNREPORTED
from linecheck.checks.tone import LOWEST_MAINS_HZ, SpectrumKind, ToneAnalysis, reference_line
from linecheck.dsp.continuity.steadiness import hum_step
from linecheck.dsp.fits.dissect import Dissection, Line, dissect, hum_lines, total
from linecheck.dsp.quantise import quantise

#: What refers to the level of the tone check.
REFERRING = ("snr", "snr_a", "hum", "spectrum")


class QuietParameters(SteadyParameters):
    """Digital silence, or dither only: converters mute their output after some time of digital silence."""

    dither: Annotated[
        bool, Field(description="Play TPDF dither of one step instead of digital silence, against auto-mute")
    ] = False


class QuietAnalysis(ToneAnalysis):
    """The band, and the tone check whose level is the reference."""

    reference: Annotated[
        str | None,
        Field(
            description="Name of the tone check whose level snr and hum refer to; the first one if left out"
        ),
    ] = None


_CCIR_RMS = MetricSpec(
    "noise_ccir_rms", "µV", "noise, CCIR-RMS: BS.468 curve with unity at 2 kHz, rms", "less",
    DifferenceSpec(accuracy=0.05, said_by=("noise", "noise_a")), NO_NEGATIVE,
)  # fmt: skip


class QuietKind(SpectrumKind):
    """Noise with nothing playing (AES17-2015, 6.4.2, where the input is digital silence).

    Everything in the band counts, hum and other lines included: rms, unweighted, A-weighted (IEC 61672-1) and CCIR-RMS:
    the curve of ITU-R BS.468-4 with unity at 2 kHz, rms, as AES17 uses it. A quasi-peak meter at unity at 1 kHz, which
    BS.468-4 itself asks for, reads another number (``noise_468`` is the name that ``noise_ccir_rms`` had before).
    ``snr``, ``snr_a``, ``hum`` and the spectrum refer to the level of the named tone check. ``hum`` sums the mains
    products M = 1 … 5 (AES17-2015, 6.5.1).

    A unit that mutes itself on digital silence reads better than it plays; ``dither: true`` keeps it open.

    Silence is the same in every channel, dither is not. Either way two channels that hold the same noise, bit for bit,
    are one that was captured twice. That two channels were swapped throughout, or that another check's silence was
    captured, nobody can tell.

    Noise that is weaker or stronger for a while has no one level, and is not read: it is found where chance leaves no
    doubt, in half of a second from 0.3 dB on where both channels change, from 0.4 dB on where one does. What is missed
    moves the noise by 0.25 dB at most. A few clicks are no such stretch, and count. That a stretch was lost shows in
    the hum alone, where that stands out of the noise; elsewhere it moves nothing. Hum so near the noise as a good
    unit's may read a decibel low, unseen, where 50 ms of it were swapped or turned round.
    """

    name: ClassVar[str] = "quiet"
    text: ClassVar[str] = "digital silence or dither: noise and hum"
    stimulus_parameters: ClassVar[type[Parameters]] = QuietParameters
    analysis_parameters: ClassVar[type[Parameters]] = QuietAnalysis
    reference_kind: ClassVar[str | None] = "tone"
    referring: ClassVar[tuple[str, ...]] = REFERRING
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "noise", "µV", "noise, rms", "less", DifferenceSpec("noise of silence", 0.05), NO_NEGATIVE
        ),
        MetricSpec(
            "noise_a", "µV", "noise, A-weighted, rms", "less",
            DifferenceSpec("A-weighted noise of silence", 0.05, said_by=("noise",)), NO_NEGATIVE,
        ),
        former("noise_468", _CCIR_RMS, "the same value; it is no quasi-peak reading after BS.468-4"),
        _CCIR_RMS,
        MetricSpec(
            "snr", "dB", "reference tone over noise", "more",
            DifferenceSpec("SNR", said_by=("noise",)), NO_NEGATIVE,
        ),
        MetricSpec(
            "snr_a", "dB", "reference tone over A-weighted noise", "more",
            DifferenceSpec(said_by=("noise", "noise_a", "snr")), NO_NEGATIVE,
        ),
        MetricSpec(
            "hum", "dB", "mains products re the reference tone", "less",
            DifferenceSpec("hum in silence"), NO_POSITIVE,
        ),
        PEAK_OUTSIDE,
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "spectrum", "Hz", "dB", "the noise's spectrum re the reference tone, at the stated resolution",
            difference=DifferenceSpec("spectrum of silence", said_by=("noise", "snr", "hum")),
            possible=NO_POSITIVE,
        ),
    )  # fmt: skip

    def implied(self, parameters: QuietParameters, analysis: QuietAnalysis) -> tuple[Implied, ...]:
        """Return that hum is part of the noise, where the band holds all of it."""
        if analysis.band_hz[0] > LOWEST_MAINS_HZ:
            return ()
        return (Implied("hum", "snr", opposite, "hum is part of the noise"),)

    def peak_dbfs(self, parameters: QuietParameters) -> float:
        """Return the level of one step."""
        return float(20.0 * np.log10(2.0 ** (2 - parameters.bits)))

    def stimulus(self, parameters: QuietParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return digital silence, or dither."""
        seconds = 2.0 * ramp_seconds + SETTLE_SECONDS + parameters.seconds
        values = np.zeros((round(seconds * parameters.rate_hz), channels))
        samples = quantise(values, parameters.bits, parameters.seed, dither=parameters.dither)
        return Stimulus(samples, parameters.rate_hz, parameters.bits)

    def locate(self, capture: Capture, parameters: QuietParameters, channels: tuple[str, ...]) -> Location:
        """Take the middle of the capture: silence has no mark to be found by.

        Ends where nothing moves, bit for bit, are not part of it: there the interface was not yet, or no longer, alive.
        Nor are those that are quieter than the dither, which has not begun, or has ended, there.
        """
        wanted = round(parameters.seconds * capture.rate_hz)
        length = min(wanted, capture.frames)
        first, last = _moving(capture)
        if parameters.dither:
            first, last = _sounding(capture, first, last, length)
        start = min(max(0, (first + last - length) // 2), capture.frames - length)
        problems = _too_coarse(capture, start, start + length, channels)
        if not problems:
            problems = uneven_noise(capture, start, start + length, channels)
        if length < wanted:
            problems += (
                Problem(
                    "too_short",
                    f"the capture has {capture.seconds:.3f} s of the {parameters.seconds:g} s that are to be measured",
                ),
            )
        return Location(start, start + length, (True,) * len(channels), None, problems=problems)

    def read(self, out: ReadingList, located: Located[QuietParameters, QuietAnalysis]) -> None:
        """Take the noise from the middle of the capture."""
        capture, location, context = located.capture, located.location, located.context
        analysis = located.analysis
        names = (
            *(spec.name for spec in self.metrics if spec.name not in ("hum", "peak_outside")),
            "spectrum",
        )
        reaches = out.reaches(capture, analysis.band_hz, names)
        for index, name in enumerate(context.channels):
            add_peak_outside(out, capture, location, index, name)
            narrowed = capture.narrowed(analysis.band_hz[1])
            values = narrowed.between(index, location.start, location.stop)
            parts = dissect(values, narrowed.rate_hz, None, analysis.band_hz[0])
            tone = reference_line(context, index, capture)
            if tone is None:
                _no_reference(out, context, name)
            hum = hum_lines(parts, capture.possible_mains_hz)
            out.readings.append(ratio_reading("hum", name, total(line.power for line in hum), tone))
            if name not in {problem.channel for problem in location.problems}:
                out.problems += _broken_hum(parts, hum, location.stop / capture.rate_hz, name)
            if not reaches:
                continue
            out.problems += not_captured(parts.noise, analysis.band_hz[1], capture.rate_hz, name)
            _noise_readings(out, name, parts, capture.volts(index), analysis.band_hz, tone)
            if tone is not None:
                amplitude = float(np.sqrt(2.0 * tone.power.value))
                out.spectrum(parts, name, analysis.band_hz, analysis.resolution_hz, amplitude)

    def never_measured(
        self, parameters: QuietParameters, analysis: QuietAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return what needs a tone check, where there is none."""
        reason = "it refers to the level of a tone check, and the file has none"
        return {} if has_reference else dict.fromkeys(REFERRING, reason)


#: Noise and hum have no sample so many times their median; a click that sways hum has.
CLICK_TIMES = 30.0

#: Where dither begins and ends is looked for in blocks of this length, in the band that every rate plays.
_BLOCK_SECONDS, _DITHER_HZ = 0.01, 20_000.0


def _too_coarse(capture: Capture, start: int, stop: int, channels: tuple[str, ...]) -> tuple[Problem, ...]:
    """Return a problem for each channel whose noise is below the steps that it was captured in.

    From half a step on, rounding adds its own noise and nothing is lost; below, most of the noise rounds to nothing and
    reads better than it is.
    """
    problems = []
    for name, values in zip(channels, capture.scaled[:, start:stop], strict=True):
        # Nearly all noise has more values than that in its first samples: no need to sort the whole.
        if len(np.unique(values[:4096])) > 16:
            continue
        codes = np.unique(values)
        if 1 < len(codes) <= 16 and np.std(values) < 0.45 * np.min(np.diff(codes)):
            message = "the noise is below half a step of the capture's own codes: capture with more gain or more bits"
            problems.append(Problem("capture_too_coarse", message, name))
    return tuple(problems)


def _moving(capture: Capture) -> tuple[int, int]:
    """Return the frames between which any channel changes its value; the whole capture where none does."""
    moving = np.flatnonzero(np.any(np.diff(capture.scaled, axis=1) != 0.0, axis=0))
    return (int(moving[0]), int(moving[-1]) + 2) if len(moving) else (0, capture.frames)


def _sounding(capture: Capture, first: int, last: int, length: int) -> tuple[int, int]:
    """Return the frames between which the dither sounds in every channel, as far as ``length`` frames are left.

    Coarse dither stands above a unit's own noise, so that what is captured before it begins reads quieter. It is told
    by its power, in blocks, beside the middle of the capture, which is dither in any case. Noise alone keeps a block
    of some hundred values within a factor of two of that; a fine dither shows nowhere and moves nothing.
    """
    narrowed = capture.narrowed(_DITHER_HZ)
    size = round(_BLOCK_SECONDS * narrowed.rate_hz)
    record = [narrowed.between(index, first, last) for index in range(len(capture.scaled))]
    count = len(record[0]) // size
    spare = last - first - length
    if spare <= 0 or count < 3:
        return first, last
    power = np.array([np.var(values[: count * size].reshape(count, size), axis=1) for values in record])
    middle = np.median(power[:, count // 3 : 2 * count // 3], axis=1, keepdims=True)
    quiet = np.any(power < 0.5 * middle, axis=0)
    block = capture.rate_hz * size / narrowed.rate_hz
    # One block more on either side: the first one that is loud may be half of it.
    begins, ends = (round((np.argmin(each) + 1) * block) if each[0] else 0 for each in (quiet, quiet[::-1]))
    begins = min(begins, spare)
    return first + begins, last - min(ends, spare - begins)


def _broken_hum(
    parts: Dissection, hum: tuple[Line, ...], stop_seconds: float, name: str
) -> tuple[Problem, ...]:
    """Return a problem where hum does not go on as it was: of a stretch that is lost, noise tells nothing."""
    broken = hum_step(parts.low_part, np.array([line.frequency_hz for line in hum]) / parts.rate_hz)
    if broken is None:
        return ()
    size = np.abs(parts.low_part)
    loudest = int(np.argmax(size))
    times = float(size[loudest]) / max(float(np.median(size)), 1e-300)
    seconds = stop_seconds - (len(size) - (loudest if times > CLICK_TIMES else broken)) / parts.rate_hz
    # A long click sways what is fitted of hum.
    message = (
        f"a click at {seconds:.2f} s is far stronger than the rest, or a few samples there are wrong"
        if times > CLICK_TIMES
        else f"hum turns or changes at once about {seconds:.2f} s: a stretch is missing, or is there twice"
    )
    return (Problem("dropout", f"{message}. {UNREPORTED}", name),)


def _noise_readings(
    out: ReadingList,
    name: str,
    parts: Dissection,
    volts: float | None,
    band_hz: tuple[float, float],
    tone: Line | None,
) -> None:
    """Add the noise in microvolts, and re the reference tone."""
    for suffix in WEIGHTINGS:
        weight = power_weights(suffix, parts.noise.frequencies_hz)
        power = parts.residual_power(*band_hz, weight)
        rms = float(np.sqrt(power.value))
        spread = 0.5 * power.uncertainty / rms if rms > 0.0 else 0.0
        out.volts(f"noise{suffix}", name, volts, 1e6 * rms, 1e6 * spread)
        if suffix != "_ccir_rms":
            ratio = ratio_reading("", name, power, tone)
            if ratio.value is not None:
                out.add(f"snr{suffix}", name, -ratio.value, ratio.uncertainty)


def _no_reference(out: ReadingList, context: Context, name: str) -> None:
    """Say why nothing is read re the reference tone."""
    named = context.reference.check if context.reference is not None else None
    reason = (
        f"the level of check {named!r}, which they refer to, was not measured"
        if named is not None
        else "they refer to the level of a tone check, and there is none"
    )
    message = f"snr, snr_a, hum and spectrum cannot be given: {reason}"
    out.explain(name, "reference_missing", message, *REFERRING)


KIND = QuietKind()
