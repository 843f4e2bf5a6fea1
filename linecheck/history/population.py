"""A run beside other units: where its readings lie among all earlier units of the model, and beside one of them.

==========================  =====================================================================
:func:`population_of`       a run's readings among the units in a log
:class:`Population`         one reading among them: percentile, robust centre and spread, in words
:class:`Populations`        all of a run, with what limits them
:func:`percentile_rank`     the share of values below one, plus half of those equal to it
:func:`robust_scale`        median, and the spread by the median absolute deviation
:func:`margins_beside`      a run whose explained margins are held against that of other units
:func:`reference_values`    what a named unit measured, by check, metric and channel
:func:`reference_notes`     what the two runs do not share, in sentences
==========================  =====================================================================

Each unit counts once, with the newest of its records in which the reading was measured and is not void. Only what was
measured alike counts: the same check under the same setup, the same stimulus to the byte, the same analysis. Nothing
here changes a verdict.
"""

from __future__ import annotations

import bisect
import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from linecheck.checks import kinds
from linecheck.checks.base import Reading
from linecheck.checks.parts.declared import Better, difference_unit
from linecheck.files.text import visible
from linecheck.limits.model import Check
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.log import LogReader
from linecheck.log.population import EarlierReading, EarlierUnits, LeftOut, WantedReading
from linecheck.results.wording import number, significant, subject
from linecheck.run.causes import Causes, ExplainedMargin, causes_of
from linecheck.run.model import CheckOutcome, Run

Key = tuple[str, str, str | None]

#: Fewer units than this have no percentile.
_FEWEST_UNITS = 5

#: The median absolute deviation times this is the standard deviation of a normal distribution, 1 / Φ⁻¹(3/4).
_MAD_TO_SIGMA = 1.4826022185056018
#: A value stands apart beyond so many robust sigmas, plus _FEW_UNITS / n: a spread that few units tell is often too
#: small. Of normal values 1 in 1000 lies beyond that among 8 units, 1 in 8000 among 20, 1 in 15 000 among 400
#: (simulated).
_APART_SIGMAS, _FEW_UNITS, _FEWEST_FOR_APART = 4.0, 60.0, 8
#: Between these percentiles a reading of which neither more nor less is better is called typical.
_TYPICAL = (5.0, 95.0)

_WHY_LEFT_OUT = {
    LeftOut.ABSENT: "without this reading",
    LeftOut.NOT_MEASURED: "not measured or void",
    LeftOut.OTHER_STIMULUS: "another stimulus",
    LeftOut.OTHER_ANALYSIS: "analysed differently",
    LeftOut.OTHER_UNIT: "in another unit",
}


@dataclass(frozen=True)
class Population:
    """One reading among those of earlier units of the model.

    ``values`` are theirs, ascending. ``percentile`` (0 to 100) is the share of them below this value plus half of those
    equal to it; None with fewer than five units.
    ``centre`` and ``spread`` are their median and their robust standard deviation, ``sigmas`` how many of it this value
    lies above the centre (negative: below); None where that cannot be told. ``standing`` says it in words, ``apart`` in
    a sentence where the value is none that units of the model have; it is empty where it is. ``left_out`` says which
    units have no value, and why.
    """

    unit: str
    values: tuple[float, ...]
    percentile: float | None
    centre: float | None
    spread: float | None
    sigmas: float | None
    standing: str
    apart: str
    left_out: str


@dataclass(frozen=True)
class Populations:
    """A run's readings among earlier units, by check, metric and channel.

    ``source`` says in words which units those are, ``notes`` what limits them; ``apart`` are the sentences on all
    readings that stand apart, the farthest first.
    """

    source: str
    units: int
    readings: Mapping[Key, Population] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def apart(self) -> tuple[str, ...]:
        """The sentences on readings that stand apart, the farthest first."""
        found = [item for item in self.readings.values() if item.apart]
        return tuple(item.apart for item in sorted(found, key=lambda item: -abs(item.sigmas or 0.0)))


