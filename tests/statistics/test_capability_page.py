"""Capability as a page: what is drawn is what was counted, with its masks, and what records say is text."""

import re
from dataclasses import replace

import numpy as np
import pytest
from measured_units import MASKS, a_shift, log_of

from linecheck.checks import kinds
from linecheck.limits.model import Bounds, Mask
from linecheck.log import RunFilter
from linecheck.report.capability_page import MAX_DRAWN
from linecheck.report.figures.histograms import pile_of
from linecheck.report.render import capability_page
from linecheck.statistics.capability_words import told_of
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.fits import Sample
from linecheck.statistics.readings import COLUMNS, Counted, MetricReadings, count_units, read_metrics

HOSTILE = "<script>alert('x')</script>"
UNITS = Counted(400, 0, 0, 0, (1,), "2026-11-02 06:00", "2026-11-02 18:00")
SPECS = {spec.name: spec for spec in (*kinds()["tone"].metrics, *kinds()["tone"].curves)}
BARS = re.compile(r"units in bars of [^:]*: ([\d, ]+)\.(?: This or better, in the same bars: ([\d, ]+)\.)?")


def metric(sample, name="sinad", check="tone", channel="left", mask=None):
    return MetricReadings(
        check, name, channel, "dB", SPECS[name], mask or MASKS[name], sample, False, 0, 0, 0.05, None
    )


def page_of(*found, required=1.33):
    return capability_page(UNITS, [told_of(each, False, required) for each in found], required, "a log")


def bars_of(page):
    """Return the units of all bars of each figure: of values, and of bounds."""
    return [
        tuple(sum(map(int, part.split(","))) if part else 0 for part in found) for found in BARS.findall(page)
    ]


def figures_of(page):
    return re.findall(r"<article.*?</article>", page, re.DOTALL)


@pytest.fixture
def random():
    return np.random.default_rng(3)


def test_the_page_of_a_shift_shows_what_was_counted(tmp_path):
    place = Place(logs=(log_of(tmp_path / "log.sqlite", a_shift()),))
    with open_columns(place, RunFilter(purpose="unit"), columns=COLUMNS) as columns:
        units = count_units(columns, columns.limit_file)
        found = read_metrics(columns, columns.limit_file, units.units)
    told = [told_of(each, False, 1.33) for each in found]
    page = capability_page(units, told, 1.33, "a log")
    drawn = bars_of(page)
    assert sorted(drawn) == sorted((each.sample.measured, each.sample.bounded) for each in found)
    assert all(sum(units) == 120 for units in drawn)
    assert any(bounds for _, bounds in drawn)
    assert page.count('-fit"') == sum(each.capability.fit is not None for each in told)
    ppk = next(each.capability.ppk for each in told if each.readings.channel == "right")
    assert f"{ppk.value:.2f} ({ppk.low:.2f} to {ppk.high:.2f})" in page
    # What cannot be told is before what is capable.
    assert page.index("cannot be told with 120 units") < page.index("</svg> capable")


@pytest.mark.parametrize(
    ("mask", "texts", "lines"),
    [
        (
            Mask(Bounds(112.0, 118.0), Bounds(108.0, 120.0)),
            ("marginal &lt; 112", "marginal &gt; 118", "fails &lt; 108", "fails &gt; 120"),
            {"limit-pass-min", "limit-pass-max", "limit-fail-min", "limit-fail-max"},
        ),
        # A mask of one pair of limits fails what it does not pass.
        (Mask(Bounds(112.0)), ("fails &lt; 112",), {"limit-fail-min"}),
        # Out of reach: it is told, with an arrow.
        (Mask(Bounds(112.0), Bounds(20.0)), ("← fails &lt; 20",), {"limit-pass-min"}),
    ],
)
def test_masks_are_drawn_and_named(random, mask, texts, lines):
    page = page_of(metric(Sample.of(random.normal(114.0, 0.8, 400)), mask=mask))
    assert all(f">{text}<" in page for text in texts)
    # Nothing covers them: the ground is drawn before.
    assert page.index("fill:#ffffff", page.index("<article")) < page.index('id="metric-1-limit')
    assert set(re.findall(r'id="metric-1-(limit-[a-z-]+)"', page)) == lines


