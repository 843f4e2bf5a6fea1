"""``linecheck plot``: a run's figures as files."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner
from drawn_figures import SPECTRUM_MASK, SVG, check_of, spectrum, view_of
from made_runs import with_checks
from PIL import Image
from regression_runs import baseline_of, unit_run
from small_run import small_check

from linecheck.checks.base import Curve
from linecheck.cli import COMMANDS, sources
from linecheck.cli.plot import command
from linecheck.errors import FileError, LinecheckError, RecordError, UsageError
from linecheck.history.baseline.file import baseline_bytes
from linecheck.history.comparison.file import write_comparison
from linecheck.history.comparison.model import ComparedCurve, Comparison, Side
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict

pytestmark = pytest.mark.every_python


def _view(serial="PR3-000001"):
    curves = [spectrum("left"), spectrum("right", 2)]
    slow = check_of([spectrum("left", 3)], SPECTRUM_MASK, name="tone@filter=slow")
    sharp = check_of([spectrum("left", 4)], SPECTRUM_MASK, name="tone@filter=sharp")
    plain = check_of(curves, SPECTRUM_MASK, name="treble_tone")
    wiring = check_of([], name="wiring", kind="wiring")
    return view_of(wiring, sharp, slow, plain, masks={"spectrum": SPECTRUM_MASK}, serial=serial)


@pytest.fixture
def views(monkeypatch):
    known = {"PR3-000001": _view(), "PR3-000002": _view("PR3-000002")}

    def view(reference, *_):
        if reference not in known:
            raise UsageError(f"there is no run {reference}")
        return known[reference]

    monkeypatch.setattr(sources, "view_of", view)
    return known


def _run(*arguments):
    return CliRunner().invoke(command, [str(argument) for argument in arguments], standalone_mode=False)


def test_it_is_a_command():
    assert COMMANDS["plot"][0] == "plot:command"


def test_all_figures_are_written_under_plain_names_and_named(views, tmp_path):
    result = _run("PR3-000001", "--out", tmp_path / "figures")
    names = ["tone-filter-sharp-spectrum.svg", "tone-filter-slow-spectrum.svg", "treble_tone-spectrum.svg"]
    assert result.return_value == 0
    assert sorted(path.name for path in (tmp_path / "figures").iterdir()) == names
    assert result.output.split() == [str(tmp_path / "figures" / name) for name in names]
    for path in (tmp_path / "figures").iterdir():
        assert ElementTree.parse(path).getroot().tag == f"{SVG}svg"


@pytest.mark.parametrize(
    ("checks", "count"), [(["tone"], 2), (["tone@filter=slow"], 1), (["treble_tone", "tone"], 3)]
)
def test_checks_are_named_by_entry_or_by_whole_name(views, tmp_path, checks, count):
    result = _run("PR3-000001", *checks, "--out", tmp_path)
    assert result.return_value == 0
    assert len(list(tmp_path.iterdir())) == count


def test_unknown_checks_are_refused_with_those_that_there_are(views, tmp_path):
    result = _run("PR3-000001", "tone", "nope\x1b", "--out", tmp_path)
    assert isinstance(result.exception, LinecheckError)
    text = str(result.exception)
    assert "nope\\x1b" in text
    assert "\x1b" not in text
    assert "there are: wiring, tone, treble_tone" in text
    assert "tone@filter=slow" in text
    assert not list(tmp_path.iterdir())


def test_both_forms_and_a_width(views, tmp_path):
    result = _run("PR3-000001", "treble_tone", "--out", tmp_path, "--format", "both", "--width", "900")
    assert result.return_value == 0
    with Image.open(tmp_path / "treble_tone-spectrum.png") as image:
        assert abs(image.width - 900) <= 1
    assert (tmp_path / "treble_tone-spectrum.svg").exists()


@pytest.mark.parametrize("width", ["1", "299", "8001", "wide"])
def test_a_width_that_makes_no_sense_is_refused(views, tmp_path, width):
    result = _run("PR3-000001", "--out", tmp_path, "--width", width)
    assert result.exception is not None
    assert "--width" in str(result.exception.format_message())


def test_a_reference_is_drawn_beside(views, tmp_path):
    assert _run("PR3-000001", "treble_tone", "--out", tmp_path, "--reference", "PR3-000002").return_value == 0
    assert "PR3-000002 left" in (tmp_path / "treble_tone-spectrum.svg").read_text("utf-8")


def test_a_reference_that_has_none_of_the_checks_is_refused(views, tmp_path):
    views["PR3-000002"] = replace(views["PR3-000002"], checks=())
    result = _run("PR3-000001", "--out", tmp_path, "--reference", "PR3-000002")
    assert isinstance(result.exception, UsageError)
    assert "has none of these checks" in str(result.exception)


def test_nothing_to_draw_is_no_success(views, tmp_path):
    result = _run("PR3-000001", "wiring", "--out", tmp_path)
    assert result.return_value == 3
    assert "nothing to draw" in result.output


def test_names_that_a_file_system_takes_for_one_do_not_replace_each_other(views, tmp_path):
    mask = Mask(Bounds(max=0.0))
    names = ["a@b=1", "a@b.1", "A-b-1"]
    checks = [check_of([spectrum("left", index)], mask, name=name) for index, name in enumerate(names)]
    views["PR3-000001"] = view_of(*checks)
    assert _run("PR3-000001", "--out", tmp_path).return_value == 0
    assert len({path.name.casefold() for path in tmp_path.iterdir()}) == 3


def test_a_folder_that_cannot_be_written_is_said(views, tmp_path):
    (tmp_path / "file").write_text("here already")
    result = _run("PR3-000001", "--out", tmp_path / "file")
    assert isinstance(result.exception, LinecheckError)
    assert "there is a file of that name" in str(result.exception)


def _comparison():
    sides = tuple(
        Side(
            letter, name, name, "made by hand", letter * 8, "PR3-000001", "pellow-r3", Verdict.PASS, None, None,
            "linecheck", "2026-11-20T08:15:00Z", None, "limits/pellow-r3.yaml", 1, "0" * 64, {}, {}, {},
        )
        for letter, name in (("A", "old"), ("B", "new"))
    )  # fmt: skip
    curves = tuple(
        ComparedCurve(
            check=check, kind="tone", metric="spectrum", text="", channel="left", x_unit="Hz", unit="dB", log_x=True,
            better="less", curves=(spectrum("left", 1), spectrum("left", 2)), differences=(),
        )
        for check in ("tone@filter=slow", "treble_tone")
    )  # fmt: skip
    return Comparison("", "linecheck", "", 1, "0" * 64, ("left",), sides, 4.3, 2, (), curves, ())


@pytest.mark.parametrize("named", ["", "comparison.json"])
@pytest.mark.parametrize(("checks", "count"), [([], 2), (["tone"], 1), (["tone@filter=slow"], 1)])
def test_a_comparison_is_drawn_from_its_folder_or_its_file(tmp_path, named, checks, count):
    write_comparison(tmp_path, _comparison())
    result = _run(tmp_path / named, *checks, "--out", tmp_path / "out")
    assert result.return_value == 0
    written = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert written == ["tone-filter-slow-spectrum-left.svg", "treble_tone-spectrum-left.svg"][:count]
    assert "B: new" in (tmp_path / "out" / written[0]).read_text("utf-8")


@pytest.mark.parametrize("option", [("--reference", "1"), ("--limits", "x"), ("--against", "x")])
def test_a_comparison_takes_no_option_of_runs(tmp_path, option):
    (tmp_path / "comparison.json").write_text("{}")
    result = _run(tmp_path, "--out", tmp_path / "out", *option)
    assert isinstance(result.exception, UsageError)
    assert "already" in str(result.exception)


def test_an_empty_folder_name_is_refused(views, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = _run("PR3-000001", "--out", "")
    assert isinstance(result.exception, UsageError)
    assert not list(tmp_path.iterdir())


def test_what_is_neither_run_nor_set_is_refused(tmp_path):
    result = _run(tmp_path, "--out", tmp_path / "out")
    assert isinstance(result.exception, FileError)
    assert not (tmp_path / "out").exists()


def test_formats_are_a_list_or_repeated_and_each_is_written_once(views, tmp_path):
    result = _run(
        "PR3-000001",
        "treble_tone",
        "--out",
        tmp_path,
        "--format",
        "pdf,csv",
        "--format",
        "both",
        "--format",
        "svg",
    )
    assert result.return_value == 0
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".csv", ".pdf", ".png", ".svg"]


@pytest.mark.parametrize("form", ["gif", "svg,", "svg,gif", ""])
def test_a_format_that_there_is_not_is_refused(views, tmp_path, form):
    result = _run("PR3-000001", "--out", tmp_path, "--format", form)
    assert isinstance(result.exception, UsageError)
    assert "there are: svg, png, pdf, csv, both" in str(result.exception)


def test_a_pdf_has_the_same_bytes_every_time_and_no_date(views, tmp_path):
    for folder in ("a", "b"):
        assert (
            _run("PR3-000001", "treble_tone", "--out", tmp_path / folder, "--format", "pdf").return_value == 0
        )
    one, other = ((tmp_path / folder / "treble_tone-spectrum.pdf").read_bytes() for folder in ("a", "b"))
    assert one == other
    assert one.startswith(b"%PDF-")
    assert b"Date" not in one


def _rows(path):
    """Return a CSV's lines as RFC 4180 has them: fields by commas, every line ended by CR LF."""
    text = path.read_bytes().decode("utf-8")
    assert text.endswith("\r\n")
    assert text.count("\n") == text.count("\r\n")
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