def population_of(view: Run, log: LogReader) -> Populations:
    """Return where a run's readings lie among those of the other units of its model in a log.

    Where the run is in that log itself, only what was recorded before it counts.

    Raises
    ------
    RecordError
        The log cannot be read.
    """
    judged = {
        (check.check, item.reading.metric, item.reading.channel): (check, item)
        for check in view.checks
        for item in check.judged.readings
    }
    wanted = [_wanted(view, check, item) for check, item in judged.values()]
    found = log.earlier_units(view.model, view.serial, wanted, run_id=view.run_id)
    readings = {
        key: _among(check, item, earlier)
        for (key, (check, item)), earlier in zip(judged.items(), found.readings, strict=True)
    }
    when = "" if found.before is None else f" before record {found.before}"
    what = "one other unit" if found.units == 1 else f"{found.units} other units"
    source = f"{what} of {visible(view.model)} in {visible(str(log.path))}{when}"
    return Populations(source, found.units, readings, tuple(_notes(view, found)))


def margins_beside(run: Run, log: LogReader) -> Run:
    """Return a run whose explained margins say how their largest part stands beside that of other units in a log.

    Raises
    ------
    RecordError
        The log cannot be read.
    """
    causes = causes_of(run)
    if causes is None or not causes.margins:
        return run
    wanted = {_largest_part(margin) for margin in causes.margins}
    # Only what is asked for: a population of all readings takes as long as all of them take to read.
    asked = replace(run, checks=tuple(_only(check, wanted) for check in run.checks))
    found = population_of(asked, log).readings
    own = {
        (check.check, item.reading.metric, item.reading.channel): item.reading.value
        for check in asked.checks
        for item in check.judged.readings
    }

    def beside(margin: ExplainedMargin) -> str:
        key = _largest_part(margin)
        there, value = found.get(key), own.get(key)
        if there is None or there.centre is None or value is None:
            return ""
        size = number(abs(value - there.centre), difference_unit(there.unit), 2)
        side = "above" if value > there.centre else "below"
        return f"{margin.parts[0].name} is {size} {side} the median of {len(there.values)} other units"

    margins = tuple(replace(margin, beside=beside(margin)) for margin in causes.margins)
    return replace(run, causes=Causes(causes.priors, causes.findings, causes.ranked, margins).as_fact())


def _largest_part(margin: ExplainedMargin) -> Key:
    return margin.check, (margin.parts[0].metric or "") if margin.parts else "", margin.channel


def _only(check: CheckOutcome, wanted: set[Key]) -> CheckOutcome:
    readings = tuple(
        item
        for item in check.judged.readings
        if (check.check, item.reading.metric, item.reading.channel) in wanted
    )
    return replace(check, judged=replace(check.judged, readings=readings))


def percentile_rank(values: Sequence[float], value: float) -> float:
    """Return the share of ascending values below one plus half of those equal to it, from 0 to 100.

    Parameters
    ----------
    values : sequence of float
        Ascending; at least one.
    value : float
    """
    below, not_above = bisect.bisect_left(values, value), bisect.bisect_right(values, value)
    return 50.0 * (below + not_above) / len(values)


def robust_scale(values: Sequence[float]) -> tuple[float, float]:
    """Return the median, and the median absolute deviation as the standard deviation of a normal distribution."""
    centre = statistics.median(values)
    return centre, _MAD_TO_SIGMA * statistics.median(abs(value - centre) for value in values)


def _wanted(view: Run, check: CheckOutcome, item: JudgedReading) -> WantedReading:
    reading, limits = item.reading, view.limits_of(check.check)
    analysis = {} if limits is None else limits.analysis_values
    return WantedReading(
        check.check, reading.metric, reading.channel, reading.unit, check.stimulus_sha256, analysis
    )


