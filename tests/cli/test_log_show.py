import json
from dataclasses import replace

import pytest
from made_causes import hostile_fact, made_causes, unreadable_facts, with_causes
from made_comparisons import made_comparison
from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.history.comparison.file import sign
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.log.signoff import signature
from linecheck.run.facts import Asset

pytestmark = pytest.mark.every_python

TRACE = {
    "scanned": "]C1PR3-000001",
    "variant": "black",
    "lot": "L-7",
    "work_order": "W-12",
    "shift": "early",
    "nest": "b",
    "reason": "reseated",
    "override": {"by": "A. Engineer", "code": "trial", "note": "for \x1b[31m the sample"},
    "identity": {"firmware": "1.4.2"},
    "conditions": {"temperature_celsius": "23.5"},
    "host": {"name": "bench-1"},
    "clock": {"synchronised": True},
    "source_commit": "ab" * 20,
    "packages": {"numpy": "2.0.1"},
    "plan_sha256": "9f" * 32,
    "gates": {"golden": {"state": "met"}},
    "assets": (Asset("cable", "CB-12", {"due": "2027-01-31"}),),
    "captures": {"tone": "objects/aa.flac"},
    "captures_why": "every 10th pass",
}


@pytest.fixture
def runs(tmp_path, monkeypatch):
    """Return a unit's three runs, in a log where one is looked for."""
    monkeypatch.chdir(tmp_path)
    failing = made_check(made_reading(Verdict.FAIL, 105.3), made_curve())
    runs = (
        made_run(failing, serial="PR3-000001"),
        made_run(serial="PR3-000001", model="pellow-r1"),
        made_run(serial="PR3-000001", **TRACE),
    )
    with Log(tmp_path / "results" / "linecheck.sqlite") as log:
        for run in runs:
            log.append(run)
    return runs


def test_every_field_of_the_record_is_shown(linecheck, runs):
    status, out, err = linecheck("log", "show", "PR3-000001", "--model", "pellow-r3", "--limit", 1)
    assert (status, err) == (0, "linecheck: there are earlier attempts: --limit 2 shows more\n")
    for text in (
        r"]C1PR3-000001",
        "variant black",
        "lot L-7",
        "work order W-12",
        "shift early",
        "nest b",
        "retest reason: reseated",
        r"override: by A. Engineer, code trial, note for \x1b[31m the sample",
        "firmware 1.4.2",
        "23.5",
        "bench-1",
        "synchronised True",
        "ab" * 20,
        "numpy 2.0.1",
        "9f" * 32,
        "gate golden state met",
        "cable CB-12, due 2027-01-31",
        "every 10th pass",
        "objects/aa.flac",
        "5a" * 32,
        "c3" * 32,
        "57" * 32,
        "ab" * 32,
        runs[2].run_id,
        "Recorded: 20",
    ):
        assert text in out, text
    assert "\x1b" not in out


def test_all_problems_are_shown_those_too_that_explain_what_no_mask_judges(linecheck, runs):
    problems = (
        Problem("dropout", "the sound broke off", "left"),
        Problem("too_short", "hum needs 1 s", blocks=False, metrics=("hum", "noise")),
    )
    with Log("results/linecheck.sqlite") as log:
        check = made_check(made_reading(Verdict.INVALID, None), problems=problems)
        log.append(
            made_run(check, serial="PR3-000009", problems=(Problem("clock", "was set", blocks=False),))
        )
    _, out, _ = linecheck("log", "show", "PR3-000009")
    assert [line.strip() for line in out.splitlines() if "Problem of" in line] == [
        "Problem of the whole run (clock, a note): was set",
        "Problem of tone left (dropout, makes readings void): the sound broke off",
        "Problem of tone (too_short, explains hum, noise): hum needs 1 s",
    ]


def test_what_changed_since_the_attempt_before_of_the_same_model(linecheck, runs):
    _, out, _ = linecheck("log", "show", "PR3-000001", "--brief")
    newest, other, oldest = out.split("\n\n")
    lines = newest.splitlines()
    assert lines[lines.index("  since attempt 1 (FAIL, record 1):") + 1 :] == [
        "    verdict changed: tone sinad left: FAIL → PASS",
        "    verdict changed: tone sinad right: not judged → PASS",
        "    moved: tone sinad left 105.3 → 113.2 dB (+7.9 ± 0.042, better)",
        "    other: variant: none → black",
        "    other: lot: none → L-7",
        "    other: work order: none → W-12",
        "    other: shift: none → early",
        "    other: nest: none → b",
        "    other: the unit's own firmware: none → 1.4.2",
        "    other: asset cable: none → CB-12, due 2027-01-31",
        "    other: condition temperature celsius: none → 23.5",
        "    other: computer, name: none → bench-1",
        f"    other: commit of linecheck: none → {'ab' * 6}",
        "    other: package numpy: none → 2.0.1",
        f"    other: plan SHA-256: none → {'9f' * 6}",
    ]
    assert "since" not in other
    assert "since" not in oldest
    assert "± (k = 1)" not in out


