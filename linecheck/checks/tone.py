"""``tone``: one sine, and everything that comes back besides it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import Capture, Context, Location, Parameters, Reading, Stimulus
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    Range,
    either_way,
    opposite,
    the_same,
)
from linecheck.checks.parts.outside import PEAK_OUTSIDE, add_peak_outside
from linecheck.checks.parts.readings import (
    Located,
    ReadingKind,
    ReadingList,
    decibels,
    not_captured,
    pair_difference,
    power_ratio,
    ratio_reading,
)
from linecheck.checks.parts.steady import (
    BandAnalysis,
    ResolutionHz,
    SteadyParameters,
    locate_tone,
    refuse_beyond,
    steady_stimulus,
)
from linecheck.checks.parts.word_length import dither_noise_db
from linecheck.dsp.fits.dissect import (
    FITTED_HARMONICS,
    Dissection,
    Line,
    Power,
    dissect,
    hum_lines,
    is_hum_hidden,
    total,
)
from linecheck.dsp.quantise import full_scale_amplitude

#: Those that have a metric of their own.
HARMONICS = range(2, 10)
RMS_OF_PEAK = 0.5**0.5
#: V rms: no converter, player or streamer drives a line with more than some volts (common practice, no source); ten
#: times as much is another unit.
LINE_OUTPUT_VOLTS = (0.0, 100.0)
#: The mains at its lowest, Hz: a band that begins above it holds not all of the hum.
LOWEST_MAINS_HZ = 45.0
#: No line stays hidden that is stronger than so many times the highest density of noise, in one over the record's
#: length: in 170 simulated records with one that was not found, it lay 5 to 11 dB below.
FOUND_ABOVE_NOISE = 40.0


class ToneParameters(SteadyParameters):
    """The sine.

    997 Hz is prime: at every usual rate the record repeats only after as many samples as the rate has hertz, so it
    exercises as many codes as there are; its period divides no block size of a driver, so that a lost or repeated block
    shows as a step of phase; and its harmonics miss the multiples of 1 kHz at which USB frames leave their noise.
    """

    frequency_hz: Annotated[float, Field(gt=0.0, description="Frequency of the sine, Hz")] = 997.0
    level_dbfs: Annotated[
        float, Field(ge=-150.0, le=0.0, description="Level, dB re a full-scale sine (AES17)")
    ] = 0.0

    @model_validator(mode="after")
    def _fits(self) -> ToneParameters:
        refuse_beyond("frequency_hz", self.frequency_hz, self.rate_hz)
        if self.frequency_hz * self.seconds < 10.0:
            raise ValueError(
                f"seconds must hold at least 10 periods of the tone ({10 / self.frequency_hz:g} s), "
                f"got {self.seconds:g}"
            )
        return self


class ToneAnalysis(BandAnalysis):
    """The band that residuals are taken in, and the resolution of the spectrum."""

    resolution_hz: ResolutionHz = 5.0


def tone_stimulus(parameters: ToneParameters, channels: int, ramp_seconds: float) -> Stimulus:
    """Return the sine, the same in every channel."""
    amplitude = full_scale_amplitude(parameters.level_dbfs, parameters.bits)
    return steady_stimulus(
        parameters,
        [np.array([amplitude])] * channels,
        [np.array([parameters.frequency_hz])] * channels,
        [np.array([0.0])] * channels,
        ramp_seconds,
    )


def dissect_channel(
    capture: Capture,
    location: Location,
    channel: int,
    nominal_hz: float,
    band_hz: tuple[float, float],
    orders: int = 1,
) -> Dissection:
    """Take one channel's located tone apart; what lies outside the band and ``orders`` harmonics is of no interest."""
    narrowed = capture.narrowed(max(band_hz[1], orders * nominal_hz))
    values = narrowed.between(channel, location.start, location.stop)
    return dissect(values, narrowed.rate_hz, location.tones_hz[channel][0], band_hz[0], nominal_hz)


def reference_line(context: Context, index: int, capture: Capture) -> Line | None:
    """Return the reference tone as a line re this capture's full scale; None where it was not measured.

    By its volts where both captures' volts are known, since their full scales may differ.
    """
    if context.reference is None:
        return None
    level = context.reference.level_dbfs[index]
    spread = context.reference.level_uncertainty_db[index]
    if level is None:
        return None
    power = 0.5 * 10.0 ** (level / 10.0)
    volts = context.reference.level_volts[index] if context.reference.level_volts is not None else None
    if volts is not None and capture.full_scale_volts is not None:
        power = (volts / capture.full_scale_volts[index]) ** 2
    return Line(0.0, Power(power, power * (spread or 0.0) * np.log(10.0) / 10.0))


