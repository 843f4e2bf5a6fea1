"""Pages of comparisons, read back as documents."""

from dataclasses import replace

import numpy as np
import pytest
from lxml import html

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.history.comparison.findings import without_superseded
from linecheck.history.comparison.model import (
    ComparedCurve,
    ComparedValue,
    Comparison,
    CurveDifference,
    Difference,
    Finding,
    Side,
    SideCheck,
)
from linecheck.limits.verdict import Verdict
from linecheck.log.signoff import (
    Countersignature,
    Despite,
    Signature,
    SignedComparison,
    Signoff,
)
from linecheck.report.comparison_page import compared_rows
from linecheck.report.render import comparison_page, write_comparison_page

X = np.geomspace(20.0, 20000.0, 40)
OF = {
    "check": "reconstruction",
    "kind": "reconstruction",
    "text": "",
    "channel": "left",
    "unit": "dB",
    "better": "nominal",
}


def made_side(label, name, **changes):
    check = SideCheck("reconstruction", {"filter": name}, Verdict.PASS, "5a" * 32, label.lower() * 64)
    side = Side(
        label, name, name, "made by hand", label * 8, "PR3-000001", "pellow-r3", Verdict.PASS, "1.4.2", None,
        "linecheck 0.1.0", "2026-11-20T08:15:00.000000Z", None, "limits/pellow-r3.yaml", 1, "0" * 64, {}, {},
        {"reconstruction": check}, ((None, Problem("note", "a word", blocks=False)),),
    )  # fmt: skip
    return replace(side, **changes)


def made_value(metric, base, other, difference):
    readings = tuple(
        None if value is None else Reading(metric, "left", value, "dB", 0.01) for value in (base, other)
    )
    verdicts, differences = (None, None), (difference,)
    return ComparedValue(**OF, metric=metric, readings=readings, verdicts=verdicts, differences=differences)


def made_comparison(**changes):
    curves = tuple(
        Curve("response", "left", X, "Hz", -depth * (X / 20000.0) ** 2, "dB") for depth in (0.1, 3.0)
    )
    differences = (CurveDifference(-2.9, 0.01, True, None, "", 20000.0, -3.0, -0.1),)
    compared = ComparedCurve(
        **OF, metric="response", x_unit="Hz", log_x=True, curves=curves, differences=differences
    )
    comparison = Comparison(
        created="2026-11-26T00:00:00.000000Z",
        software="linecheck 0.1.0",
        limit_path="limits/pellow-r3.yaml",
        limit_revision=1,
        limit_sha256="0" * 64,
        channels=("left",),
        sides=(made_side("A", "sharp"), made_side("B", "slow", verdict=Verdict.FAIL)),
        sigmas=4.3,
        comparisons=3,
        values=(
            made_value("droop_20k", -0.1, -3.0, Difference(-2.9, 0.02, True, 2.9)),
            made_value("corner_3db", 21.0, 21.01, Difference(0.01, 0.02, False, None)),
            made_value("images", 80.0, None, Difference(None, None, False, None, "B has no such value")),
        ),
        curves=(compared,),
        findings=(
            Finding(
                "B",
                "B droops by 3.0 dB at 20 kHz",
                "reconstruction",
                "droop_20k",
                ("left",),
                -2.9,
                0.02,
                "dB",
                True,
                9.0,
            ),
            Finding("B", "B rings less", "reconstruction", "ringing", ("left",), 1.0, 0.02, "dB", False, 1.0),
        ),
        notes=("the captures have other rates",),
        digest="d1" * 32,
    )
    return replace(comparison, **changes)


def page_of(comparison, **given):
    return html.document_fromstring(comparison_page(comparison, **given))


@pytest.fixture(scope="module")
def page():
    """The page of the made comparison."""
    return page_of(made_comparison())


def plain(node):
    return " ".join(node.text_content().split())


def test_findings_come_first_and_worst_first(page):
    headings = [plain(node) for node in page.xpath("//h1|//h2")]
    assert headings[:3] == ["2 real differences, 1 for the worse", "Differences, worst first", "Response"]
    told = [plain(node) for node in page.xpath("//li[@data-direction]")]
    assert told == ["B, worse: B droops by 3.0 dB at 20 kHz", "B, better: B rings less"]
    assert "the captures have other rates" in plain(page)


def test_values_stand_side_by_side_with_difference_and_meaning(page):
    check = page.get_element_by_id("check-reconstruction")
    rows = [
        [plain(cell) for cell in row.xpath("./*")]
        for row in check.xpath(".//table[@class='compared']//tbody/tr")
    ]
    # Uncertainties are expanded: 2 times 0.02 dB; corners are known to 0.3. What differs is seen first.
    assert rows == [
        [
            "response", "left", "−0.10 dB at 20 kHz", "−3.00 dB at 20 kHz",
            "−2.90 dB ± 0.02 dB at 20 kHz significant",
        ],
        ["−3 dB corner corner_3db", "left", "21.00 dB", "21.01 dB", "+0.01 dB ± below 0.3 dB not significant"],
        ["images", "left", "80.00 dB", "–", "– B has no such value"],
    ]  # fmt: skip
    folded = check.xpath(".//details[@class='rest']//tbody/tr")
    assert len(folded) == 2
    (droop,) = page.xpath("//*[@id='response']//tbody/tr")
    assert [plain(cell) for cell in droop.xpath("./*")] == [
        "droop at 20 kHz droop_20k", "left", "−0.100 dB", "−3.00 dB", "−2.90 dB ± 0.04 dB significant, worse",
    ]  # fmt: skip


