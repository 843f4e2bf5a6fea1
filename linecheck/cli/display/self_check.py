"""A self-check on the screen: what is wrong first, then what to do, then the masks that the path can hardly decide."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import click

from linecheck.checks.parts.declared import difference_unit
from linecheck.cli.display.messages import one_line, print_table
from linecheck.files.text import visible
from linecheck.results.wording import number, significant
from linecheck.station.budget.assessment import Assessment
from linecheck.station.budget.budget import Answer, MaskBudget
from linecheck.station.self_check.result import MET, NOT_DONE, Measured, SelfCheck, Step

_WORDS = {Answer.HARDLY: "hardly", Answer.CANNOT: "not"}


def show_self_check(found: SelfCheck, sequence: int, undecided: bool = False) -> None:
    """Print a recorded self-check; ``sequence`` is its number in the log.

    ``undecided`` says that it leaves masks of a limit file hardly decidable, which are shown after it.
    """
    rate = f"{found.rate_hz} Hz"
    if found.capture_rate_hz != found.rate_hz:
        rate += f", captured at {found.capture_rate_hz} Hz"
    click.echo(
        visible(
            f"station {found.station}: {found.kind} loop, {rate}, {found.seconds:.1f} s of sound, record {sequence}"
        )
    )
    print_table(("step", "verdict", "measured", "seen"), list(_rows(found.worst_first())), right=())
    click.echo(visible(_conclusion(found, undecided)))


def _rows(steps: Sequence[Step]) -> Iterator[tuple[str, str, str, str]]:
    """Yield a row a step; steps that were not done for one and the same reason share one."""
    left_out: dict[str, list[str]] = {}
    for step in steps:
        if step.verdict == NOT_DONE:
            left_out.setdefault(step.sentence, []).append(step.name)
    for step in steps:
        if step.verdict != NOT_DONE:
            yield step.name, step.verdict, _measured(step), step.sentence
        elif names := left_out.pop(step.sentence, []):
            count = f"{names[0]} and {len(names) - 1} more" if len(names) > 2 else ", ".join(names)
            yield count, step.verdict, "", step.sentence


def _measured(step: Step) -> str:
    """Return the number that is worst, or nearest to its limits."""
    there = [entry for entry in step.measured if entry.value is not None]
    if not there:
        return ""
    entry = max(there, key=_nearness)
    bound = "≥ " if entry.is_bound and entry.low is not None else ""
    return f"{bound}{_number(entry.value or 0.0)} {entry.unit}".strip()


def _nearness(entry: Measured) -> float:
    """Return how near to a limit a number is, or how far beyond: 1 at the limit where both sides are limited."""
    value = entry.value or 0.0
    if entry.low is not None and entry.high is not None:
        half = 0.5 * (entry.high - entry.low)
        return abs(value - 0.5 * (entry.high + entry.low)) / max(half, 1e-12)
    if entry.high is not None:
        return 1.0 + value - entry.high
    return 1.0 + (entry.low or 0.0) - value


def _number(value: float) -> str:
    text = f"{value:.4f}" if abs(value) < 0.1 else f"{value:.3f}" if abs(value) < 10.0 else f"{value:.1f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def _conclusion(found: SelfCheck, undecided: bool) -> str:
    worst = found.worst_first()
    if found.verdict == MET:
        again = f" Check it again within {found.every_hours:g} h." if found.every_hours is not None else ""
        if undecided:
            return f"The path is as its config asks, and hides what some masks ask for.{again}"
        # What an analogue path adds is measured here and judged by no limit file.
        return f"{'The path can be trusted' if found.kind == 'digital' else 'The path is as its config asks'}.{again}"
    if found.stopped:
        return "The check was stopped: it shows nothing. Start it again."
    first = worst[0]
    outcome = (
        f"The path cannot be trusted: {first.name}." if first.verdict != NOT_DONE else "Not all was measured."
    )
    return f"{outcome} {first.cure}".strip()


def show_held(held: Assessment, model: str) -> None:
    """Print which masks a station can decide; of those that it can hardly decide, why."""
    undecided = held.undecided
    names = {f"{mask.check}.{mask.metric}" for mask in held.masks}.union(held.unmeasured)
    decided = len(names) - len({f"{mask.check}.{mask.metric}" for mask in undecided}.union(held.unmeasured))
    click.echo()
    click.echo(one_line(f"{model}: {decided} of {len(names)} masks can be decided by this path"))
    if undecided:
        rows = [_held_row(mask) for mask in undecided]
        print_table(("decides", "mask", "limit", "the path itself", "U (k = 2)"), rows, right=(2, 3, 4))
        click.echo(
            "A better interface, or more level at its input, decides these; or looser limits, or loop.undecided = "
            '"widen".'
        )
    if held.unmeasured:
        listed = ", ".join(held.unmeasured)
        click.echo(one_line(f"Not known, since this self-check did not measure what enters them: {listed}."))
    if held.unheld:
        click.echo("Not held against the path:")
    for reason, masks in groupby(sorted(held.unheld, key=held.unheld.__getitem__), held.unheld.__getitem__):
        click.echo(one_line(f"  {', '.join(masks)}: {reason}"))


def _held_row(mask: MaskBudget) -> tuple[str, ...]:
    own = mask.path_level
    edge = "≥" if mask.is_least else "≤"
    return (
        _WORDS[mask.answer],
        mask.name + " (uncalibrated)" * mask.is_uncalibrated,
        f"{edge} {number(mask.limit, mask.unit)}",
        number(own, mask.unit, 4),
        f"± {number(mask.expanded, difference_unit(mask.unit), 2)}",
    )


def show_budgets(held: Assessment) -> None:
    """Print the budget of every held mask, a component a line (JCGM 100:2008, 7.2.7)."""
    for mask in held.masks:
        click.echo()
        click.echo(one_line(mask.words))
        headings = ("component", "bound", "distribution", "divisor", "u (k = 1)", "as in")
        print_table(headings, list(_budget_rows(mask)), right=(1, 3, 4))


def _budget_rows(mask: MaskBudget) -> Iterator[tuple[str, ...]]:
    for part in mask.components:
        yield (
            part.source,
            number(part.bound, mask.unit, 3),
            part.distribution,
            significant(part.divisor, 3),
            number(part.uncertainty, difference_unit(mask.unit), 3),
            part.clause,
        )
    if mask.is_uncalibrated:
        yield ("calibration of full_scale_volts", "not stated", "–", "–", "–", "–")
    yield ("combined", "–", "–", "–", number(mask.uncertainty, difference_unit(mask.unit), 3), "GUM 5.1.2")
    yield ("expanded, k = 2", "–", "–", "–", number(mask.expanded, difference_unit(mask.unit), 3), "GUM 6.2")
