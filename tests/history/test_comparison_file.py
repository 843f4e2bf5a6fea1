"""A comparison as a file: the same after it was read, and nothing else is read."""

import json
from dataclasses import replace

import numpy as np
import pytest
from made_comparisons import made_comparison

from linecheck.checks.base import Curve
from linecheck.errors import FileError
from linecheck.history.comparison.file import FILE_NAME, load_comparison, write_comparison
from linecheck.history.comparison.model import ComparedCurve, CurveDifference


def with_a_curve():
    x = np.array([20.0, 1000.0, 20_000.0])
    curve = Curve("response", "left", x, "Hz", np.zeros(3), "dB", None, np.full(3, 1e-3))
    difference = CurveDifference(-2.6, 0.01, True, None, 18_000.0, -2.6, 0.0)
    compared = ComparedCurve(
        "response", "response", "response", "response re 1 kHz", "left", "Hz", "dB", True, "nominal",
        (curve, None), (difference,),
    )  # fmt: skip
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


def test_there_is_none(tmp_path):
    with pytest.raises(FileError, match="there is no comparison"):
        load_comparison(tmp_path)