def test_channels_that_say_the_same_share_a_row_and_checks_that_differ_come_first():
    made = made_value("ripple", -0.1, -3.0, Difference(-2.9, 0.02, True, 2.9))
    same = made_value("pre_ringing", -0.1, -0.1, Difference(0.0, 0.02, False, None))
    other = replace(same, check="another")
    comparison = made_comparison(values=(other, made, replace(made, channel="right")), curves=())
    page = page_of(comparison)
    assert page.xpath("//*[@id='checks']//@data-check") == ["reconstruction", "another"]
    (row,) = page.xpath("//*[@id='check-reconstruction']//tbody/tr")
    assert plain(row.xpath("./td")[0]) == "left and right"
    assert "No real difference." in plain(page.get_element_by_id("check-another"))


def test_every_figure_has_its_numbers_and_ids_are_unique(page):
    figures = page.xpath("//figure")
    assert len(figures) == 3
    assert all(figure.xpath("./details//tbody/tr") and figure.xpath("./div/svg/desc") for figure in figures)
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))


def test_sides_say_who_they_are_with_their_hashes(page):
    said = plain(page.get_element_by_id("evidence"))
    for text in ("Side A", "Side B", "a" * 64, "b" * 64, "d1" * 32, "FAIL", "1.4.2"):
        assert text in said


def test_no_difference_is_said_as_that():
    page = page_of(made_comparison(findings=(), values=(), curves=()))
    assert plain(page.xpath("//h1")[0]) == "No real difference was found"
    assert page.xpath("//figure") == []


def test_sign_offs_are_shown_with_what_spoke_against_them():
    signed = Signature("accept", "Q. Auditor", "QA", "agreed with <b>design</b>")
    second = Signature("reject", "S. Second", "QA", "not heard")
    content = SignedComparison("d1" * 32, "", "", "", 1, "", (), ())
    counter = Countersignature(8, "e" * 64, "2026-11-27T00:00:00.000000Z", "linecheck 0.1.0", second)
    signoff = Signoff(
        7, "f" * 64, "2026-11-26T00:00:00.000000Z", "linecheck 0.1.0", signed, content,
        (Despite("B", "PR3-000001", "fail"),), (counter,),
    )  # fmt: skip
    said = plain(page_of(made_comparison(curves=()), signoffs=(signoff,)).get_element_by_id("signoffs"))
    for text in (
        "accepted by Q. Auditor, QA",
        "<b>design</b>",
        "despite side B, PR3-000001: FAIL",
        "(reject) by S. Second",
    ):
        assert text in said


@pytest.mark.parametrize("hostile", ["<script>alert(1)</script>", '"><img src=x>'])
def test_what_looks_like_markup_is_text(hostile):
    sides = (made_side("A", hostile, serial=hostile, reference=hostile), made_side("B", hostile))
    page = page_of(made_comparison(sides=sides, notes=(hostile,), limit_path=hostile))
    assert page.xpath("//script|//img") == []
    assert plain(page).count(hostile) > 5


def test_it_is_written_beside_its_numbers(tmp_path):
    comparison = made_comparison(curves=())
    path = write_comparison_page(comparison, tmp_path)
    assert path == tmp_path / "comparison.html"
    assert path.read_text(encoding="utf-8") == comparison_page(comparison)


def test_a_pass_that_releases_nothing_is_a_hold_and_never_a_pass():
    page = page_of(
        made_comparison(
            sides=(made_side("A", "sharp", held=True), made_side("B", "slow", held=True)), curves=()
        )
    )
    words = plain(page).split()
    assert "HOLD" in words
    assert "PASS" not in words


def test_a_superseded_name_is_left_out_where_its_successor_says_the_same():
    difference = Difference(-2.9, 0.02, True, 2.9)
    old, new = (made_value(name, -0.1, -3.0, difference) for name in ("droop_20k", "response_20k"))
    assert without_superseded([old, new]) == [new]
    assert without_superseded([old]) == [old]
    # A run from before has no such reading: what both runs have is the former name's.
    alone = replace(new, readings=(None, new.readings[1]))
    assert without_superseded([old, alone]) == [old, alone]


def test_checks_with_the_same_numbers_have_rows_of_their_own_and_alike_channels_share_one():
    value = made_value("sinad", 112.0, 111.0, Difference(-1.0, 0.02, True, 1.0))
    rows = compared_rows([value, replace(value, channel="right"), replace(value, check="response")])
    assert [row[:3] for row in rows] == [
        ("reconstruction", "sinad", "left and right"),
        ("response", "sinad", "left"),
    ]
