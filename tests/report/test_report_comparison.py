"""Pages of comparisons, read back as documents."""

from dataclasses import replace
from hashlib import sha256

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
from linecheck.report.compared_values import compared_rows
from linecheck.report.comparison_page import MAX_ROWS, Signed
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


def test_it_leads_with_what_is_to_be_decided_and_what_speaks_for_and_against(page):
    headings = [plain(node) for node in page.xpath("//h1|//h2")]
    assert headings[:3] == ["Accept or reject slow in place of sharp?", "What differs", "Figures"]
    sentences = {
        plain(row.find("dt")): plain(row.find("dd")) for row in page.xpath("//dl[@class='case']/div")
    }
    assert sentences == {
        "For": "B rings less.",
        "Against": "its whole run: FAIL; B droops by 3.0 dB at 20 kHz.",
        "Not known": "1 value that could not be compared with side A's.",
    }
    told = [plain(node) for node in page.xpath("//li[@data-direction]")]
    assert told[0].startswith("B, worse: B droops by 3.0 dB at 20 kHz")
    assert told[1] == "B, better: B rings less"
    assert "the captures have other rates" in plain(page)


def test_values_stand_side_by_side_with_their_difference_below(page):
    rows = {
        row.get("data-metric"): [plain(cell) for cell in row.xpath("./*")]
        for row in page.xpath("//*[@id='values']//table[@class='sides']//tr[@data-metric]")
    }
    # Uncertainties are expanded: 2 times 0.02 dB. Only what differs is there.
    assert rows == {
        "droop_20k": [
            "reconstruction droop at 20 kHz", "−0.100 dB", "−3.00 dB −2.90 ± 0.04 dB worse",
        ],
        "response": [
            "reconstruction response", "−0.10 dB at 20 kHz", "−3.00 dB at 20 kHz −2.90 ± 0.02 dB at 20 kHz differs",
        ],
    }  # fmt: skip
    verdicts = [plain(row) for row in page.xpath("//tr[@class='verdicts']")]
    assert verdicts == ["its masks PASS PASS", "its whole run PASS FAIL"]
    assert "1 value does not differ, 1 value could not be compared." in plain(page)
    folded = page.xpath("//*[@id='alike']//tr[@data-metric]")
    assert [row.get("data-metric") for row in folded] == ["corner_3db", "images"]


def test_of_much_that_differs_the_table_has_what_tells_most_of_each_group_and_the_rest_is_folded():
    """Levels and noise differ more than the table has room for, and one corner, which is not crowded out."""
    gone = Difference(-6.0, 0.02, True, None)
    names = [f"level_{number}" for number in range(MAX_ROWS)]
    values = [
        *(replace(made_value(name, 0.0, -6.0, gone), check="tone", kind="tone") for name in names),
        made_value("corner_3db", 21.0, 20.0, gone),
    ]
    page = page_of(made_comparison(values=tuple(values), curves=(), findings=()))
    shown, folded = (
        [row.get("data-metric") for row in page.xpath(f"//*[@id='{part}']//tr[@data-metric]")]
        for part in ("values", "more-figures")
    )
    assert len(shown) == MAX_ROWS
    assert "corner_3db" in shown
    assert sorted([*shown, *folded]) == sorted([*names, "corner_3db"])
    assert "1 more value differs" in plain(page.xpath("//*[@id='values']")[0])
    assert page.xpath("//*[@id='values']//a[@href='#more-figures']")


def test_five_sides_are_five_columns_of_one_table_and_their_findings_are_merged():
    names = ("sharp", "slow", "minimum", "none", "slow too")
    sides = tuple(made_side(label, name) for label, name in zip("ABCDE", names, strict=True))
    base = made_value("corner_3db", 21.0, 20.0, Difference(-1.0, 0.02, True, None))
    still = Difference(0.0, 0.02, False, None)
    value = replace(
        base,
        readings=(*base.readings, base.readings[0], base.readings[0], base.readings[1]),
        verdicts=(None,) * 5,
        differences=(base.differences[0], still, still, base.differences[0]),
    )
    findings = tuple(
        replace(made_comparison().findings[0], side=label, metric="corner_3db", worse=None)
        for label in ("B", "E")
    )
    page = page_of(made_comparison(sides=sides, values=(value,), curves=(), findings=findings))
    assert plain(page.xpath("//h1")[0]) == "Which of B, C, D and E may replace A sharp?"
    (table,) = page.xpath("//*[@id='values']//table")
    assert len(table.xpath("./thead//th")) == 1 + len(sides)
    assert all(len(row.xpath("./*")) == 1 + len(sides) for row in table.xpath("./tbody/tr"))
    assert [node.get("data-side") for node in page.xpath("//dl[@class='case']")] == ["B", "C", "D", "E"]
    (told,) = page.xpath("//li[@data-direction]")
    assert plain(told).startswith("B and E, differs: rolls off earlier: −3 dB at 20 Hz instead of 21 Hz")


def test_channels_that_say_the_same_share_an_entry_and_others_are_named():
    made = made_value("ripple", -0.1, -3.0, Difference(-2.9, 0.02, True, 2.9))
    right = replace(made, channel="right")
    other = made_value("ripple", -0.1, -2.0, Difference(-1.9, 0.02, True, 1.9))
    shared, apart = (
        page_of(made_comparison(values=(made, entry), curves=())).xpath("//tr[@data-metric='ripple']")[0]
        for entry in (right, replace(other, channel="right"))
    )
    assert [plain(cell) for cell in shared.xpath("./td")] == ["−0.100 dB", "−3.00 dB −2.90 ± 0.04 dB worse"]
    assert [plain(cell) for cell in apart.xpath("./td")] == [
        "−0.100 dB", "left −3.00 dB −2.90 ± 0.04 dB worseright −2.00 dB −1.90 ± 0.04 dB worse",
    ]  # fmt: skip


