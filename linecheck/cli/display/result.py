"""What a person reads of a run: the verdict, what is wrong in plain words, then every judged number."""

from __future__ import annotations

import math
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import click

from linecheck.checks.parts.declared import difference_unit
from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.cli.display.banner import banner, colour, mark
from linecheck.files.text import visible
from linecheck.limits.model import Bounds, Limit, Mask
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict, worst
from linecheck.results.wording import findings, number
from linecheck.run.model import CheckOutcome, Run

__all__ = [
    "Screen",
    "aligned",
    "headline",
    "path_note",
    "plain",
    "result_text",
    "show",
    "show_result",
    "with_top_below",
]

MAX_FINDINGS = 30

STOPPED_AFTER_FAIL: Final = "The run was stopped after a value had failed: it counts as a fail of the unit."
MEANINGS = {
    "hold": "This run passed, and the unit is not released yet: it has failed before.",
    Verdict.MARGINAL: "Outside the pass limits, inside the fail limits.",
    Verdict.INVALID: "The unit was not judged. Put right what is listed below, then test it again.",
    Verdict.ABORTED: "The run was stopped and the unit was not judged. Test it again.",
}

#: Decimals in the table; the sentences above it, the log and the files give every value in full.
DECIMALS = {
    "V": 4,
    "mV": 3,
    "µV": 2,
    "dB": 2,
    "dBFS": 2,
    "bit": 2,
    "ppm": 2,
    "Hz": 3,
    "samples": 3,
    "ms": 3,
    "ps": 1,
}


@dataclass(frozen=True)
class Screen:
    """What a text is written to.

    ``large`` says that a person sits before it, ``coloured`` that it shows colours, ``ascii_only`` that it
    shows nothing but ASCII.
    """

    columns: int = 100
    lines: int = 24
    large: bool = False
    coloured: bool = False
    ascii_only: bool = False

    @classmethod
    def of_stdout(cls) -> Screen:
        """Return what standard output is."""
        terminal = sys.stdout.isatty() and os.environ.get("TERM", "") != "dumb"
        try:
            "●✖█≥".encode(sys.stdout.encoding or "ascii")
            ascii_only = False
        except (UnicodeEncodeError, LookupError):
            ascii_only = True
        size = shutil.get_terminal_size((100, 24))
        return cls(
            columns=size.columns,
            lines=size.lines,
            large=terminal,
            coloured=terminal and not os.environ.get("NO_COLOR"),
            ascii_only=ascii_only,
        )


def show_result(outcome: Run, *, attempt: int | None = None, verdict: Verdict | None = None) -> None:
    """Write a run's result to standard output, with the parameters of :func:`result_text`."""
    screen = Screen.of_stdout()
    show(result_text(outcome, screen, attempt=attempt, verdict=verdict), screen)


def show(text: str, screen: Screen) -> None:
    """Write a text to standard output, which ``screen`` is."""
    if screen.ascii_only:
        text = text.encode("ascii", "backslashreplace").decode()
    click.echo(text, color=screen.coloured)


def result_text(
    outcome: Run,
    screen: Screen,
    *,
    attempt: int | None = None,
    verdict: Verdict | None = None,
    told: Sequence[str] = (),
    blocks: Sequence[str] = (),
    meaning: str | None = None,
) -> str:
    """Return a run's result as text.

    Parameters
    ----------
    outcome : Run
    screen : Screen
    attempt : int, optional
        Which run of the unit it is, where the log counts them.
    verdict : Verdict, optional
        The verdict to show where it is not the run's own: a run that could not be recorded is invalid.
    told : sequence of str, optional
        What was found besides; it comes before what the masks found.
    blocks : sequence of str, optional
        Further texts, before the table of the masks.
    meaning : str, optional
        What the verdict means, where that is not what it usually does.
    """
    shown = outcome.state if verdict in (None, outcome.verdict) else str(verdict)
    usual = STOPPED_AFTER_FAIL if outcome.stopped_after_fail else MEANINGS.get(shown)
    means = usual if meaning is None else meaning
    lines = [f"  {means}"] if means else []
    lines += [_whose(outcome, attempt, screen), *(f"  {text}" for text in path_note(outcome, screen))]
    top = [headline(shown, screen), "\n".join(lines)]
    parts = [*top]
    wrong = (*told, *findings(outcome.checks, outcome.missing, outcome.problems))
    if wrong:
        more = [f"and {len(wrong) - MAX_FINDINGS} more"] if len(wrong) > MAX_FINDINGS else []
        parts.append("\n".join(f"  {plain(line, screen)}" for line in (*wrong[:MAX_FINDINGS], *more)))
    parts += blocks
    table = list(_table(outcome, screen))
    if table:
        parts.append("\n".join(table))
    return with_top_below("\n\n".join(parts), top, screen)


