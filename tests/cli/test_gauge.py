"""``linecheck gauge``: a plan and its sheet, and what a study of known truth shows, from the log alone."""

import csv
import json
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_runs import made_check, made_run
from needed import program
from small_run import LIMITS, call, write_small_files

from linecheck.checks.base import Reading
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.log import Log
from linecheck.statistics.gauge.plan import plan_bytes, planned
from linecheck.statistics.gauge.progress import PLANNED

UNITS = [f"PR3-{number:06d}" for number in range(1, 7)]
LOG = "results/linecheck.sqlite"
#: dB: how units and nests differ, and what repeats scatter by; readings state the last.
UNIT, NEST, REPEAT = 0.5, 0.3, 0.05
MASKED = LIMITS.replace("checks:\n", "study: {tolerance_percent: 60}\nchecks:\n", 1)
NESTS = {"factor": "nest", "levels": ("a", "b", "c")}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_small_files(tmp_path, limits=MASKED)
    return tmp_path


@pytest.fixture
def gauge(folder, monkeypatch, capsys):
    return lambda *arguments: call(monkeypatch, capsys, "gauge", *arguments)


def made_plan(**what):
    limits = load_limits("limits.yaml")
    plan = planned(limits.model, limits.sha256, UNITS, 2, **{"seed": 3, "made": "now", **what})
    Path("plan.json").write_bytes(plan_bytes(plan))
    return plan


def record(
    plan, *, skip=0, lacking=(), bound=(), failed=(), nest=NEST, station="bench", path=LOG, config="57" * 32
):
    """Record the runs of a plan, but for the last ``skip``; SINAD in dB, the level of the pair in V."""
    random = np.random.default_rng(17)
    limits = load_limits("limits.yaml")
    units = dict(zip(plan.units, random.normal(0, UNIT, len(plan.units)), strict=True))
    levels = dict(zip(plan.levels, random.normal(0, nest, len(plan.levels)), strict=True))
    now = datetime.now(UTC)
    with Log(path) as log:
        log.state(PLANNED, plan.id, {"model": plan.model, "plan": plan.content})
        for number, entry in enumerate(plan.entries[: len(plan.entries) - skip]):
            value = 112 + units[entry.unit] + levels.get(entry.level, 0.0) + random.normal(0, REPEAT)
            readings = [read("sinad", None if number in lacking else value, "dB", 108.0, REPEAT)]
            readings.append(read("level", 4.0, "V", 3.5, 1e-6, is_bound=number in bound))
            # A run that fails has measured, whatever else it could not read.
            if entry.unit in failed or number in lacking:
                readings.append(read("hum", 80.0, "dB", 90.0, 0.1))
            run = made_run(
                made_check(*readings),
                serial=entry.unit,
                purpose="study",
                study=plan.id,
                station=station,
                nest=entry.level or None,
                limits=limits,
                station_config_sha256=config,
                started=now,
                finished=now + timedelta(seconds=1),
            )
            log.append(run)


def read(metric, value, unit, least, uncertainty, *, is_bound=False):
    """Return a reading that is to be so much at least."""
    reading = Reading(metric, "left", value, unit, uncertainty if value is not None else None, is_bound)
    if value is None:
        return JudgedReading(reading, Verdict.INVALID)
    verdict = Verdict.PASS if value >= least else Verdict.FAIL
    return JudgedReading(reading, verdict, value - least, least, None, "min")


def study(gauge, *options):
    status, out, err = gauge("study", "plan.json", "--json", *options)
    assert err == ""
    found = json.loads(out)
    return status, found, {(one["check"], one["metric"], one["channel"]): one for one in found["metrics"]}


SINAD, LEVEL = ("tone", "sinad", "left"), ("tone", "level", "left")


def test_a_study_finds_what_its_readings_were_made_of(folder, gauge):
    record(made_plan(**NESTS))
    status, found, metrics = study(gauge)
    assert (status, found["runs"], found["missing"], found["layout"]) == (0, 36, [], "crossed")
    sinad = metrics[SINAD]
    for name, truth in (("unit", UNIT), ("repeat", REPEAT), ("reproducibility", NEST)):
        interval = sinad["deviations"][name]
        assert interval["low"] <= truth <= interval["high"], name
        assert interval["low"] < interval["value"] < interval["high"]
    # Three standard deviations of the station, of what lies between the units' mean and 108 dB.
    left = 3 * sinad["deviations"]["gauge"]["value"] / (sinad["mean"] - 108)
    assert sinad["tolerance"]["value"] == pytest.approx(100 * left)
    assert sinad["guardband"]["value"] == pytest.approx(
        1.6449 * sinad["deviations"]["gauge"]["value"], rel=1e-4
    )
    assert sinad["dominates"] == "the nests"
    assert "what the nests add is not in it" in sinad["stated_says"]
    assert metrics[LEVEL]["why_not"] == "every reading is the same"


