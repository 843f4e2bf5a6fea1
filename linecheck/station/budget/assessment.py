"""A limit file's masks against a station's path.

==========================  ===============================================================
:func:`assess`                every mask that the path enters, with its budget
:func:`path_parts`          the same as parts, for readings that are to be judged with them
:class:`StationPath`        what of a station is needed for it
==========================  ===============================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.checks.parts.readings import DB_PER_NEPER
from linecheck.checks.parts.volts import VOLT_UNITS, rests_on_volts
from linecheck.limits.masks import tightest
from linecheck.limits.model import Bounds, Check, LimitFile
from linecheck.limits.regression import Measured
from linecheck.measure.path_part import DB_PER_BIT, PathPart, PathParts, Scale
from linecheck.station.budget.budget import Answer, Component, MaskBudget
from linecheck.station.budget.contributions import CONTRIBUTIONS, NOT_HELD, Contribution, row_of
from linecheck.station.budget.figures import Figures, reference_dbfs

#: Of volts: how many of the unit are in one.
_IN_VOLTS = {"V": 1.0, "mV": 1e3, "µV": 1e6}
_SCALES: Mapping[str, Scale] = {**dict.fromkeys(_IN_VOLTS, "volts"), "bit": "bits"}
#: Figures of lines, which noise raises with the resolution that they are read at.
LINES = ("spur", "quiet_line", "residue")
#: A check of this pair is held against the self-check's own play of it, any other against that of 60 Hz and 7 kHz.
DIFFERENCE_PAIR = "18000+20000"
#: The bands of two noises count as one where their upper edges differ by no more.
SAME_BAND = 0.1

_Spec = MetricSpec | CurveSpec


@dataclass(frozen=True)
class StationPath:
    """A station's path, as its newest self-check found it.

    Attributes
    ----------
    figures : Figures
    rate_hz : int
        What the self-check played at.
    full_scale_volts : tuple of float or None
        Peak volts at digital 1.0, per channel.
    volts_uncertainty : float or None
        Their relative standard uncertainty; None where it is not stated.
    """

    figures: Figures
    rate_hz: int
    full_scale_volts: tuple[float, ...] | None
    volts_uncertainty: float | None


@dataclass(frozen=True)
class Assessment:
    """A limit file assessed against a path.

    ``unheld`` are masks that nothing of a self-check can be held against, with the reason; ``unmeasured`` those that
    this one could not tell of, in some channel at least.
    """

    masks: tuple[MaskBudget, ...]
    unheld: Mapping[str, str]
    unmeasured: tuple[str, ...] = ()

    @property
    def undecided(self) -> tuple[MaskBudget, ...]:
        """The masks that the station can hardly decide, or not at all: the worst channel of each, the worst first."""
        worst: dict[tuple[str, str], MaskBudget] = {}
        for mask in self.masks:
            key = (mask.check, mask.metric)
            if mask.answer is not Answer.DECIDES and (
                key not in worst or mask.uncertainty > worst[key].uncertainty
            ):
                worst[key] = mask
        return tuple(sorted(worst.values(), key=lambda mask: mask.answer is not Answer.CANNOT))


def assess(limits: LimitFile, path: StationPath) -> Assessment:
    """Assess every mask of a limit file against a path."""
    masks: list[MaskBudget] = []
    unheld: dict[str, str] = {}
    unmeasured: list[str] = []
    assessing = _Assessing(limits, path)
    for check in limits.checks:
        for spec in check.masked:
            name = f"{check.name}.{spec.name}"
            reason = assessing.why_not(check, spec)
            if reason is not None:
                unheld[name] = reason
                continue
            found = list(assessing.budgets(check, spec))
            masks += found
            if len(found) < (len(limits.channels) if spec.per_channel else 1):
                unmeasured.append(name)
    return Assessment(tuple(masks), unheld, tuple(unmeasured))


def path_parts(held: Assessment) -> Mapping[str, PathParts]:
    """Return the path's parts of every held mask, by check."""
    found: dict[str, dict[tuple[str, str | None], tuple[PathPart, ...]]] = {}
    for mask in held.masks:
        parts = tuple(replace(part, limit=mask.limit) for part in mask.parts)
        found.setdefault(mask.check, {})[mask.metric, mask.channel] = parts
    return found


