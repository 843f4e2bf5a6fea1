"""What a person reads of a run: the verdict, what is wrong in plain words, then every judged number."""

from __future__ import annotations

import math
import os
import shutil
import sys
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import click

from linecheck.checks.parts.declared import difference_unit
from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.cli.display.banner import banner, colour, mark
from linecheck.cli.display.messages import columns, counted
from linecheck.cli.options import EVERYTHING
from linecheck.files.text import visible
from linecheck.limits.model import Mask
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.results.rows import Judged, Row, by_verdict, rows_of, unjudged_counts
from linecheck.results.wording import collapsed, findings, number, troubles
from linecheck.run.causes import Causes, causes_of
from linecheck.run.model import Run

_T = TypeVar("_T")

#: So many findings are told, and so many where a cause is told that explains most of them.
MAX_FINDINGS, MAX_BESIDE_A_CAUSE = 30, 3

STOPPED_AFTER_FAIL: Final = "The run was stopped after a value had failed: it counts as a fail of the unit."
MEANINGS = {
    "hold": "This run passed, and the unit is not released yet: it has failed before.",
    Verdict.MARGINAL: "Outside the pass limits, inside the fail limits.",
    Verdict.INVALID: "The unit was not judged. Put right what is listed, then test it again.",
    Verdict.ABORTED: "The run was stopped and the unit was not judged. Test it again.",
}

#: More digits than this say nothing on a screen.
MAX_DIGITS = 5
#: Decimals in the table at most; the sentences above it, the log and the files give every value in full.
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


_IN_ASCII = str.maketrans({"µ": "u", "–": "-", "−": "-", "→": "->", "±": "+-"})


@dataclass(frozen=True)
class Screen:
    """What a text is written to.

    ``large`` says that a person sits before it, ``coloured`` that it shows colours, ``ascii_only`` that it
    shows nothing but ASCII, ``everything`` that every judged value is asked for (``--all``).
    """

    columns: int = 80
    lines: int = 24
    large: bool = False
    coloured: bool = False
    ascii_only: bool = False
    everything: bool = False

    @classmethod
    def of_stdout(cls) -> Screen:
        """Return what standard output is."""
        terminal = sys.stdout.isatty() and os.environ.get("TERM", "") != "dumb"
        try:
            "●✖█≥".encode(sys.stdout.encoding or "ascii")
            ascii_only = False
        except (UnicodeEncodeError, LookupError):
            ascii_only = True
        size = shutil.get_terminal_size((80, 24))
        context = click.get_current_context(silent=True)
        return cls(
            columns=size.columns,
            lines=size.lines,
            large=terminal,
            coloured=terminal and not os.environ.get("NO_COLOR"),
            ascii_only=ascii_only,
            everything=context is not None and bool(context.meta.get(EVERYTHING)),
        )

    def show(self, text: str) -> None:
        """Write a text to standard output, which this is."""
        if self.ascii_only:
            text = text.encode("ascii", "backslashreplace").decode()
        click.echo(text, color=self.coloured)

    def plain(self, text: str) -> str:
        """Return a text that cannot disturb the screen."""
        safe = visible(text).replace("\n", " ")
        return safe.translate(_IN_ASCII) if self.ascii_only else safe

    def mark(self, state: str | None) -> str:
        """Return the shape of a state; blank where nothing judges."""
        return mark(state, ascii_only=self.ascii_only)


