"""``linecheck judge`` with several sets: every one accounted for, in files, in the log and on the screen."""

import os
import signal
import time
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from forked_linecheck import start
from made_runs import made_run
from many_captures import LIMITS, write_limits, write_sets
from result_schema import checked_result
from small_run import call

from linecheck.captures import many_sets
from linecheck.captures.capture_set import INDEX_NAME
from linecheck.captures.many_sets import JudgedSet, SetBegunAgain, SetJudged, SetsStarted
from linecheck.checks.base import Problem
from linecheck.cli.display.console import MAX_FINDINGS, MAX_LISTED, sets_text
from linecheck.cli.display.progress import SetsProgress
from linecheck.cli.display.result import MAX_BESIDE_A_CAUSE, Screen
from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.line.events import SetsEnded
from linecheck.log import Log, LogReader
from linecheck.results.overview import Brief

OWN = ("run", "started", "finished", "duration_seconds")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Four sets, the second and the fourth at fault, and their limit file."""
    folder = tmp_path_factory.mktemp("made")
    faults = (None, "swapped_channels", None, "inverted_polarity_right")
    write_sets(folder, write_limits(folder), faults)
    return folder


@pytest.fixture
def judge(made, tmp_path, monkeypatch, capsys):
    """Judge in a folder with links to the sets, in this process where no workers are asked for: that is faster."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("linecheck.line.sets.processors", lambda: 0)
    write_limits(tmp_path)
    for entry in made.glob("set-*"):
        (tmp_path / entry.name).symlink_to(entry)
    return lambda *arguments: call(monkeypatch, capsys, "judge", "--limits", "limits.yaml", *arguments)


def results(path):
    return [checked_result(line) for line in path.read_text(encoding="utf-8").splitlines()]


def without_own(entries):
    return [{name: value for name, value in entry.items() if name not in OWN} for entry in entries]


def test_each_set_has_a_line_worst_first_and_the_worst_is_the_verdict(judge):
    status, out, err = judge("set-0", "set-1", "nowhere", "set-3")
    assert status == 1
    lines = out.splitlines()
    assert lines[0] == "✖ FAIL"
    assert lines[2] == "  4 sets: 2 fail, 1 is invalid, 1 passes"
    assert [line.split()[:2] for line in lines[5:9]] == [["✖", "fail"]] * 2 + [
        ["▒", "invalid"],
        ["●", "pass"],
    ]
    assert [line.split()[4] for line in lines[5:7]] == ["set-1", "set-3"]
    assert "left and right are exchanged" in lines[5]
    assert "order" not in lines[5], "the cause says it; findings stand below"
    assert any("wiring order" in line for line in lines[9:])
    assert "there is no such capture set" in lines[7]
    assert "[4/4]" in err
    assert "Traceback" not in err


@pytest.mark.every_python
def test_the_files_have_all_sets_in_the_order_given_whoever_judged(judge, tmp_path):
    names = ["set-3", "nowhere", "set-0", "set-1", "set-0"]
    for workers in ("1", "2"):
        files = ["--json", f"{workers}.jsonl", "--junit", f"{workers}.xml", "--summary", f"{workers}.md"]
        assert judge(*names, *files, "--workers", workers)[0] == 1
    one, two = (results(tmp_path / f"{workers}.jsonl") for workers in ("1", "2"))
    assert [entry["set"] for entry in one] == names
    assert [entry["verdict"] for entry in one] == ["fail", "invalid", "pass", "fail", "pass"]
    assert without_own(one) == without_own(two)
    assert (tmp_path / "1.md").read_bytes() == (tmp_path / "2.md").read_bytes()
    assert (
        (tmp_path / "1.md")
        .read_text(encoding="utf-8")
        .startswith("### linecheck: fail\n\n5 sets: 2 fail, 1 is invalid")
    )
    assert (tmp_path / "1.xml").read_text(encoding="utf-8").count("<testsuite ") == 5
    assert not list(tmp_path.glob(".*"))