def test_it_is_said_in_words(folder, gauge):
    record(made_plan(**NESTS))
    status, out, _ = gauge("study", "plan.json", "--tables", "--average-range")
    assert status == 0
    for text in (
        "6 units, 3 nests, 2 repeats",
        "tone.sinad left",
        "the nests",
        "unit x nest",
        "pooled (holds)",
        "by average and range",
        "tone.level left: every reading is the same",
        "verdicts at a: 6 of 6 (54 to 100 %) units got the same one each time",
    ):
        assert text in out


def test_readings_that_agree_with_what_they_state_are_not_spoken_of(folder, gauge):
    record(made_plan(**NESTS), nest=0.0)
    _, _, metrics = study(gauge)
    assert metrics[SINAD]["stated_says"] == ""
    assert metrics[SINAD]["dominates"] == "repeats"


def test_too_much_of_a_mask_is_a_fail(folder, gauge):
    record(made_plan(**NESTS), nest=2.0)
    status, found, metrics = study(gauge)
    assert (status, metrics[SINAD]["exceeds"], found["allowed_percent"]) == (1, True, 60.0)


def test_a_study_that_is_half_done_tells_nothing(folder, gauge):
    plan = made_plan(**NESTS)
    record(plan, skip=11)
    status, out, _ = gauge("study", "plan.json")
    assert status == 3
    assert "25 of 36 runs are there" in out
    status, found, _ = study(gauge)
    assert (status, len(found["missing"]), found["metrics"]) == (3, 11, [])


def test_a_unit_that_lacks_a_reading_is_left_out_of_that_metric_and_named(folder, gauge):
    plan = made_plan(**NESTS)
    record(plan, lacking=(4,), bound=(7,))
    _, _, metrics = study(gauge)
    sinad = metrics[SINAD]
    assert sinad["left_out"] == [plan.entries[4].unit]
    assert [row["df"] for row in sinad["tables"]["with interaction"]] == [4, 2, 8, 15]
    assert "1 of 36 readings are bounds" in metrics[LEVEL]["why_not"]


def test_units_of_their_own_are_nested_in_nests(folder, gauge):
    plan = made_plan(factor="nest", levels=("a", "b"), nested=True)
    record(plan, lacking=())
    _, found, metrics = study(gauge)
    assert found["layout"] == "nested"
    assert [(row["name"], row["df"]) for row in metrics[SINAD]["tables"]["nested"]] == [
        ("level", 1),
        ("unit", 4),
        ("repeat", 6),
    ]
    assert metrics[SINAD]["average_range"] is None
    assert found["verdicts"]["between"] is None


def test_units_of_their_own_are_not_fewer_at_one_nest(folder, gauge):
    record(made_plan(factor="nest", levels=("a", "b"), nested=True), lacking=(2,))
    _, _, metrics = study(gauge)
    assert "are missing" in metrics[SINAD]["why_not"]


def test_repeats_alone_are_studied_without_levels(folder, gauge):
    record(made_plan())
    _, found, metrics = study(gauge)
    assert (found["layout"], metrics[SINAD]["dominates"]) == ("alone", None)
    assert metrics[SINAD]["deviations"]["reproducibility"]["low"] is None


def test_verdicts_are_held_against_what_the_units_are(folder, gauge):
    bad = UNITS[:2]
    reference = {unit: "fail" if unit in UNITS[:3] else "pass" for unit in UNITS}
    record(made_plan(**NESTS, reference=reference), failed=bad)
    _, found, _ = study(gauge)
    level = found["verdicts"]["levels"][0]
    # The third should fail and never does.
    assert (level["missed"]["found"], level["missed"]["among"], level["false_alarms"]["found"]) == (2, 6, 0)
    assert (found["verdicts"]["between"]["found"], found["verdicts"]["with_reference"]["found"]) == (6, 5)