def result_text(
    outcome: Run,
    screen: Screen,
    *,
    attempt: int | None = None,
    verdict: Verdict | None = None,
    told: Sequence[str] = (),
    blocks: Sequence[str] = (),
    meaning: str | None = None,
    causes: Causes | None = None,
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
    causes : Causes, optional
        Why it came out so, where that is not what the run itself says.
    """
    causes = causes or causes_of(outcome)
    shown = outcome.state if verdict in (None, outcome.verdict) else str(verdict)
    usual = STOPPED_AFTER_FAIL if outcome.stopped_after_fail else MEANINGS.get(shown)
    means = usual if meaning is None else meaning
    first = [*([means] if means else []), _whose(outcome, attempt), *path_note(outcome)]
    top = [headline(shown, screen), _sentences(first, screen)]
    wrong = (outcome.checks, outcome.missing, outcome.problems)
    # Values that fail or are marginal have a row in the short table, which says it all.
    found = findings(*wrong) if screen.everything else collapsed(troubles(*wrong))
    parts = [
        *top,
        _sentences(() if causes is None else causes.lines, screen),
        _sentences(_cut((*told, *found), causes, screen), screen),
        *blocks,
        "\n".join((_table if screen.everything else _short_table)(outcome, screen)),
    ]
    return with_top_below("\n\n".join(filter(None, parts)), top, screen)


def _sentences(texts: Iterable[str], screen: Screen) -> str:
    """Return sentences below each other."""
    return "\n".join(_wrapped(screen.plain(text), screen) for text in texts)


def _cut(wrong: Sequence[str], causes: Causes | None, screen: Screen) -> tuple[str, ...]:
    """Return so many findings as are told, and how many more there are: few where a cause explains most."""
    is_explained = causes is not None and causes.is_likely
    most = MAX_BESIDE_A_CAUSE if is_explained else MAX_FINDINGS
    if len(wrong) <= most or screen.everything:
        return tuple(wrong)
    return (*wrong[:most], f"and {len(wrong) - most} more" + ": --all shows them" * is_explained)


def _wrapped(text: str, screen: Screen) -> str:
    """Return a text indented, on a terminal in lines that fit; elsewhere a sentence is a line."""
    if not screen.large:
        return f"  {text}"
    return textwrap.fill(text, screen.columns, initial_indent="  ", subsequent_indent="  ")


def with_top_below(text: str, top: Sequence[str], screen: Screen) -> str:
    """Return a text, and its top below it as well where it is higher than the screen, which scrolls the top away."""
    widths = (len(click.unstyle(line)) for line in text.split("\n"))
    height = sum(max(1, math.ceil(width / screen.columns)) for width in widths)
    return "\n\n".join((text, *top)) if screen.large and height + 2 > screen.lines else text


def path_note(outcome: Run) -> tuple[str, ...]:
    """Return what is to be known where nothing proves the station's own path; nothing where it is proven."""
    unproven = outcome.loop is not None and outcome.loop.startswith("not ")
    return (f"The station's own path is {outcome.loop}.",) if unproven else ()


def headline(state: str, screen: Screen) -> str:
    """Return a verdict, or another state, as what is read first."""
    if not screen.large:
        return f"{screen.mark(state)} {state.upper()}"
    lines = banner(state, screen.columns, ascii_only=screen.ascii_only)
    if screen.coloured:
        lines = [click.style(line, fg=colour(state), bold=True) for line in lines]
    return "\n" + "\n".join(lines)


def _whose(outcome: Run, attempt: int | None) -> str:
    # Of volts nobody may have stated how well they are known.
    readings = (item.reading for check in outcome.checks for item in check.judged.readings)
    facts = [
        outcome.serial,
        outcome.model,
        f"firmware {outcome.firmware}" if outcome.firmware else "",
        f"attempt {attempt}" if attempt is not None else "",
        f"station {outcome.station}" if outcome.station else "",
        f"limits revision {outcome.limits.revision}",
        "volts uncalibrated" * any(map(is_uncalibrated, readings)),
        f"{outcome.duration_seconds:.1f} s",
    ]
    return ", ".join(filter(None, facts))


def _short_table(outcome: Run, screen: Screen) -> Iterator[str]:
    """Yield what fails or is marginal, or of each check of a pass the value nearest to its limit; then what else is.

    What could not be judged is counted: why is said above, once for all of it.
    """
    rows = rows_of(outcome)
    judged = [row for row in rows if row.verdict is not None]
    wrong = [row for row in by_verdict(judged) if row.verdict is not Verdict.PASS]
    shown = [row for row in wrong if row.verdict is not Verdict.INVALID] if wrong else _nearest(judged)
    if shown:
        yield from _fitted(shown, screen, _passes_heading(outcome))
    counts = Counter(row.verdict for row in rows)
    others, unmeasured = unjudged_counts(rows)
    unplayed = sum(len(entry.masks) for entry in outcome.limits.checks if entry.name in outcome.missing)
    passed, void, total = counts[Verdict.PASS], counts[Verdict.INVALID] + unplayed, len(judged) + unplayed
    parts = [
        f"{passed} of {counted(total, 'mask')} {'passes' if passed == 1 else 'pass'}" if total else "",
        f"{void} could not be judged" if void else "",
        f"{counted(others, 'more value')} without a mask" if others else "",
        f"{unmeasured} not measured" if unmeasured else "",
    ]
    text = ", ".join(filter(None, parts))
    if text:
        yield _wrapped(f"{text}." + " --all shows all." * (len(judged) > len(shown)), screen)


def _nearest(judged: Sequence[Row]) -> list[Row]:
    """Return of each check the value that is nearest to its limit."""
    found: dict[str, Row] = {}
    for row in judged:
        if row.check not in found or row.nearness < found[row.check].nearness:
            found[row.check] = row
    return list(found.values())


def _short_cells(row: Row, screen: Screen) -> list[str]:
    """Return a row with the channel that comes off worst."""
    name, item = row.worst
    passes = _passes(row, screen)
    if isinstance(item, JudgedCurve) and item.worst_x is not None:
        passes = f"{passes} at {number(item.worst_x, item.curve.x_unit, MAX_DIGITS)}"
    marked = f"{screen.mark(row.verdict)} {row.check}"
    return [screen.plain(cell) for cell in (marked, row.metric, name or "", _bounded(item, row.mask), passes)]


def _bounded(item: Judged, mask: Mask | None) -> str:
    """Return a value; of one that is a bound on which side the truth lies."""
    text = _value(item).removesuffix(" or better").partition(" at ")[0]
    if not (isinstance(item, JudgedReading) and item.reading.is_bound):
        return text
    side = item.side or ("min" if mask is not None and mask.pass_.min is not None else "max")
    beyond = item.verdict in (Verdict.FAIL, Verdict.MARGINAL)
    return f"{'≥' if (side == 'min') != beyond else '≤'} {text}"


def _fitted(rows: Sequence[Row], screen: Screen, passes: str) -> Iterator[str]:
    """Yield a table that fits the screen: where it is too wide, a check's name stands on a line of its own."""
    head = ["  check", "metric", "", "value", passes]
    cells = [_short_cells(row, screen) for row in rows]
    verdicts = [None, *(row.verdict for row in rows)]
    if max(len(line) + 1 for line in columns([head, *cells])) <= screen.columns:
        yield from aligned([head, *cells], screen, verdicts, indent=" ")
        return
    signs = ["", *(f"{row[0][0]} " for row in cells)]
    below = [[f"  {sign}{row[1]}", *row[2:]] for sign, row in zip(signs, (head, *cells), strict=True)]
    lines = list(aligned(below, screen, verdicts, indent=" "))
    yield lines[0]
    check = ""
    for row, line in zip(rows, lines[1:], strict=True):
        if row.check != check:
            check = row.check
            yield f" {screen.plain(check)}"
        yield line


def _table(outcome: Run, screen: Screen) -> Iterator[str]:
    """Yield the lines of the table of everything that a mask judges, and how much there is besides."""
    rows = rows_of(outcome)
    judged = by_verdict(rows)
    if judged:
        channels = outcome.limits.channels
        head = ["", "check", "metric", *channels, _passes_heading(outcome), "margin"]
        cells = [head, *(_cells(row, channels, screen) for row in judged)]
        yield from aligned(cells, screen, [None, *(row.verdict for row in judged)])
    others, unmeasured = unjudged_counts(rows)
    if others or unmeasured:
        missing = f", {unmeasured} more could not be measured" * bool(unmeasured)
        yield f"  {others} more {'value is' if others == 1 else 'values are'} recorded that no mask judges{missing}."


def _passes_heading(outcome: Run) -> str:
    return "passes, less 2u" if outcome.limits.decision == "guarded" else "passes"


def _cells(row: Row, channels: tuple[str, ...], screen: Screen) -> list[str]:
    sign, values = screen.mark(row.verdict), channel_cells(row.items, channels, _value)
    margins = [item.margin for item in row.items.values() if item.margin is not None]
    margin = _short(min(margins, default=None), difference_unit(row.unit))
    cells = (sign, row.check, row.metric, *values, _passes(row, screen), margin)
    return list(map(screen.plain, cells))


def channel_cells(
    row: Mapping[str | None, _T], channels: Sequence[str], told: Callable[[_T | None], str]
) -> list[str]:
    """Return a cell for each channel of what is told of it; what is of the pair stands in the first."""
    if None in row:
        return [f"{told(row[None])} (pair)", *("" for _ in channels[1:])]
    return [told(row.get(channel)) for channel in channels]


def _value(item: Judged | None) -> str:
    if item is None:
        return ""
    if isinstance(item, JudgedReading):
        reading = item.reading
        return _short(reading.value, reading.unit, reading.uncertainty) + " or better" * reading.is_bound
    if item.worst_y is None:
        return number(None, "")
    return f"{_short(item.worst_y, item.curve.unit)} at {number(item.worst_x, item.curve.x_unit, 5)}"


def _short(value: float | None, unit: str, uncertainty: float | None = None) -> str:
    """Return a value with as many decimals as the trade gives its unit, as five digits have, and as are certain."""
    if value is None or unit not in DECIMALS:
        return number(value, unit, MAX_DIGITS)
    decimals = DECIMALS[unit]
    if value:
        decimals = min(decimals, max(0, MAX_DIGITS - 1 - math.floor(math.log10(abs(value)))))
    if uncertainty:
        # The first digit of the uncertainty is the last one that says anything.
        decimals = min(decimals, max(0, -math.floor(math.log10(uncertainty))))
    return f"{round(value, decimals) + 0.0:.{decimals}f} {unit}"


def _passes(row: Row, screen: Screen) -> str:
    """Return a pass mask in short."""
    low, high = (None, None) if row.mask is None else (row.mask.pass_.min, row.mask.pass_.max)
    if isinstance(low, tuple) or isinstance(high, tuple):
        return "curve"
    least, most = ("at least", "at most") if screen.ascii_only else ("≥", "≤")
    if low is not None and high is not None:
        if low == high:
            return number(high, row.unit)
        return (
            f"±{number(high, row.unit)}" if low == -high else f"{number(low, '')} to {number(high, row.unit)}"
        )
    if low is not None:
        return f"{least} {number(low, row.unit)}"
    return "" if high is None else f"{most} {number(high, row.unit)}"


def aligned(
    cells: list[list[str]], screen: Screen, verdicts: Iterable[Verdict | None], indent: str = "  "
) -> Iterator[str]:
    """Yield rows with their columns aligned; what is not a pass is coloured."""
    for line, verdict in zip(columns(cells), verdicts, strict=True):
        plain = not screen.coloured or verdict in (None, Verdict.PASS)
        yield indent + line if plain or verdict is None else click.style(indent + line, fg=colour(verdict))