class SpectrumKind(ReadingKind):
    """A kind whose curve is the spectrum of its band."""

    def curve_spans(
        self, parameters: Parameters, analysis: ToneAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return how far the spectrum goes."""
        return {"spectrum": analysis.band_hz}


class SineKind(SpectrumKind):
    """A kind whose stimulus is one sine."""

    def stimulus(self, parameters: ToneParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the sine, the same in every channel."""
        return tone_stimulus(parameters, channels, ramp_seconds)

    def locate(self, capture: Capture, parameters: ToneParameters, channels: tuple[str, ...]) -> Location:
        """Find the sine."""
        return locate_tone(capture, [parameters.frequency_hz] * len(channels), parameters.seconds, channels)


class ToneKind(SineKind):
    """One sine.

    The fundamental and its harmonics are fitted with one shared frequency and taken out; hum and other lines likewise.
    Slow drift of the fundamental's level and phase over the record, within about two cycles over it, counts as the
    fundamental, not as noise. ``sinad`` and ``thd_n`` are the fundamental over everything else in the band (a
    filter-free residual: no notch takes noise or harmonics with it); AES17's THD+N, residual over total, differs by
    less than 0.001 dB above 37 dB. ``thd`` is the root of the sum of squares of the harmonics in the band, up to the
    30th, over the fundamental. That is how the trade writes it; IEC 60268-3, 14.12.3, has a form re the total besides,
    0.04 dB less at 10 % (clauses by public commentary). IEEE 1658 and IEEE 1241 count the 2nd to the 10th harmonic
    unless another number is stated (from memory); further ones seldom matter. None of these texts was at hand.
    ``noise`` is all that is neither fundamental nor harmonic, hum and spurious lines included. ``largest_spur`` is the
    largest line that is no harmonic (a spurious component in the sense of IEEE 1057). ``enob`` is (SINAD - 1.76 dB) /
    6.02 dB with SINAD referred to full scale (IEEE 1057). ``clock_error`` is the tone's frequency over the nominal one,
    by the capture's clock: of a unit that runs by a clock of its own its error; of one that is slaved to its input it
    says nothing of the unit, and is the clock of the source (the station's own output, where that feeds it) against the
    capture's. ``hum`` sums the mains products M = 1 … 5 (AES17-2015, 6.5.1).
    """

    name: ClassVar[str] = "tone"
    text: ClassVar[str] = "one sine: level, frequency, distortion, noise"
    stimulus_parameters: ClassVar[type[Parameters]] = ToneParameters
    analysis_parameters: ClassVar[type[Parameters]] = ToneAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "level", "V", "level of the tone, rms", "nominal",
            DifferenceSpec("output", 0.001), LINE_OUTPUT_VOLTS, of_path=True,
        ),
        MetricSpec(
            "level_dbfs", "dBFS", "level of the tone re a full-scale sine of the capture", "nominal",
            either_way("output {size} {way}", "higher", "lower", 0.002, said_by=("level",)),
            of_path=True,
        ),
        MetricSpec(
            "frequency", "Hz", "frequency of the tone by the capture's clock", "nominal",
            DifferenceSpec(said_by=("clock_error",)), NO_NEGATIVE,
        ),
        MetricSpec(
            "clock_error", "ppm",
            "unit's clock against the capture's; of a unit slaved to its input, the source's clock", "nominal",
            either_way("clock {size} {way}, {value} off", "faster", "slower", 0.1),
        ),
        MetricSpec(
            "sinad", "dB", "tone over noise and distortion", "more", DifferenceSpec("SINAD"), NO_NEGATIVE
        ),
        MetricSpec(
            "thd", "dB", "harmonics re the tone", "less", DifferenceSpec("harmonic distortion"), NO_POSITIVE
        ),
        MetricSpec(
            "thd_n", "dB", "harmonics and noise re the tone", "less",
            DifferenceSpec(said_by=("sinad",)), NO_POSITIVE,
        ),
        MetricSpec(
            "noise", "dB", "noise, hum and spurious lines re the tone", "less",
            DifferenceSpec("noise"), NO_POSITIVE,
        ),
        MetricSpec(
            "enob", "bit", "effective number of bits", "more",
            DifferenceSpec(accuracy=0.02, said_by=("sinad",)), NO_NEGATIVE,
        ),
        *(
            MetricSpec(
                f"harmonic_{n}",
                "dB",
                f"harmonic {n} re the tone",
                "less",
                DifferenceSpec(f"harmonic {n}"),
                NO_POSITIVE,
            )
            for n in HARMONICS
        ),
        MetricSpec(
            "largest_spur", "dB", "largest line that is no harmonic, re the tone", "less",
            DifferenceSpec("largest spur"), NO_POSITIVE,
        ),
        MetricSpec("hum", "dB", "mains products re the tone", "less", DifferenceSpec("hum"), NO_POSITIVE),
        MetricSpec("dc_offset", "mV", "direct voltage", "nominal", DifferenceSpec("direct voltage", 0.01)),
        MetricSpec(
            "balance", "dB", "level of the first channel over that of the second", "nominal",
            either_way("first channel {size} {way} against the second, {value}", "louder", "softer", 0.005),
            per_channel=False, of_path=True,
        ),
        PEAK_OUTSIDE,
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "spectrum", "Hz", "dB", "everything but the tone, re the tone, at the stated resolution",
            difference=DifferenceSpec("spectrum", said_by=("thd", "noise", "largest_spur", "hum")),
            possible=NO_POSITIVE,
        ),
    )  # fmt: skip

    def possible(self, parameters: ToneParameters, analysis: ToneAnalysis) -> Mapping[str, Range]:
        """Return what the noise of the stimulus's dither allows."""
        noise = dither_noise_db(parameters.bits, parameters.rate_hz, analysis.band_hz)
        residue = noise - parameters.level_dbfs
        low, high = analysis.band_hz
        return {
            "sinad": (0.0, -residue),
            "thd_n": (residue, 0.0),
            "noise": (residue, 0.0),
            "enob": (0.0, (-noise - 10.0 * np.log10(1.5)) / (20.0 * np.log10(2.0))),
            "spectrum": (residue + 10.0 * np.log10(min(analysis.resolution_hz / (high - low), 1.0)), 0.0),
        }

    def implied(self, parameters: ToneParameters, analysis: ToneAnalysis) -> tuple[Implied, ...]:
        """Return what SINAD, THD and noise hold of each other and of their parts."""
        low, high = analysis.band_hz
        harmonics = [f"harmonic_{n}" for n in HARMONICS if low <= n * parameters.frequency_hz <= high]
        of_noise = ("largest_spur", "hum") if low <= LOWEST_MAINS_HZ else ("largest_spur",)
        found = [Implied("sinad", "thd_n", opposite, "SINAD is THD+N with the other sign")]
        for part in ("thd_n", "thd", "noise", *harmonics, *of_noise, "spectrum"):
            found.append(Implied(part, "sinad", opposite, "all noise and distortion counts in SINAD"))
        for part in ("thd", "noise", *harmonics, *of_noise, "spectrum"):
            found.append(Implied(part, "thd_n", the_same, "it is part of THD+N"))
        found += [Implied(part, "thd", the_same, "it is part of THD") for part in harmonics]
        found += [Implied(part, "noise", the_same, "it is part of the noise") for part in of_noise]
        return tuple(found)

    def read(self, out: ReadingList, located: Located[ToneParameters, ToneAnalysis]) -> None:
        """Take every metric from the located sine."""
        capture, location, analysis = located.capture, located.location, located.analysis
        levels: list[Reading] = []
        reaches = out.reaches(capture, analysis.band_hz, self._band_metrics())
        for index, name in located.found:
            parts = dissect_channel(
                capture, location, index, located.parameters.frequency_hz, analysis.band_hz, max(HARMONICS)
            )
            levels.append(_tone_readings(out, name, parts, capture, index, located.parameters))
            _hum(out, name, parts, capture.possible_mains_hz)
            _harmonic_readings(out, name, parts)
            add_peak_outside(out, capture, location, index, name)
            out.problems += not_captured(parts.noise, analysis.band_hz[1], capture.rate_hz, name)
            if reaches:
                _band_readings(out, name, parts, located.parameters, analysis)
                out.spectrum(parts, name, analysis.band_hz, analysis.resolution_hz, parts.amplitude)
        out.readings.append(pair_difference("balance", located.context.channels, levels))

    def never_measured(
        self, parameters: ToneParameters, analysis: ToneAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return what this tone, band and number of channels rule out."""
        frequency, (low, high) = parameters.frequency_hz, analysis.band_hz
        never = {}
        if channels < 2:
            never["balance"] = "it compares two channels, and the file declares one"
        if not any(low <= order * frequency <= high for order in range(2, FITTED_HARMONICS + 1)):
            never["thd"] = (
                f"none of the harmonics 2 to {FITTED_HARMONICS} of {frequency:g} Hz lies in the band "
                f"({low:g} Hz to {high:g} Hz)"
            )
        if all(is_hum_hidden(frequency, parameters.seconds, mains) for mains in (50.0, 60.0)):
            never["hum"] = (
                f"{frequency:g} Hz or its harmonics lie on every mains product, of 50 Hz and of 60 Hz"
            )
        return never

    def _band_metrics(self) -> tuple[str, ...]:
        return ("sinad", "thd", "thd_n", "noise", "enob", "largest_spur", "spectrum")


def _tone_readings(
    out: ReadingList, name: str, parts: Dissection, capture: Capture, index: int, parameters: ToneParameters
) -> Reading:
    """Add what is read of the tone itself; return its level in dB for the balance."""
    tone = parts.tone
    assert tone is not None
    amplitude, spread = parts.amplitude, parts.amplitude_uncertainty
    level = decibels("level_dbfs", name, amplitude, spread, "dBFS")
    clock = 1e6 * (tone.frequency_hz / parameters.frequency_hz - 1.0)
    volts = capture.volts(index)
    out.volts("level", name, volts, amplitude * RMS_OF_PEAK, spread * RMS_OF_PEAK)
    out.volts("dc_offset", name, volts, 1e3 * parts.constant, 1e3 * parts.constant_uncertainty)
    out.readings.append(level)
    out.add("frequency", name, tone.frequency_hz, parts.frequency_uncertainty_hz)
    out.add("clock_error", name, clock, 1e6 * parts.frequency_uncertainty_hz / tone.frequency_hz)
    return level


def _hum(out: ReadingList, name: str, parts: Dissection, mains_hz: tuple[float, ...]) -> None:
    """Add the hum; missing where the tone's own harmonics lie on every mains product."""
    lines = hum_lines(parts, mains_hz)
    if lines:
        out.readings.append(ratio_reading("hum", name, total(line.power for line in lines), parts.tone))
        return
    message = "hum cannot be told from the tone: its harmonics lie on the mains products"
    out.explain(name, "hum_hidden", message, "hum")


def _harmonic_readings(out: ReadingList, name: str, parts: Dissection) -> None:
    """Add the single harmonics; those that the capture's rate does not reach are missing."""
    for order in HARMONICS:
        metric = f"harmonic_{order}"
        line = parts.harmonic(order)
        if line is not None:
            out.readings.append(ratio_reading(metric, name, line.power, parts.tone))
            continue
        message = f"harmonic {order} lies beyond half the capture's rate ({parts.rate_hz / 2:g} Hz)"
        out.explain(name, "beyond_capture", message, metric)


def _band_readings(
    out: ReadingList, name: str, parts: Dissection, parameters: ToneParameters, analysis: ToneAnalysis
) -> None:
    """Add what is taken over the whole band."""
    low, high = analysis.band_hz
    residual = parts.residual_power(low, high)
    thd_n = ratio_reading("thd_n", name, residual, parts.tone)
    out.readings += [
        thd_n,
        ratio_reading("noise", name, parts.residual_power(low, high, harmonics=False), parts.tone),
        _largest_spur(name, parts, low, high),
    ]
    _thd(out, name, parts, low, high)
    if thd_n.value is not None and thd_n.uncertainty is not None:
        # IEEE 1057: SINAD re full scale less 1.76 dB, the ratio of a full-scale sine to the rounding of one bit.
        bit = 20.0 * np.log10(2.0)
        bits = (-thd_n.value - parameters.level_dbfs - 10.0 * np.log10(1.5)) / bit
        out.add("sinad", name, -thd_n.value, thd_n.uncertainty)
        out.add("enob", name, bits, thd_n.uncertainty / bit)


def _thd(out: ReadingList, name: str, parts: Dissection, low: float, high: float) -> None:
    """Add the harmonics of the band re the tone; missing where none lies in the band."""
    harmonics = [line.power for line in parts.lines_between(low, high) if line.order >= 2]
    if harmonics:
        out.readings.append(ratio_reading("thd", name, total(harmonics), parts.tone))
    else:
        message = f"no harmonic lies in the band ({low:g} Hz to {high:g} Hz)"
        out.explain(name, "beyond_band", message, "thd")


def _largest_spur(name: str, parts: Dissection, low: float, high: float) -> Reading:
    """Return the largest line of the band that is no harmonic; where none stands out, what one may be at most."""
    spurs = [line.power for line in parts.lines_between(low, high) if not line.order]
    if spurs:
        return ratio_reading("largest_spur", name, max(spurs, key=lambda power: power.value), parts.tone)
    if parts.tone is None:
        return Reading("largest_spur", name, None, "dB", None)
    frequencies = parts.noise.frequencies_hz
    inside = parts.noise.values[(frequencies >= low) & (frequencies <= high)]
    hidden = FOUND_ABOVE_NOISE * float(np.max(inside, initial=0.0)) / parts.seconds
    # A line this strong is found or not, by how the noise adds to it.
    return power_ratio("largest_spur", name, Power(hidden, 0.25 * hidden), parts.tone.power, is_bound=True)


KIND = ToneKind()