def with_top_below(text: str, top: Sequence[str], screen: Screen) -> str:
    """Return a text, and its top below it as well where it is higher than the screen, which scrolls the top away."""
    widths = (len(click.unstyle(line)) for line in text.split("\n"))
    height = sum(max(1, math.ceil(width / screen.columns)) for width in widths)
    return "\n\n".join((text, *top)) if screen.large and height + 2 > screen.lines else text


def path_note(outcome: Run, screen: Screen) -> tuple[str, ...]:
    """Return what is to be known where nothing proves the station's own path; nothing where it is proven."""
    unproven = outcome.loop is not None and outcome.loop.startswith("not ")
    return (plain(f"The station's own path is {outcome.loop}.", screen),) if unproven else ()


_IN_ASCII = str.maketrans({"µ": "u", "–": "-", "−": "-", "→": "->", "±": "+-"})


def plain(text: str, screen: Screen) -> str:
    """Return a text that cannot disturb the screen."""
    safe = visible(text).replace("\n", " ")
    return safe.translate(_IN_ASCII) if screen.ascii_only else safe


def headline(state: str, screen: Screen) -> str:
    """Return a verdict, or another state, as what is read first."""
    if not screen.large:
        return f"{mark(state, ascii_only=screen.ascii_only)} {state.upper()}"
    lines = banner(state, screen.columns, ascii_only=screen.ascii_only)
    if screen.coloured:
        lines = [click.style(line, fg=colour(state), bold=True) for line in lines]
    return "\n" + "\n".join(lines)


def _whose(outcome: Run, attempt: int | None, screen: Screen) -> str:
    facts = [
        outcome.serial,
        outcome.model,
        f"firmware {outcome.firmware}" if outcome.firmware else "",
        f"attempt {attempt}" if attempt is not None else "",
        f"station {outcome.station}" if outcome.station else "",
        f"limits revision {outcome.limits.revision}",
        "volts uncalibrated" * _is_uncalibrated(outcome),
        f"{outcome.duration_seconds:.1f} s",
    ]
    return "  " + ", ".join(plain(fact, screen) for fact in facts if fact)


def _is_uncalibrated(outcome: Run) -> bool:
    """Return whether anything was read in volts of which nobody states how well they are known."""
    return any(is_uncalibrated(item.reading) for check in outcome.checks for item in check.judged.readings)


Judged = JudgedReading | JudgedCurve


@dataclass(frozen=True)
class _Row:
    """One metric of one check, in all channels."""

    check: str
    metric: str
    items: dict[str | None, Judged]
    mask: Mask | None

    @property
    def verdict(self) -> Verdict | None:
        verdicts = [item.verdict for item in self.items.values() if item.verdict is not None]
        return worst(verdicts) if verdicts else None


