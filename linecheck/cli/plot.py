"""``linecheck plot``: the figures of a run, a capture set or a comparison alone, as SVG or PNG."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.cli.log_options import log_options
from linecheck.errors import ExitStatus, UsageError

if TYPE_CHECKING:
    from linecheck.cli.looked_at import Sources
    from linecheck.records.figures.data import Figure
    from linecheck.records.view import RunView

__all__ = ["command"]

_COMPARISON = "comparison.json"
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
    show_default=True,
    help="What to write.",
)
@click.option(
    "--limits", multiple=True, metavar="FILE", help="Limit file that judges a capture set; may be repeated."
)
@click.option("--reference", metavar="RUN", help="Draw the same curves of this run (or set) beside them.")
@click.option(
    "--width",
    type=click.IntRange(300, 8000),
    default=1340,
    show_default=True,
    metavar="PX",
    help="Width of a PNG.",
)
@log_options
def command(
    source: str,
    checks: tuple[str, ...],
    out: str,
    form: str,
    limits: tuple[str, ...],
    reference: str | None,
    width: int,
    log: str | None,
    station: str | None,
) -> ExitStatus:
    """Write the figures of a run in the log, of a capture set or of a comparison: every curve with its masks.

    CHECK names the checks that are wanted, as the limit file does (reconstruction), or one setup of it
    (reconstruction@filter=slow); all where none is given. Each figure becomes DIR/CHECK-CURVE.svg or .png.

    Exit status: 0 figures were written, 2 a wrong command or file, 3 nothing was measured that could be drawn.
    """
    from linecheck.cli.looked_at import Sources

    if os.path.isfile(os.path.join(source, _COMPARISON)) or os.path.basename(source) == _COMPARISON:
        if reference is not None or limits:
            raise UsageError(
                "--reference and --limits: a comparison has its sides and its limit file already"
            )
        drawn = _of_comparison(Path(source), checks)
    else:
        drawn = _of_run(Sources(log, station, limits), source, checks, reference)
    written = _write(drawn, Path(out), FORMATS[form], width)
    if not written:
        click.echo("linecheck: there is nothing to draw: no curve was measured", err=True)
        return ExitStatus.INVALID
    return ExitStatus.PASS


def _of_run(
    sources: Sources, source: str, wanted: Sequence[str], reference: str | None
) -> Iterator[tuple[str, Figure]]:
    """Return the figures of a run, each with the name of its file."""
    from linecheck.records.figures.of_run import figures_of_check
    from linecheck.records.figures.words import file_name

    view = sources.view(source)
    other = None if reference is None else sources.view(reference)
    names = _chosen(wanted, _names(view), {check.check: check.entry for check in view.checks})
    if other is not None and not any(other.check(name) for name in names):
        raise UsageError(f"--reference: {reference!a} has none of these checks: {', '.join(names)}")
    return (
        (f"{file_name(check.check)}-{figure.name}", figure)
        for check in view.checks
        if check.check in names
        for figure in figures_of_check(view, check, reference=other)
    )


def _names(view: RunView) -> list[str]:
    return list(dict.fromkeys((*view.facts, *(check.check for check in view.checks))))


def _of_comparison(path: Path, wanted: Sequence[str]) -> Iterator[tuple[str, Figure]]:
    """Return the figures of a comparison, each with the name of its file."""
    from linecheck.records.comparison.file import load_comparison
    from linecheck.records.figures.of_comparison import figures_of_comparison

    comparison = load_comparison(path)
    every = list(dict.fromkeys(entry.check for entry in (*comparison.curves, *comparison.values)))
    names = _chosen(wanted, every, {})
    curves = tuple(curve for curve in comparison.curves if curve.check in names)
    from dataclasses import replace

    return ((figure.name, figure) for figure in figures_of_comparison(replace(comparison, curves=curves)))


def _chosen(wanted: Sequence[str], names: Sequence[str], entries: dict[str, str]) -> list[str]:
    """Return the whole names of the checks that are meant, in the run's order.

    Raises
    ------
    UsageError
        A check is not there; the text lists those that are.
    """
    from linecheck.limits.model import entry_name
    from linecheck.records.text import visible

    if not wanted:
        return list(names)
    known = {name: entries.get(name, entry_name(name)) for name in names}
    unknown = [name for name in wanted if name not in known and name not in known.values()]
    if unknown:
        listed = ", ".join(dict.fromkeys((*known.values(), *known)))
        raise UsageError(
            f"no check {', '.join(repr(visible(name[:80])) for name in unknown)} there; there are: {visible(listed)}"
        )
    return [name for name in names if name in wanted or known[name] in wanted]


def _write(drawn: Iterator[tuple[str, Figure]], folder: Path, forms: Sequence[str], width_px: int) -> int:
    """Draw and write the figures; return how many files."""
    from linecheck.records.files import write_atomically
    from linecheck.records.text import visible

    taken: set[str] = set()
    count = 0
    for wanted, figure in drawn:
        name = _free(wanted[:120], taken)
        for form in forms:
            path = folder / f"{name}.{form}"
            write_atomically(path, _drawn(figure, form, width_px))
            click.echo(visible(str(path)))
            count += 1
    return count


def _free(name: str, taken: set[str]) -> str:
    """Return a name that no figure has yet, also where a file system ignores case."""
    free, number = name, 1
    while free.casefold() in taken:
        number += 1
        free = f"{name}-{number}"
    taken.add(free.casefold())
    return free


def _drawn(figure: Figure, form: str, width_px: int) -> bytes:
    from linecheck.records.figures.draw import png, svg

    if form == "svg":
        return svg(figure).encode("utf-8")
    return png(figure, width_px, dpi=max(width_px / 6.7, 60.0))
