"""A run among units of several models and among stated values: what may be compared, and what may not."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from small_run import LIMITS, STATION, call, write_small_files

from linecheck.cli import cli
from linecheck.errors import UsageError
from linecheck.log import LogReader, RunFilter
from linecheck.statistics.among import COLUMNS, places_of
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.stated import StatedValue, load_stated
from linecheck.statistics.words import of_model_text, of_stated_text

SPREAD = STATION + "seed = 7\nspread = 1.0\n"
TONE = LIMITS.split("  quiet:")[0] + (
    "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    masks:\n      thd: {pass: {max: -80}}\n"
    "      level: {pass: {min: 3.5, max: 4.5}}\n"
)
#: Another model of the same checks, and one that is measured in another band.
R1 = TONE.replace("pellow-r3", "pellow-r1")
R2 = TONE.replace("pellow-r3", "pellow-r2").replace(
    "    masks:", "    analysis: {band_hz: [20, 10000]}\n    masks:"
)
UNITS = 7


def linecheck(*arguments):
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    folder = tmp_path_factory.mktemp("among")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for model, limits in (("r1", R1), ("r2", R2), ("r3", TONE)):
            (folder / model).mkdir()
            options = write_small_files(folder / model, limits=limits, station=SPREAD)
            for at in range(UNITS):
                done = linecheck("run", *options, "--serial", f"PR3-{at:06d}")
                assert done.exit_code == 0, done.output
    return folder / "results" / "linecheck.sqlite"


def places(log, metric, stated=()):
    with LogReader(log) as opened:
        run = opened.record(opened.find("PR3-000003", "pellow-r3"))
    with open_columns(Place(logs=(str(log),)), RunFilter(purpose="unit"), columns=COLUMNS) as columns:
        return {place.channel: place for place in places_of(run, columns, stated, [metric])}


def values(log, metric, channel, model):
    with LogReader(log) as opened:
        runs = [opened.record(run.logged.sequence) for run in opened.runs(RunFilter(model=model))]
    return {
        run.serial: item.reading.value
        for run in runs
        for item in run.checks[0].judged.readings
        if (item.reading.metric, item.reading.channel) == (metric, channel)
    }


def test_a_reading_has_its_place_among_units_that_were_measured_alike(log):
    place = places(log, "tone.thd")["left"]
    by_model = {found.model: found for found in place.models}
    own = values(log, "thd", "left", "pellow-r3").pop("PR3-000003")
    assert place.value == own
    others = list(values(log, "thd", "left", "pellow-r1").values())
    assert by_model["pellow-r1"].units == UNITS
    assert by_model["pellow-r1"].worse_share == pytest.approx(
        np.mean(np.greater(others, own) + 0.5 * np.equal(others, own))
    )
    assert by_model["pellow-r1"].median == pytest.approx(np.median(others))
    # Its own unit is left out of its own model.
    assert by_model["pellow-r3"].units == UNITS - 1


def test_what_was_measured_in_another_band_is_shown_and_not_compared(log):
    place = places(log, "tone.thd")["left"]
    found = next(each for each in place.models if each.model == "pellow-r2")
    assert found.worse_share is None
    assert found.otherwise == ("band_hz 20 to 10000, here 20 to 20000",)
    assert "Not to be compared: band_hz 20 to 10000, here 20 to 20000" in of_model_text(found, place)
    assert "better than" not in of_model_text(found, place)


def stated(**changes):
    given = {
        "name": "Pellow R2",
        "source": "its data sheet, page 4",
        "metric": "thd",
        "value": -100.0,
        "unit": "dB",
    }
    return StatedValue(**{**given, **changes})


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "it is not stated how it was measured"),
        ({"under": {"level_dbfs": 0.0}}, "better than -100 dB stated"),
        ({"under": {"level_dbfs": 0.0, "load_ohms": 600.0}}, "not known of this run: load_ohms 600"),
        ({"under": {"level_dbfs": -3.0}}, "Not to be compared: level_dbfs -3, here 0"),
        ({"unit": "%"}, "Not to be compared: stated in %, here dB"),
        ({"value": -200.0}, "worse than -200 dB stated"),
    ],
)
def test_a_stated_value_says_what_it_may_be_held_against(log, changes, said):
    value = stated(**changes)
    place = places(log, "tone.thd", [value])["left"]
    (found,) = place.stated
    text = of_stated_text(found, place)
    assert said in text
    assert ("Not to be compared" in text) == (found.difference is None)
    assert "its data sheet, page 4" in text


def test_a_value_of_another_check_or_metric_is_not_beside_it(log):
    for metric in ("quiet.thd", "sinad"):
        assert places(log, "tone.thd", [stated(metric=metric)])["left"].stated == ()


LIST = """format: 1
values:
  - {name: Pellow R2, source: its data sheet, metric: thd, value: -100, unit: dB, under: {level_dbfs: 0}}
"""


def test_the_command_tells_it_and_draws_it(log, tmp_path):
    (tmp_path / "stated.yaml").write_text(LIST)
    options = ("--log", log, "--stated", tmp_path / "stated.yaml", "--model", "pellow-r1")
    told = linecheck(
        "statistics", "among", "PR3-000003", *options, "--metric", "thd", "--out", tmp_path / "a.html"
    )
    assert told.exit_code == 0, told.output
    assert "pellow-r1: better than " in told.output
    assert "Pellow R2: " in told.output
    page = (tmp_path / "a.html").read_text()
    assert page.count("<svg xmlns") == 2
    assert "Pellow R2" in page
    plain = json.loads(linecheck("statistics", "among", "PR3-000003", *options, "--json").stdout)
    assert {reading["metric"] for reading in plain["readings"]} == {"thd", "level"}


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("format: 2\nvalues: []\n", "format"),
        ("format: 1\nvalues:\n  - {name: A, source: B, metric: thd, value: .nan, unit: dB}\n", "value"),
        ("format: 1\nvalues:\n  - {name: A, metric: thd, value: 1, unit: dB}\n", "source"),
        ("format: 1\nvalues:\n  - {name: A, source: B, metric: 'a b', value: 1, unit: dB}\n", "metric"),
    ],
)
def test_a_wrong_list_is_refused_with_its_place(log, tmp_path, monkeypatch, capsys, text, wrong):
    path = tmp_path / "stated.yaml"
    path.write_text(text)
    arguments = ("statistics", "among", "PR3-000003", "--log", log, "--stated", path)
    status, _, told = call(monkeypatch, capsys, *arguments)
    assert status == 2
    assert "stated.yaml:" in told
    assert wrong in told


def test_the_example_of_the_manual_is_a_list(tmp_path):
    from linecheck.statistics import stated as module

    text = module.__doc__.split("::\n")[1].split("``under``")[0]
    path = tmp_path / "stated.yaml"
    path.write_text("\n".join(line[4:] for line in text.splitlines()))
    assert load_stated(path)[0].under["band_hz"] == [20, 20000]


def test_a_metric_that_the_run_has_not_is_said(log):
    with pytest.raises(UsageError, match="--metric bogus: the run has no such reading"):
        places(log, "bogus")
