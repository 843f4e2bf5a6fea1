"""Masks held against a station's path on the screen: those that it can hardly decide, and budgets."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from linecheck.cli.display.tables import one_line, print_table
from linecheck.station.budget.budget import Answer, MaskBudget

if TYPE_CHECKING:
    from linecheck.station.budget.assessment import Assessment

__all__ = ["show_budgets", "show_held"]

_WORDS = {Answer.HARDLY: "hardly", Answer.CANNOT: "not"}


def show_held(held: Assessment, model: str) -> None:
    """Print which masks a station can decide; of those that it can hardly decide, why."""
    undecided = held.undecided
    names = {f"{mask.check}.{mask.metric}" for mask in held.masks}.union(held.unmeasured)
    decided = len(names) - len({f"{mask.check}.{mask.metric}" for mask in undecided}.union(held.unmeasured))
    click.echo()
    click.echo(one_line(f"{model}: {decided} of {len(names)} masks can be decided by this path"))
    if undecided:
        rows = [_row(mask) for mask in undecided]
        print_table(("decides", "mask", "limit", "the path itself", "U (k = 2)"), rows, right=(2, 3, 4))
        click.echo(
            "A better interface, or more level at its input, decides these; or looser limits, or loop.undecided = "
            '"widen".'
        )
    if held.unmeasured:
        listed = ", ".join(held.unmeasured)
        click.echo(one_line(f"Not known, since this self-check did not measure what enters them: {listed}."))
    if held.unheld:
        listed = ", ".join(held.unheld)
        click.echo(one_line(f"Not held against it, since the self-check plays nothing alike: {listed}."))


def _row(mask: MaskBudget) -> tuple[str, ...]:
    own = mask.path_level
    edge = "≥" if mask.is_least else "≤"
    return (
        _WORDS[mask.answer],
        mask.name + " (uncalibrated)" * mask.is_uncalibrated,
        f"{edge} {mask.limit:.6g} {mask.unit}",
        "–" if own is None else f"{own:.4g} {mask.unit}",
        f"± {mask.expanded:.2g} {mask.unit}",
    )


def show_budgets(held: Assessment) -> None:
    """Print the budget of every held mask, a component a line (JCGM 100:2008, 7.2.7)."""
    for mask in held.masks:
        click.echo()
        click.echo(one_line(mask.words))
        rows = list(_lines(mask))
        print_table(
            ("component", "bound", "distribution", "divisor", "u (k = 1)", "as in"), rows, right=(1, 3, 4)
        )


def _lines(mask: MaskBudget) -> Iterator[tuple[str, ...]]:
    for part in mask.components:
        yield (
            part.source,
            f"{part.bound:.3g} {mask.unit}",
            part.distribution,
            f"{part.divisor:.3g}",
            f"{part.uncertainty:.3g} {mask.unit}",
            part.clause,
        )
    if mask.is_uncalibrated:
        yield ("calibration of full_scale_volts", "not stated", "–", "–", "–", "–")
    yield ("combined", "–", "–", "–", f"{mask.uncertainty:.3g} {mask.unit}", "GUM 5.1.2")
    yield ("expanded, k = 2", "–", "–", "–", f"{mask.expanded:.3g} {mask.unit}", "GUM 6.2")