def _better(kind: str, metric: str) -> Better:
    known = kinds().get(kind)
    specs = () if known is None else known.metrics
    return next((spec.better for spec in specs if spec.name == metric), "nominal")


def _among(check: CheckOutcome, item: JudgedReading, earlier: EarlierReading) -> Population:
    reading, values = item.reading, tuple(sorted(earlier.values))
    void = reading.value is None or item.verdict is Verdict.INVALID
    value = None if void else reading.value
    enough = len(values) >= _FEWEST_UNITS
    percentile = percentile_rank(values, value) if enough and value is not None else None
    centre, spread = robust_scale(values) if enough else (None, None)
    sigmas = None if value is None or centre is None or not spread else (value - centre) / spread
    return Population(
        unit=reading.unit,
        values=values,
        percentile=percentile,
        centre=centre,
        spread=spread,
        sigmas=sigmas,
        standing=_standing(value, values, percentile, _better(check.kind, reading.metric), reading.is_bound),
        apart=_apart(check.check, item, len(values), centre, spread, sigmas),
        left_out=_left_out(earlier),
    )


def _standing(
    value: float | None, values: Sequence[float], percentile: float | None, better: Better, is_bound: bool
) -> str:
    """Return in words where a value lies among others."""
    units = len(values)
    if not units:
        return "no other unit to compare with"
    if value is None:
        return f"not measured; {_units(units)} to compare with"
    if percentile is None:
        return f"{_units(units)} to compare with, too few to rank"
    if values[0] == values[-1] == value:
        return f"the same as all {units} units"
    if better == "nominal" and _TYPICAL[0] <= percentile <= _TYPICAL[1]:
        return f"typical of {units} units"
    below, above = ("lower", "higher") if better == "nominal" else ("worse", "better")
    above_share = 100.0 - percentile if better == "less" else percentile
    if above_share == 100.0:
        return f"{above} than all {units} units"
    if above_share == 0.0:
        proven = f"{below} than all {units} units"
        return f"a bound that proves no rank among {units} units" if is_bound else proven
    if above_share < 50.0:
        return f"{below} than {'at most ' * is_bound}{_percent(100.0 - above_share)} of {units} units"
    return f"{above} than {'at least ' * is_bound}{_percent(above_share)} of {units} units"


def _percent(share: float) -> str:
    """Return a share that is not all of them, so that it does not read as that."""
    return f"{min(round(share), 99)} %"


def _units(count: int) -> str:
    return "one unit" if count == 1 else f"{count} units"


def _apart(
    check: str,
    item: JudgedReading,
    units: int,
    centre: float | None,
    spread: float | None,
    sigmas: float | None,
) -> str:
    """Return a sentence where a value that does not fail is none that units of the model have."""
    reading = item.reading
    if sigmas is None or units < _FEWEST_FOR_APART or abs(sigmas) <= _APART_SIGMAS + _FEW_UNITS / units:
        return ""
    if item.verdict is Verdict.FAIL or reading.is_bound:
        return ""
    judged = {Verdict.PASS: "passes", Verdict.MARGINAL: "is marginal"}.get(item.verdict or Verdict.INVALID)
    name = subject(check, reading.metric, reading.channel)
    return (
        f"{name} {judged or 'has no mask'}, but stands apart from {units} units: "
        f"{number(reading.value, reading.unit)}, where {number(centre, reading.unit)} is usual "
        f"({significant(abs(sigmas), 3)} robust sigmas of {number(spread, reading.unit, 2)} "
        f"{'above' if sigmas > 0.0 else 'below'})"
    )


def _left_out(earlier: EarlierReading) -> str:
    counts = [
        f"{_units(count)} {_WHY_LEFT_OUT[reason]}" for reason, count in sorted(earlier.left_out.items())
    ]
    if earlier.bounds:
        verb = "is a bound" if len(earlier.bounds) == 1 else "are bounds"
        counts.append(f"of the values {len(earlier.bounds)} {verb} (this or better), ranked at that value")
    return "; ".join(counts)


