"""Testing a unit once more: what the limit file allows, what the record says of it."""

import io
import json
import os
import sys
from pathlib import Path

import pytest
from small_run import LIMITS, STATION, call, write_small_files

from linecheck.log import LogReader

RETEST = """retest:
  most_attempts: 3
  most_invalid: 2
  passes_after_fail: 2
  reasons: [reseated, repaired]
  fresh_start: [repaired]
  overrides: [engineering]
"""
SERIAL = "PR3-000001"


@pytest.fixture
def line(tmp_path, monkeypatch, capsys):
    """Return a station's ``run`` for one serial number, in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    limits = LIMITS.replace("checks:\n", f"{RETEST}checks:\n").split("  quiet:")[0] + (
        "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    masks:\n      thd: {pass: {max: -80}}\n"
        "      hum: {pass: {max: -100}}\n"
    )
    files = write_small_files(tmp_path, limits=limits)

    def run(*options, serial=SERIAL):
        return call(monkeypatch, capsys, "run", *files, "--serial", serial, *options)

    return run


def records(serial=SERIAL):
    with LogReader("results/linecheck.sqlite") as log:
        return list(log.show(serial))[::-1]


def test_a_repeat_says_why(line):
    assert line()[0] == 0
    status, out, err = line()
    assert (status, out) == (2, "")
    assert (
        f"{SERIAL}: this unit was tested before: say why it is tested again, one of reseated, repaired" in err
    )
    assert line("--reason", "because")[0] == 2
    assert line("--reason", "reseated")[0] == 0
    assert [record.reason for record in records()] == [None, "reseated"]


def test_a_unit_that_failed_is_released_by_two_passes(line):
    assert line("--fault", "hum")[0] == 1
    status, out, _ = line("--reason", "reseated")
    assert status == 3
    assert out.startswith("‖ HOLD\n")
    assert "PASS" not in out
    assert "This run passed, and the unit is not released yet: it has failed before." in out
    assert "needs one more pass in a row" in out
    result = latest_result()
    assert "not_released" in [problem["code"] for problem in result["problems"]]
    assert (result["verdict"], result["released"]) == ("pass", False)
    status, out, _ = line("--reason", "reseated")
    assert status == 0
    assert "not released" not in out


def latest_result():
    folder = max(Path("results", SERIAL).iterdir(), key=lambda path: path.stat().st_mtime)
    return json.loads((folder / "result.json").read_text(encoding="utf-8"))


def test_the_ceiling_and_what_lifts_it(line):
    assert [line("--fault", "hum", "--reason", "reseated")[0] for _ in range(3)] == [1, 1, 1]
    status, out, err = line("--reason", "reseated")
    assert (status, out) == (3, "")
    assert f"{SERIAL} is not retested: it has had 3 of 3 attempts (retest.most_attempts)" in err
    assert len(records()) == 3
    override = ("--override", "engineering", "--override-by", "Ada", "--override-note", "for the noise study")
    status, _, err = line("--reason", "reseated", *override[:1], "customer", *override[2:])
    assert status == 2
    assert "'customer' is not a code of the limit file; its codes are engineering" in err
    assert line("--reason", "reseated", *override[:2])[0] == 2
    assert line("--reason", "reseated", *override)[0] == 3  # passes, and is not released
    last = records()[-1]
    assert dict(last.override) == {
        "by": "Ada",
        "code": "engineering",
        "note": "for the noise study",
        "rule": "it has had 3 of 3 attempts (retest.most_attempts)",
    }
    assert line("--reason", "repaired")[0] == 0
    assert records()[-1].override == {}


def test_invalid_runs_are_no_way_round_it(line):
    assert [line("--fault", "dropout", "--reason", "reseated")[0] for _ in range(2)] == [3, 3]
    status, _, err = line("--reason", "reseated")
    assert status == 3
    assert "2 of its runs were invalid or aborted; at most 2 may be (retest.most_invalid)" in err


def test_scanned_again_the_operator_is_asked(line, tmp_path, monkeypatch, capsys):
    assert line("--fault", "hum")[0] == 1
    reading, writing = os.pipe()
    os.write(writing, f"{SERIAL}\nreseated\n PR3-000002\n{SERIAL}\nPR3-000003\n".encode())
    os.close(writing)
    with os.fdopen(reading) as scanner:
        monkeypatch.setattr(sys, "stdin", scanner)
        files = ["--station", str(tmp_path / "station.toml"), "--limits", str(tmp_path / "limits.yaml")]
        status, out, err = call(monkeypatch, capsys, "run", *files, "--scan", "--lot", "L-12")
    assert f"{SERIAL} was tested before. Retest reason: scan or type one of reseated, repaired" in err
    assert (out.count("● PASS"), out.count("‖ HOLD")) == (2, 1)
    assert status == 3
    assert [record.reason for record in records()] == [None, "reseated"]
    assert [len(records(f"PR3-00000{at}")) for at in (2, 3)] == [1, 1]
    (second,) = records("PR3-000002")
    assert (second.scanned, second.lot, second.reason) == (" PR3-000002", "L-12", None)


def test_no_rules_no_questions(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, limits=LIMITS, station=STATION)
    assert call(monkeypatch, capsys, "run", *files, "--serial", SERIAL)[0] == 0
    assert call(monkeypatch, capsys, "run", *files, "--serial", SERIAL, "--reason", "I wanted to")[0] == 0
    status, _, err = call(
        monkeypatch, capsys, "run", *files, "--serial", SERIAL, "--override", "x", "--override-by", "Ada"
    )
    assert status == 2
    assert "the limit file has no retest rules to override" in err
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert call(monkeypatch, capsys, "run", *files, "--scan", "--override", "x", "--override-by", "A")[0] == 2
