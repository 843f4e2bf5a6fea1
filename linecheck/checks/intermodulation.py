"""``intermodulation``: what two tones make of each other, over level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import Capture, Parameters, Reading
from linecheck.checks.parts.declared import (
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    the_same,
)
from linecheck.checks.parts.readings import ARITHMETIC, DB_PER_NEPER, Located, ReadingList
from linecheck.checks.parts.stepped import (
    Step,
    SteppedKind,
    SteppedParameters,
    StepPlan,
    level_steps,
    narrowed_to,
    step_spans,
)
from linecheck.checks.parts.tone_sets import stepped_level
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.phase_steps import tone_level_step
from linecheck.dsp.quantise import full_scale_amplitude
from linecheck.dsp.spectra.narrow import Narrowed
from linecheck.dsp.spectra.products import Crossing, Products, fit_products, noise_crossing

#: A product up to this share of the capture's rate is read true; above, the capture's own filter takes some of it.
LAST_TRUE_SHARE = 0.46
#: Near its least value the curve is flat, and noise says where it is least: found so far off, dB, whatever the step.
BEST_LEVEL_DB = 2.2


@dataclass(frozen=True)
class _Pair:
    """Two tones and the products that are read of them.

    ``mixes`` are (m, n) of the products m·f1 + n·f2; ``seconds`` and ``thirds`` say which of them are of second and
    third order. ``shares`` are the tones' amplitudes re the peak of their sum.
    """

    tones_hz: tuple[float, float]
    shares: tuple[float, float]
    mixes: tuple[tuple[int, int], ...]
    seconds: tuple[int, ...]
    thirds: tuple[int, ...]
    modulation: bool

    def products_hz(self) -> FloatArray:
        """Return the products' frequencies."""
        return np.array([m * self.tones_hz[0] + n * self.tones_hz[1] for m, n in self.mixes])

    def others_hz(self) -> FloatArray:
        """Return what else is there: harmonics of the low tone and further sidebands, or higher orders."""
        low, high = self.tones_hz
        if self.modulation:
            further = [high + sign * order * low for order in (6, 7) for sign in (-1, 1)]
            return np.array([*(order * low for order in range(2, 9)), *further])
        apart = high - low
        return np.array([2.0 * apart, 3.0 * apart, low - 2.0 * apart, high + 2.0 * apart])

    @property
    def top_hz(self) -> float:
        """Up to where a capture is looked at."""
        return 1.01 * float(np.max(self.products_hz())) + 3.0 * self.around_hz

    @property
    def around_hz(self) -> float:
        """How far from a product the noise is taken: half way to the next sideband, or in 500 Hz."""
        return 0.5 * self.tones_hz[0] if self.modulation else 250.0

    def carrier(self, tones: FloatArray) -> float:
        """Return what products are related to: a modulation pair's high tone, the sum of a difference pair."""
        return float(tones[1] if self.modulation else tones[0] + tones[1])


def _modulation(low_hz: float, high_hz: float) -> _Pair:
    """Return a pair of 4:1 with five sidebands on either side of the high tone."""
    mixes = tuple((sign * order, 1) for order in range(1, 6) for sign in (-1, 1))
    return _Pair((low_hz, high_hz), (0.8, 0.2), mixes, (0, 1), (2, 3), True)


def _difference(low_hz: float, high_hz: float) -> _Pair:
    """Return a pair of equal tones with the difference tone and the two neighbours of third order."""
    return _Pair((low_hz, high_hz), (0.5, 0.5), ((-1, 1), (2, -1), (-1, 2)), (0,), (1, 2), False)


PAIRS: Mapping[str, _Pair] = {
    "60+7000": _modulation(60.0, 7000.0),
    "41+7993": _modulation(41.0, 7993.0),
    "18000+20000": _difference(18000.0, 20000.0),
}


