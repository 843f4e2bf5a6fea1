"""What a run is looked at beside: other units of its model in a log, and a named reference."""

import pytest
from lxml import html
from made_runs import LIMITS, looked_at, made_check, made_curve, made_reading, made_run
from regression_runs import baseline_of, unit_run

from linecheck.checks.base import Problem
from linecheck.history.baseline.file import baseline_bytes
from linecheck.history.population import reference_notes, reference_values
from linecheck.limits.verdict import Verdict
from linecheck.log import Log


def unit(number, value=113.0, model="pellow-r3", **changes):
    """Return a run of a unit, with a curve."""
    return made_run(
        made_check(made_reading(value=value), made_curve(), **changes),
        serial=f"PR3-{number:06d}",
        model=model,
    )


@pytest.fixture
def path(tmp_path, monkeypatch):
    """Return a log of twelve usual units, one that stands apart, and one of another model."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for number in range(12):
            log.append(unit(number, 113.0 + 0.1 * (number % 4)))
        log.append(unit(100, 121.0))
        log.append(unit(200, 113.0, model="pellow-r5"))
    return path


def test_plot_shows_a_check_among_other_units_and_beside_a_reference(linecheck, path):
    status, out, err = linecheck(
        "plot",
        "PR3-000100",
        "--log",
        path,
        "--against",
        path,
        "--reference",
        "PR3-000003",
        "--out",
        "figures",
    )
    assert status == 0
    assert out.split() == ["figures/tone-spectrum.svg", "figures/tone-population.svg"]
    assert "tone sinad left passes, but stands apart from 12 units: 121 dB" in err
    assert "PR3-000003 left" in (path.parent / "figures/tone-spectrum.svg").read_text("utf-8")
    assert "better than all 12 units" in (path.parent / "figures/tone-population.svg").read_text("utf-8")


def test_a_page_has_several_runs_and_a_baseline_beside_its_run_each_with_its_name(linecheck, path):
    held = path.parent / "pellow-r3.toml"
    held.write_bytes(baseline_bytes(baseline_of(unit_run(serial="PR3-000300")).file))
    given = [word for name in (held, "PR3-000003", "PR3-000001") for word in ("--reference", name)]
    status, _, _ = linecheck("report", "PR3-000100", "--log", path, *given, "--out", "page.html")
    assert status == 0
    page = html.parse(path.parent / "page.html")
    names = ["PR3-000003", "PR3-000001", "baseline PR3-000300"]
    told = page.findtext(".//section[@id='beside']/p")
    assert f"Beside it: {', '.join(names)}." in told
    headings = [cell.text for cell in page.findall(".//table[@class='beside']/thead//th")]
    # A baseline keeps what a mask needs, and no values of one run.
    assert headings == ["reading", "value", *names[:2]]
    (row,) = page.findall(".//table[@class='beside']/tbody/tr")
    assert [cell.text for cell in row] == ["tone sinad left", "121.00 dB", "113.30 dB", "113.10 dB"]
    drawn = [text.text for text in page.findall(".//figure//svg//text")]
    assert [text for text in drawn if text in {f"{name} left" for name in names}] == [
        f"{name} left" for name in names
    ]


def test_plot_of_another_model_says_that_no_unit_is_there(linecheck, path):
    status, out, err = linecheck("plot", "PR3-000200", "--log", path, "--against", path, "--out", "figures")
    assert (status, out.split()) == (0, ["figures/tone-spectrum.svg"])
    assert "no other unit of pellow-r5 is there to compare with" in err


@pytest.mark.parametrize(
    ("against", "content", "words"),
    [
        ("none.sqlite", None, "there is no log of that name"),
        ("empty.sqlite", b"", "is an empty log: no run was recorded in it yet"),
        ("text.sqlite", b"no database at all, whatever it is called", "so it is no log"),
        (".", None, "is a folder or a device"),
    ],
)
def test_a_log_that_is_none_is_refused(linecheck, path, against, content, words):
    if content is not None:
        (path.parent / against).write_bytes(content)
    status, _, err = linecheck("plot", "PR3-000001", "--log", path, "--against", against, "--out", "figures")
    assert status == 2
    assert words in err


def test_a_reference_measured_alike_needs_no_note():
    view, reference = (looked_at(unit(number), "a run") for number in (1, 2))
    assert not list(reference_notes(view, reference))
    assert reference_values(reference)["tone", "sinad", "left"].value == 113.0


def test_what_a_reference_does_not_share_is_said():
    from dataclasses import replace

    view = looked_at(unit(1), "a run")
    other = unit(2, model="pellow-r5", stimulus_sha256="77" * 32)
    (check,) = LIMITS.checks
    changed = replace(check, analysis=check.analysis.model_copy(update={"band_hz": (20.0, 19000.0)}))
    limits = replace(LIMITS, sha256="cd" * 32, revision=2, checks=(changed,))
    notes = tuple(reference_notes(view, looked_at(replace(other, limits=limits, aborted=True), "a run")))
    assert notes == (
        "the reference unit PR3-000002 is of another model: pellow-r5",
        "the run of the reference unit PR3-000002 is aborted: not all of it was measured",
        "the reference unit PR3-000002 was judged by another limit file or revision (limits/pellow-r3.yaml revision 2; "
        "this run: limits/pellow-r3.yaml revision 1): the masks shown are this run's",
        "another stimulus was played to the reference unit PR3-000002: tone",
        "the reference unit PR3-000002 was analysed differently: tone",
    )
    assert next(reference_notes(view, view)) == "the reference unit PR3-000001 is this very run"


def test_a_reference_without_the_check_or_of_an_unknown_stimulus_is_said():
    view = looked_at(unit(1), "a run")
    (without,) = reference_notes(view, looked_at(unit(2, name="quiet"), "a run"))
    assert without == "the reference unit PR3-000002 has no such check: tone"
    (unknown,) = reference_notes(view, looked_at(unit(2, stimulus_sha256=None), "a run"))
    assert "is not known: tone" in unknown


def test_a_value_of_a_reference_that_is_not_valid_is_none():
    void = made_check(
        made_reading(Verdict.INVALID, 113.0),
        made_reading(Verdict.INVALID, None, channel="right"),
        problems=(Problem("dropout", "it broke off"),),
    )
    assert reference_values(looked_at(made_run(void), "a run")) == {}
