"""Interactive pages in a real browser: alone with themselves, and whole where scripts are off."""

import pytest

from browser.opened import WIDTHS

NAMES = ("interactive", "interactive_hostile", "interactive_comparison")
#: The first plot that is drawn, and its curves in the order of their boxes.
_PLOT = "Bokeh.documents.map(d => d.roots()[0]).find(p => p.renderers.some(r => r.tags.length))"

_CURVES = f"({_PLOT}).renderers.filter(r => r.tags.length).sort((a, b) => a.tags[0] - b.tags[0])"


def _first(page):
    """Return the first figure with its interactive twin, once that is drawn."""
    figure = page.page.locator("figure.drawn:not(details figure)").first
    if not figure.count():
        page.open_details()
        figure = page.page.locator("figure.drawn").first
    figure.scroll_into_view_if_needed()
    page.page.wait_for_function("() => document.querySelector('figure.is-live')")
    return page.page.locator("figure.is-live").first


def _range(page):
    return page.page.evaluate(f"() => {{ const x = {_PLOT}.x_range; return [x.start, x.end]; }}")


@pytest.mark.parametrize("name", NAMES)
def test_it_asks_for_nothing_and_runs_under_its_policy_without_an_error(opened, name):
    page = opened(name)
    page.open_details(most_rows=3)
    figures = page.page.locator("figure.drawn")
    assert figures.count() > 0
    for at in range(figures.count()):
        figures.nth(at).scroll_into_view_if_needed()
    page.page.wait_for_function(
        "() => document.querySelectorAll('figure.drawn').length === document.querySelectorAll('.is-live').length"
    )
    assert page.requests == [page.path.as_uri()]
    assert page.points_elsewhere() == []
    assert page.errors == []
    assert [line for line in page.console if not line.startswith("log: [bokeh")] == []
    assert page.page.evaluate("() => document.title") != "taken"
    assert page.page.evaluate("() => document.querySelectorAll('script').length") == 2 + figures.count()


def test_what_is_not_the_pages_own_script_is_refused(opened):
    page = opened("interactive")
    taken = page.page.evaluate(
        """
        () => {
          const script = document.createElement("script");
          script.textContent = "window.taken = 1";
          document.body.append(script);
          return window.taken;
        }
        """
    )
    assert taken is None
    assert any("Content Security Policy" in line for line in page.console)


def test_a_box_zooms_the_button_shows_all_again_and_a_place_tells_its_values(opened):
    page = opened("interactive")
    figure = _first(page)
    whole = _range(page)
    box = figure.locator(".live-plot").bounding_box()
    mouse = page.page.mouse
    mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 120)
    mouse.down()
    mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 200, steps=4)
    mouse.up()
    page.page.wait_for_function(f"(start) => {_PLOT}.x_range.start > start", arg=whole[0])
    low, high = _range(page)
    assert whole[0] < low < high < whole[1]
    told = [text for text in figure.locator("output").all_inner_texts() if text]
    assert len(told) == 1 + figure.locator("input").count()
    figure.get_by_role("button", name="Show all of it").click()
    page.page.wait_for_function(f"(start) => {_PLOT}.x_range.start === start", arg=whole[0])
    assert _range(page) == whole


def test_a_value_told_at_the_cursor_is_the_curves_own_point(opened):
    page = opened("interactive")
    figure = _first(page)
    box = figure.locator(".live-plot").bounding_box()
    page.page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 150)
    told = figure.locator("label output").first.inner_text().replace("−", "-")
    place = float(figure.locator(".live-at").inner_text().split()[3].replace("−", "-"))
    x, y = page.page.evaluate(
        f"() => {{ const data = {_CURVES}[0].data_source.data; return [[...data.x], [...data.y]]; }}"
    )
    nearest = min(range(len(x)), key=lambda at: abs(x[at] - place))
    assert float(told) == pytest.approx(y[nearest], rel=1e-5)


def test_a_number_that_is_pointed_at_tells_its_words(opened):
    page = opened("interactive")
    figure = _first(page)
    words = figure.locator(".live-marks li").first.inner_text()
    place = page.page.evaluate(
        f"""
        () => {{
          const plot = {_PLOT}, label = plot.center.find(m => m.type === "Label" && m.tags[0] === 1);
          const view = Array.from(Bokeh.index.roots).find(v => v.model === plot);
          return [view.frame.x_scale.compute(label.x), view.frame.y_scale.compute(label.y)];
        }}
        """
    )
    box = figure.locator(".live-plot").bounding_box()
    told = figure.locator(".live-word")
    assert not told.is_visible()
    page.page.mouse.move(box["x"] + place[0] + 2, box["y"] + place[1] + 2)
    assert told.inner_text() == words
    assert page.sideways() <= 0
    page.page.mouse.move(box["x"] + place[0] - 60, box["y"] + place[1] + 60)
    assert not told.is_visible()


def test_a_curve_goes_and_comes_by_its_box_also_from_the_keyboard(opened):
    page = opened("interactive")
    box = _first(page).locator("input").nth(1)
    visible = f"() => {_CURVES}.map(r => r.visible)"
    assert set(page.page.evaluate(visible)) == {True}
    box.focus()
    page.page.keyboard.press("Space")
    shown = page.page.evaluate(visible)
    assert shown[1] is False
    assert all(other for at, other in enumerate(shown) if at != 1)
    page.page.keyboard.press("Space")
    assert set(page.page.evaluate(visible)) == {True}


def test_on_paper_and_without_scripts_the_still_figure_is_there(opened):
    with_scripts = opened("interactive")
    figure = _first(with_scripts)
    assert figure.locator(".live").is_visible()
    assert not figure.locator(".still").is_visible()
    with_scripts.page.emulate_media(media="print")
    assert figure.locator(".still svg").first.is_visible()
    assert not figure.locator(".live").is_visible()

    page = opened("interactive", java_script_enabled=False)
    figures = page.page.locator("#shown figure.drawn")
    assert figures.count() > 0
    for at in range(figures.count()):
        assert figures.nth(at).locator(".still svg").first.is_visible()
        assert not figures.nth(at).locator(".live").is_visible()
    assert page.page.locator("h1").inner_text().upper().startswith("FAIL")
    assert page.page.locator("table.judged").is_visible()
    assert page.requests == [page.path.as_uri()]


@pytest.mark.parametrize("width", WIDTHS)
def test_no_accessibility_rule_is_broken_by_what_is_ours(opened, axe_source, width):
    page = opened("interactive", width=width)
    _first(page)
    # The library's own canvas and buttons stand beside everything that they tell: boxes, values and the still figure.
    assert page.violations(axe_source, without=".live-plot") == []
    assert page.sideways() <= 0


def test_it_stays_below_three_megabytes(pages):
    assert pages["interactive"].stat().st_size < 3_000_000