@dataclass(frozen=True)
class _Assessing:
    """A limit file and the path that its masks are held against."""

    limits: LimitFile
    path: StationPath

    def budgets(self, check: Check, spec: _Spec) -> Iterator[MaskBudget]:
        """Yield the budget of a mask in each channel in which the path is known."""
        entries = CONTRIBUTIONS[row_of(check.kind, spec)]
        edge = _edge(spec, check.masks[spec.name].pass_)
        if edge is None:
            return
        limit, room, is_least = edge
        for index, channel in enumerate(self.limits.channels if spec.per_channel else (None,)):
            made = [self._part(entry, check, spec, index) for entry in entries]
            parts = tuple(part for part in made if part is not None)
            if len(parts) < len(entries):
                continue
            components = (
                *self._measuring(entries[0], check, spec, index, limit),
                *(Component.of(part, limit) for part in parts),
                *self._calibration(spec, limit),
            )
            yield MaskBudget(
                check.name,
                spec.name,
                channel,
                spec.unit,
                limit,
                room,
                parts,
                components,
                is_least,
                is_uncalibrated=rests_on_volts(spec.unit) and self.path.volts_uncertainty is None,
            )

    def why_not(self, check: Check, spec: _Spec) -> str | None:
        """Return why nothing of a self-check can be held against a metric; None where something can."""
        key = row_of(check.kind, spec)
        if key not in CONTRIBUTIONS:
            return NOT_HELD.get(key, "the self-check plays nothing alike")
        band = getattr(check.analysis, "band_hz", None)
        own = min(20_000.0, 0.45 * self.path.rate_hz)
        noisy = {"tone", "quiet", "low_level_tone", "distortion_sweep", "multitone"}
        if band is not None and check.kind.name in noisy and band[1] > (1.0 + SAME_BAND) * own:
            return f"its band goes beyond the self-check's, which ends at {own:.0f} Hz"
        if check.kind.name == "ultrasonic" and getattr(check.stimulus, "signal", "noise") != "noise":
            return "the self-check plays noise, and this is re what a unit plays"
        return None

    def _part(self, entry: Contribution, check: Check, spec: _Spec, index: int) -> PathPart | None:
        """Return what a figure of the path is beside a metric; None where something of it is not known."""
        name = figure_name(entry, check)
        figure = self._figure(name, index)
        if figure is None:
            return None
        source, sign = f"the path's {name.replace('_', ' ')}", -1.0 if spec.better == "more" else 1.0
        if entry.way in ("additive", "relative"):
            per_unit = self._per_unit(entry, check, spec, index)
            return (
                None if per_unit is None else PathPart(source, abs(figure.value) * per_unit, entry.way, sign)
            )
        against = self._against_db(entry, check, spec, index)
        if against is None:
            return None
        size = figure.value + against + entry.offset_db + _resolution_db(name, check)
        return PathPart(source, size, entry.way, sign, _SCALES.get(spec.unit, "decibels"))

    def _per_unit(self, entry: Contribution, check: Check, spec: _Spec, index: int) -> float | None:
        """Return what takes a figure to the metric's unit, a factor; None where its volts are not known."""
        if entry.to == "volts":
            volts = self._full_scale_volts(index)
            return None if volts is None else volts * _IN_VOLTS[spec.unit]
        if entry.figure == "clock" and spec.unit == "Hz":
            return 1e-6 * float(getattr(check.stimulus, "frequency_hz"))  # noqa: B009 - any kind's parameters
        return 1.0

    def _against_db(self, entry: Contribution, check: Check, spec: _Spec, index: int) -> float | None:
        """Return what takes a figure from what it is re to what the metric is re, dB; None where that is not known."""
        if entry.re == "rate":
            own = self.path.rate_hz
            return 20.0 * math.log10(float(getattr(check.stimulus, "rate_hz", own)) / own)
        if entry.to == "volts":
            volts = self._full_scale_volts(index)
            return None if volts is None else 20.0 * math.log10(volts / math.sqrt(2.0) * _IN_VOLTS[spec.unit])
        if entry.re == "own":
            # What grows with the tone is as far below it; a metric re full scale has the tone's own level in it.
            return reference_dbfs(check) if entry.to == "full_scale" else 0.0
        level = self._figure("level", index) if entry.re == "loop_tone" else Measured(0.0, 0.0)
        target = (self._full_scale_dbfs if entry.to == "full_scale" else self._tone_dbfs)(check, index)
        return None if level is None or target is None else level.value - target

    def _measuring(
        self, entry: Contribution, check: Check, spec: _Spec, index: int, limit: float
    ) -> Iterator[Component]:
        """Yield how far such a reading scatters: as the loop's own does, which is measured in the same way."""
        name = "level" if entry.way == "relative" else figure_name(entry, check)
        figure = self._figure(name, index)
        if figure is None or figure.is_bound:
            return
        own = figure.uncertainty
        if entry.way == "additive":
            own *= self._per_unit(entry, check, spec, index) or 1.0
        elif spec.unit in VOLT_UNITS:
            own *= abs(limit) / DB_PER_NEPER
        elif spec.unit == "bit":
            own /= DB_PER_BIT
        yield Component("scatter of the reading, as the loop's", own, "normal", 1.0, "GUM 4.2")

    def _calibration(self, spec: _Spec, limit: float) -> Iterator[Component]:
        """Yield what the calibration of the volts adds: to volts alone, since in a ratio it is one error of both."""
        known = self.path.volts_uncertainty
        if not rests_on_volts(spec.unit):
            if spec.unit in ("dB", "dBFS"):
                yield Component(
                    "calibration: one scale for both (r = 1), cancels", 0.0, "normal", 1.0, "GUM 5.2.2"
                )
        elif known is not None:
            own = known * (abs(limit) if spec.unit in VOLT_UNITS else DB_PER_NEPER)
            yield Component("calibration of full_scale_volts", own, "normal", 1.0, "GUM 4.3.3")

    def _tone_dbfs(self, check: Check, index: int) -> float | None:
        """Return the captured level of what a check's ratios refer to; None where nothing says it."""
        full = self._full_scale_dbfs(check, index)
        referred = next((each for each in self.limits.checks if each.name == check.reference), check)
        return None if full is None else full + reference_dbfs(referred)

    def _full_scale_dbfs(self, check: Check, index: int) -> float | None:
        """Return the captured level of the unit's full-scale tone; None where nothing says it.

        It is from the check's own mask of volts, else from another's, else as the loop drives its input.
        """
        volts = self._full_scale_volts(index)
        for other in (check, *self.limits.checks) if volts is not None else ():
            nominal = _middle(other.masks["level"].pass_) if "level" in other.masks else None
            if volts is not None and nominal is not None and other.kind.name == "tone":
                level = 20.0 * math.log10(nominal * math.sqrt(2.0) / volts)
                return level - float(getattr(other.stimulus, "level_dbfs", 0.0))
        gain = self._figure("gain", index)
        return None if gain is None else gain.value

    def _full_scale_volts(self, index: int) -> float | None:
        volts = self.path.full_scale_volts
        return None if volts is None or index >= len(volts) else volts[index]

    def _figure(self, name: str, index: int) -> Measured | None:
        entries = self.path.figures.get(name, ())
        return entries[index] if index < len(entries) else None


