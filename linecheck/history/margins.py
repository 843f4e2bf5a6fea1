"""The largest part of a margin beside that of other units of the model in a log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from linecheck.checks.parts.declared import difference_unit
from linecheck.history.population import Population, population_of
from linecheck.log import LogReader
from linecheck.results.wording import number
from linecheck.run.causes import Causes, ExplainedMargin, causes_of
from linecheck.run.model import CheckOutcome, Run


def beside_others(run: Run, log: LogReader) -> Run:
    """Return a run whose explained margins say how their largest part stands beside that of other units in a log.

    Raises
    ------
    RecordError
        The log cannot be read.
    """
    causes = causes_of(run)
    if causes is None or not causes.margins:
        return run
    wanted = {key for margin in causes.margins if (key := _key(margin)) is not None}
    # Only what is asked for: a population of all readings takes as long as all of them take to read.
    asked = replace(run, checks=tuple(_only(check, wanted) for check in run.checks))
    found = population_of(asked, log).readings
    margins = tuple(replace(margin, beside=_beside(run, margin, found)) for margin in causes.margins)
    return replace(run, causes=Causes(causes.priors, causes.findings, causes.ranked, margins).as_fact())


def _key(margin: ExplainedMargin) -> tuple[str, str, str | None] | None:
    metric = margin.parts[0].metric if margin.parts else None
    return None if metric is None else (margin.check, metric, margin.channel)


def _only(check: CheckOutcome, wanted: set[tuple[str, str, str | None]]) -> CheckOutcome:
    readings = tuple(
        item
        for item in check.judged.readings
        if (check.check, item.reading.metric, item.reading.channel) in wanted
    )
    return replace(check, judged=replace(check.judged, readings=readings))


def _beside(
    run: Run, margin: ExplainedMargin, found: Mapping[tuple[str, str, str | None], Population]
) -> str:
    key = _key(margin)
    there = None if key is None else found.get(key)
    if key is None or there is None or there.centre is None:
        return ""
    check = run.check(margin.check)
    own = (
        None
        if check is None
        else next((item.reading.value for item in _only(check, {key}).judged.readings), None)
    )
    if own is None:
        return ""
    size = number(abs(own - there.centre), difference_unit(there.unit), 2)
    side = "above" if own > there.centre else "below"
    return f"{margin.parts[0].name} is {size} {side} the median of {len(there.values)} other units"