@pytest.mark.parametrize(
    ("sets", "options", "status", "headline"),
    [
        (["set-0", "set-2"], [], 0, "● PASS"),
        (["set-0", "nowhere"], [], 3, "▒ INVALID"),
        (["nowhere", "set-1"], [], 1, "✖ FAIL"),
        (["nowhere", "nowhere"], [], 3, "▒ INVALID"),
    ],
)
def test_the_exit_status_is_that_of_the_worst(judge, sets, options, status, headline):
    found, out, _ = judge(*sets, *options)
    assert (found, out.splitlines()[0]) == (status, headline)


def test_marginal_fails_where_strict(judge, tmp_path):
    limits = LIMITS.replace("order: {pass: {min: 1}}", "order: {pass: {min: 2}, fail: {min: 0}}")
    (tmp_path / "limits.yaml").write_text(limits, encoding="utf-8")
    status, out, _ = judge("set-0", "set-2")
    assert (status, out.splitlines()[0]) == (0, "▲ MARGINAL")
    assert judge("set-0", "set-2", "--strict", "--junit", "j.xml")[0] == 1
    assert (tmp_path / "j.xml").read_text(encoding="utf-8").count("<failure") == 2


def test_the_log_has_what_was_judged_in_the_order_given(judge):
    assert judge("set-1", "set-0", "nowhere", "set-1", "--log", "own.sqlite")[0] == 1
    with LogReader("own.sqlite") as log:
        runs = [(run.serial, run.verdict) for run in log.runs()]
        assert log.attempts("pellow-r3", "PR3-000001") == 2
    assert runs[::-1] == [
        ("PR3-000001", Verdict.FAIL), ("PR3-000000", Verdict.PASS), ("PR3-000001", Verdict.FAIL)
    ]  # fmt: skip


@pytest.mark.parametrize("lost", ["PR3-000001", "PR3-000002"])
def test_a_run_that_could_not_be_recorded_is_invalid_whatever_it_measured(judge, tmp_path, monkeypatch, lost):
    append = Log.append

    def failing(self, outcome):
        if outcome.serial == lost:
            raise RecordError("the disk is full")
        return append(self, outcome)

    monkeypatch.setattr(Log, "append", failing)
    name = {"PR3-000001": "set-1", "PR3-000002": "set-2"}[lost]
    status, out, _ = judge("set-0", name, "--log", "own.sqlite", "--json", "r.jsonl")
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    assert "the disk is full" in out
    problems = [[problem["code"] for problem in entry["problems"]] for entry in results(tmp_path / "r.jsonl")]
    assert ["not_recorded" in codes for codes in problems] == [False, True]
    with LogReader("own.sqlite") as log:
        assert [run.serial for run in log.runs()] == ["PR3-000000"]


def test_each_suite_notes_the_record_of_its_run(judge, tmp_path):
    judge("set-0", "set-1", "nowhere", "--log", "own.sqlite", "--junit", "j.xml")
    suites = ElementTree.parse(tmp_path / "j.xml").iter("testsuite")
    noted = [suite.find("properties/property[@name='log_record']") for suite in suites]
    with LogReader("own.sqlite") as log:
        heads = [f"{run.logged.sequence}:{run.logged.record_hash}" for run in reversed(log.runs())]
    assert [None if entry is None else entry.get("value") for entry in noted] == [*heads, None]


def test_a_file_that_cannot_be_written_is_told_and_the_others_are_there(judge, tmp_path, monkeypatch):
    def failing(self, judged, *arguments):
        raise RecordError("r.jsonl: the disk is full")

    monkeypatch.setattr("linecheck.results.formats.json.ResultLines.add", failing)
    status, out, err = judge("set-0", "set-2", "--json", "r.jsonl", "--junit", "j.xml", "--summary", "s.md")
    assert (status, out.splitlines()[0]) == (3, "● PASS")
    assert err.count("the disk is full") == 1
    assert sorted(path.name for path in tmp_path.glob("?.*")) == ["j.xml", "s.md"]


