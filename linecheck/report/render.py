"""Pages as text: one file that asks for nothing, runs nothing and opens from disk.

============================  ============================================================
:func:`run_page`              the page of a run or of a judged capture set
:func:`comparison_page`       the page of a comparison
:func:`shift_page`            the page of a shift
:func:`chart_page`            the page of a control chart
:func:`drift_page`            the page of what has moved
:func:`capability_page`       the page of whether the process makes units within the masks
:func:`write_comparison_page` the same, beside ``comparison.json``
============================  ============================================================

Everything that a template is given is escaped, but for drawings.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.history.comparison.model import Comparison
from linecheck.history.population import Populations
from linecheck.history.shift import ShiftSummary
from linecheck.report.among_page import among_page_of
from linecheck.report.capability_page import capability_page_of
from linecheck.report.chart_page import chart_page_of, drift_page_of
from linecheck.report.comparison_page import NO_DIGEST, NOT_LOOKED_UP, Signed, comparison_page_of
from linecheck.report.figures.data import Figure
from linecheck.report.figures.words import metric_name
from linecheck.report.interactive import make_live
from linecheck.report.line_page import line_page_of
from linecheck.report.parts import Part
from linecheck.report.run_page import run_page_of
from linecheck.report.shift_page import shift_page_of
from linecheck.run.model import Run
from linecheck.statistics.among import Place
from linecheck.statistics.capability_words import Told
from linecheck.statistics.line import LineView
from linecheck.statistics.readings import Counted

if TYPE_CHECKING:
    from linecheck.history.baseline.file import Baseline
    from linecheck.history.repairs.runs import StatedRepair

_PAGE_NAME = "comparison.html"
_PER_CENT = re.compile(r"(?<=\d) %")
#: Where a page has its own digest: no text that is escaped can look like it.
NO_DIGEST_TAG = f'<code id="page-digest">{NO_DIGEST}</code>'


def run_page(
    view: Run,
    *,
    population: Populations | None = None,
    references: Sequence[Run | Baseline] = (),
    repairs: Sequence[StatedRepair] = (),
    unfolded: bool = False,
    interactive: bool = False,
) -> str:
    """Return the page of a run as HTML.

    Parameters
    ----------
    view : Run
    population : Populations, optional
        Where its readings lie among other units of the model.
    references : sequence of Run or Baseline
        Other runs, whose curves and values stand beside these, and baselines, whose curves do.
    repairs : sequence of StatedRepair
        Those of its unit.
    unfolded : bool
        Show, and print, each check in full too.
    interactive : bool
        Put interactive figures before the still ones, and the scripts that run them into the page.

    Raises
    ------
    UsageError
        It is to be interactive, and the library for that is not installed.
    """
    page = run_page_of(view, population=population, references=references, repairs=repairs, unfolded=unfolded)
    return _rendered("run.html", page, interactive=interactive)


def comparison_page(
    comparison: Comparison,
    *,
    signed: Signed = NOT_LOOKED_UP,
    unfolded: bool = False,
    interactive: bool = False,
) -> str:
    """Return the page of a comparison as HTML, with its own digest in it.

    Parameters
    ----------
    comparison : Comparison
    signed : Signed
        Its sign-offs, or that they were not looked up.
    unfolded, interactive : bool
        As of :func:`run_page`.
    """
    page = comparison_page_of(comparison, signed, unfolded=unfolded)
    text = _rendered("comparison.html", page, interactive=interactive)
    return text.replace(
        NO_DIGEST_TAG, NO_DIGEST_TAG.replace(NO_DIGEST, sha256(text.encode("utf-8")).hexdigest())
    )


def shift_page(counted: ShiftSummary, station: str, shift: str, since: datetime, until: datetime) -> str:
    """Return the page of a shift as HTML."""
    return _rendered("shift.html", shift_page_of(counted, station, shift, since, until), interactive=False)


def chart_page(figure: Figure, facts: Sequence[tuple[str, str]], signals: Sequence[Sequence[str]]) -> str:
    """Return the page of a control chart as HTML: its figure, what is said of it, and its signals."""
    return _rendered("chart.html", chart_page_of(figure, facts, signals), interactive=False)


def drift_page(
    title: str, answer: str, facts: Sequence[tuple[str, str]], rows: Sequence[Sequence[str]]
) -> str:
    """Return the page of what has moved as HTML."""
    return _rendered("drift.html", drift_page_of(title, answer, facts, rows), interactive=False)


def capability_page(
    units: Counted, told: Sequence[Told], required: float, source: str, *, every_run: bool = False
) -> str:
    """Return the page of whether the process makes units within the masks as HTML."""
    page = capability_page_of(units, told, required, source, every_run=every_run)
    return _rendered("capability.html", page, interactive=False)


def line_page(view: LineView) -> str:
    """Return the page of a line as HTML."""
    return _rendered("line.html", line_page_of(view), interactive=False)


def among_page(run: Run, places: Sequence[Place], source: str) -> str:
    """Return the page of a run among others as HTML."""
    return _rendered("among.html", among_page_of(run, places, source), interactive=False)


def _rendered(template: str, page: Part, *, interactive: bool) -> str:
    if interactive:
        make_live(page)
    return environment().get_template(template).render(page=page)


def write_comparison_page(comparison: Comparison, out_dir: str | Path) -> Path:
    """Write the page of a comparison beside its ``comparison.json``; return where it is.

    Raises
    ------
    RecordError
        It cannot be written.
    """
    path = Path(out_dir) / _PAGE_NAME
    write_atomically(path, comparison_page(comparison).encode("utf-8"))
    return path


@cache
def environment() -> Environment:
    """Return what pages are rendered with."""
    made = escaping_environment("linecheck.report")
    made.filters["css_text"] = css_text
    made.filters["metric_name"] = metric_name
    return made


def escaping_environment(package: str) -> Environment:
    """Return what the templates of a package are rendered with: all escaped, nothing undefined, nothing hidden."""
    made = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=PackageLoader(package),
        finalize=_shown,
    )
    made.filters["drawing"] = Markup
    return made


def css_text(text: str) -> str:
    """Return a text for a string in a style sheet: every character as its number, so that none means anything."""
    return "".join(f"\\{ord(character):06x}" for character in visible(text))


def _shown(value: Any) -> Any:  # noqa: ANN401 - whatever a template shows
    """Return a text in which nothing is hidden and a % stays with its number; markup is left alone."""
    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return _PER_CENT.sub("\N{NO-BREAK SPACE}%", visible(value))
