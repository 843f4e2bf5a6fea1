"""``linecheck plot``: the figures of a run, a capture set or a comparison alone, as drawings or as numbers."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import click

from linecheck.captures.capture_set import CaptureSet
from linecheck.cli.display.messages import tell
from linecheck.cli.options import LogPlace, collected, log_options
from linecheck.cli.sources import (
    Beside,
    among_earlier,
    beside_options,
    capture_finders,
    is_comparison,
    run_and_references,
)
from linecheck.errors import ExitStatus, UsageError
from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.history.comparison.file import load_comparison
from linecheck.history.population import Populations
from linecheck.limits.model import entry_name
from linecheck.line.kept_capture_sets import kept_captures
from linecheck.measure.reanalysis import MAX_RECORDS, Again, Asked, has_spectrum, taken_again
from linecheck.report.figures.curves import figures_of_check, figures_of_comparison
from linecheck.report.figures.data import Figure, Strip
from linecheck.report.figures.drawing.draw import WIDTH_INCHES, pdf, png, svg
from linecheck.report.figures.numbers import csv
from linecheck.report.figures.overlay import Overlay, overlay_of, overlays_of
from linecheck.report.figures.strips import strips_of_check
from linecheck.report.figures.words import file_name, place_text
from linecheck.report.figures.zoom import Zoom, zoomed
from linecheck.report.parts import free_name
from linecheck.run.model import CheckOutcome, Run

Drawing = Figure | tuple[Strip, ...]

_FORMATS = ("svg", "png", "pdf", "csv")
_BAND = re.compile(r"(\d+(?:\.\d*)?(?:e\d+)?)-(\d+(?:\.\d*)?(?:e\d+)?)")


def _formats(_: click.Context, __: click.Parameter, values: tuple[str, ...]) -> tuple[str, ...]:
    """Return the file formats that are named, each once; ``both`` is SVG and PNG."""
    named = [name.strip().lower() for value in values for name in value.split(",")]
    named = [form for name in named for form in (("svg", "png") if name == "both" else (name,))]
    unknown = [name for name in named if name not in _FORMATS]
    if unknown:
        raise UsageError(
            f"--format: no format {visible(unknown[0][:40])!a}; there are: {', '.join(_FORMATS)}, both"
        )
    return tuple(dict.fromkeys(named))


def _band(_: click.Context, __: click.Parameter, value: str | None) -> tuple[float, float] | None:
    """Return the edges of a band as LOW-HIGH names them."""
    if value is None:
        return None
    found = _BAND.fullmatch(value.strip())
    low, high = (float(found[1]), float(found[2])) if found else (0.0, 0.0)
    if not low < high < 1e9:
        raise UsageError(
            f"--band: {visible(value[:40])!a} is no band; expected LOW-HIGH in Hz, ascending, as 900-1100"
        )
    return low, high


_zoom_options = collected(
    (
        click.option(
            "--from", "low", type=float, metavar="X", help="Where the x axis begins, in its own unit."
        ),
        click.option("--to", "high", type=float, metavar="X", help="Where it ends."),
        click.option("--scale", type=click.Choice(["linear", "logarithmic"]), help="Scale of the x axis."),
    ),
    "zoom",
    Zoom,
)
_again_options = collected(
    (
        click.option(
            "--resolution",
            "resolution_hz",
            type=click.FloatRange(0.1, 1000.0),
            metavar="HZ",
            help="Take spectra again from the kept captures, at this resolution bandwidth.",
        ),
        click.option(
            "--records",
            type=click.IntRange(1, MAX_RECORDS),
            metavar="N",
            help="Take them again as the mean power of N records that overlap by half.",
        ),
        click.option(
            "--band",
            "band_hz",
            callback=_band,
            metavar="LOW-HIGH",
            help="Take them again in this band, Hz.",
        ),
    ),
    "asked",
    Asked,
)


@click.command(name="plot")
@click.argument("source", metavar="RUN|SET|COMPARISON")
@click.argument("checks", metavar="[CHECK]...", nargs=-1)
@click.option("--out", required=True, metavar="DIR", help="Folder for the figures.")
@click.option(
    "--format",
    "forms",
    multiple=True,
    default=("svg",),
    callback=_formats,
    metavar="FORMAT",
    help="svg, png, pdf, csv (the numbers in full) or both (svg, png); repeatable, or a list with commas.",
)
@_zoom_options
@_again_options
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
    source: str,
    checks: tuple[str, ...],
    out: str,
    forms: tuple[str, ...],
    zoom: Zoom,
    asked: Asked,
    beside: Beside,
    width: int,
    place: LogPlace,
) -> ExitStatus:
    """Write the figures of a run in the log, of a capture set or of a comparison: every curve with its masks.

    CHECK names the checks to draw, as the limit file does (reconstruction), or one setup of a check
    (reconstruction@filter=slow); without it all are drawn. Each figure is written to DIR/CHECK-CURVE.FORMAT; with
    --against, a check's values among those of other units to DIR/CHECK-population.FORMAT.

    With --resolution, --records or --band the spectra of checks are taken again from their captures, where these were
    kept, and written to DIR/CHECK-CURVE-again.FORMAT. They are judged by nothing.

    Exit status: 0 figures were written, 2 a wrong command or file, or a check has no spectrum to take again, 3 nothing
    was measured that could be drawn, or no captures were kept.
    """
    if not out:
        raise UsageError("--out: is empty, name a folder")
    zoom.check()
    if is_comparison(source, beside):
        if asked:
            raise UsageError(
                "--resolution, --records and --band: a comparison has no captures; name a run or a set"
            )
        drawn = _of_comparison(Path(source), checks)
    else:
        drawn = _of_run(_Source(source, beside, place), checks, zoom, asked)
    if not _write(_zoomed(drawn, zoom, refuses=bool(checks)), Path(out), forms, width):
        if zoom:
            raise UsageError("nothing to draw: no figure has a point in that range")
        tell("nothing to draw: no curve was measured, or `log thin` removed its points")
        return ExitStatus.INVALID
    return ExitStatus.PASS


@dataclass(frozen=True)
class _Source:
    """What run is drawn, beside what, and in which log runs are looked for."""

    name: str
    beside: Beside
    place: LogPlace

    def captures(self, run: Run, name: str) -> CaptureSet:
        """Return the kept captures of a run that was named so."""
        return kept_captures(run, name, capture_finders(self.place))


def _of_run(
    source: _Source, wanted: Sequence[str], zoom: Zoom, asked: Asked
) -> Iterator[tuple[str, Drawing]]:
    """Return the figures of a run, each with the name of its file."""
    beside = source.beside
    view, runs, baselines = run_and_references(source.name, beside, source.place)
    every = dict.fromkeys(check.name for check in view.limits.checks)
    every |= dict.fromkeys(check.check for check in view.checks)
    names = _chosen(wanted, list(every), {check.check: check.entry for check in view.checks})
    for name, other in runs.items():
        if not any(other.check(check) for check in names):
            raise UsageError(f"--reference: {name!a} has none of these checks: {', '.join(names)}")
    if asked:
        if baselines:
            raise UsageError(f"--reference: {next(iter(baselines))!a} is a baseline, which has no captures")
        return _taken_again(source, view, runs, names, wanted, zoom, asked)
    overlays = overlays_of(*runs.values(), *baselines.values())
    return _drawings(view, names, overlays, among_earlier(view, beside.against, names))


def _drawings(
    view: Run, names: Sequence[str], overlays: Sequence[Overlay], others: Populations | None
) -> Iterator[tuple[str, Drawing]]:

    for check in view.checks:
        if check.check not in names:
            continue
        for figure in figures_of_check(view, check, overlays=overlays):
            yield f"{file_name(check.check)}-{figure.name}", figure
        strips = () if others is None else strips_of_check(view, check, population=others.readings)
        if any(strip.others for strip in strips):
            yield f"{file_name(check.check)}-population", strips


def _taken_again(
    source: _Source,
    view: Run,
    others: Mapping[str, Run],
    names: Sequence[str],
    wanted: Sequence[str],
    zoom: Zoom,
    asked: Asked,
) -> Iterator[tuple[str, Drawing]]:
    """Yield the figures of spectra that are taken again from kept captures."""
    with_spectrum = [check for check in view.checks if check.check in names and has_spectrum(view, check)]
    found = [check.check for check in with_spectrum]
    lacking = [name for name in names if name not in found] if wanted else []
    if lacking or not found:
        there = ", ".join(check.check for check in view.checks if has_spectrum(view, check)) or "none"
        raise UsageError(
            f"{visible(', '.join(lacking or names))}: has no spectrum that could be taken again; checks that have one: "
            f"{visible(there)}"
        )
    captures = source.captures(view, source.name)
    beside = {name: source.captures(other, name) for name, other in others.items()}
    for check in with_spectrum:
        own = _within(asked, zoom, check)
        again = taken_again(view, check, captures.read(check.check), own)
        overlays = []
        for name, other in others.items():
            same = other.check(check.check)
            if same is not None and has_spectrum(other, same):
                taken = taken_again(other, same, beside[name].read(check.check), own)
                overlays.append(overlay_of(replace(other, checks=(taken.check,))))
        for figure in figures_of_check(_unjudged(view), again.check, overlays=overlays):
            told = replace(figure, name=f"{figure.name}-again", caption=_caption(again))
            yield f"{file_name(check.check)}-{told.name}", told


def _within(asked: Asked, zoom: Zoom, check: CheckOutcome) -> Asked:
    """Return what is asked of a check: a range that is looked at is all that its points are spent on."""
    if asked.band_hz is not None or zoom.low is None or zoom.high is None:
        return asked
    ends = [curve.curve.x[[0, -1]] for curve in check.judged.curves if len(curve.curve.x)]
    if not ends:
        return replace(asked, band_hz=(max(zoom.low, 0.0), zoom.high))
    low = max(zoom.low, min(float(pair[0]) for pair in ends))
    high = min(zoom.high, max(float(pair[1]) for pair in ends))
    return replace(asked, band_hz=(low, high)) if low < high else asked


def _unjudged(view: Run) -> Run:
    """Return a run whose checks have no masks: these hold for curves as they were recorded."""
    checks = tuple(replace(check, masks={}) for check in view.limits.checks)
    return replace(view, limits=replace(view.limits, checks=checks))


def _caption(again: Again) -> str:
    """Return what stands below a curve that was taken again."""
    at = f"taken again from the kept capture at {place_text(again.resolution_hz, 'Hz', 3)} bandwidth"
    if again.records is None:
        return f"{at}; not judged"
    mean = (
        "one record" if again.records == 1 else f"mean power of {again.records} records overlapping by half"
    )
    return f"{at}, {mean}; not judged"


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


def _zoomed(
    drawn: Iterable[tuple[str, Drawing]], zoom: Zoom, *, refuses: bool
) -> Iterator[tuple[str, Drawing]]:
    """Yield the figures within a range; those with nothing there are left out and told, a check of none is refused.

    Parameters
    ----------
    drawn : iterable
    zoom : Zoom
    refuses : bool
        Whether the checks were named, so that each of them is meant.
    """
    if not zoom:
        yield from drawn
        return
    seen: dict[tuple[int, ...], str] = {}
    figures = [(name, drawing) for name, drawing in drawn if isinstance(drawing, Figure)]
    for name, figure in figures:
        # Of a curve that is drawn at two depths the last is at full depth, which the range alone now says.
        seen[tuple(id(series.y) for series in figure.series)] = name
    kept: dict[str, list[tuple[str, Figure]]] = {}
    refused: dict[str, list[UsageError]] = {}
    for name, figure in figures:
        if name not in seen.values():
            continue
        check = figure.title.partition(":")[0]
        try:
            kept.setdefault(check, []).append((name, zoomed(figure, zoom)))
        except UsageError as error:
            refused.setdefault(check, []).append(error)
    for check, errors in refused.items():
        if refuses and not kept.get(check):
            raise errors[0]
        for reason in errors:
            tell(f"left out: {reason}")
    for parts in kept.values():
        yield from parts


def _write(drawn: Iterator[tuple[str, Drawing]], folder: Path, forms: Sequence[str], width_px: int) -> int:
    """Draw and write the figures; return how many files."""
    dpi = max(width_px / WIDTH_INCHES, 60.0)
    made: dict[str, Callable[[Drawing], bytes]] = {
        "svg": lambda drawing: svg(drawing).encode("utf-8"),
        "png": partial(png, width_px=width_px, dpi=dpi),
        "pdf": pdf,
        "csv": csv,
    }
    taken: set[str] = set()
    count = 0
    for wanted, drawing in drawn:
        name = free_name(wanted[:120], taken)
        for form in forms:
            path = folder / f"{name}.{form}"
            write_atomically(path, made[form](drawing))
            click.echo(visible(str(path)))
            count += 1
    return count
