"""Pages in a real browser: alone with themselves, open to everyone, at a desk and on a telephone."""

import re

import pytest

from browser.opened import WIDTHS, boxes, overlapping
from browser.pages import ALL, HOSTILE, VERDICTS


@pytest.mark.parametrize("name", ALL)
def test_a_page_is_whole_reads_in_order_and_asks_for_nothing(opened, name):
    page = opened(name, width=max(WIDTHS))
    ids = page.page.evaluate("() => [...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
    referred = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', page.path.read_text(encoding="utf-8")))
    assert {first or second for first, second in referred} <= set(ids)
    assert page.points_elsewhere() == []
    assert page.page.locator("script").count() == 0
    assert page.page.locator("html").get_attribute("lang") == "en"
    if name in VERDICTS:
        see_the_verdict_first(page, VERDICTS[name])
    tab_through(page)
    see_everything_in_its_place(page, max(WIDTHS))
    page.page.mouse.wheel(0, 100_000)
    page.page.wait_for_timeout(50)
    assert page.requests == [page.path.as_uri()]
    assert (page.console, page.errors) == ([], [])


@pytest.mark.parametrize("name", ALL)
def test_everything_has_a_place_of_its_own_on_a_telephone(opened, name):
    see_everything_in_its_place(opened(name, width=min(WIDTHS)), min(WIDTHS))


@pytest.mark.parametrize(
    ("name", "width"),
    [*((name, min(WIDTHS)) for name in ALL), ("set", max(WIDTHS)), ("comparison", max(WIDTHS))],
)
def test_no_accessibility_rule_is_broken(opened, axe_source, name, width):
    page = opened(name, width=width)
    page.open_details(most_rows=5)
    assert page.violations(axe_source) == []


def see_everything_in_its_place(page, width):
    """See that no text lies on another or is cut, folded and unfolded; the page is unfolded then."""
    for _ in ("folded", "unfolded"):
        assert page.sideways() <= 0
        texts, places, nodes = boxes(page)
        assert len(texts) > 10
        assert overlapping(texts, places, nodes) == []
        # Wholly to the left of the window waits what only the keyboard brings in.
        left, right = places[:, 0], places[:, 2]
        cut = ((left < 0) & (right > 0)) | (right > width)
        assert [text for text, out in zip(texts, cut, strict=True) if out] == []
        page.open_details(most_rows=10)


def see_the_verdict_first(page, verdict):
    """See that the verdict is the first thing that a reader sees, and stands in the title."""
    heading = page.page.locator("h1")
    assert heading.count() == 1
    shown = page.page.locator("main").inner_text().upper()
    assert verdict.value.upper() in shown[:300]
    texts, places, _ = boxes(page)
    words = [box for text, box in zip(texts, places, strict=True) if verdict.value.upper() in text.upper()]
    assert min(box[3] for box in words) < 400
    assert verdict.value.upper() in page.page.title().upper()


def tab_through(page):
    """See that the keyboard reaches everything in reading order."""
    folds = page.page.locator("summary:visible").count()
    links = page.page.locator("a[href]").count()
    places, skip = [], None
    for step in range(folds + links + 200):
        page.page.keyboard.press("Tab")
        here = page.page.evaluate(FOCUSED)
        if here is None or (places and here["number"] == places[0]["number"]):
            break
        skip = here if step == 0 else skip
        places.append(here)
    assert skip is not None
    assert skip["href"].startswith("#")  # past what stands before the content
    assert sum(place["tag"] == "SUMMARY" for place in places) == folds
    numbers = [place["number"] for place in places]
    assert numbers == sorted(numbers)
    assert all(place["outlined"] for place in places)


#: What has the focus: which element of the document it is, and whether a reader sees that it has it.
FOCUSED = """
() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  const style = getComputedStyle(e);
  return {
    tag: e.tagName,
    href: e.getAttribute('href'),
    number: [...document.querySelectorAll('*')].indexOf(e),
    outlined: style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 1,
  };
}
"""


@pytest.mark.parametrize("name", ["comparison", "five_filters"])
def test_no_table_of_sides_needs_to_be_moved_sideways_on_a_telephone(opened, name):
    page = opened(name, width=min(WIDTHS))
    page.open_details()
    wide = page.page.evaluate(
        """
        () => [...document.querySelectorAll('table.sides, table.signatures, table.hashes')].map(table => {
          const cells = [...table.querySelectorAll('caption, tr, th, td')];
          return Math.max(...cells.map(e => e.getBoundingClientRect().right)) - document.documentElement.clientWidth;
        })
        """
    )
    assert len(wide) >= 4
    assert max(wide) <= 0
    first, second = (
        page.page.locator("table.sides tr[data-metric] td").nth(at).bounding_box()["y"] for at in (0, 1)
    )
    assert second < first  # what differs comes before what it is held against


def test_what_is_folded_opens_with_a_key(opened):
    page = opened("pass")
    summary = page.page.locator("summary").first
    folded = page.page.locator("details", has=summary).first
    before = folded.evaluate("e => e.open")
    summary.focus()
    for expected in (not before, before):
        page.page.keyboard.press("Enter")
        assert folded.evaluate("e => e.open") == expected


def test_what_looks_like_markup_is_shown_as_text(opened):
    page = opened("hostile")
    page.open_details()
    shown = page.page.locator("body").inner_text()
    for text in HOSTILE.values():
        assert text in shown
    assert "</p><b>the sound broke off</b> & {{ more }}" in shown
    assert "<script>" in page.page.title()
    assert page.page.locator("img, script").count() == 0


@pytest.mark.parametrize(
    "seen", [{"forced_colors": "active"}, {"contrast": "more"}, {"color_scheme": "dark"}]
)
def test_nothing_is_lost_in_other_colours(opened, axe_source, seen):
    plain = opened("among_others")
    other = opened("among_others", **seen)
    assert other.page.locator("body").inner_text() == plain.page.locator("body").inner_text()
    assert other.page.locator("svg:visible").count() == plain.page.locator("svg:visible").count()
    assert other.violations(axe_source, rules=["color-contrast"]) == []
