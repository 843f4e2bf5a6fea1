"""Pages of runs, read back as documents: what they say, in which order, and that no text becomes markup."""

import itertools
import re
from dataclasses import replace

import pytest
from lxml import html
from made_causes import hostile_fact, made_causes, unknown_causes, unreadable_facts, with_causes
from made_runs import (
    large_run,
    looked_at,
    made_check,
    made_curve,
    made_reading,
    made_run,
    runs_of_every_verdict,
)

from linecheck.checks.base import Problem
from linecheck.history.population import Population, Populations
from linecheck.limits.verdict import WORST_FIRST, Verdict
from linecheck.report.figures.words import metric_name
from linecheck.report.render import css_text, environment, run_page
from linecheck.report.run_page import MAX_TELLING
from linecheck.report.values import MAX_DRAWN
from linecheck.results.wording import troubles
from linecheck.run.facts import Asset
from linecheck.run.model import SettingStep

SVG_NAMESPACE = "http://www.w3.org/2000/svg"
HOSTILE = ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</style></title>{{ 7*7 }}"]


def page_of(outcome, **beside):
    """Return the page's text and what a browser would make of it."""
    text = run_page(looked_at(outcome, "made by hand"), **beside)
    return text, html.document_fromstring(text)


@pytest.fixture(scope="module")
def pages():
    """The page of a run of every verdict, as :func:`page_of` returns it."""
    return {verdict: page_of(run) for verdict, run in runs_of_every_verdict().items()}


def plain(node):
    """Return the text of an element, its spaces as one."""
    return " ".join(node.text_content().split())


@pytest.mark.parametrize("verdict", Verdict)
def test_the_verdict_comes_first_as_word_shape_and_colour(pages, verdict):
    _, page = pages[verdict]
    (heading,) = page.xpath("//h1")
    assert plain(heading) == f"{verdict.value.upper()} PR3-004711"
    assert heading.xpath(".//use/@href") == [f"#shape-{verdict.value}"]
    main = page.get_element_by_id("content")
    assert plain(main).startswith(verdict.value.upper())
    assert main[0].get("class") == f"verdict {verdict.value}"
    assert plain(main[0]).find("pellow-r3") > 0
    assert "2026-11-20 08:15:00 UTC" in plain(main[0])
    assert "line-2-nest-a" in plain(main[0])


@pytest.mark.parametrize("verdict", Verdict)
def test_every_judged_value_has_a_row_and_what_does_not_pass_comes_first(pages, verdict):
    run = runs_of_every_verdict()[verdict]
    _, page = pages[verdict]
    rows = page.xpath("//*[@id='values']//tr[@data-metric]")
    ranks = [WORST_FIRST.index(Verdict(row.get("data-verdict"))) for row in rows]
    assert ranks == sorted(ranks)
    judged = {
        (check.check, item.measured.metric)
        for check in run.checks
        for item in check.judged.items
        if item.verdict is not None
    }
    told = {(row.get("data-check"), row.get("data-metric")) for row in rows}
    assert len(rows) == len(told)
    unmeasured = plain(page.get_element_by_id("unmeasured")) if judged - told else ""
    assert all(check in unmeasured and metric_name(metric) in unmeasured for check, metric in judged - told)


@pytest.mark.parametrize("verdict", [entry for entry in Verdict if entry is not Verdict.PASS])
def test_why_values_are_void_is_said_before_them(pages, verdict):
    run = runs_of_every_verdict()[verdict]
    _, page = pages[verdict]
    told = [
        problem.message
        for _, problem in troubles(run.checks, run.missing, run.problems)
        if not problem.is_note
    ]
    said = plain(page)
    assert [text for text in told if said.find(text) > said.find("Judged values")] == []
    assert [text for text in told if text not in said] == []


def test_channels_share_a_row_and_nothing_is_told_twice():
    both = [made_reading(Verdict.FAIL, 105.3, channel=channel) for channel in ("left", "right")]
    curves = [made_curve(Verdict.FAIL, channel=channel) for channel in ("left", "right")]
    _, page = page_of(made_run(made_check(*both, *curves)))
    cells = [[plain(cell) for cell in row] for row in page.xpath("//*[@id='values']//tr[@data-metric]")]
    assert cells[0] == [
        "fail tone SINAD",
        "left and right 105.30 ± 0.06 dB",
        "≥ 112 dB",
        "< 108 dB",
        "6.70 dB outside left",
    ]
    assert cells[1][1] == "left and right −129.51 dB at 20 kHz"
    assert not any("-" in cell for row in cells for cell in row)  # a minus is written as one