def test_a_verdict_on_nothing_measured_spoils_no_file(judge, tmp_path, monkeypatch):
    from made_runs import made_check, made_reading

    def judged(folder, *arguments, **options):
        wrong = made_run(made_check(made_reading(Verdict.PASS, float("nan"))))
        return wrong if folder.endswith("set-0") else made_run()

    monkeypatch.setattr("linecheck.captures.many_sets.judge_folder", judged)
    status, _, _ = judge("set-0", "set-2", "--json", "r.jsonl")
    wrong, right = results(tmp_path / "r.jsonl")
    assert (status, wrong["verdict"], right["verdict"]) == (3, "invalid", "pass")
    assert wrong["problems"][0]["code"] == "judging_failed"


def test_sets_of_several_models_need_a_limit_file_of_each(judge, tmp_path):
    other = tmp_path / "other.yaml"
    other.write_text(LIMITS.replace("model: pellow-r3", "model: pellow-r4"), encoding="utf-8")
    assert judge("set-0", "set-2", "--limits", str(other))[0] == 0
    assert judge("set-0", "--limits", str(other))[0] == 0
    (tmp_path / "limits.yaml").write_text(other.read_text(encoding="utf-8"), encoding="utf-8")
    status, _, err = judge("set-0", "--limits", str(other))
    assert status == 2
    assert "are both of model pellow-r4" in err
    status, out, _ = judge("set-0", "set-2")
    assert (status, out.count("is of model pellow-r3, the limit file of pellow-r4")) == (3, 2)


def test_a_serial_number_from_outside_is_that_of_a_set_without_one(judge, made, tmp_path):
    folder = tmp_path / "without"
    folder.mkdir()
    for entry in (made / "set-0").iterdir():
        text = entry.read_bytes()
        if entry.name == INDEX_NAME:
            text = b"\n".join(line for line in text.split(b"\n") if not line.startswith(b"serial"))
        (folder / entry.name).write_bytes(text)
    status, _, err = judge("without")
    assert status == 2
    assert "has no serial number" in err
    assert "--serial" in err
    status, out, _ = judge("without", "--serial", "PR3-000077", "--summary", "s.md")
    assert status == 0
    assert "PR3-000077" in out
    assert "| pass | PR3-000077 | pellow-r3 | 1.4.2 | without |" in (tmp_path / "s.md").read_text(
        encoding="utf-8"
    )
    status, _, err = judge("set-0", "--serial", "PR3-000077")
    assert status == 2
    assert "is of unit 'PR3-000000', and not of 'PR3-000077'" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ["set-0", "--workers", "2", "--scheduler", "tcp://192.0.2.7:1"],
            "either --workers N or --scheduler",
        ),
        (["set-0", "--workers", "0"], "--workers"),
        (["set-0", "--scheduler", "192.0.2.7"], "as in tcp://"),
        (["set-0", "set-1", "--json", "set-0"], "is a folder"),
        ([], "SET"),
    ],
)
def test_what_is_no_command_is_refused_before_anything_is_judged(judge, arguments, words):
    status, out, err = judge(*arguments)
    assert (status, out) == (2, "")
    assert words in err


def test_whoever_stops_it_gets_what_was_judged_and_the_names_of_the_rest(judge, tmp_path):
    names = ["set-0", "set-2"] * 100
    options = ["--limits", "limits.yaml", "--json", "r.jsonl", "--junit", "j.xml", "--log", "own.sqlite"]
    with start(".", "judge", *names, *options, "--workers", "2", text=True, session=True) as process:
        for line in process.stderr:
            if line.startswith("[4/200]"):
                break
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the workers as well
        begun = time.monotonic()
        out = process.stdout.read()
        err = process.stderr.read()
    assert process.returncode == 3
    assert time.monotonic() - begun < 20.0
    assert "Traceback" not in err
    assert out.startswith("□ ABORTED\n")
    found = results(tmp_path / "r.jsonl")
    assert [entry["set"] for entry in found] == names
    verdicts = [entry["verdict"] for entry in found]
    assert set(verdicts) == {"pass", "aborted"}
    assert verdicts.count("pass") >= 4
    assert found[-1]["problems"][0]["message"] == "not judged: the command was stopped"
    with LogReader("own.sqlite") as log:
        assert len(log.runs(limit=1000)) == verdicts.count("pass")
    assert not list(tmp_path.glob(".*"))