class IntermodulationParameters(SteppedParameters):
    """The pair and its levels.

    A level is that of the peak of the sum, re the peak of a full-scale sine: at 0 dBFS the pair 4:1 is 0.8 and 0.2 of
    full scale, the pair of equal tones 0.5 and 0.5.
    """

    pair: Annotated[
        Literal["60+7000", "41+7993", "18000+20000"],
        Field(
            description="The two tones, Hz. Products are re the high tone of 60+7000 and 41+7993, which reads 12.04 dB "
            "more than re the low one; re the sum of both of 18000+20000, which reads 6.02 dB less than re one of them"
        ),
    ] = "60+7000"
    level_dbfs: Annotated[
        float, Field(ge=-60.0, le=0.0, description="Highest level, peak of the sum re full scale, dB")
    ] = 0.0
    lowest_dbfs: Annotated[
        float, Field(ge=-100.0, le=-10.0, description="Lowest level, peak of the sum re full scale, dB")
    ] = -60.0
    step_db: Annotated[float, Field(ge=1.0, le=5.0, description="From one level to the next, dB")] = 5.0
    seconds: Annotated[
        float, Field(ge=0.1, le=10.0, description="Length of each level's measured part, s")
    ] = 0.3

    @model_validator(mode="after")
    def _fits(self) -> IntermodulationParameters:
        low, high = PAIRS[self.pair].tones_hz
        if high >= 0.5 * self.rate_hz:
            raise ValueError(
                f"pair must lie below half of rate_hz ({self.rate_hz / 2:g} Hz), got {low:g} and {high:g} Hz"
            )
        if self.level_dbfs - self.lowest_dbfs < self.step_db:
            raise ValueError(
                f"lowest_dbfs must be at least a step ({self.step_db:g} dB) below level_dbfs "
                f"({self.level_dbfs:g}), got {self.lowest_dbfs:g}"
            )
        return self

    @property
    def levels(self) -> list[float]:
        """The levels, descending."""
        return level_steps(self.level_dbfs, self.lowest_dbfs, self.step_db)


class IntermodulationAnalysis(Parameters):
    """Nothing can be set."""


@dataclass(frozen=True)
class _Ratios:
    """Products re their carrier over level, level descending: power ratios.

    ``values`` on average without noise, ``spreads`` their standard uncertainties, ``floors`` those that noise alone
    would give.
    """

    levels: FloatArray
    values: FloatArray
    spreads: FloatArray
    floors: FloatArray

    @property
    def shown(self) -> FloatArray:
        """The values, where they are not resolved the uncertainty below which nothing can be told."""
        return np.maximum(self.values, self.spreads)

    def decibels(self, index: int) -> tuple[float, float]:
        """Return one level's reading and its standard uncertainty in dB."""
        shown = float(self.shown[index])
        return 10.0 * float(np.log10(shown)), 0.5 * DB_PER_NEPER * float(self.spreads[index]) / shown