def test_problems_are_told_once_for_all_channels_and_checks():
    odd = [
        Problem("dropout", f"lost at {at} s. May be the cable. Not reported.", channel)
        for at in (1, 2)
        for channel in ("left", "right")
    ]
    checks = [
        made_check(made_reading(Verdict.INVALID), name=name, problems=tuple(problems))
        for name, problems in (("tone", odd[:2]), ("quiet", odd[2:]), ("jitter", odd[:2]), ("spare", ()))
    ]
    other = Problem("clipping", "too loud", "left")
    checks[3] = made_check(made_reading(Verdict.INVALID), name="spare", problems=(other,))
    _, page = page_of(made_run(*checks))
    lines = [plain(line) for line in page.get_element_by_id("problems").xpath(".//li[not(.//li)]")]
    assert lines == [
        "tone left and right, jitter left and right: lost at 1 s.",
        "quiet left and right: lost at 2 s.",
        "spare left: too loud",
    ]
    assert plain(page.get_element_by_id("problems")).count("May be the cable. Not reported.") == 1
    assert "Commonest cause, in 3 of 4 checks: dropout (tone: lost at 1 s)." in plain(
        page.get_element_by_id("verdict")
    )


def test_a_pass_has_no_findings(pages):
    _, page = pages[Verdict.PASS]
    assert page.xpath("//*[@id='findings' or @id='shown']") == []


def test_all_metrics_stand_worst_first_in_widths_of_their_masks():
    # Passes from 112 dB up, fails below 108 dB: a width is 4 dB.
    values = {"sinad": 105.3, "snr": 113.0, "thd": 112.2, "noise": 130.0}
    readings = [
        made_reading(Verdict.FAIL if value < 108 else Verdict.PASS, value, metric=metric, channel=channel)
        for metric, value in values.items()
        for channel in ("left", "right")
    ]
    _, page = page_of(made_run(made_check(*readings)))
    rows = page.xpath("//ol[contains(@class, 'glance')]/li")
    assert [plain(row) for row in rows] == [
        "tone SINAD left 6.70 dB outside",
        "tone THD left 0.20 dB inside",
        "tone SNR left 1.00 dB inside",
        "tone noise left 18.00 dB inside",
    ]
    # The line goes from 1.25 widths outside to 1.25 inside; what is beyond stands at its end with an arrow.
    for row, widths in zip(rows, (-1.25, 0.05, 0.25, 1.25), strict=True):
        places = [float(mark.get("x").rstrip("%")) for mark in row.xpath(".//svg/svg")]
        assert places == pytest.approx([40.0 * (widths + 1.25)] * 2, abs=0.01)
        assert bool(row.xpath(".//svg/svg/path")) == (abs(widths) == 1.25)
        zones = [(zone.get("x"), zone.get("width")) for zone in row.xpath("./svg/rect")]
        assert zones == [("0", "10.0%"), ("10.0%", "40.0%")]
        assert row.xpath("./svg/@aria-label")


def test_of_many_metrics_the_worst_are_drawn_and_the_others_counted():
    readings = [
        made_reading(value=113.0 + number, metric=f"metric_{number}") for number in range(MAX_DRAWN + 9)
    ]
    _, page = page_of(made_run(made_check(*readings)))
    assert len(page.xpath("//ol[contains(@class, 'glance')]/li")) == MAX_DRAWN
    assert "9 more pass, inside by 10 widths or more." in plain(page.get_element_by_id("glance"))


def test_metrics_that_fail_and_are_not_drawn_are_never_told_as_inside():
    failing = [
        made_reading(Verdict.FAIL, 100.0 - number, metric=f"metric_{number}")
        for number in range(MAX_DRAWN + 2)
    ]
    _, page = page_of(made_run(made_check(*failing, made_reading())))
    said = plain(page.get_element_by_id("glance"))
    assert "2 more metrics do not pass: see the table. 1 more pass, inside by 0.3 widths or more." in said


def test_a_value_on_its_pass_limit_has_its_fail_limit_where_it_is():
    _, page = page_of(made_run(made_check(made_reading(value=112.0))))
    (row,) = page.xpath("//ol[contains(@class, 'glance')]/li")
    assert row.xpath("./svg/rect/@width") == ["10.0%", "40.0%"]


def test_what_is_counted_cannot_be_further_inside():
    wiring = made_reading(value=1.0, metric="order", unit="", margin=0.0, limit=1.0, fail_limit=1.0)
    _, page = page_of(made_run(made_check(wiring, made_reading())))
    assert "Also correct: tone order." in plain(page.get_element_by_id("glance"))


