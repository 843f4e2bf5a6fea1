"""A run as symptoms read it: its values by kind and metric, how far each is out of what is allowed, its curves.

====================  ========================================================================
:class:`Evidence`     the view of a run
:func:`beyond`        how surely a value lies beyond a threshold, 0 to 1
:func:`both`          how surely several things hold at once
====================  ========================================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.dsp.arrays import FloatArray
from linecheck.limits.model import Check
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome, Run

#: What a value was before: by check, metric and channel.
Earlier = Mapping[tuple[str, str, str | None], float]

#: A value differs from an earlier one by its own repeats, by this part of what a regression allows, and by this where
#: nothing is known, in its unit.
OF_MARGIN, REPEATS = 0.5, 0.1
#: Codes that say that nothing of the stimulus is there.
NOT_THERE = ("silent_channel", "stimulus_not_found", "no_tone")
#: Parts of a tone's residue, dB re the tone.
PARTS_OF_RESIDUE = ("thd", "noise", "hum")
#: Codes of what a capture does not reach.
TOO_LOW = ("capture_rate_low", "band_not_reached")
#: A tone above this is there for the treble, and tells no harmonics.
TREBLE_HZ = 5000.0


def beyond(value: float | None, threshold: float, width: float) -> float | None:
    """Return how surely a value lies above a threshold: 0.5 at it, 0.98 two widths above; None where there is none.

    A normal distribution function rather than a step: a value at the threshold, within its uncertainty, is weak
    evidence and must not turn the odds.
    """
    if value is None or not math.isfinite(value):
        return None
    return 0.5 * (1.0 + math.erf((value - threshold) / (math.sqrt(2.0) * max(width, 1e-12))))


def both(*strengths: float | None) -> float | None:
    """Return how surely several things hold at once, taken as independent; None where one is not known."""
    product = 1.0
    for strength in strengths:
        if strength is None:
            return None
        product *= strength
    return product


@dataclass(frozen=True)
class Out:
    """By how much a value is worse than allowed, in its own unit; negative where it is well.

    ``uncertainty`` is its standard uncertainty.
    """

    by: float
    uncertainty: float


@dataclass(frozen=True)
class Evidence:
    """The view of a run.

    ``earlier`` holds the values of an earlier run that this one is held against: what is worse than allowed is then
    what is worse than it was. Empty, the masks say what is allowed.
    """

    run: Run
    earlier: Earlier = field(default_factory=dict)
    #: What several symptoms look at, found once.
    kept: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels of the unit."""
        return self.run.limits.channels

    @cached_property
    def _limits(self) -> dict[str, Check]:
        return {check.name: check for check in self.run.limits.checks}

    def checks(self, kind: str) -> Iterator[CheckOutcome]:
        """Yield the checks of a kind; ``tone`` are those below the treble, ``treble`` those above."""
        for check in self.run.checks:
            if kind in ("tone", "treble"):
                parameters = self.parameters(check)
                high = getattr(parameters, "frequency_hz", 0.0) >= TREBLE_HZ
                if check.kind == "tone" and high == (kind == "treble"):
                    yield check
            elif check.kind == kind:
                yield check

    def parameters(self, check: CheckOutcome) -> Any:  # noqa: ANN401 - those of any kind
        """Return the stimulus parameters of a check; None where its limit file is not known."""
        limits = self._limits.get(check.check)
        return None if limits is None else limits.stimulus

    def rate_hz(self, kind: str) -> float | None:
        """Return the stimulus's rate of the first check of a kind."""
        rates = [getattr(self.parameters(check), "rate_hz", None) for check in self.checks(kind)]
        return next((float(rate) for rate in rates if rate), None)

    @cached_property
    def _items(self) -> dict[tuple[str, str, str | None], JudgedReading]:
        return {
            (check.check, item.reading.metric, item.reading.channel): item
            for check in self.run.checks
            for item in check.judged.readings
        }

    def items(
        self, kind: str, metric: str, channel: str | None
    ) -> Iterator[tuple[CheckOutcome, JudgedReading]]:
        """Yield a metric's readings in the checks of a kind, measured ones alone; none of a channel that is silent."""
        if channel in self.silent:
            return
        for check in self.checks(kind):
            item = self._items.get((check.check, metric, channel))
            if item is not None and item.reading.value is not None:
                yield check, item

    def value(self, kind: str, metric: str, channel: str | None) -> float | None:
        """Return the first value of a metric; None where none was measured."""
        return next((item.reading.value for _, item in self.items(kind, metric, channel)), None)

    def out(self, kind: str, metric: str, channel: str | None) -> Out | None:
        """Return by how much a metric is worse than allowed, the worst of its checks; None where nothing says.

        A part of a tone's residue that has no mask of its own must at least be less than the whole may be.
        """
        found = [
            out
            for check, item in self.items(kind, metric, channel)
            if (out := self._out_of(check, item)) is not None
        ]
        if not found and kind == "tone" and metric in PARTS_OF_RESIDUE and not self.earlier:
            return self._out_of_residue(metric, channel)
        return max(found, key=lambda out: out.by, default=None)

    def _out_of_residue(self, metric: str, channel: str | None) -> Out | None:
        for check, item in self.items("tone", metric, channel):
            for whole, sign in (("sinad", -1.0), ("thd_n", 1.0)):
                mask = self.run.mask(check.check, whole)
                limit = None if mask is None else (mask.pass_.min if sign < 0.0 else mask.pass_.max)
                if isinstance(limit, float | int) and item.reading.value is not None:
                    return Out(item.reading.value - sign * limit, item.reading.uncertainty or 0.0)
        return None

    def _out_of(self, check: CheckOutcome, item: JudgedReading) -> Out | None:
        reading = item.reading
        assert reading.value is not None
        uncertainty = reading.uncertainty or 0.0
        if self.earlier:
            before = self.earlier.get((check.check, reading.metric, reading.channel))
            return None if before is None else self._out_since(check, reading, before)
        return None if item.margin is None else Out(-item.margin, uncertainty)

    def _out_since(self, check: CheckOutcome, reading: Reading, before: float) -> Out:
        """Return by how much a reading is worse than it was, in parts of what repeats may differ by, less one.

        A change within what repeats differ by so lies at -1 to 0, whatever its unit.
        """
        assert reading.value is not None
        spec = next((spec for spec in self._specs(check) if spec.name == reading.metric), None)
        change = reading.value - before
        worse = {"more": -change, "less": change}.get("" if spec is None else spec.better, abs(change))
        spread = math.sqrt(2.0) * (reading.uncertainty or 0.0)
        limits = self._limits.get(check.check)
        margin = 0.0 if limits is None else limits.regression.get(reading.metric, 0.0)
        least = REPEATS if spec is None or spec.difference.accuracy is None else spec.difference.accuracy
        allowed = max(3.0 * spread, OF_MARGIN * margin, least)
        return Out(worse / allowed - 1.0, spread / allowed)

    def _specs(self, check: CheckOutcome) -> tuple[Any, ...]:
        limits = self._limits.get(check.check)
        return () if limits is None else limits.kind.metrics

    def change(self, kind: str, metric: str, channel: str | None) -> float | None:
        """Return how a value differs from the earlier one, or from the middle of a pass mask of two sides."""
        for check, item in self.items(kind, metric, channel):
            value = item.reading.value
            assert value is not None
            if self.earlier:
                before = self.earlier.get((check.check, metric, channel))
                return None if before is None else value - before
            mask = self.run.mask(check.check, metric)
            bounds = None if mask is None else mask.pass_
            low, high = getattr(bounds, "min", None), getattr(bounds, "max", None)
            if isinstance(low, float | int) and isinstance(high, float | int):
                return value - 0.5 * (low + high)
        return None

    def ratio_db(self, kind: str, metric: str, channel: str | None) -> float | None:
        """Return how a value in volts differs from what it should be, in dB."""
        value, change = self.value(kind, metric, channel), self.change(kind, metric, channel)
        if value is None or change is None or value <= 0.0 or value - change <= 0.0:
            return None
        return 20.0 * math.log10(value / (value - change))

    def curve(self, kind: str, metric: str, channel: str | None) -> Curve | None:
        """Return the first curve of a metric that has points; none of a channel that is silent."""
        if channel in self.silent:
            return None
        for check in self.checks(kind):
            for item in check.judged.curves:
                curve = item.curve
                if curve.metric == metric and curve.channel == channel and len(curve.x):
                    return curve
        return None

    def problems(
        self, *codes: str, channel: str | None = None
    ) -> Iterator[tuple[CheckOutcome | None, Problem]]:
        """Yield the problems with these codes, of a channel or of the whole; those of the run have no check."""
        listed: list[tuple[CheckOutcome | None, Problem]] = [(None, entry) for entry in self.run.problems]
        listed += [(check, entry) for check in self.run.checks for entry in check.judged.problems]
        for check, entry in listed:
            if entry.code in codes and (channel is None or entry.channel in (None, channel)):
                yield check, entry

    def share(self, codes: Iterable[str], channel: str | None) -> float:
        """Return in which share of the checks a channel has one of these problems."""
        wanted, checks = set(codes), self.run.checks
        having = sum(
            any(entry.code in wanted and entry.channel in (None, channel) for entry in check.judged.problems)
            for check in checks
        )
        return having / len(checks) if checks else 0.0

    @cached_property
    def silent(self) -> frozenset[str]:
        """The channels in which most checks find nothing of what is played: what is read there is of something else."""
        return frozenset(name for name in self.channels if self.share(NOT_THERE, name) >= 0.5)

    @cached_property
    def findings(self) -> tuple[tuple[str, JudgedReading | JudgedCurve], ...]:
        """Everything judged that is not a pass, with its kind; against an earlier run, everything that is worse.

        What a capture's rate is too low for is no finding beside others: nothing of the unit explains it.
        """
        found = [
            (check, item)
            for check in self.run.checks
            for item in check.judged.items
            if item.verdict not in (None, Verdict.PASS) or self._is_worse(check, item)
        ]
        of_unit = [(check.kind, item) for check, item in found if not self._is_out_of_reach(check, item)]
        return tuple(of_unit or [(check.kind, item) for check, item in found])

    def _is_out_of_reach(self, check: CheckOutcome, item: JudgedReading | JudgedCurve) -> bool:
        return item.verdict is Verdict.INVALID and any(
            problem.code in TOO_LOW and (problem.blocks or item.measured.metric in problem.metrics)
            for problem in check.judged.problems
        )

    def _is_worse(self, check: CheckOutcome, item: JudgedReading | JudgedCurve) -> bool:
        if not self.earlier or not isinstance(item, JudgedReading) or item.reading.value is None:
            return False
        out = self._out_of(check, item)
        return out is not None and out.by > 0.0


def points(curve: Curve, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Return the points of a curve within a band, both arrays of the same length."""
    inside = (curve.x >= low) & (curve.x <= high)
    return np.asarray(curve.x[inside]), np.asarray(curve.y[inside])
