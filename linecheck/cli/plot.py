"""``linecheck plot``: the figures of a run, a capture set or a comparison alone, as SVG or PNG."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import click

from linecheck.cli.display.messages import tell
from linecheck.cli.options import LogPlace, log_options
from linecheck.cli.sources import (
    Beside,
    among_earlier,
    beside_options,
    is_comparison,
    run_and_reference,
)
from linecheck.errors import ExitStatus, UsageError
from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.history.comparison.file import load_comparison
from linecheck.history.population import Populations
from linecheck.limits.model import entry_name
from linecheck.report.figures.curves import figures_of_check, figures_of_comparison
from linecheck.report.figures.data import Figure, Strip
from linecheck.report.figures.drawing.draw import WIDTH_INCHES, png, svg
from linecheck.report.figures.strips import strips_of_check
from linecheck.report.figures.words import file_name
from linecheck.report.parts import free_name
from linecheck.run.model import Run

Drawing = Figure | tuple[Strip, ...]

FORMATS = {"svg": ("svg",), "png": ("png",), "both": ("svg", "png")}


@click.command(name="plot")
@click.argument("source", metavar="RUN|SET|COMPARISON")
@click.argument("checks", metavar="[CHECK]...", nargs=-1)
@click.option("--out", required=True, metavar="DIR", help="Folder for the figures.")
@click.option(
    "--format",
    "form",
    type=click.Choice(list(FORMATS)),
    default="svg",
    help="File format.",
)
@beside_options
@click.option(
    "--width",
    type=click.IntRange(300, 8000),
    default=1340,
    metavar="PX",
    help="Width of a PNG.",
)
@log_options
def command(
    source: str, checks: tuple[str, ...], out: str, form: str, beside: Beside, width: int, place: LogPlace
) -> ExitStatus:
    """Write the figures of a run in the log, of a capture set or of a comparison: every curve with its masks.

    CHECK names the checks to draw, as the limit file does (reconstruction), or one setup of a check
    (reconstruction@filter=slow); without it all are drawn. Each figure is written to DIR/CHECK-CURVE.svg or .png; with
    --against, a check's values among those of other units to DIR/CHECK-population.svg or .png.

    Exit status: 0 figures were written, 2 a wrong command or file, 3 nothing was measured that could be drawn.
    """
    if not out:
        raise UsageError("--out: is empty, name a folder")
    if is_comparison(source, beside):
        drawn = _of_comparison(Path(source), checks)
    else:
        drawn = _of_run(source, checks, beside, place)
    if not _write(drawn, Path(out), FORMATS[form], width):
        tell("nothing to draw: no curve was measured, or `log thin` removed its points")
        return ExitStatus.INVALID
    return ExitStatus.PASS


def _of_run(
    source: str, wanted: Sequence[str], beside: Beside, place: LogPlace
) -> Iterator[tuple[str, Drawing]]:
    """Return the figures of a run, each with the name of its file."""
    view, other = run_and_reference(source, beside, place)
    every = dict.fromkeys(check.name for check in view.limits.checks)
    every |= dict.fromkeys(check.check for check in view.checks)
    names = _chosen(wanted, list(every), {check.check: check.entry for check in view.checks})
    if other is not None and not any(other.check(name) for name in names):
        raise UsageError(f"--reference: {beside.reference!a} has none of these checks: {', '.join(names)}")
    return _drawings(view, names, other, among_earlier(view, beside.against, names))


def _drawings(
    view: Run, names: Sequence[str], reference: Run | None, others: Populations | None
) -> Iterator[tuple[str, Drawing]]:

    for check in view.checks:
        if check.check not in names:
            continue
        for figure in figures_of_check(view, check, reference=reference):
            yield f"{file_name(check.check)}-{figure.name}", figure
        strips = () if others is None else strips_of_check(view, check, population=others.readings)
        if any(strip.others for strip in strips):
            yield f"{file_name(check.check)}-population", strips


def _of_comparison(path: Path, wanted: Sequence[str]) -> Iterator[tuple[str, Drawing]]:
    """Return the figures of a comparison, each with the name of its file."""
    comparison = load_comparison(path)
    checks = [curve.check for curve in comparison.curves] + [value.check for value in comparison.values]
    names = _chosen(wanted, list(dict.fromkeys(checks)), {})
    curves = tuple(curve for curve in comparison.curves if curve.check in names)
    return ((figure.name, figure) for figure in figures_of_comparison(replace(comparison, curves=curves)))


def _chosen(wanted: Sequence[str], names: Sequence[str], entries: dict[str, str]) -> list[str]:
    """Return the whole names of the checks that are meant, in the run's order.

    Raises
    ------
    UsageError
        A check is not there; the text lists those that are.
    """
    if not wanted:
        return list(names)
    known = {name: entries.get(name, entry_name(name)) for name in names}
    unknown = [name for name in wanted if name not in known and name not in known.values()]
    if unknown:
        listed = ", ".join(dict.fromkeys((*known.values(), *known)))
        raise UsageError(
            f"no check {', '.join(visible(name[:80]) for name in unknown)} there; there are: {visible(listed)}"
        )
    return [name for name in names if name in wanted or known[name] in wanted]


def _write(drawn: Iterator[tuple[str, Drawing]], folder: Path, forms: Sequence[str], width_px: int) -> int:
    """Draw and write the figures; return how many files."""
    taken: set[str] = set()
    count = 0
    for wanted, drawing in drawn:
        name = free_name(wanted[:120], taken)
        for form in forms:
            path = folder / f"{name}.{form}"
            is_text, dpi = form == "svg", max(width_px / WIDTH_INCHES, 60.0)
            write_atomically(path, svg(drawing).encode("utf-8") if is_text else png(drawing, width_px, dpi))
            click.echo(visible(str(path)))
            count += 1
    return count
