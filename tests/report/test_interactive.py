"""Interactive pages: one file, allowed to run what stands in it and nothing else, all there without."""

import base64
import gzip
import hashlib
import json
import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest
from drawn_figures import SPECTRUM_MASK, check_of, renamed, spectrum, view_of

from linecheck.errors import UsageError
from linecheck.report import interactive
from linecheck.report.figures.data import Axis, Figure, Series, Tag
from linecheck.report.render import run_page

HOSTILE = "</script><script>taken()</script><!--<script>$$x$$ @{y} {{ 7 * 7 }}"


def _view(channel="left", serial="PR3-000001"):
    check = check_of([spectrum(channel), spectrum("right", 2)], SPECTRUM_MASK)
    return view_of(check, masks={"spectrum": SPECTRUM_MASK}, serial=serial)


@pytest.fixture(scope="module")
def page():
    return run_page(_view(), interactive=True)


def _items(text):
    return [
        json.loads(found)
        for found in re.findall(r'<script type="application/json">(.*?)</script>', text, re.DOTALL)
    ]


def _policy(text):
    found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    return dict(part.strip().partition(" ")[::2] for part in unescape(found[1]).split(";"))


def test_a_page_that_is_not_to_be_interactive_runs_nothing():
    text = run_page(_view())
    assert "<script" not in text
    assert "script-src" not in _policy(text)


def test_the_policy_allows_the_pages_own_scripts_by_their_hashes_and_nothing_else(page):
    policy = _policy(page)
    assert policy["default-src"] == "'none'"
    assert policy["img-src"] == "data:"
    scripts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    hashes = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts]
    assert policy["script-src"].split() == [f"'sha256-{digest}'" for digest in hashes]
    assert len(hashes) == 2
    assert len(re.findall("<script", page)) == 2 + len(_items(page))


def test_the_still_page_is_in_it(page):
    still = run_page(_view())
    for part in (r"<svg xmlns.*?</svg>", r"<table.*?</table>", r'<header class="verdict.*?</header>'):
        found = re.findall(part, still, re.DOTALL)
        assert found
        assert all(element in page for element in found)


def test_it_has_every_point_of_every_curve(page):
    (item,) = _items(page)
    arrays = [
        np.frombuffer(_unpacked(base64.b64decode(found["array"]["data"])), dtype=found["dtype"])
        for found in _found(item, "ndarray")
    ]
    for curve in (spectrum("left"), spectrum("right", 2)):
        for values in (curve.x, curve.y):
            assert any(
                len(array) == len(values) and np.allclose(array, values, rtol=1e-6) for array in arrays
            )


def _unpacked(data):
    """Return bytes as they are; newer releases of the library compress them."""
    return gzip.decompress(data) if data[:2] == b"\x1f\x8b" else data


def _found(node, kind):
    """Return every object of a type in the library's JSON."""
    if isinstance(node, dict):
        own = [node] if node.get("type") == kind else []
        return own + [found for value in node.values() for found in _found(value, kind)]
    return [found for value in node for found in _found(value, kind)] if isinstance(node, list) else []


def test_it_stays_below_three_megabytes(page):
    assert len(page.encode()) < 3_000_000


def test_hostile_texts_end_no_script_and_are_no_markup_code_or_formula():
    text = run_page(_view(HOSTILE, HOSTILE), interactive=True, references=[_view(serial=HOSTILE)])
    assert len(re.findall("<script", text)) == 3
    assert len(re.findall("</script", text)) == 3
    assert "<!--" not in text.replace("<!doctype", "")
    assert "taken()" in text
    (item,) = _items(text)
    # No name of a run is in what the library is given: the page says them itself, escaped.
    assert "taken" not in json.dumps(item)


def test_words_of_axes_are_plain_text_whatever_unit_a_record_has():
    curves = [renamed(spectrum("left"), x_unit="$$</script>", unit=r"\(x\)")]
    check = check_of(curves, None, kind="unknown")
    text = run_page(view_of(check), interactive=True)
    (item,) = _items(text)
    assert "$$</script>" in json.dumps(item)
    labels = [model for model in _found(item, "object") if model.get("name") == "PlainText"]
    assert len(labels) == 2
    assert not [
        model
        for model in _found(item, "object")
        if model.get("name") in ("TeX", "MathML", "CustomJS", "HoverTool")
    ]


def test_marks_have_numbers_whose_words_stand_below_and_nothing_of_a_run_is_in_the_plot(page):
    (item,) = _items(page)
    labels = [model for model in _found(item, "object") if model.get("name") == "Label"]
    numbers = [
        model["attributes"]["text"]["attributes"]["text"]
        for model in labels
        if model["attributes"].get("tags")
    ]
    words = re.findall(
        r"<li>(.*?)</li>", re.search(r'<ol class="plain live-marks">(.*?)</ol>', page, re.DOTALL)[1]
    )
    assert numbers == [str(number) for number in range(1, len(words) + 1)]
    assert len(words) == 1
    assert unescape(words[0]).startswith("worst at 1.997 kHz: left")


def test_without_the_library_it_says_what_to_install(monkeypatch):
    monkeypatch.setattr(interactive, "find_spec", lambda _: None)
    with pytest.raises(UsageError, match=re.escape("pip install 'linecheck[interactive]'")):
        run_page(_view(), interactive=True)


def test_names_of_peaks_that_are_close_stand_on_lines_of_their_own():
    tags = tuple(
        Tag(x, y, "100 Hz") for x, y in ((100.0, -80.0), (110.0, -80.0), (120.0, -80.0), (130.0, -20.0))
    )
    series = Series("left", np.array([0.0, 1000.0]), np.array([0.0, -100.0]))
    axes = Axis("x", "Hz", low=0.0, high=1000.0), Axis("y", "dB", low=-100.0, high=0.0)
    figure = Figure("f", "f", "f", *axes, (series,), tags=(*tags, Tag(800.0, -80.0, "800 Hz")))
    assert interactive._lines_up(figure) == [0, 1, 2, 0, 0]
    # Along a logarithmic axis 100 and 200 Hz are far apart, and 800 is not from 900.
    places = tuple(Tag(x, -80.0, "x") for x in (100.0, 200.0, 800.0, 900.0))
    log = replace(figure, x=replace(axes[0], log=True, low=20.0), tags=places)
    assert interactive._lines_up(log) == [0, 0, 0, 1]


def test_a_mark_s_number_is_told_from_a_harmonic_s(page):
    (item,) = _items(page)
    labels = [model["attributes"] for model in _found(item, "object") if model.get("name") == "Label"]
    numbers = [look for look in labels if look.get("tags")]
    assert numbers
    for look in labels:
        assert ("border_line_color" in look) == (look in numbers)
        assert look["x_offset"] < 0 or look not in numbers


def test_the_name_of_a_peak_at_the_right_end_stands_on_its_left():
    pytest.importorskip("bokeh")
    series = Series("left", np.array([20.0, 20000.0]), np.array([0.0, -100.0]))
    axes = Axis("x", "Hz", log=True, low=20.0, high=20000.0), Axis("y", "dB", low=-100.0, high=0.0)
    tags = Tag(1000.0, -20.0, "1 kHz"), Tag(18000.0, -20.0, "18 kHz")
    made = json.loads(interactive._live(Figure("f", "f", "f", *axes, (series,), tags=tags))["json"])
    looks = {
        look["text"]["attributes"]["text"]: look.get("text_align", "left")
        for look in (model["attributes"] for model in _found(made, "object") if model.get("name") == "Label")
    }
    assert looks == {"1 kHz": "left", "18 kHz": "right"}
