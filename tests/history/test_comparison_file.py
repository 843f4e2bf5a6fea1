"""A comparison as a file: the same after it was read, and nothing else is read."""

import hashlib
import json
from dataclasses import replace

import numpy as np
import pytest
from made_comparisons import made_comparison, made_side

from linecheck.checks.base import Curve, Note, Problem
from linecheck.errors import FileError
from linecheck.history.comparison.file import FILE_NAME, load_comparison, write_comparison
from linecheck.history.comparison.model import ComparedCurve, CurveDifference

pytestmark = pytest.mark.every_python


def with_a_curve():
    x = np.array([20.0, 1000.0, 20_000.0])
    curve = Curve("response", "left", x, "Hz", np.zeros(3), "dB", None, np.full(3, 1e-3))
    compared = ComparedCurve(
        check="response",
        kind="response",
        metric="response",
        text="response re 1 kHz",
        channel="left",
        x_unit="Hz",
        unit="dB",
        log_x=True,
        better="nominal",
        curves=(curve, None),
        differences=(CurveDifference(-2.6, 0.01, True, None, "", 18_000.0, -2.6, 0.0),),
    )
    return replace(made_comparison(), curves=(compared,))


def test_what_is_written_is_read_again(tmp_path):
    written = write_comparison(tmp_path, with_a_curve())
    read = load_comparison(tmp_path)
    assert read.digest == written.digest
    assert read.sides == written.sides
    assert read.findings == written.findings
    assert read.curves[0].differences == written.curves[0].differences
    assert read.curves[0].curves[1] is None
    for name in ("x", "y", "uncertainty"):
        before, after = (getattr(of.curves[0].curves[0], name) for of in (written, read))
        assert np.array_equal(before, after)
    assert write_comparison(tmp_path / "again", read).digest == written.digest


@pytest.mark.parametrize("change", [{"sigmas": 9.0}, {"format": 2}, {"more": 1}, {"digest": "0" * 64}])
def test_a_changed_one_is_refused(tmp_path, change):
    write_comparison(tmp_path, made_comparison())
    path = tmp_path / FILE_NAME
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **change}), encoding="utf-8")
    with pytest.raises(FileError):
        load_comparison(path)


@pytest.mark.parametrize("text", ["", "[]", "null", "{}", "[" * 100_000, '{"format": 1}'])
def test_what_is_no_comparison_is_refused(tmp_path, text):
    path = tmp_path / FILE_NAME
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError):
        load_comparison(path)


def test_the_problems_and_notes_of_a_side_are_read_again_each_as_what_it_is(tmp_path):
    problems = (
        ("tone", Problem("beyond_band", "no harmonic lies in the band", "left", False, ("thd",))),
        (None, Note("recording", "captured at another rate", values=(48_000.0,))),
    )
    written = write_comparison(tmp_path, made_comparison(made_side(problems=problems), made_side("B")))
    read = load_comparison(tmp_path)
    assert read.sides == written.sides
    assert [type(problem) for _, problem in read.sides[0].problems] == [Problem, Note]


def test_a_path_that_is_no_unicode_reads_as_it_is_shown(tmp_path):
    side = made_side(reference="sets/\udcff \\udcff \N{MUSICAL SYMBOL G CLEF}")
    written = write_comparison(tmp_path, made_comparison(side, made_side("B")))
    read = load_comparison(tmp_path)
    assert read.sides[0].reference == "sets/\\udcff \\udcff \N{MUSICAL SYMBOL G CLEF}"
    assert read.digest == written.digest


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("sigmas",), "4.3"),
        (("sigmas",), True),
        (("sigmas",), float("inf")),
        (("comparisons",), 200.0),
        (("created",), None),
        (("channels",), "left"),
        (("more",), 1),
        (("sides", 0, "verdict"), "passed"),
        (("sides", 0, "interface"), []),
        (("curves", 0, "better"), "loud"),
        (("curves", 0, "curves", 0, "more"), 1),
        (("curves", 0, "curves", 0, "x"), 20.0),
        (("curves", 0, "curves", 0, "x"), ["20.0"]),
        (("curves", 0, "curves", 0, "y", 1), None),
        (("curves", 0, "curves", 0, "y", 1), float("nan")),
        (("curves", 0, "curves", 0, "y", 1), [0.0]),
        (("curves", 0, "differences", 0, "significant"), 1),
    ],
)
def test_what_no_comparison_holds_is_refused_whatever_its_digest(tmp_path, path, value):
    write_comparison(tmp_path, with_a_curve())
    file = tmp_path / FILE_NAME
    content = json.loads(file.read_text("utf-8"))
    place = content
    for part in path[:-1]:
        place = place[part]
    place[path[-1]] = value
    plain = {key: part for key, part in content.items() if key not in ("format", "digest")}
    canonical = json.dumps(plain, sort_keys=True, separators=(",", ":"))
    content["digest"] = hashlib.sha256(canonical.encode()).hexdigest()
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(FileError, match=r"is no comparison$"):
        load_comparison(file)


def test_there_is_none(tmp_path):
    with pytest.raises(FileError, match="there is no comparison"):
        load_comparison(tmp_path)
