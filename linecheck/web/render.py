"""Templates of the server's pages; times are as this computer's clock shows them."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment
from starlette.responses import HTMLResponse

from linecheck.report.render import escaping_environment
from linecheck.report.shift_page import local_time


def rendered(template: str, **facts: Any) -> HTMLResponse:  # noqa: ANN401 - whatever a template shows
    """Return a page."""
    return HTMLResponse(_environment().get_template(template).render(**facts))


@cache
def _environment() -> Environment:
    made = escaping_environment("linecheck.web")
    made.filters["local"] = local_time
    return made