def test_a_csv_has_every_point_of_every_curve_and_the_masks(views, tmp_path):
    assert _run("PR3-000001", "treble_tone", "--out", tmp_path, "--format", "csv").return_value == 0
    head, *rows = _rows(tmp_path / "treble_tone-spectrum.csv")
    assert head == ["frequency, Hz", "left, dB", "right, dB", "passes up to, dB", "fails above, dB"]
    left, right = spectrum("left"), spectrum("right", 2)
    assert [float(row[0]) for row in rows] == left.x.tolist()
    assert [float(row[1]) for row in rows] == left.y.tolist()
    assert [float(row[2]) for row in rows] == right.y.tolist()
    assert (float(rows[0][3]), float(rows[-1][4])) == (-108.0, -106.0)


def test_a_csv_of_a_range_beside_others_has_a_field_for_each_curves_own_points(views, tmp_path):
    odd = spectrum("left", 5, points=100)
    views["PR3-000002"] = view_of(check_of([odd], SPECTRUM_MASK, name="treble_tone"), serial="=cmd()")
    options = ("--from", "100", "--to", "200", "--reference", "PR3-000002", "--format", "csv")
    assert _run("PR3-000001", "treble_tone", "--out", tmp_path, *options).return_value == 0
    head, *rows = _rows(tmp_path / "treble_tone-spectrum.csv")
    # No spreadsheet takes a serial number for a formula.
    assert head[3] == "'=cmd() left, dB"
    own = spectrum("left")
    inside = (own.x >= 100.0) & (own.x <= 200.0)
    assert [float(row[1]) for row in rows if row[1]] == own.y[inside].tolist()
    inside = (odd.x >= 100.0) & (odd.x <= 200.0)
    assert [float(row[3]) for row in rows if row[3]] == odd.y[inside].tolist()
    assert [float(row[0]) for row in rows] == sorted({float(row[0]) for row in rows})


