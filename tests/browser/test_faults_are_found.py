"""What the tests of pages look with sees the faults that it is there for."""

import pytest

from browser.opened import OpenedPage, boxes, overlapping

GOOD = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>A page</title></head>
<body><main><h1>Pass</h1><p>A line of text.</p></main></body></html>"""

FAULTY = """<!doctype html><html><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'"></head>
<body><h1 style="color: #ccc; background: #fff">Pass</h1>
<img src="https://example.org/picture.png"><script>alert(1)</script><a href="elsewhere.html" onclick="x()">there</a>
<p style="position: absolute; top: 200px; left: 20px">one label</p>
<p style="position: absolute; top: 204px; left: 30px">another label</p>
<div style="width: 1500px">wide</div></body></html>"""


@pytest.fixture
def opened(browser, tmp_path):
    """Open a page of this text."""
    pages = []

    def open_page(text, **options):
        path = tmp_path / f"page-{len(pages)}.html"
        path.write_text(text, encoding="utf-8")
        pages.append(OpenedPage(browser, path, **options))
        return pages[-1]

    yield open_page
    for page in pages:
        page.close()


def test_a_plain_page_has_none(opened, axe_source):
    page = opened(GOOD)
    assert page.violations(axe_source) == []
    assert overlapping(*boxes(page)) == []
    assert page.points_elsewhere() == []
    assert page.sideways() <= 0
    assert (page.requests, page.console, page.errors) == ([page.path.as_uri()], [], [])


def test_everything_wrong_with_a_faulty_page_is_found(opened, axe_source):
    page = opened(FAULTY)
    rules = {line.split(":")[0] for line in page.violations(axe_source)}
    assert {"html-has-lang", "document-title", "color-contrast", "image-alt", "landmark-one-main"} <= rules
    assert ("one label", "another label") in overlapping(*boxes(page))
    assert page.sideways() > 200
    assert {"src=https://example.org/picture.png", "href=elsewhere.html", "onclick"} <= set(
        page.points_elsewhere()
    )
    assert any("Content Security Policy" in line for line in page.console)


def test_a_request_is_noted_even_where_nothing_answers(opened):
    page = opened(GOOD.replace("</main>", '<img alt="x" src="missing.png"></main>'))
    assert [url.rsplit("/", 1)[1] for url in page.requests] == [page.path.name, "missing.png"]
    assert any("missing" in line or "ERR_FILE_NOT_FOUND" in line for line in page.console)


def test_an_error_in_a_page_is_noted(opened):
    page = opened(GOOD.replace("</main>", "</main><script>throw new Error('broken')</script>"))
    assert page.errors == ["broken"]