def test_a_curve_held_against_the_pass_mask_is_marginal_beyond_it(random):
    both = Mask(Bounds(None, ((20.0, -110.0), (20000.0, -110.0))), Bounds(None, -100.0))
    item = replace(metric(Sample.of(random.normal(3.0, 0.5, 400)), "spectrum", mask=both), is_curve=True)
    pages = [
        capability_page(UNITS, [told_of(item, of_pass, 1.33)], 1.33, "a log") for of_pass in (True, False)
    ]
    assert ">marginal &lt; 0<" in pages[0]
    assert "≥ 0 dB (pass mask)" in pages[0]
    assert ">fails &lt; 0<" in pages[1]
    assert "pass mask" not in pages[1]


def test_every_run_is_said():
    assert "Each unit counts once" in capability_page(UNITS, [], 1.33, "a log")
    assert "Each unit counts once" not in capability_page(UNITS, [], 1.33, "a log", every_run=True)


def test_the_worst_stands_first_and_says_so_in_words_and_shape(random):
    normal = random.normal(0.0, 1.0, 400)
    page = page_of(
        metric(Sample.of(120.0 + normal), channel="good"),
        metric(Sample.of(109.0 + normal), channel="bad"),
        metric(Sample.of(112.0 + 3.0 * normal), channel="worse"),
        metric(Sample.of(112.0 + normal[:5]), channel="few"),
    )
    names = re.findall(r"<h3>tone.sinad (\w+)</h3>", page)
    assert names == ["bad", "worse", "few", "good"]
    shapes = [re.findall(r"#shape-(\w+)", each) for each in figures_of(page)]
    assert shapes == [["fail"], ["fail"], ["invalid"], ["pass"]]
    assert "cannot be told with 5 units" in page
    assert "5 units are too few for a distribution" in page


def test_without_a_fit_there_is_no_curve(random):
    two = np.concatenate([random.normal(112.0, 0.2, 2000), random.normal(116.0, 0.2, 2000)])
    page = page_of(metric(Sample.of(two)))
    assert "By percentiles, no curve" in page
    assert "counted beyond" in page
    assert '-fit"' not in page


@pytest.mark.parametrize(
    "sample",
    [
        Sample.of(np.full(9, 113.0)),
        Sample.of(np.zeros(9)),
        Sample.of(np.empty(0), np.full(9, 113.0)),
        Sample.of(np.append(np.linspace(113.0, 113.1, 5000), 20.0)),
        Sample.of(np.array([1e15, 1e15 + 0.125])),
        Sample.of(np.array([-1e300, 1e300])),
        Sample.of(np.array([5e-324, 0.0])),
        Sample.of(np.append(np.arange(400.0), 7e5)),
    ],
)
def test_every_unit_is_in_a_bar_however_readings_lie(sample):
    pile = pile_of(sample)
    assert (pile.values.sum(), pile.bounds.sum()) == (sample.measured, sample.bounded)
    assert bars_of(page_of(metric(sample))) == [(sample.measured, sample.bounded)]
    assert "nan" not in figures_of(page_of(metric(sample)))[0].lower()


def test_readings_farther_apart_than_a_number_can_say_have_no_figure():
    page = page_of(metric(Sample.of(np.array([-1.7e308, 1.7e308]))))
    assert "cannot be told with 2 units" in page
    assert not bars_of(page)


def test_a_metric_that_nobody_read_has_no_figure():
    nothing = replace(metric(Sample.of(np.empty(0))), missing=400)
    page = page_of(nothing)
    assert "400 not measured" in page
    assert not bars_of(page)


def test_what_a_record_says_is_text_on_the_page(random):
    sample = Sample.of(random.normal(114.0, 0.8, 400))
    item = replace(metric(sample, check=HOSTILE, channel=f'"{HOSTILE}'), unit=HOSTILE)
    page = capability_page(UNITS, [told_of(item, False, 1.33)], 1.33, HOSTILE)
    assert HOSTILE not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"<script|src=|href=\"http", page)


def test_a_page_of_sixty_metrics_is_small(random):
    found = [
        metric(
            Sample.of(random.normal(114.0, 0.8, 9000), np.full(300, 116.5), 1),
            check=f"tone_{at}",
            mask=Mask(Bounds(112.0, 118.0), Bounds(108.0, 120.0)),
        )
        for at in range(MAX_DRAWN + 2)
    ]
    page = page_of(*found)
    assert len(figures_of(page)) == MAX_DRAWN
    assert "2 more, none of them worse" in page
    assert len(page.encode()) < 600_000