def test_a_range_is_drawn_and_the_rest_is_not(views, tmp_path):
    options = ("--from", "100", "--to", "2e3", "--scale", "linear")
    assert _run("PR3-000001", "treble_tone", "--out", tmp_path, *options).return_value == 0
    assert "Drawn from 100 Hz to 2 kHz." in (tmp_path / "treble_tone-spectrum.svg").read_text("utf-8")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--from", "200", "--to", "100"), "must ascend"),
        (("--from", "nan"), "no place on an axis"),
        (("--from", "30000"), "its x axis goes from 20 Hz to 20 kHz"),
        (("--from", "0", "--scale", "logarithmic"), "no place at 0 or below"),
    ],
)
def test_a_range_that_cannot_be_is_refused_in_words(views, tmp_path, options, said):
    result = _run("PR3-000001", "treble_tone", "--out", tmp_path, *options)
    assert isinstance(result.exception, UsageError)
    assert said in str(result.exception)
    assert not list(tmp_path.iterdir())


def test_of_all_checks_those_with_nothing_in_the_range_are_left_out_and_told(views, tmp_path):
    x = np.arange(-120.0, 0.0)
    levels = Curve("gain_error", "left", x, "dBFS", 0.01 * x, "dB")
    views["PR3-000001"] = view_of(
        check_of([levels], None, name="linearity", kind="linearity", log_x=False),
        check_of([spectrum("left")], SPECTRUM_MASK),
    )
    result = _run("PR3-000001", "--out", tmp_path, "--from", "100", "--to", "200")
    assert result.return_value == 0
    assert [path.name for path in tmp_path.iterdir()] == ["tone-spectrum.svg"]
    assert "left out: linearity" in result.output
    result = _run("PR3-000001", "--out", tmp_path, "--from", "1e6")
    assert isinstance(result.exception, UsageError)
    assert "no figure has a point in that range" in str(result.exception)


def test_any_number_of_references_is_drawn_beside(views, tmp_path):
    names = [f"PR3-{number:06}" for number in range(2, 5)]
    views |= {name: _view(name) for name in names}
    options = [option for name in names for option in ("--reference", name)]
    assert _run("PR3-000001", "treble_tone", "--out", tmp_path, *options).return_value == 0
    text = (tmp_path / "treble_tone-spectrum.svg").read_text("utf-8")
    assert all(f"{name} {channel}" in text for name in names for channel in ("left", "right"))