def test_what_does_not_differ_has_no_figure(page):
    assert len(page.xpath("//figure")) == 3
    same = replace(made_comparison().curves[0], differences=(CurveDifference(0.0, 0.01, False, None),))
    assert page_of(made_comparison(curves=(same,))).xpath("//figure") == []


def test_no_more_than_three_figures_stand_before_the_table():
    page = page_of(made_comparison(curves=tuple(
        replace(made_comparison().curves[0], check=name) for name in ("one", "two", "three", "four")
    )))  # fmt: skip
    assert len(page.xpath("//*[@id='shown']//figure")) == 3
    assert len(page.xpath("//*[@id='more-figures']//figure")) == 9


def test_every_figure_has_its_numbers_and_ids_are_unique(page):
    figures = page.xpath("//figure")
    assert len(figures) == 3
    assert all(figure.xpath("./details//tbody/tr") and figure.xpath("./div/svg/desc") for figure in figures)
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))


def test_sides_say_who_they_are_with_their_hashes(page):
    said = plain(page.get_element_by_id("sides")) + plain(page.get_element_by_id("evidence"))
    for text in ("Side A", "Side B", "a" * 64, "b" * 64, "d1" * 32, "FAIL", "1.4.2"):
        assert text in said


def test_no_difference_is_said_as_that():
    page = page_of(made_comparison(findings=(), values=(), curves=()))
    told = plain(page.get_element_by_id("verdict"))
    assert "nothing is better" in told
    assert "its whole run: FAIL" in told
    assert "No difference exceeds noise" in plain(page)
    assert page.xpath("//figure") == []


def made_signoff():
    signed = Signature("accept", "Q. Auditor", "QA", "agreed with <b>design</b>")
    second = Signature("reject", "S. Second", "QA", "not heard")
    content = SignedComparison("d1" * 32, "", "", "", 1, "", (), ())
    counter = Countersignature(8, "e" * 64, "2026-11-27T00:00:00.000000Z", "linecheck 0.1.0", second)
    return Signoff(
        7, "f" * 64, "2026-11-26T00:00:00.000000Z", "linecheck 0.1.0", signed, content,
        (Despite("B", "PR3-000001", "fail"),), (counter,),
    )  # fmt: skip


def test_sign_offs_are_shown_with_what_spoke_against_them():
    page = page_of(made_comparison(curves=()), signed=Signed((made_signoff(),), "here.sqlite"))
    said = plain(page.get_element_by_id("signoffs"))
    for text in (
        "1 in here.sqlite",
        "accepted by Q. Auditor, QA",
        "<b>design</b>",
        "despite side B, PR3-000001: FAIL",
        "(reject) by S. Second",
    ):
        assert text in said
    assert "Accepted by Q. Auditor" in plain(page.get_element_by_id("verdict"))
    # Two who disagree leave the question open.
    assert plain(page.xpath("//h1")[0]) == "Accept or reject slow in place of sharp?"
    alone = replace(made_signoff(), countersignatures=())
    settled = page_of(made_comparison(curves=()), signed=Signed((alone,), "here.sqlite"))
    assert plain(settled.xpath("//h1")[0]) == "Accepted: slow in place of sharp"
    rows = [[plain(cell) for cell in row] for row in page.xpath("//table[@class='signatures']/tbody/tr")]
    assert rows == [
        ["decides", "Q. Auditor", "QA", "2026-11-26", "accept", ""],
        ["countersigns", "S. Second", "QA", "2026-11-27", "reject", ""],
        ["made by", "", "", "", "", ""],
    ]


@pytest.mark.parametrize(
    ("signed", "told"),
    [
        (Signed(), "Sign-offs: not looked up in any log."),
        (Signed(None, "logs/a.sqlite"), "Sign-offs: not looked up: there is no log logs/a.sqlite."),
        (Signed((), "logs/a.sqlite"), "Sign-offs: none in logs/a.sqlite."),
    ],
)
def test_it_says_where_sign_offs_were_looked_up(signed, told):
    page = page_of(made_comparison(curves=()), signed=signed)
    assert told in plain(page.get_element_by_id("signoffs"))
    assert told in plain(page.get_element_by_id("verdict"))
    assert len(page.xpath("//table[@class='signatures']/tbody/tr")) == 3


def test_it_is_a_document_with_a_number_a_digest_and_what_it_is_made_from():
    signed = Signed((), "here.sqlite")
    text = comparison_page(made_comparison(), signed=signed)
    assert text == comparison_page(made_comparison(), signed=signed)
    page = html.document_fromstring(text)
    digest = page.get_element_by_id("page-digest").text
    assert text.count(digest) == 1
    assert digest == sha256(text.replace(digest, "0" * 64).encode()).hexdigest()
    filed = plain(page.get_element_by_id("evidence"))
    for said in (
        "C-d1d1d1d1d1d1",
        "comparison.json",
        "d1" * 32,
        "2026-11-26 00:00:00 UTC",
        "linecheck 0.1.0",
    ):
        assert said in filed
    for side in made_comparison().sides:
        assert side.run_id in filed
        assert f"{side.limit_path} revision {side.limit_revision}" in filed
    assert "C-d1d1d1d1d1d1" in plain(page.get_element_by_id("verdict"))


def test_all_is_unfolded_where_that_is_asked_for():
    for unfolded in (False, True):
        page = page_of(made_comparison(), unfolded=unfolded)
        folds = page.xpath("//details[not(contains(@class, 'numbers-behind'))]")
        assert len(folds) >= 3
        assert [fold.get("open") is not None for fold in folds] == [unfolded] * len(folds)


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
    words = plain(page.find("body")).split()
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