def test_one_run(linecheck, runs):
    by_number = linecheck("log", "show", 3)[1]
    assert by_number == linecheck("log", "show", runs[2].run_id[:8])[1]
    assert by_number.count("attempt ") == 2
    assert "since attempt 1 (FAIL, record 1)" in by_number
    assert linecheck("log", "show", 1, "--brief")[1].startswith("PR3-000001  attempt 1: FAIL  (record 1)\n")
    status, _, err = linecheck("log", "show", 4)
    assert (status, "there is no run 4 in the log" in err) == (2, True)


def test_a_serial_number_goes_before_the_number_of_a_record(linecheck, runs):
    with Log("results/linecheck.sqlite") as log:
        log.append(made_run(serial="1"))
    assert linecheck("log", "show", 1)[1].startswith("1  attempt 1: PASS  (record 4)\n")


def test_what_was_stated_of_a_run(linecheck, runs):
    comparison = made_comparison()
    sides = tuple(replace(side, run_id=run.run_id) for side, run in zip(comparison.sides, runs, strict=False))
    with Log("results/linecheck.sqlite") as log:
        signed = signature(by="Q. Engineer", role="QA engineer", decision="accept", reason="No audible loss.")
        number = sign(log, replace(comparison, sides=sides), signed).sequence
        second = signature(by="P. Manager", role="product manager", decision="reject", reason="It clicks.")
        log.countersign(number, second)
        log.state("gate", "bench/golden", {"run": runs[0].run_id, "gate": "golden", "met": True})
    _, out, _ = linecheck("log", "show", 1, "--brief")
    stated = [
        line for line in out.splitlines() if "record 4" in line or "record 5" in line or "record 6" in line
    ]
    assert [line.partition(" (20")[0] for line in stated] == [
        "  signed: ACCEPT by Q. Engineer, QA engineer: No audible loss.",
        "  countersigned: REJECT by P. Manager, product manager: It clicks.",
        f"  stated: gate: gate golden, met True, run {runs[0].run_id}",
    ]
    assert "signed:" not in linecheck("log", "show", 3, "--brief")[1]
    _, out, _ = linecheck("log", "signoffs")
    assert "No audible loss." in out
    assert out.rstrip().endswith("P. Manager, product manager: reject: It clicks. (record 5)")


def test_a_unit_with_many_attempts_is_shown_in_part(linecheck, runs):
    with Log("results/linecheck.sqlite") as log:
        for _ in range(12):
            log.append(made_run(serial="PR3-000002"))
    _, out, err = linecheck("log", "show", "PR3-000002", "--brief")
    assert out.count("attempt 12:") == 1
    assert "attempt 2:" not in out
    assert "    other: none; same limits, firmware, station and assets" in out
    assert err == "linecheck: there are earlier attempts: --limit 20 shows more\n"


def logged(path, run):
    with Log(path / "results" / "linecheck.sqlite") as log:
        log.append(run)


def failing_run(serial):
    dropouts = [
        made_check(
            made_reading(Verdict.INVALID, None),
            name=f"tone_{number}",
            problems=(Problem("dropout", f"lost at 0.{number} s", "left"),),
        )
        for number in range(4)
    ]
    readings = [made_reading(Verdict.FAIL, 105.3, channel=channel) for channel in ("left", "right")]
    return made_run(made_check(*readings), *dropouts, serial=serial)


def test_causes_are_shown_as_they_were_told_then(linecheck, runs, tmp_path):
    logged(tmp_path, with_causes(failing_run("PR3-000009")))
    _, out, _ = linecheck("log", "show", "PR3-000009")
    lines = [line.strip() for line in out.splitlines()]
    at = lines.index(made_causes().sentence)
    assert tuple(lines[at : at + 6]) == made_causes().lines
    assert lines[at + 6].startswith("- tone sinad left fails")
    assert lines[at + 8].startswith("- dropout in 4 checks, first in tone_0 left: lost at 0.0 s")
    assert "ranked" not in out
    _, listed, _ = linecheck("log", "list", "--json", "--serial", "PR3-000009")
    assert json.loads(listed)["cause"] == "deemphasis_on"
    _, listed, _ = linecheck("log", "list", "--json", "--limit", 2)
    assert json.loads(listed.splitlines()[1])["cause"] is None


def test_of_many_findings_few_are_told_beside_a_cause_unless_nothing_else_is(linecheck, runs, tmp_path):
    run = failing_run("PR3-000009")
    more = [made_reading(Verdict.FAIL, 105.3, metric=f"harmonic_{number}") for number in range(9)]
    run = replace(run, checks=(made_check(*more, name="low_level_tone"), *run.checks))
    logged(tmp_path, with_causes(run))
    _, out, _ = linecheck("log", "show", "PR3-000009")
    assert "  - and 9 more, in the tables below" in out
    _, brief, _ = linecheck("log", "show", "PR3-000009", "--brief")
    assert brief.count("\n  - ") == 12


@pytest.mark.parametrize("fact", [hostile_fact(), unreadable_facts()[1]])
def test_causes_of_a_tampered_log_disturb_no_terminal(linecheck, runs, tmp_path, fact):
    logged(tmp_path, replace(failing_run("PR3-000009"), causes=fact))
    status, out, _ = linecheck("log", "show", "PR3-000009")
    assert status == 0
    assert "\x1b" not in out
    assert "x" * 1000 not in out
    assert linecheck("log", "list", "--json")[0] == 0