def test_the_table_is_written(folder, gauge):
    record(made_plan(**NESTS))
    status, _, _ = gauge("study", "plan.json", "--csv", "study.csv")
    assert status == 0
    with open("study.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    (sinad,) = (row for row in rows if row["metric"] == "sinad")
    assert float(sinad["unit_sd_low"]) <= UNIT <= float(sinad["unit_sd_high"])
    assert next(row["why_not"] for row in rows if row["metric"] == "level") == "every reading is the same"


def test_stations_are_read_from_their_logs(folder, gauge):
    """Each station has its own log; the study is done once all are named."""
    plan = made_plan(factor="station", levels=("one", "two"))
    random = np.random.default_rng(5)
    for name in plan.levels:
        with Log(f"{name}.sqlite") as log:
            for entry in plan.at({"station": name}):
                check = made_check(read("sinad", 112 + 0.1 * random.normal(), "dB", 108.0, REPEAT))
                limits = load_limits("limits.yaml")
                facts = {"purpose": "study", "study": plan.id, "station": name, "limits": limits}
                log.append(made_run(check, serial=entry.unit, **facts))
    assert gauge("study", "plan.json", "--log", "one.sqlite")[0] == 3
    status, found, _ = study(gauge, "--log", "one.sqlite", "--log", "two.sqlite")
    assert (status, found["runs"]) == (0, 24)


def test_a_log_without_the_study_is_said(folder, gauge):
    record(made_plan(**NESTS))
    made_plan(**NESTS, seed=4)
    status, out, err = gauge("study", "plan.json")
    assert (status, out, "there are no runs of the plan" in err) == (2, "", True)


def test_a_plan_and_its_sheet_are_written(folder, gauge):
    Path("units.txt").write_text("\n".join(UNITS), encoding="utf-8")
    options = (
        "--operator",
        "Ann",
        "--operator",
        "Bo",
        "--out",
        "plan.json",
        "--sheet",
        "plan.html",
        "--seed",
        "9",
    )
    status, out, err = gauge("plan", "--limits", "limits.yaml", "--units", "units.txt", *options)
    assert status == 0
    assert "36 runs: 6 units, 2 operators, 3 repeats; seed 9" in out
    assert "2 operators tell little" in err
    page = Path("plan.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 36 + 6
    assert "LINE-OPERATOR-Ann" in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--unit", UNITS[0]), "a study of one unit"),
        (("--unit", UNITS[0], "--unit", UNITS[1], "--repeats", "1"), "without repeats"),
        (("--unit", UNITS[0], "--unit", UNITS[1], "--nest", "a"), "one nest cannot be told"),
        (("--unit", UNITS[0], "--unit", UNITS[1], "--nest", "a", "--days", "2"), "one thing at a time"),
        (("--unit", "X1", "--unit", UNITS[1]), "X1"),
        ((), "name the units"),
    ],
)
def test_a_plan_that_tells_nothing_is_not_written(folder, gauge, options, why):
    status, _, err = gauge("plan", "--limits", "limits.yaml", *options, "--out", "plan.json")
    assert (status, why in err, "Traceback" in err) == (2, True, False)
    assert not Path("plan.json").exists()


def test_the_sheet_is_printed(folder, gauge):
    reader = program("pdftotext")
    options = ("--unit", UNITS[0], "--unit", UNITS[1], "--out", "plan.json", "--pdf", "plan.pdf")
    assert gauge("plan", "--limits", "limits.yaml", *options)[0] == 0
    text = subprocess.run([reader, "plan.pdf", "-"], capture_output=True, text=True, check=True).stdout
    assert text.count(UNITS[0]) == 3


def checked(monkeypatch, capsys, *options):
    status, _, err = call(monkeypatch, capsys, "limits", "check", "limits.yaml", "--log", LOG, *options)
    return status, [line for line in err.splitlines() if "warning: study" in line]


def ran_a_unit(**facts):
    limits = load_limits("limits.yaml")
    now = datetime.now(UTC)
    facts = {"station": "bench", "nest": "a", "limits": limits, "started": now, "finished": now, **facts}
    with Log(LOG) as log:
        log.append(made_run(serial="PR3-000500", **facts))


def test_limits_check_names_masks_without_a_study(folder, monkeypatch, capsys):
    ran_a_unit()
    status, (said,) = checked(monkeypatch, capsys)
    assert status == 0
    assert "quiet.snr, tone.sinad" in said
    assert "at bench, nest a: there is no gauge study that is done" in said
    assert checked(monkeypatch, capsys, "--strict")[0] == 2


def test_a_study_counts_until_the_station_is_changed(folder, monkeypatch, capsys):
    record(made_plan(**NESTS), nest=0.0)
    ran_a_unit()
    _, said = checked(monkeypatch, capsys)
    # What has no reading in these records lacks its study; SINAD has one.
    assert not any("tone.sinad" in line for line in said)
    ran_a_unit(station_config_sha256="99" * 32)
    _, (said,) = checked(monkeypatch, capsys)
    assert "tone.sinad" in said
    assert "the station config was changed" in said


def test_a_study_that_takes_too_much_is_named(folder, monkeypatch, capsys):
    record(made_plan(**NESTS), nest=2.0)
    ran_a_unit()
    _, said = checked(monkeypatch, capsys)
    assert any("tone.sinad left" in line and "60 % are allowed" in line for line in said)


def test_a_study_is_of_the_place_where_it_was_made(folder, monkeypatch, capsys):
    record(made_plan(**NESTS), nest=0.0)
    ran_a_unit(nest="d")
    _, (said,) = checked(monkeypatch, capsys)
    assert "at bench, nest d: there is no gauge study that is done" in said


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("{tolerance_percent: 0}", "more than 0"),
        ("{days: 3}", "tolerance_percent"),
        ("{tolerance_percent: 5, x: 1}", "x"),
    ],
)
def test_what_a_limit_file_asks_is_strict(folder, monkeypatch, capsys, words, why):
    Path("limits.yaml").write_text(
        LIMITS.replace("checks:\n", f"study: {words}\nchecks:\n", 1), encoding="utf-8"
    )
    status, _, err = call(monkeypatch, capsys, "limits", "check", "limits.yaml")
    assert (status, "study" in err, why in err) == (2, True, True)