def _middle(bounds: Bounds) -> float | None:
    low, high = bounds.min, bounds.max
    if isinstance(low, float | int) and isinstance(high, float | int) and low > 0.0:
        return math.sqrt(low * high)
    return None


def _edge(spec: _Spec, bounds: Bounds) -> tuple[float, float, bool] | None:
    """Return the pass limit at which the path matters most, the room that it leaves, and whether it is a lower one."""
    sides = {side: tightest(limit, side) for side, limit in bounds.sides.items()}
    low, high = sides.get("min"), sides.get("max")
    if low is not None and high is not None:
        limit = high if spec.better != "more" else low
        return limit, 0.5 * abs(high - low), spec.better == "more"
    if low is not None:
        return low, abs(low), True
    return None if high is None else (high, abs(high), False)


def figure_name(entry: Contribution, check: Check) -> str:
    """Return the name of the figure that enters a check: of intermodulation that of the pair that it plays."""
    differs = getattr(check.stimulus, "pair", None) == DIFFERENCE_PAIR
    return f"difference_{entry.figure}" if differs else entry.figure


def _resolution_db(name: str, check: Check) -> float:
    """Return by how much a check's wider resolution raises noise that a figure of lines may be."""
    if name not in LINES or not hasattr(check.analysis, "resolution_hz"):
        return 0.0
    own = getattr(check.kind.analysis_parameters(), "resolution_hz")  # noqa: B009 - any kind's parameters
    return max(0.0, 10.0 * math.log10(check.analysis.resolution_hz / own))