class IntermodulationKind(SteppedKind):
    """Intermodulation products of two tones, over level from 0 down to -60 dBFS.

    Modulation pairs, 60 Hz and 7 kHz or 41 Hz and 7993 Hz (AES17-2015, 6.3.6), 4:1: products are the sidebands at
    f2 ± n·f1, n = 1 … 5. Difference pair, 18 and 20 kHz (AES17-2015, 6.3.5), equal: products are f2 - f1, 2·f1 - f2 and
    2·f2 - f1.

    ``imd`` is the root of the sum of all products' squares over the high tone's amplitude U(f2) as captured, or for the
    difference pair over the sum of both tones' amplitudes U(f1) + U(f2). Squares, since each product's noise can be
    taken off its square and the squares of different products add, whatever their phases.

    Every figure of a pair has one denominator, and moves by so much where somebody else takes another:

    =====================  ==========================  =======================================================
    pair                   here re                     re something else it would read
    =====================  ==========================  =======================================================
    60+7000, 41+7993, 4:1  the high tone, U(f2)        re the low tone, U(f1): 12.04 dB less; re the sum of
                                                       both: 13.98 dB less; re the total rms: 12.30 dB less
    18000+20000, 1:1       the sum, U(f1) + U(f2)      re one tone: 6.02 dB more; re the total rms: 3.01 dB
                                                       more
    =====================  ==========================  =======================================================

    SMPTE RP 120, DIN 45403 and IEC 60268-3 take the high tone; for the difference pair IEC 60268-3 takes the sum, CCIF
    meters often one tone or the total rms (all from memory). Of the three figures, where one order alone is there:
    ``imd_2`` is 3.01 dB above ``imd`` for a modulation pair and equal to it for the difference pair, ``imd_3`` 3.01 dB
    above it for either, since two equal products add to twice one, and their squares to the root of two of it. A meter
    that demodulates the high tone (SMPTE, from memory) reads the sidebands of an order as ``imd_2`` and ``imd_3`` do,
    and the root of their squares where both are there.

    ``imd_2`` and ``imd_3`` are the figures of second and third order after IEC 60268-3 (14.12.7 and 14.12.8; formulas
    from memory), with arithmetic sums: [U(f2-f1) + U(f2+f1)]/U(f2) and [U(f2-2f1) + U(f2+2f1)]/U(f2), or for the
    difference pair U(f2-f1)/[U(f1)+U(f2)] and [U(2f1-f2) + U(2f2-f1)]/[U(f1)+U(f2)]; all three at the highest level.

    The tones, products and harmonics are fitted at their known frequencies, and what noise puts on a product on average
    is taken off. Where nothing of a reading is resolved it is its own uncertainty: the level below which nothing can be
    told. So the curve falls by 1 dB per dB where noise limits it, and bends where the products come out of the noise.
    ``noise_limited_below`` is the level at which that falling line meets the straight line through the lowest
    products that are resolved. How deep the noise line lies depends on the length of a step, which the curve states
    as its resolution, one over that length.

    ``best_imd_level`` is one of the levels that were played. The curve is flat about its least value, so noise alone
    scatters it by about 2.2 dB, whatever the step (simulated); its uncertainty holds that and the step.

    A mains supply of 60 Hz that modulates the output leaves the same sidebands as the 60 Hz tone: the pair of 41 and
    7993 Hz tells them apart. Jitter of the tones' own spacing does so too.
    """

    name: ClassVar[str] = "intermodulation"
    text: ClassVar[str] = "two tones stepped down in level: intermodulation over level"
    stimulus_parameters: ClassVar[type[Parameters]] = IntermodulationParameters
    analysis_parameters: ClassVar[type[Parameters]] = IntermodulationAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "imd", "dB", "all products at the highest level, root of squares, re U(f2) or both tones' sum",
            "less",
            DifferenceSpec("intermodulation"), NO_POSITIVE,
        ),
        MetricSpec(
            "imd_2", "dB", "second order at the highest level, arithmetic sum, re U(f2) or both tones' sum",
            "less",
            DifferenceSpec(said_by=("imd",)), NO_POSITIVE,
        ),
        MetricSpec(
            "imd_3", "dB", "third order at the highest level, arithmetic sum, re U(f2) or both tones' sum",
            "less",
            DifferenceSpec(said_by=("imd",)), NO_POSITIVE,
        ),
        MetricSpec(
            "best_imd", "dB", "all products at the level where they are least, re U(f2) or both tones' sum",
            "less",
            DifferenceSpec(said_by=("imd",)), NO_POSITIVE,
        ),
        MetricSpec(
            "best_imd_level", "dBFS", "the level at which that is", "nominal",
            DifferenceSpec(is_place=True), NO_POSITIVE,
        ),
        MetricSpec(
            "noise_limited_below", "dBFS", "level below which noise hides the products", "nominal",
            DifferenceSpec(is_place=True), NO_POSITIVE,
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "imd_over_level", "dBFS", "dB", "all products at each level, re U(f2) or both tones' sum",
            difference=DifferenceSpec("intermodulation", said_by=("imd", "best_imd")), possible=NO_POSITIVE,
            log_x=False,
        ),
    )  # fmt: skip

    def implied(
        self, parameters: IntermodulationParameters, analysis: IntermodulationAnalysis
    ) -> tuple[Implied, ...]:
        """Return that products at their least are no more than those at full level."""
        return (Implied("best_imd", "imd", the_same, "it is the least over all levels"),)

    def plan(self, parameters: IntermodulationParameters) -> StepPlan:
        """Return the steps that parameters stand for."""
        pair = PAIRS[parameters.pair]
        peaks = [full_scale_amplitude(level, parameters.bits) for level in parameters.levels]
        return StepPlan(
            tuple(
                Step(pair.tones_hz, (peak * pair.shares[0], peak * pair.shares[1]), parameters.seconds)
                for peak in peaks
            )
        )

    def read(
        self, out: ReadingList, located: Located[IntermodulationParameters, IntermodulationAnalysis]
    ) -> None:
        """Take the products at every level."""
        capture, location, parameters = located.capture, located.location, located.parameters
        pair = PAIRS[parameters.pair]
        unread = _unread(out, pair, capture)
        narrowed = narrowed_to(capture, pair.top_hz, location)
        scale = (located.location.clock_ratio or 1.0) / narrowed.rate_hz
        spans = step_spans(self.plan(parameters), location, capture.rate_hz)
        for index, name in located.found:
            step = _level_step(narrowed, index, spans, max(pair.tones_hz) * scale)
            if step is not None:
                out.problems.append(stepped_level(name, *step))
            fits = [
                fit_products(
                    narrowed.between(index, *span),
                    np.array(pair.tones_hz) * scale,
                    pair.products_hz() * scale,
                    [tone * scale for tone in pair.others_hz() if tone * scale < 0.45],
                    pair.around_hz * scale,
                )
                for span in spans
            ]
            _add(out, name, pair, parameters, fits, unread)

    def curve_spans(
        self, parameters: IntermodulationParameters, analysis: IntermodulationAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return from which to which level the curve goes."""
        return {"imd_over_level": (parameters.levels[-1], parameters.levels[0])}


def _level_step(
    narrowed: Narrowed, index: int, spans: list[tuple[int, int]], high: float
) -> tuple[float, float] | None:
    """Return when and by how much the high tone (cycles per frame) changes within a step: its skirts hide products."""
    for span in spans:
        step = tone_level_step(narrowed.between(index, *span), high)
        if step is not None:
            return narrowed.seconds(span[0], step[0]), step[1]
    return None


def _unread(out: ReadingList, pair: _Pair, capture: Capture) -> set[str]:
    """Return what cannot be read where a product lies too near the capture's edge to be read true, and say so."""
    edge = LAST_TRUE_SHARE * capture.rate_hz
    beyond = [float(place) for place in pair.products_hz() if place > edge]
    if not beyond:
        return set()
    message = (
        f"the product at {beyond[0]:g} Hz cannot be read at a capture rate of {capture.rate_hz} Hz (true up to "
        f"{edge:g} Hz): capture at 48000 Hz or more"
    )
    metrics = ("imd", "imd_3", "best_imd", "best_imd_level", "noise_limited_below", "imd_over_level")
    out.explain(None, "beyond_capture", message, *metrics)
    return set(metrics)


def _sum_of_squares(levels: list[float], pair: _Pair, fits: list[Products]) -> _Ratios:
    """Return all products re the carrier at each level."""
    carriers = np.array([max(pair.carrier(fit.tones), 1e-15) ** 2 / 2.0 for fit in fits])
    values = np.array([float(np.sum(fit.powers)) for fit in fits]) / carriers
    spreads = np.array([float(np.sqrt(np.sum(fit.variance()))) for fit in fits]) / carriers
    # Noise alone scatters as its share does, and so does that share's own estimate (:meth:`Products.variance`).
    alone = [fit.shares * np.sqrt(1.0 + 1.0 / fit.share_freedom) for fit in fits]
    floors = np.array([float(np.sqrt(np.sum(shares**2))) for shares in alone]) / carriers
    return _Ratios(np.array(levels), values, np.hypot(spreads, ARITHMETIC), np.hypot(floors, ARITHMETIC))


def _arithmetic(metric: str, name: str, pair: _Pair, fit: Products, which: tuple[int, ...]) -> Reading:
    """Return the sum of some products' amplitudes re the carrier."""
    chosen = list(which)
    carrier = max(pair.carrier(fit.tones), 1e-15)
    amplitude = float(np.sum(np.sqrt(2.0 * np.maximum(fit.powers[chosen], 0.0)))) / carrier
    spread = float(np.hypot(np.sqrt(np.sum(fit.shares[chosen])) / carrier, np.sqrt(ARITHMETIC)))
    shown = max(amplitude, spread)
    return Reading(metric, name, 20.0 * float(np.log10(shown)), "dB", float(DB_PER_NEPER * spread / shown))


def _add(
    out: ReadingList,
    name: str,
    pair: _Pair,
    parameters: IntermodulationParameters,
    fits: list[Products],
    unread: set[str],
) -> None:
    """Add one channel's readings and curve, but for what cannot be read."""
    ratios = _sum_of_squares(parameters.levels, pair, fits)
    best = int(np.argmin(ratios.shown))
    crossing = noise_crossing(ratios.levels, ratios.values, ratios.spreads, ratios.floors)
    step = np.hypot(BEST_LEVEL_DB, parameters.step_db / np.sqrt(24.0))
    taken = [
        Reading("imd", name, ratios.decibels(0)[0], "dB", ratios.decibels(0)[1]),
        _arithmetic("imd_2", name, pair, fits[0], pair.seconds),
        _arithmetic("imd_3", name, pair, fits[0], pair.thirds),
        Reading("best_imd", name, ratios.decibels(best)[0], "dB", ratios.decibels(best)[1]),
        Reading("best_imd_level", name, float(ratios.levels[best]), "dBFS", float(step)),
        Reading("noise_limited_below", name, crossing.level, "dBFS", crossing.uncertainty),
    ]
    out.readings += [reading for reading in taken if reading.metric not in unread]
    if unread:
        return
    if crossing.side != "here":
        out.explain(name, "off_the_scale", _off_the_scale(crossing), "noise_limited_below")
    both = np.array([ratios.decibels(index) for index in range(len(fits))])[::-1]
    out.curve("imd_over_level", name, ratios.levels[::-1], both[:, 0], both[:, 1], 1.0 / parameters.seconds)


def _off_the_scale(crossing: Crossing) -> str:
    """Say that noise limits all levels, or none."""
    if crossing.side == "above":
        return (
            f"no product comes out of the noise up to {crossing.level:g} dBFS, the highest level: noise limits all of "
            "them"
        )
    return f"products stand out of the noise down to {crossing.level:g} dBFS, the lowest level: noise limits none"


KIND = IntermodulationKind()