def test_what_a_worker_says_cannot_disturb_the_screen_or_the_build_log(judge, monkeypatch):
    def odd(task):
        return Problem("set_refused", "first\x1b[31m line\nsecond")

    monkeypatch.setattr(many_sets, "judge_task", odd)
    status, out, err = judge("set-0", "set-2")
    assert status == 3
    assert "\x1b" not in out + err
    assert r"first\x1b[31m line second" in out


def brief(n, verdict=Verdict.FAIL, found=1):
    return Brief(
        f"sets/{n}", verdict, f"PR3-{n:06}", "pellow-r3", "1.4.2", ("a finding",) * min(found, 30), found
    )


def test_the_details_of_many_sets_are_bounded_and_what_is_left_out_is_counted():
    text = sets_text([brief(n, found=40) for n in range(50)], Verdict.FAIL, Screen())
    assert text.count("    a finding") == MAX_LISTED * MAX_FINDINGS
    assert text.count("and 30 more") == MAX_LISTED
    assert text.endswith("and 40 more sets with several findings; --json FILE has them all")
    assert text.count("sets/") == 50 + MAX_LISTED


def test_what_a_line_says_already_is_not_said_twice():
    text = sets_text([brief(1), brief(2, Verdict.PASS, 0)], Verdict.FAIL, Screen())
    assert text.count("a finding") == 1
    assert not text.splitlines()[-1].endswith(" ")


def test_a_long_path_makes_no_line_long_and_keeps_its_end():
    entry = replace(brief(1), path=f"{'very/' * 1000}end")
    line = sets_text([entry], Verdict.FAIL, Screen()).splitlines()[5]
    assert len(line) < 130
    assert "very/end  a finding" in line


def test_a_bar_on_a_terminal_tells_what_does_not_pass_and_goes_away(capsys, monkeypatch):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    bar = SetsProgress()
    bar(SetsStarted(2))
    bar(SetJudged(JudgedSet("good", made_run())))
    bar(SetBegunAgain("bad", "its process was ended by SIGKILL"))
    bar(SetJudged(JudgedSet("bad", problem=Problem("worker_died", "given up"))))
    bar(SetsEnded())
    bar(SetsEnded())
    bar(SetJudged(JudgedSet("late", made_run())))
    err = capsys.readouterr().err
    assert "bad: its process was ended by SIGKILL; it is judged again" in err
    assert "bad: invalid: given up" in err
    assert "good" not in err


def test_a_build_log_gets_a_line_for_each_set(capsys):
    lines = SetsProgress()
    lines(SetsStarted(1))
    lines(SetJudged(JudgedSet("a\x1bb", made_run())))
    lines(SetsEnded())
    assert capsys.readouterr().err.splitlines() == ["1 set", r"[1/1] a\x1bb PR3-004711: pass"]


def test_what_is_higher_than_the_screen_ends_with_the_verdict():
    briefs = [brief(n) for n in range(50)]
    text = sets_text(briefs, Verdict.FAIL, Screen(large=True, lines=24))
    assert text.endswith("50 sets: 50 fail")
    assert sets_text(briefs[:2], Verdict.FAIL, Screen(large=True, lines=24)).count("2 sets: 2 fail") == 1


def test_a_screen_of_ascii_gets_nothing_else():
    entry = replace(brief(1), findings=("5 µV – much",), found=1)
    sets_text([entry], Verdict.FAIL, Screen(ascii_only=True)).replace("–", "-").encode("ascii")


def test_a_sets_line_is_its_cause_and_few_of_its_findings_are_listed_below():
    entry = replace(brief(1, found=40), cause="Probably one leg is missing (87 %).")
    text = sets_text([entry, brief(2)], Verdict.FAIL, Screen())
    assert "sets/1  Probably one leg is missing (87 %).\n" in text
    assert text.count("    a finding") == MAX_BESIDE_A_CAUSE
    assert "    and 37 more" in text
