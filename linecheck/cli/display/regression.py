"""What a person reads of a comparison with a baseline: how much of it came to what, then every value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from linecheck.checks.parts.declared import difference_unit
from linecheck.cli.display.result import Screen, aligned, channel_cells, result_text
from linecheck.history.baseline.regressed import Regressed, answer_counts
from linecheck.history.baseline.regression import Comparison, by_badness, fixed
from linecheck.limits.regression import Answer
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import number

#: What a verdict means that comes of the comparisons and not of the masks.
MEANINGS = {
    Verdict.FAIL: "Something is worse than in the baseline, though no mask is failed.",
    Verdict.INVALID: "Whether something has become worse cannot be told. Put right what is listed.",
    Verdict.MARGINAL: "Whether something has become a little worse cannot be told.",
}


def show_compared(compared: Regressed) -> None:
    """Write a set's result beside a baseline to standard output; nothing of one that was not judged."""
    run = compared.judged.outcome
    if run is None:
        return
    screen = Screen.of_stdout()
    text = result_text(
        run,
        screen,
        verdict=compared.verdict,
        told=compared.findings,
        blocks=_regression_block(compared, screen),
        meaning=MEANINGS.get(compared.verdict) if run.verdict is not compared.verdict else None,
        causes=compared.causes,
    )
    screen.show(text)


def _regression_block(compared: Regressed, screen: Screen) -> list[str]:
    """Return the counts and the table of a set's comparisons; nothing where there are none."""
    if not compared.comparisons:
        return []
    file = compared.baseline.file
    outcome = compared.judged.outcome
    source = f"Against {compared.baseline.path}, accepted {file.accepted.on:%Y-%m-%d} by {file.accepted.by}"
    unit = compared.baseline.units.get(outcome.serial) if outcome is not None else None
    if unit is not None and unit.firmware is not None:
        source += f" of firmware {unit.firmware}"
    channels = outcome.limits.channels if outcome is not None else ()
    lines = [f"  {screen.plain(source)}:", f"  {counts_line(compared.comparisons)}"]
    return ["\n".join(lines), "\n".join(comparison_table(compared.comparisons, channels, screen))]


def counts_line(comparisons: Sequence[Comparison]) -> str:
    """Return how much came to which answer: ``38 unchanged, 1 better, 2 worse, 3 cannot tell``."""
    counts = ", ".join(f"{count} {answer}" for answer, count in answer_counts(comparisons).items())
    moved = sum(bool(entry.moved) for entry in comparisons)
    whose = "its margin" if moved == 1 else "their margins"
    return f"{counts}; {moved} moved within {whose}" if moved else counts


def comparison_table(
    comparisons: Sequence[Comparison], channels: Sequence[str], screen: Screen
) -> Iterator[str]:
    """Yield a table's lines, one for a metric in all channels: worst first, what is unchanged in the given order."""
    rows: dict[tuple[str, str, bool], dict[str | None, Comparison]] = {}
    changed = [
        entry for entry in by_badness(comparisons) if entry.answer is not Answer.UNCHANGED or entry.moved
    ]
    for entry in (*changed, *comparisons):
        key = (entry.check, entry.metric, entry.is_curve)
        rows.setdefault(key, {}).setdefault(entry.channel, entry)
    head = ["", "check", "metric", *channels, "margin", "answer"]
    telling = [by_badness(row.values())[0] for row in rows.values()]
    body = [_cells(row, worst, channels, screen) for row, worst in zip(rows.values(), telling, strict=True)]
    yield from aligned([head, *body], screen, [None, *(entry.verdict for entry in telling)])


def _cells(
    row: Mapping[str | None, Comparison], worst: Comparison, channels: Sequence[str], screen: Screen
) -> list[str]:
    sign, values = screen.mark(worst.verdict), channel_cells(row, channels, _change)
    margin = number(worst.margin, difference_unit(worst.unit))
    cells = (sign, worst.check, worst.metric, *values, margin, _answer(worst))
    return list(map(screen.plain, cells))


def _answer(entry: Comparison) -> str:
    """Return an answer with how a value has moved, and of a curve at how many places it was compared if not at all."""
    if entry.moved:
        return f"{entry.answer.value}, moved {entry.moved}"
    if entry.compared is None or entry.bands is None or entry.compared >= entry.bands:
        return entry.answer.value
    return f"{entry.answer.value}, {entry.compared} of {entry.bands} places"


def _change(entry: Comparison | None) -> str:
    """Return a value before and now; of a curve that of the band that tells most."""
    if entry is None or entry.margin is None or entry.value is None:
        return number(None, "")
    # A bound is no value that it fell from, or to.
    before = fixed(entry.baseline_value, "", entry.margin) + " or better" * entry.baseline_is_bound
    now = fixed(entry.value, "", entry.margin) + " or better" * entry.is_bound
    place = f" at {number(entry.x, entry.x_unit or '', 5)}" if entry.x is not None else ""
    return f"{before} → {now}{' ' + entry.unit if entry.unit else ''}{place}"
