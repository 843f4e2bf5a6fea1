"""Pages on A4: the verdict on the first sheet, nothing cut, nothing lost."""

import re
import subprocess

import pytest
from needed import program

from browser.pages import ALL, FULL, VERDICTS

#: A4 less the widest margins that a page may ask for, in CSS pixels (96 an inch).
SHEET_HEIGHT = (297 - 2 * 10) / 25.4 * 96


def sheets(page, folder, **paper):
    """Return the text of each sheet, of A4 unless ``paper`` says otherwise."""
    path = folder / "printed.pdf"
    paper = paper or {"format": "A4", "prefer_css_page_size": True}
    page.page.pdf(path=path, **paper, print_background=False)
    done = subprocess.run(
        [program("pdftotext"), "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    return done.stdout.rstrip("\f").split("\f")


def plain(text):
    """Return a text without its spaces and line ends, which differ between screen and paper."""
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("name", [FULL, "comparison"])
def test_no_figure_row_or_strip_is_cut_between_sheets(opened, name):
    page = opened(name)
    page.page.emulate_media(media="print")
    cut = page.page.evaluate(
        """
        (highest) => [...document.querySelectorAll('svg[role=img], tr')].map(e => {
          if (!e.getBoundingClientRect().height) return null;
          let whole = e;
          while (whole && getComputedStyle(whole).breakInside !== 'avoid') whole = whole.parentElement;
          if (!whole) return e.outerHTML.slice(0, 200);
          return whole.getBoundingClientRect().height > highest ? 'too high: ' + e.outerHTML.slice(0, 200) : null;
        }).filter(Boolean)
        """,
        SHEET_HEIGHT,
    )
    assert cut == []


@pytest.mark.parametrize("name", ALL)
def test_paper_says_what_is_unfolded_on_the_screen_and_the_verdict_first(opened, tmp_path, name):
    page = opened(name)
    seen = "h1:visible, h2:visible, h3:visible, figcaption:visible, table.judged th .what:visible"
    headings = page.page.locator(seen).all_inner_texts()
    folded = set(page.page.locator(".folded h2, .folded h3").all_inner_texts())
    found = sheets(page, tmp_path)
    first = VERDICTS[name].value if name in VERDICTS else headings[0]
    assert plain(first).upper() in plain(found[0])[:1500].upper()
    assert all(sheet.strip() for sheet in found)
    printed = plain("".join(found)).upper()
    # Lines of a table's cells come mixed, words whole.
    words = [heading.upper().split() for heading in headings]
    lacking = [
        heading
        for heading, parts in zip(headings, words, strict=True)
        if not all(part in printed for part in parts)
    ]
    assert set(lacking) <= folded
    page.open_details()
    whole = plain("".join(sheets(page, tmp_path))).upper()
    assert [heading for heading in folded if plain(heading).upper() not in whole] == []


@pytest.mark.parametrize(
    ("name", "most"),
    [("pass", 3), ("whole_pass", 3), (FULL, 5), ("comparison", 4), ("five_filters", 5), ("two_runs", 4)],
)
def test_a_page_has_few_sheets_on_letter_at_most_one_more(opened, tmp_path, name, most):
    page = opened(name)
    assert len(sheets(page, tmp_path)) <= most
    # What a browser's own margins leave of Letter is narrower than a tablet.
    letter = {"format": "Letter", "margin": dict.fromkeys(("top", "right", "bottom", "left"), "16mm")}
    assert len(sheets(page, tmp_path, **letter)) <= most + 1