def test_a_failed_reading_stands_between_its_limits(pages):
    _, page = pages[Verdict.FAIL]
    strip = page.xpath("//*[@data-check='tone']//*[@data-name='sinad left']")[0]
    assert strip.get("data-verdict") == "fail"
    said = plain(strip)
    # 105.3 dB with 0.03 dB standard uncertainty; the mask passes from 112 dB and fails below 108 dB.
    for text in (
        "105.30 dB ± 0.06 dB",
        "6.70 dB outside the pass limit",
    ):
        assert text in said
    assert "Passes from 112 dB up; fails below 108 dB." in plain(strip.getparent())
    (track,) = strip.xpath("./svg")
    assert "FAIL" in track.get("aria-label")
    zones = {zone.get("data-zone"): zone for zone in track.xpath("./rect[@data-zone]")}
    at = float(track.xpath("./svg/@x")[0].rstrip("%"))
    fails, marginal = zones["fail"], zones["marginal"]
    end = float(fails.get("x").rstrip("%")) + float(fails.get("width").rstrip("%"))
    assert float(fails.get("x").rstrip("%")) <= at <= end
    assert float(marginal.get("x").rstrip("%")) == pytest.approx(end, abs=0.01)
    # The strip goes from 105.24 to 112 dB with a fifth of that on either side.
    low, span = 105.24 - 0.2 * 6.76, 1.4 * 6.76
    assert at == pytest.approx(100.0 * (105.3 - low) / span, abs=0.01)
    assert end == pytest.approx(100.0 * (108.0 - low) / span, abs=0.01)


@pytest.mark.parametrize("verdict", [Verdict.FAIL, Verdict.MARGINAL])
def test_what_does_not_pass_is_shown_before_the_values_and_once(verdict):
    checks = [
        made_check(made_reading(), made_curve(), name="fine"),
        *(made_check(made_curve(verdict), name=f"check-{number}") for number in range(MAX_TELLING + 2)),
    ]
    _, page = page_of(made_run(*checks))
    shown = page.get_element_by_id("shown").xpath(".//figure/@data-figure")
    assert len(shown) == MAX_TELLING
    assert not any("fine" in name for name in shown)
    every = page.xpath("//figure/@data-figure")
    assert len(every) == len(set(every)) == len(checks)


def test_checks_are_folded_unless_asked_for_in_full():
    run = made_run()
    for unfolded in (False, True):
        _, page = page_of(run, unfolded=unfolded)
        folded = page.xpath("//details[contains(@class, 'check')] | //*[@id='more']/details")
        assert len(folded) == 1 + len(run.checks)
        assert all((entry.get("open") is not None) == unfolded for entry in folded)


def test_every_figure_has_words_a_name_and_its_numbers():
    run = made_run(made_check(made_curve(), made_curve(channel="right"), made_reading()))
    _, page = page_of(run)
    (figure,) = page.xpath("//figure")
    (drawing,) = figure.xpath("./div/svg")
    named = [page.get_element_by_id(name) for name in drawing.get("aria-labelledby").split()]
    assert all(plain(node) for node in named)
    rows = figure.xpath("./details//tbody/tr")
    # Its five points, and the tone.
    assert len(rows) == 6
    assert all(row.xpath("./th[@scope='row']") for row in rows)
    shown = [float(plain(cell).replace("−", "-")) for cell in rows[-1].xpath("./*")[:3]]
    assert shown == [20000.0, -129.51, -129.51]
    assert figure.xpath("./div/@tabindex") == ["0"]
    assert figure.xpath("./div/@role") == ["region"]