def _notes(view: Run, found: EarlierUnits) -> Iterable[str]:
    """Yield what limits a population."""
    if not found.units:
        yield f"no other unit of {visible(view.model)} is there to compare with"
        return
    if not found.complete:
        yield f"the log has more: only the newest {found.units} units and {found.records} of their records were read"
    unknown = [
        check.check for check in view.checks if check.stimulus_sha256 is None and check.judged.readings
    ]
    if unknown:
        names = ", ".join(visible(name) for name in unknown)
        yield f"what was played is not known, so that no other unit is known to have had it: {names}"
    if not found.tells_bounds:
        yield "some records are of an older linecheck, which did not keep which values are bounds"
    yield from _left_out_notes(found)


def _left_out_notes(found: EarlierUnits) -> Iterable[str]:
    """Yield how many units each reason has left out, of one reading or more."""
    for reason, words in _WHY_LEFT_OUT.items():
        counts = [reading.left_out.get(reason, 0) for reading in found.readings]
        concerned = sum(1 for count in counts if count)
        if concerned:
            lowest, highest = min(count for count in counts if count), max(counts)
            span = _units(highest) if lowest == highest else f"{lowest} to {highest} units"
            yield f"left out of {concerned} of {len(counts)} readings: {span}, {words}"


def reference_values(reference: Run) -> Mapping[tuple[str, str, str | None], Reading]:
    """Return what the reference unit measured, but for what is not valid."""
    return {
        (check.check, item.reading.metric, item.reading.channel): item.reading
        for check in reference.checks
        for item in check.judged.readings
        if item.reading.value is not None and item.verdict is not Verdict.INVALID
    }


def reference_notes(view: Run, reference: Run) -> Iterator[str]:
    """Yield where a run and its reference were not measured alike, a sentence each; nothing where they were."""
    name = f"the reference unit {visible(reference.serial)}"
    if view.run_id == reference.run_id:
        yield f"{name} is this very run"
    if view.model != reference.model:
        yield f"{name} is of another model: {visible(reference.model)}"
    if reference.verdict in (Verdict.INVALID, Verdict.ABORTED):
        yield f"the run of {name} is {reference.verdict.value}: not all of it was measured"
    if view.limits.sha256 != reference.limits.sha256:
        limits = reference.limits
        yield (
            f"{name} was judged by another limit file or revision ({visible(limits.path)} revision {limits.revision}; "
            f"this run: {visible(view.limits.path)} revision {view.limits.revision}): the masks shown are this run's"
        )
    yield from _check_notes(view, reference, name)


def _check_notes(view: Run, reference: Run, name: str) -> Iterator[str]:
    """Yield which checks of the reference are missing, or have measured something else."""
    stimuli = {check.check: check.stimulus_sha256 for check in reference.checks}
    absent, unknown = f"{name} has no such check", f"what was played to this unit or to {name} is not known"
    other, analysed = f"another stimulus was played to {name}", f"{name} was analysed differently"
    found: dict[str, list[str]] = {absent: [], unknown: [], other: [], analysed: []}
    for check in view.checks:
        if check.check not in stimuli:
            found[absent].append(check.check)
            continue
        both = (check.stimulus_sha256, stimuli[check.check])
        if None in both:
            found[unknown].append(check.check)
        elif both[0] != both[1]:
            found[other].append(check.check)
        if _analysed_otherwise(view.limits_of(check.check), reference.limits_of(check.check)):
            found[analysed].append(check.check)
    for words, checks in found.items():
        if checks:
            yield f"{words}: {', '.join(map(visible, checks))}"


def _analysed_otherwise(one: Check | None, other: Check | None) -> bool:
    if one is None or other is None:
        return False
    first, second = one.analysis_values, other.analysis_values
    return any(first[name] != second[name] for name in first.keys() & second.keys())
