import hashlib
import json
import math
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from made_runs import made_check, made_curve, made_reading, made_run
from small_run import call, simulated

from linecheck.captures.capture_set import write_capture_set
from linecheck.captures.judging import judge_folder
from linecheck.history.rejudge.tally import ReadingCount, Remeasured, tally_of
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.run.plan import make_plan

pytestmark = pytest.mark.every_python

LIMITS = """format: 1
model: pellow-r3
revision: 4
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  tone:
    kind: tone
    stimulus: {seconds: 0.25}
    masks:
      sinad: {pass: {min: 112}, fail: {min: 108}}
"""
TIGHT = (
    LIMITS.replace("min: 112", "min: 114")
    .replace("min: 108", "min: 110")
    .replace("revision: 4", "revision: 5")
)


@pytest.fixture
def linecheck(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        return call(monkeypatch, capsys, "log", "rejudge", "--log", "log.sqlite", *arguments)

    return run


def write(name, text):
    with open(name, "w", encoding="utf-8") as stream:
        stream.write(text)


def line(*values, **changes):
    """Store runs with these values of SINAD, of a unit each, and the limit files old.yaml and new.yaml beside them."""
    write("old.yaml", LIMITS)
    write("new.yaml", TIGHT)
    limits = load_limits("old.yaml")
    with Log("log.sqlite") as log:
        for number, value in enumerate(values, start=1):
            verdict = Verdict.FAIL if value < 108 else Verdict.MARGINAL if value < 112 else Verdict.PASS
            both = [made_reading(verdict, value, channel=channel) for channel in ("left", "right")]
            facts = {"serial": f"PR3-{number:06d}", "limits": limits, **changes}
            log.append(made_run(made_check(*both), **facts))


@pytest.fixture
def stored(linecheck):
    """A log of three units: one passes, one just so, one is marginal."""
    line(115.0, 113.0, 109.0)
    return linecheck


def test_units_that_would_change_are_told_with_what_changes_them(stored):
    status, out, err = stored("--limits", "new.yaml")
    assert (status, err) == (1, "")
    lines = out.splitlines()
    assert lines[0] == "3 runs of 3 units, judged by new.yaml (revision 5)"
    assert lines[1] == "2 runs of 3 would change, 2 units by the newest run of each"
    table = [line.split() for line in lines]
    assert ["marginal", "→", "fail", "1", "1"] in table
    assert ["pass", "→", "marginal", "1", "1"] in table
    assert ["tone", "sinad", "worse", "2"] in table
    assert "units, first valid run of each  100.00 % (3 of 3)  66.67 % (2 of 3)" in lines
    (unit,) = [line for line in lines if "PR3-000003" in line]
    assert "marginal → fail  tone sinad left: 109 dB, at least 114 dB; tone sinad right: 109 dB" in unit


def test_without_a_limit_file_it_is_the_one_that_judged_the_newest_run_as_it_is_now(stored):
    status, out, _ = stored()
    assert status == 0
    assert "0 runs of 3 would change" in out
    write("old.yaml", TIGHT)
    status, out, _ = stored()
    assert status == 1
    assert "judged by old.yaml (revision 5)" in out


def test_a_limit_file_that_is_gone_is_asked_for(stored):
    import os

    os.unlink("old.yaml")
    status, out, err = stored()
    assert (status, out) == (2, "")
    assert "old.yaml: judged the newest run of pellow-r3 and is not there" in err
    assert "give --limits FILE" in err


def test_a_limit_file_of_another_model_now_is_refused(stored):
    write("old.yaml", LIMITS.replace("model: pellow-r3", "model: pellow-r4"))
    status, _, err = stored()
    assert status == 2
    assert "is of pellow-r4 now" in err


def test_everything_stands_in_the_json_file(stored):
    status, _, _ = stored("--limits", "new.yaml", "--json", "out/all.json", "--limit", "0")
    assert status == 1
    with open("out/all.json", encoding="utf-8") as stream:
        document = json.load(stream)
    assert (document["format"], document["kind"], document["by"]) == (1, "rejudge", "stored readings")
    assert document["limit_files"][0]["revision"] == 5
    assert [(run["record"], run["before"], run["after"]) for run in document["runs"]] == [
        (2, "pass", "marginal"),
        (3, "marginal", "fail"),
    ]
    cause = document["runs"][1]["causes"][0]
    assert (cause["check"], cause["metric"], cause["channel"], cause["margin"]) == (
        "tone",
        "sinad",
        "left",
        -5.0,
    )
    summary = document["summary"]
    assert (summary["runs"], summary["changed"], summary["cannot_be_told"]) == (3, 2, 0)
    assert {"before": "pass", "after": "marginal", "runs": 1, "units": 1} in summary["transitions"]
    assert summary["yield"]["units"]["after"]["share"] == pytest.approx(2 / 3)
    assert summary["causes"] == [{"way": "worse", "check": "tone", "metric": "sinad", "runs": 2}]


def test_the_list_of_units_ends_where_it_is_told_to_and_counts_the_rest(stored):
    _, out, _ = stored("--limits", "new.yaml", "--limit", "1")
    assert "PR3-000002" in out
    assert "PR3-000003" not in out
    assert out.splitlines()[-1].startswith("and 1 unit more")


def test_which_runs_are_meant_can_be_told(stored):
    status, out, _ = stored("--limits", "new.yaml", "--serial", "PR3-000001")
    assert (status, out.splitlines()[0]) == (0, "1 run of 1 unit, judged by new.yaml (revision 5)")
    _, out, _ = stored("--limits", "new.yaml", "--verdict", "marginal")
    assert out.startswith("1 run of 1 unit")
    for options in (("--since", "2000-01-01"), ("--until", "2999-12-31"), ("--model", "pellow-r3")):
        _, out, _ = stored("--limits", "new.yaml", *options)
        assert out.startswith("3 runs of 3 units")


@pytest.mark.parametrize(
    "options", [("--serial", "PR3-999999"), ("--until", "2000-01-01"), ("--purpose", "golden")]
)
def test_where_no_run_is_meant_nothing_is_judged_and_that_is_no_success(stored, options):
    status, out, _ = stored("--limits", "new.yaml", *options)
    assert status == 3
    assert "no run was judged" in out


def test_a_golden_unit_is_no_unit_of_the_line(linecheck):
    line(115.0)
    with Log("log.sqlite") as log:
        run = made_run(made_check(made_reading()), limits=load_limits("old.yaml"))
        log.append(replace(run, purpose="golden"))
    _, out, _ = linecheck("--limits", "new.yaml")
    assert out.startswith("1 run of 1 unit")
    _, out, _ = linecheck("--limits", "new.yaml", "--purpose", "all")
    assert out.startswith("2 runs of 2 units")


def test_what_was_measured_otherwise_is_said_and_never_a_success(stored):
    write("new.yaml", TIGHT.replace("seconds: 0.25", "seconds: 0.25, level_dbfs: -3"))
    status, out, _ = stored("--limits", "new.yaml")
    assert status == 3
    lines = out.splitlines()
    assert lines[1] == "3 runs undecided:"
    assert lines[2] == "  3 runs: tone was measured differently: stimulus level_dbfs 0.0, now -3.0"
    assert "no run was judged" in lines


def test_curves_that_were_read_for_it_are_counted(linecheck):
    mask = "      spectrum: {pass: {max: [[20, -60], [20000, -60]]}}\n"
    line(115.0)
    with Log("log.sqlite") as log:
        log.append(made_run(made_check(made_reading(), made_curve()), limits=load_limits("old.yaml")))
    write("new.yaml", TIGHT + mask)
    status, out, _ = linecheck("--limits", "new.yaml")
    assert status == 1
    assert "1 curve was read for it" in out
    assert "tone spectrum right: not measured" in out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--limits", "none.yaml"), "no such file"),
        (("--limits", "new.yaml", "--limits", "old.yaml"), "both of model pellow-r3"),
        (("--since", "yesterday"), "no date and no time"),
        (("--results", "results"), "are for --remeasure"),
        (("--remeasure", "--results", "nowhere"), "no folder of that name"),
        (("--limits", "new.yaml", "--json", "new.yaml"), "is an input of this command"),
        (("--limits", "new.yaml", "--json", "log.sqlite"), "is an input of this command"),
        (("--limits", "new.yaml", "--json", "log.sqlite-wal"), "is an input of this command"),
        (("--limits", "new.yaml", "--json", "."), "names no file"),
    ],
)
def test_a_mistake_is_a_message_and_nothing_is_judged(stored, options, said):
    status, out, err = stored(*options)
    assert (status, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_a_log_that_is_not_there_is_a_message(linecheck):
    write("new.yaml", TIGHT)
    status, _, err = linecheck("--limits", "new.yaml")
    assert status == 2
    assert "there is no log of that name" in err


def test_a_json_file_of_before_stays_where_nothing_could_be_judged(stored):
    write("all.json", "before")
    with open("log.sqlite", "r+b") as stream:
        stream.seek(8192)
        stream.write(b"\xff" * 8192)
    status, _, err = stored("--limits", "new.yaml", "--json", "all.json")
    assert status == 3
    assert "log.sqlite" in err
    with open("all.json", encoding="utf-8") as stream:
        assert stream.read() == "before"


def test_captures_are_measured_anew_and_held_against_what_was_stored(linecheck, tmp_path):
    write("old.yaml", LIMITS.replace("min: 112", "min: 100").replace("min: 108", "min: 90"))
    write("new.yaml", TIGHT.replace("min: 114", "min: 134").replace("min: 110", "min: 130"))
    limits = load_limits("old.yaml")
    plan, interface = make_plan(limits), simulated()
    with interface:
        taken = {entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks}
    made = write_capture_set(tmp_path / "set", taken, model="pellow-r3", serial="PR3-000001")
    outcome = judge_folder(made, [limits])
    with Log("log.sqlite") as log:
        log.append(outcome)
        log.append(replace(outcome, run_id="0" * 8 + outcome.run_id[8:], serial="PR3-000002"))
    place = tmp_path / "PR3-000001" / f"20261120T081500Z-{outcome.run_id[:8]}" / "captures"
    place.parent.mkdir(parents=True)
    made.rename(place)
    before = {
        path: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (*place.iterdir(), tmp_path / "log.sqlite")
    }
    status, out, _ = linecheck("--remeasure", "--json", "all.json", "--workers", "1")
    assert status == 3
    assert "0 runs of 1 would change" in out
    assert "1 run: no captures are kept" in out
    assert "no reading has changed" in out
    status, out, _ = linecheck("--remeasure", "--limits", "new.yaml", "--serial", "PR3-000001")
    assert status == 1
    assert "pass → fail" in out
    with open("all.json", encoding="utf-8") as stream:
        document = json.load(stream)
    assert document["by"] == "captures"
    assert document["summary"]["without_captures"] == 1
    assert document["summary"]["readings_changed"] == []
    assert before == {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in before}


def test_a_thinned_curve_is_judged_by_the_mask_that_it_was_judged_by_and_by_no_other(linecheck):
    curve = "      spectrum: {pass: {max: -110}, fail: {max: -100}}\n"
    write("old.yaml", LIMITS + curve)
    write("new.yaml", TIGHT + curve)
    write("other.yaml", LIMITS + curve.replace("-110", "-111"))
    limits = load_limits("old.yaml")
    with Log("log.sqlite") as log:
        for number in range(1, 4):
            readings = (made_reading(value=113.0, channel=name) for name in limits.channels)
            curves = (made_curve(channel=name) for name in limits.channels)
            check = made_check(*readings, *curves, name="tone")
            log.append(replace(made_run(check, serial=f"PR3-00000{number}"), limits=limits))
        log.thin(log.thinnable(datetime.now(UTC) + timedelta(days=1), 100), "bench")
    said = {name: linecheck("--limits", f"{name}.yaml")[1] for name in ("old", "new", "other")}
    assert "0 runs of 3 would change" in said["old"], said["old"]
    assert "pass → marginal     3" in said["new"], said["new"]
    assert "3 runs: tone: the points of its curves were thinned out" in said["other"], said["other"]


def test_a_reading_that_changes_is_a_change_although_the_verdict_stays(stored, monkeypatch):
    thd = {("tone", "thd"): ReadingCount(2, math.inf)}

    def remeasured(log, limits, found, *_, **__):
        after = found.chosen.before
        return tally_of(found.chosen, after, {"pellow-r3"}, Counter(), {}, remeasured=Remeasured(0, {}, thd))

    monkeypatch.setattr("linecheck.cli.log.rejudge.remeasure", remeasured)
    status, out, _ = stored("--limits", "new.yaml", "--remeasure", "--json", "all.json")
    assert status == 1
    assert "0 runs of" in out
    with open("all.json", encoding="utf-8") as stream:
        changed = json.load(stream)["summary"]["readings_changed"]
    # A reading that was measured only once has no largest change.
    assert changed == [{"check": "tone", "metric": "thd", "runs": 2, "largest": None}]