@pytest.mark.parametrize("verdict", Verdict)
def test_ids_are_unique_headings_in_order_and_references_lead_somewhere(pages, verdict):
    text, page = pages[verdict]
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert {name[1:] for name in page.xpath("//@href")} | set(re.findall(r"url\(#([^)]+)\)", text)) <= set(
        ids
    )
    levels = [int(node.tag[1]) for node in page.xpath("//h1|//h2|//h3|//h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    for table in page.xpath("//table"):
        assert table.xpath("./caption")
        assert all(cell.get("scope") for cell in table.xpath(".//th"))


def test_checks_of_names_that_look_alike_as_ids_are_told_apart():
    names = ["reconstruction@filter=slow", "reconstruction-filter-slow", "RECONSTRUCTION"]
    _, page = page_of(made_run(*(made_check(made_reading(), made_curve(), name=name) for name in names)))
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert page.xpath("//details[contains(@class, 'check')]/@data-check") == names


def test_a_page_points_nowhere_and_runs_nothing(pages):
    text, page = pages[Verdict.FAIL]
    assert set(re.findall(r"https?://[^\s\"'<>)]+", text)) == {SVG_NAMESPACE}
    assert page.xpath("//script|//link|//iframe|//object|//img|//@onload|//@onclick|//@src") == []
    assert page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content") == [
        "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    ]
    assert page.get("lang") == "en"


@pytest.mark.parametrize("hostile", HOSTILE)
def test_what_looks_like_markup_is_text(hostile):
    odd = Problem("dropout", hostile, "left")
    step = SettingStep("filter", hostile, "command", True, 0.1, "tone", hostile)
    check = made_check(
        made_reading(Verdict.FAIL, 105.3), made_curve(), problems=(odd,), setup={hostile: hostile}
    )
    run = made_run(
        check, serial=hostile, operator=hostile, firmware=hostile, station=hostile, interface={hostile: hostile},
        calibration={hostile: hostile}, settings=(step,),
    )  # fmt: skip
    _, page = page_of(run)
    assert page.xpath("//script|//img") == []
    assert len(page.xpath("//style")) == 1
    assert hostile in page.findtext(".//title")
    assert plain(page.xpath("//h1")[0]).endswith(hostile)
    assert plain(page).count(hostile) > 8
    assert "{% raw" not in plain(page)


def test_what_cannot_be_seen_is_shown_as_an_escape():
    text, _ = page_of(made_run(serial="PR3\u202e-1\x1d", operator="\udc80"))
    assert r"PR3\u202e-1\x1d" in text
    assert text.encode("utf-8")


def test_a_text_in_the_style_sheet_is_numbers_alone():
    assert (
        css_text('a"}</style>')
        == "\\000061\\000022\\00007d\\00003c\\00002f\\000073\\000074\\000079\\00006c\\000065\\00003e"
    )


def test_templates_escape_everything_and_know_every_name():
    from jinja2 import UndefinedError

    assert environment().from_string("{{ text }}").render(text="<b>") == "&lt;b&gt;"
    with pytest.raises(UndefinedError):
        environment().from_string("{{ nothing }}").render()


def test_a_run_that_measured_nothing_says_so():
    _, page = page_of(made_run(missing=("tone", "quiet"), checks=(), aborted=True))
    said = plain(page)
    assert "2 checks: 2 not run." in said
    assert "the check quiet was not run" in said
    assert page.xpath("//figure") == []


def test_a_value_that_could_not_be_measured_has_no_mark(pages):
    _, page = pages[Verdict.INVALID]
    (strip,) = page.xpath("//*[@data-name='sinad left']")
    assert "not measured" in plain(strip)
    assert "the sound broke off at 0.31 s" in plain(page.get_element_by_id("problems"))
    assert strip.xpath("./svg/svg") == []


def test_evidence_is_there_in_full():
    step = SettingStep("filter", "sharp", "operator", True, 2.0, "tone", "")
    _, page = page_of(made_run(settings=(step,)))
    said = plain(page.get_element_by_id("evidence")) + plain(page.get_element_by_id("more"))
    for text in (
        "5a" * 32,
        "c3" * 32,
        "57" * 32,
        "2027-01-31",
        "simulated",
        "input usb, filter sharp",
        "operator",
        "in no log",
    ):
        assert text in said
    assert "no electrical-safety test" in plain(page)


@pytest.mark.parametrize(
    ("verdict", "also", "seen"),
    [
        (None, ("noise_ccir_rms",), ["noise_ccir_rms"]),
        # What a mask judges is there by its name; of a run from before nothing else is.
        (Verdict.PASS, ("noise_ccir_rms",), ["noise_468", "noise_ccir_rms"]),
        (None, (), ["noise_468"]),
    ],
)
def test_a_superseded_name_is_left_out_where_no_mask_judges_it_and_its_successor_is_there(
    verdict, also, seen
):
    readings = [made_reading(verdict, 0.3, metric="noise_468")]
    readings += [made_reading(None, 0.3, metric=metric) for metric in also]
    text = plain(html.fromstring(run_page(made_run(made_check(*readings, name="it", kind="quiet")))))
    assert [name for name in ("noise_468", "noise_ccir_rms") if name in text] == seen


def test_volts_that_nobody_has_calibrated_are_called_so():
    def read(uncertainty):
        strip = made_reading(value=4.0, metric="level", unit="V")
        row = made_reading(None, value=0.5, metric="dc_offset", unit="mV")
        items = [
            replace(item, reading=replace(item.reading, uncertainty=uncertainty)) for item in (strip, row)
        ]
        return plain(page_of(made_run(made_check(*items)))[1])

    # In the table of judged values, on the strip and to those who hear it, beside the value and in the calibration.
    assert read(None).count("uncalibrated") == 4
    assert "uncalibrated" not in read(0.001)


def test_a_filed_page_says_what_was_around_the_run():
    trace = dict(
        purpose="golden",
        lot="L-12",
        work_order="WO-77",
        nest="a",
        override={"by": "Ada", "code": "engineering"},
        identity={"firmware": "1.4.2"},
        conditions={"temperature": "23.1 °C"},
        host={"name": "station-pc"},
        clock={"synchronised": None, "stepped_seconds": 0.0},
        gates={"golden": {"state": "met", "record": 12}},
        assets=(Asset("cable_left", "CB-0007", {"due": "2027-01-31"}),),
        captures={"tone": "3f" * 32},
        captures_why="fails are kept",
        source_commit="5a" * 20,
        **dict.fromkeys(("reason", "scanned"), HOSTILE[0]),
    )
    _, page = page_of(made_run(**trace))
    said = {plain(name): plain(name.getnext()) for name in page.xpath("//dt")}
    expected = {
        "purpose": "golden",
        "lot": "L-12",
        "work order": "WO-77",
        "nest": "a",
        "override, by": "Ada",
        "override, code": "engineering",
        "the unit's own firmware": "1.4.2",
        "condition temperature": "23.1 °C",
        "computer, name": "station-pc",
        "clock, stepped seconds": "0.0",
        "gate golden": "state met, record 12",
        "cable left": "CB-0007, due 2027-01-31",
        "captures": "fails are kept",
        "capture of tone": "3f" * 32,
        "commit of linecheck": "5a" * 20,
        "retest reason": HOSTILE[0],
        "scanned as": HOSTILE[0],
    }
    assert {name: said.get(name) for name in expected} == expected
    assert not page.xpath("//*[text()='alert(1)']")


def test_earlier_units_are_marked_on_the_strip_and_said():
    values = (110.0, 111.0, 112.5, 113.0, 114.0)
    among = Population("dB", values, 80.0, 112.5, 1.5, 0.5, "better than 80 % of 5 units", "", "")
    population = Populations("5 other units", 5, {("tone", "sinad", "left"): among})
    _, page = page_of(made_run(), population=population)
    (strip,) = page.xpath("//*[@data-name='sinad left']")
    assert len(strip.xpath("./svg/line[@class='other']")) == 5
    assert "Better than 80 % of 5 units." in plain(strip)
    assert "Among 5 other units" in plain(page)


def test_a_large_run_stays_small():
    text, _ = page_of(large_run())
    assert len(text.encode("utf-8")) < 2_000_000


def test_a_cause_stands_below_the_verdict_with_all_that_may_be():
    runs = runs_of_every_verdict()
    _, page = page_of(with_causes(runs[Verdict.INVALID]))
    verdict, section = page.get_element_by_id("content")[:2]
    assert verdict.get("id") == "verdict"
    assert "Commonest cause" not in plain(verdict)
    assert section.get("id") == "causes"
    text = plain(section)
    assert text.index(made_causes().sentence) < text.index("It explains 28 of 31 findings.")
    said = {plain(name): plain(name.getnext()) for name in section.xpath(".//dt")}
    assert said == {
        "What to do next": made_causes().first.act,
        "What to measure next": made_causes().first.measure,
    }
    rows = [[plain(cell) for cell in row] for row in section.xpath(".//tbody/tr")]
    assert rows[0] == [made_causes().first.text, "–", "74 %", "unit, firmware"]
    assert [row[2] for row in rows] == ["74 %", "21 %", "5 %"]
    _, unknown = page_of(with_causes(runs[Verdict.INVALID], unknown_causes()))
    assert "None of the known causes fits (90 %)." in plain(unknown.get_element_by_id("causes"))
    assert "Commonest cause" in plain(unknown.get_element_by_id("verdict"))


def test_the_page_of_a_pass_says_nothing_of_causes(pages):
    _, page = pages[Verdict.PASS]
    assert not page.xpath("//*[@id='causes']")


@pytest.mark.parametrize("fact", [hostile_fact(), *unreadable_facts()])
def test_a_cause_of_a_tampered_log_is_text(fact):
    text, page = page_of(replace(runs_of_every_verdict()[Verdict.FAIL], causes=fact))
    assert page.xpath("//script|//img") == []
    assert "\x1b" not in text
    assert "x" * 1000 not in text