def test_one_of_several_references_without_the_check_is_refused_by_its_name(views, tmp_path):
    views["PR3-000003"] = replace(_view("PR3-000003"), checks=())
    options = ("--reference", "PR3-000002", "--reference", "PR3-000003")
    result = _run("PR3-000001", "--out", tmp_path, *options)
    assert isinstance(result.exception, UsageError)
    assert "'PR3-000003' has none of these checks" in str(result.exception)


@pytest.mark.parametrize("option", [("--resolution", "1"), ("--records", "4"), ("--band", "100-200")])
def test_a_comparison_has_no_captures_to_be_taken_again(tmp_path, option):
    write_comparison(tmp_path, _comparison())
    result = _run(tmp_path, "--out", tmp_path / "figures", *option)
    assert isinstance(result.exception, UsageError)
    assert "a comparison has no captures" in str(result.exception)


@pytest.mark.parametrize("band", ["100", "200-100", "100-100", "-5-100", "a-b", "100-1e12", "100-200-300"])
def test_a_band_that_is_none_is_refused(views, tmp_path, band):
    result = _run("PR3-000001", "--out", tmp_path, f"--band={band}")
    assert isinstance(result.exception, UsageError)
    assert "expected LOW-HIGH in Hz" in str(result.exception)


@pytest.fixture
def analysed(views):
    """Give the run the analysis of its own day."""
    checks = [small_check("wiring", "wiring"), small_check("treble_tone", "tone")]
    views["PR3-000001"] = with_checks(views["PR3-000001"], *checks)


def test_a_check_without_a_spectrum_is_refused_with_those_that_have_one(analysed, tmp_path):
    result = _run("PR3-000001", "wiring", "--out", tmp_path, "--resolution", "1")
    assert isinstance(result.exception, UsageError)
    assert "wiring: has no spectrum that could be taken again" in str(result.exception)
    assert str(result.exception).endswith("checks that have one: treble_tone")


def test_where_no_capture_was_kept_it_says_what_to_do(analysed, tmp_path):
    result = _run(
        "PR3-000001", "treble_tone", "--out", tmp_path, "--resolution", "1", "--log", tmp_path / "log.sqlite"
    )
    assert isinstance(result.exception, RecordError)
    assert result.exception.exit_status == 3
    assert "linecheck run --keep-captures" in str(result.exception)


def test_a_baseline_file_is_a_reference(views, tmp_path):
    path = tmp_path / "pellow-r3.toml"
    path.write_bytes(baseline_bytes(baseline_of(unit_run(serial="PR3-000009")).file))
    views["PR3-000001"] = view_of(check_of([spectrum("left")], SPECTRUM_MASK))
    result = _run("PR3-000001", "--out", tmp_path, "--reference", path, "--reference", "PR3-000002")
    assert isinstance(result.exception, UsageError)
    views["PR3-000002"] = views["PR3-000001"]
    assert (
        _run("PR3-000001", "--out", tmp_path, "--reference", path, "--reference", "PR3-000002").return_value
        == 0
    )
    text = (tmp_path / "tone-spectrum.svg").read_text("utf-8")
    assert "baseline PR3-000009 left" in text
    assert "PR3-000001 left" in text


def test_a_baseline_that_was_edited_is_no_reference(views, tmp_path):
    path = tmp_path / "pellow-r3.toml"
    text = baseline_bytes(baseline_of(unit_run(serial="PR3-000009")).file).decode()
    path.write_text(text.replace("-150.0", "-151.0"), encoding="utf-8")
    result = _run("PR3-000001", "--out", tmp_path, "--reference", path)
    assert isinstance(result.exception, FileError)
    assert "it was edited since" in str(result.exception)


def test_a_named_check_of_which_one_figure_has_the_range_is_drawn_so_far(views, tmp_path):
    x = np.linspace(-900.0, 900.0, 60)
    sides = Curve("both_sides", "left", x, "Hz", np.full(60, -147.0), "dB", 5.0)
    stronger = Curve("sidebands", "left", x[x > 0.0], "Hz", np.full(30, -147.0), "dB", 5.0)
    check = check_of([stronger, sides], name="jitter", kind="jitter", log_x=False)
    views["PR3-000003"] = view_of(check, serial="PR3-000003")
    result = _run("PR3-000003", "jitter", "--out", tmp_path, "--from", "-500", "--to", "-100")
    assert result.return_value == 0
    assert "left out: --from -500: sidebands has a logarithmic axis" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["jitter-both_sides.svg"]
    with pytest.raises(UsageError, match="no curve has a point"):
        raise _run("PR3-000003", "jitter", "--out", tmp_path, "--from", "5000", "--to", "5100").exception