def _table(outcome: Run, screen: Screen) -> Iterator[str]:
    """Yield the lines of the table of everything that a mask judges, and how much there is besides."""
    rows = [row for check in outcome.checks for row in _rows(check, outcome)]
    judged = sorted((row for row in rows if row.verdict is not None), key=_badness)
    if judged:
        channels = outcome.limits.channels
        passes = "passes, less 2u" if outcome.limits.decision == "guarded" else "passes"
        head = ["", "check", "metric", *channels, passes, "margin"]
        cells = [head, *(_cells(row, channels, screen) for row in judged)]
        yield from aligned(cells, screen, [None, *(row.verdict for row in judged)])
    others = sum(len(row.items) for row in rows if row.verdict is None)
    if others:
        yield f"  {others} more {'value is' if others == 1 else 'values are'} recorded that no mask judges."


def _badness(row: _Row) -> int:
    order = (Verdict.FAIL, Verdict.INVALID, Verdict.MARGINAL, Verdict.PASS)
    return order.index(row.verdict) if row.verdict in order else len(order)


def _rows(check: CheckOutcome, outcome: Run) -> list[_Row]:
    masks = {entry.name: entry.masks for entry in outcome.limits.checks}.get(check.check, {})
    rows: dict[str, dict[str | None, Judged]] = {}
    for item in check.judged.items:
        rows.setdefault(item.measured.metric, {})[item.measured.channel] = item
    return [_Row(check.check, metric, items, masks.get(metric)) for metric, items in rows.items()]


def _cells(row: _Row, channels: tuple[str, ...], screen: Screen) -> list[str]:
    values = [_value(row.items.get(name)) for name in channels]
    if None in row.items:
        values = [f"{_value(row.items[None])} (pair)", *("" for _ in channels[1:])]
    cells = [
        mark(row.verdict, ascii_only=screen.ascii_only),
        row.check,
        row.metric,
        *values,
        _passes(row.mask, _unit(row), screen),
        _margin(row),
    ]
    return [plain(cell, screen) for cell in cells]


def _value(item: Judged | None) -> str:
    if item is None:
        return ""
    if isinstance(item, JudgedReading):
        return _short(item.reading.value, item.reading.unit) + " or better" * item.reading.is_bound
    if item.worst_y is None:
        return number(None, "")
    return f"{_short(item.worst_y, item.curve.unit)} at {number(item.worst_x, item.curve.x_unit, 5)}"


def _short(value: float | None, unit: str) -> str:
    """Return a value with as many decimals as the trade gives its unit."""
    if value is None or unit not in DECIMALS:
        return number(value, unit, 5)
    return f"{round(value, DECIMALS[unit]) + 0.0:.{DECIMALS[unit]}f} {unit}"


def _unit(row: _Row) -> str:
    return next(iter(row.items.values())).measured.unit


def _margin(row: _Row) -> str:
    margins = [item.margin for item in row.items.values() if item.margin is not None]
    return _short(min(margins), difference_unit(_unit(row))) if margins else number(None, "")


def _passes(mask: Mask | None, unit: str, screen: Screen) -> str:
    """Return a pass mask in short."""
    bounds = mask.pass_ if mask is not None else Bounds()
    if isinstance(bounds.min, tuple) or isinstance(bounds.max, tuple):
        return "curve"
    least, most = ("at least", "at most") if screen.ascii_only else ("≥", "≤")
    if bounds.min is not None and bounds.max is not None:
        if bounds.min == bounds.max:
            return _limit(bounds.min, unit)
        return f"{_limit(bounds.min, '')} to {_limit(bounds.max, unit)}"
    if bounds.min is not None:
        return f"{least} {_limit(bounds.min, unit)}"
    return f"{most} {_limit(bounds.max, unit)}" if bounds.max is not None else ""


def _limit(limit: Limit, unit: str) -> str:
    return number(limit, unit) if not isinstance(limit, tuple) else "curve"


def aligned(cells: list[list[str]], screen: Screen, verdicts: Iterable[Verdict | None]) -> Iterator[str]:
    """Yield rows with their columns aligned; what is not a pass is coloured."""
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    for row, verdict in zip(cells, verdicts, strict=True):
        line = "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        plain = not screen.coloured or verdict in (None, Verdict.PASS)
        yield line if plain or verdict is None else click.style(line, fg=colour(verdict))
