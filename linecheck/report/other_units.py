"""A run's values beside those of other units: rows of text for a page's table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from linecheck.checks.base import Reading
from linecheck.files.text import visible
from linecheck.history.population import Population, Populations
from linecheck.history.reference import reference_name, reference_notes, reference_values
from linecheck.limits.verdict import JudgedReading
from linecheck.report.figures.words import plain_name, value_text
from linecheck.report.parts import Part
from linecheck.run.model import CheckOutcome, Run

__all__ = ["other_units_of"]

_NOTHING = "–"


def other_units_of(view: Run, population: Populations | None, reference: Run | None) -> Part | None:
    """Return what is shown of other units; None where neither a log of them nor a reference is named.

    Values are there that one of the two has; all texts are visible ones. ``source`` is empty where there are no other
    units, ``reference`` where none is named; ``apart`` are sentences on values that stand apart although they do not
    fail, ``notes`` what limits the comparison.
    """
    if population is None and reference is None:
        return None
    others = {} if population is None else population.readings
    references = {} if reference is None else reference_values(reference)
    return {
        "source": "" if population is None else population.source,
        "reference": "" if reference is None else reference_name(reference),
        "apart": () if population is None else tuple(visible(text) for text in population.apart),
        "notes": (
            *(() if population is None else population.notes),
            *(() if reference is None else reference_notes(view, reference)),
        ),
        "rows": tuple(_rows(view, others, references)),
    }


def _rows(
    view: Run,
    others: Mapping[tuple[str, str, str | None], Population],
    references: Mapping[tuple[str, str, str | None], Reading],
) -> Iterator[Part]:
    for check in view.checks:
        for item in check.judged.readings:
            key = (check.check, item.reading.metric, item.reading.channel)
            found = others.get(key)
            if key in references or (found is not None and (found.values or found.left_out)):
                yield _row(check, item, found, references.get(key))


def _row(
    check: CheckOutcome, item: JudgedReading, found: Population | None, reference: Reading | None
) -> Part:
    reading = item.reading
    usual, sigmas = _NOTHING, _NOTHING
    if found is not None and found.centre is not None and found.spread is not None:
        usual = f"{value_text(found.centre, found.unit)} ± {value_text(found.spread, found.unit)}"
    if found is not None and found.sigmas is not None:
        sigmas = f"{found.sigmas:+.1f}".replace("-", "−")
    return {
        "check": visible(check.check),
        "name": visible(f"{plain_name(reading.metric)} {reading.channel or ''}".strip()),
        "value": _value(reading),
        "reference": _value(reference),
        "usual": usual,
        "sigmas": sigmas,
        "standing": "" if found is None else found.standing,
        "left_out": "" if found is None else found.left_out,
    }


def _value(reading: Reading | None) -> str:
    if reading is None or reading.value is None:
        return _NOTHING
    return visible(value_text(reading.value, reading.unit)) + " or better" * reading.is_bound
