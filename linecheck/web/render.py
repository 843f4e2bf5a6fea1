"""Templates of the server's pages: all escaped, nothing undefined, nothing hidden, times as this computer's clock."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from linecheck.files.text import visible
from linecheck.report.shift_page import local_time


def rendered(template: str, **facts: Any) -> HTMLResponse:  # noqa: ANN401 - whatever a template shows
    """Return a page."""
    return HTMLResponse(environment().get_template(template).render(**facts))


@cache
def environment() -> Environment:
    """Return what templates are rendered with: all escaped, nothing undefined, nothing hidden."""
    made = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=PackageLoader("linecheck.web"),
        finalize=lambda value: (
            visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value
        ),
    )
    made.filters["drawing"] = Markup
    made.filters["local"] = local_time
    return made
