"""A line at a glance: what the page shows is what was counted."""

import re

import numpy as np
import pytest
from click.testing import CliRunner
from exported_units import exported
from made_runs import made_run

from linecheck.cli import cli
from linecheck.log import Log, RunFilter
from linecheck.report.render import line_page
from linecheck.statistics.columns import open_columns
from linecheck.statistics.line import COLUMNS, line_of

HOSTILE = "<script>alert('x')</script>"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    rng = np.random.default_rng(5)
    units = 1400
    station, lot = rng.integers(0, 2, units), np.arange(units) // 100
    failed = (rng.random(units) < 0.01) | ((lot == 5) & (rng.random(units) < 0.3))
    readings = {("tone", "thd_n", "left"): rng.normal(-110.0, 1.0, units)}
    return exported(
        tmp_path_factory.mktemp("line") / "week", readings, {("tone", "thd_n", "left"): failed}, every_seconds=400.0,
        station=[("line-1", HOSTILE)[at] for at in station], lot=[f"L{at}" for at in lot],
    )  # fmt: skip


@pytest.fixture(scope="module")
def view(place):
    with open_columns(place, RunFilter(purpose="unit"), columns=COLUMNS) as columns:
        return line_of(columns)


def test_the_page_shows_what_was_counted(view):
    page = line_page(view)
    share = view.yields.first_pass
    assert f"{share.found} of {share.among} units" in page
    assert page.index("lot L5 (") < page.index("What fails most") < page.index("tone.thd_n")
    assert sum(station.first_pass.among for station in view.stations) == share.among
    days = {day.name for station in view.stations for day in station.days}
    assert all(f">{day[5:]}<" in page for day in days)
    assert len(page) < 120_000


def test_what_a_record_says_is_text_on_the_page(view):
    page = line_page(view)
    assert HOSTILE not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"<script|src=|href=\"http", page)


def test_no_unit_makes_a_page_that_says_so(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.append(made_run(missing=("tone",), checks=()))
    done = CliRunner().invoke(
        cli, ["statistics", "page", "--log", str(path), "--out", str(tmp_path / "line.html")]
    )
    assert done.exit_code == 3, done.output
    page = (tmp_path / "line.html").read_text()
    assert "no unit was judged" in page
    assert "1 unit without a run that judges them" in page
