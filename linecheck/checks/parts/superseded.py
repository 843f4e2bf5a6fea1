"""Names that metrics and curves had before: what is read or said of the successor stands under them as well.

A kind takes and describes what it reads under today's names alone. Where a superseded name means the same reading
(:attr:`~linecheck.checks.parts.declared.Successor.same`), it is given that reading here, so that it is the same to the
last bit.

===========================  ==========================================================
:func:`superseded`           what is told of each superseded name
:func:`former_names`         the superseded names that mean the same as another
:func:`with_former`          a measurement, its readings under these names too
:func:`of_former`            what a kind says by name, of these names too
:func:`implied_of_former`    which metrics keep others within bounds, of these names too
===========================  ==========================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TypeVar

from linecheck.checks.base import CheckKind, Curve, Measurement, Problem, Reading
from linecheck.checks.parts.declared import Implied

_Said = TypeVar("_Said")
_Item = TypeVar("_Item", Reading, Curve)


def superseded(kind: CheckKind) -> Iterator[tuple[str, str]]:
    """Yield each superseded name of a kind, with what took its place and what differs."""
    for spec in kind.specs:
        if spec.superseded_by is not None:
            yield spec.name, str(spec.superseded_by)


def former_names(kind: CheckKind) -> dict[str, str]:
    """Return the successor of each superseded name that reads the same."""
    return {
        spec.name: spec.superseded_by.name
        for spec in kind.specs
        if spec.superseded_by is not None and spec.superseded_by.same
    }


def with_former(kind: CheckKind, measured: Measurement) -> Measurement:
    """Return a measurement with each reading, curve and problem of a successor under the former name too."""
    names = former_names(kind)
    if not names:
        return measured
    return replace(
        measured,
        readings=_with_copies(measured.readings, names),
        curves=_with_copies(measured.curves, names),
        problems=tuple(_naming_former(problem, names) for problem in measured.problems),
    )


def _with_copies(items: tuple[_Item, ...], names: Mapping[str, str]) -> tuple[_Item, ...]:
    """Return readings, or curves, and those of successors again under the former names."""
    return items + tuple(
        replace(item, metric=name) for name, now in names.items() for item in items if item.metric == now
    )


def of_former(kind: CheckKind, said: Mapping[str, _Said]) -> dict[str, _Said]:
    """Return what is said by name, with the same of former names."""
    again = {name: said[now] for name, now in former_names(kind).items() if now in said}
    return {**said, **again}


def implied_of_former(kind: CheckKind, implied: Iterable[Implied]) -> tuple[Implied, ...]:
    """Return relations between metrics, with the same of former names."""
    found = list(implied)
    for name, now in former_names(kind).items():
        found += [replace(one, metric=name) for one in found if one.metric == now]
        found += [replace(one, by=name) for one in found if one.by == now]
    return tuple(found)


def _naming_former(problem: Problem, names: Mapping[str, str]) -> Problem:
    again = tuple(name for name, now in names.items() if now in problem.metrics)
    return replace(problem, metrics=(*problem.metrics, *again)) if again else problem
