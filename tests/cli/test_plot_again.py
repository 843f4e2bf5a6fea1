"""``linecheck plot`` of spectra that are taken again from kept captures, wherever these are."""

import csv
import json
import shutil

import numpy as np
import pytest
from small_run import write_small_files

LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  tone:
    kind: tone
    stimulus: {seconds: 0.5}
    masks:
      sinad: {pass: {min: 60}}
      spectrum: {pass: {max: [[20, -60], [20000, -60]]}}
"""


@pytest.fixture
def kept(linecheck, tmp_path, monkeypatch):
    """Return the options of a run whose captures were kept, and its folder."""
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, limits=LIMITS)
    status, *_ = linecheck("run", *files, "--serial", "PR3-000001", "--keep-captures", "--json", "run.json")
    assert status == 0
    (index,) = (tmp_path / "results").rglob("captures.toml")
    return files, index.parent


def _curve(path):
    with open(path, newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    return head, np.array([[float(cell or "nan") for cell in row] for row in rows])


def test_it_is_taken_again_from_a_runs_folder_a_set_and_by_serial_number(linecheck, kept, tmp_path):
    files, folder = kept
    limits = files[files.index("--limits") + 1]
    asked = ("--records", "4", "--format", "csv,svg")
    for number, source in enumerate(
        [("PR3-000001",), (folder.parent,), (folder, "--limits", limits), ("run.json",)]
    ):
        status, out, err = linecheck(
            "plot", *source[:1], "tone", *source[1:], *asked, "--out", f"out{number}"
        )
        assert (status, out.split()) == (
            0,
            [f"out{number}/tone-spectrum-again.{form}" for form in ("csv", "svg")],
        ), err
    found = [(tmp_path / f"out{number}/tone-spectrum-again.csv").read_bytes() for number in range(4)]
    assert len(set(found)) == 1
    text = (tmp_path / "out0/tone-spectrum-again.svg").read_text("utf-8")
    assert "mean power of 4 records overlapping by half; not judged" in text
    assert "limit-fail" not in text


def test_at_its_own_resolution_it_is_what_was_recorded(linecheck, kept, tmp_path):
    assert linecheck("plot", "PR3-000001", "tone", "--out", "then", "--format", "csv")[0] == 0
    with open("run.json", encoding="utf-8") as file:
        (resolution,) = {curve["resolution_hz"] for curve in json.load(file)["curves"]}
    asked = ("--resolution", str(resolution))
    assert linecheck("plot", "PR3-000001", "tone", "--out", "now", "--format", "csv", *asked)[0] == 0
    head, then = _curve(tmp_path / "then/tone-spectrum.csv")
    again, now = _curve(tmp_path / "now/tone-spectrum-again.csv")
    assert head[:3] == again[:3] == ["frequency, Hz", "left, dB", "right, dB"]
    # The tone itself stands at the frequency that was read, or, where nothing was judged, at the one that was played.
    then, now = (table[np.any(np.isfinite(table[:, 1:3]), axis=1), :3] for table in (then, now))
    assert len(now) > 1000
    assert np.array_equal(then, now, equal_nan=True)


def test_a_range_is_what_the_points_are_spent_on(linecheck, kept, tmp_path):
    asked = ("--resolution", "5", "--from", "5000", "--to", "6000", "--format", "csv")
    assert linecheck("plot", "PR3-000001", "tone", "--out", "out", *asked)[0] == 0
    _, points = _curve(tmp_path / "out/tone-spectrum-again.csv")
    assert points[0, 0] >= 5000.0
    assert points[-1, 0] <= 6000.0
    # Every bin of it: those of a spectrum at 5 Hz lie 0.6 Hz apart.
    assert np.max(np.diff(points[:, 0])) < 1.0


def test_others_are_taken_again_alike(linecheck, kept, tmp_path):
    files, _ = kept
    assert linecheck("run", *files, "--serial", "PR3-000002", "--keep-captures")[0] == 0
    asked = ("--resolution", "50", "--reference", "PR3-000002")
    assert linecheck("plot", "PR3-000001", "tone", "--out", "out", *asked)[0] == 0
    assert "PR3-000002 left" in (tmp_path / "out/tone-spectrum-again.svg").read_text("utf-8")


def test_captures_that_are_gone_are_said_to_be(linecheck, kept):
    _, folder = kept
    shutil.rmtree(folder)
    status, _, err = linecheck("plot", "PR3-000001", "tone", "--out", "out", "--resolution", "50")
    assert status == 3
    assert "linecheck run --keep-captures" in err


def test_captures_of_another_run_are_refused(linecheck, kept, tmp_path):
    files, folder = kept
    broken = (*files, "--serial", "PR3-000002", "--keep-captures", "--fault", "distorting")
    assert linecheck("run", *broken)[0] == 0
    (other,) = (path.parent for path in (tmp_path / "results/PR3-000002").rglob("captures.toml"))
    shutil.rmtree(folder)
    shutil.copytree(other, folder)
    status, _, err = linecheck("plot", "PR3-000001", "tone", "--out", "out", "--resolution", "50")
    assert status == 2
    assert "not the one that was judged" in err


def test_it_is_taken_again_from_the_stations_archive(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, limits=LIMITS)
    station = files[files.index("--station") + 1]
    with open(station, "a", encoding="utf-8") as config:
        config.write('[archive]\nfolder = "kept"\n')
    assert linecheck("run", *files, "--serial", "PR3-000001", "--keep-captures")[0] == 0
    assert not list((tmp_path / "results").rglob("captures.toml"))
    asked = ("PR3-000001", "tone", "--resolution", "50", "--out", "out")
    assert linecheck("plot", *asked, "--station", station)[0] == 0
    status, _, err = linecheck("plot", *asked)
    assert status == 3
    assert "--station" in err
