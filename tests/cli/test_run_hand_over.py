"""A station asks whether a unit may be tested and hands its result over, by commands of the factory's."""

import json
import re
import signal
import sys
from pathlib import Path
from xml.etree import ElementTree

import forked_linecheck as forked
import pytest
from sent_logs import same_rows, sent
from small_run import STATION, call, write_small_files

from linecheck.log import LogReader

ONE_CHECK = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  tone:
    kind: tone
    stimulus: {seconds: 0.25}
    masks: {thd: {pass: {max: -80}}}
"""
SERIAL = "PR3-000001"
DATABASE = "results/linecheck.sqlite"
#: Takes a result where there is paper: the run's id, verdict and serial number go to a file.
PRINT = """import json, os, signal, sys
if not os.path.exists("paper"):
    sys.exit("no paper")
result = json.load(sys.stdin)
assert sys.argv[1] == os.environ["LINECHECK_SERIAL"] == result["serial"]
with open("printed", "a") as file:
    print(result["run"], result["verdict"], result["serial"], file=file)
if os.path.exists("cut"):
    os.remove("cut")
    os.kill(os.getppid(), signal.SIGKILL)
print("label", result["serial"][-1])
"""
AFTER = f'[after]\ncommand = "{sys.executable} print.py {{serial}}"\n'


def before(code, more=""):
    return f"[before]\ncommand = \"sh -c '{code}'\"\n{more}"


def write(folder, tables):
    (folder / "print.py").write_text(PRINT)
    return write_small_files(folder, limits=ONE_CHECK, station=STATION + tables)


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Return ``run`` of one unit on a station with these further lines in its config."""
    monkeypatch.chdir(tmp_path)

    def command(tables="", *options, serial=SERIAL):
        return call(monkeypatch, capsys, "run", *write(tmp_path, tables), "--serial", serial, *options)

    return command


@pytest.fixture
def linecheck(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    return lambda *words: call(monkeypatch, capsys, *words)


def records():
    with LogReader(DATABASE) as log:
        assert log.verify().intact
        return list(log.runs())[::-1]


def printed():
    return [line.split() for line in Path("printed").read_text().splitlines()]


@pytest.mark.every_python
def test_who_says_yes_is_on_record_with_what_was_said(run):
    status, _, _ = run(before("echo checking; echo route ok for $LINECHECK_SERIAL"))
    assert status == 0
    (record,) = records()
    assert record.before == {"answer": "yes", "said": f"route ok for {SERIAL}", "by": "sh"}
    result = json.loads(next(Path("results").glob("*/*/result.json")).read_text())
    assert result["before"] == record.before


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("echo order 17 is closed; exit 1", "PR3-000001 may not be tested, says sh: order 17 is closed."),
        ("exit 7", "PR3-000001 may not be tested, says sh: no more than exit status 7."),
        ("echo on hold >&2; exit 255", "PR3-000001 may not be tested, says sh: on hold."),
        (r"printf \"no\\033[2J\\n\"; exit 1", r"says sh: no\x1b[2J."),
        (
            "kill -KILL $$",
            "nobody says whether PR3-000001 may be tested: the command failed (ended by signal 9).",
        ),
        ("sleep 60", "nobody says whether PR3-000001 may be tested: the command did not end within 0.5 s"),
    ],
)
def test_a_unit_that_may_not_be_tested_is_refused_and_nothing_is_run(run, code, why):
    status, out, err = run(before(code, "timeout_seconds = 0.5\n"))
    assert (status, out) == (3, "")
    assert why in err
    assert "Nothing was run." in err
    assert records() == []


def test_where_nobody_answers_a_station_may_go_on_and_say_so(run):
    status, out, _ = run('[before]\ncommand = "/no/such/program"\nno_answer = "note"\n')
    assert (status, "PASS" in out) == (0, True)
    with LogReader(DATABASE) as log:
        (record,) = log.show(SERIAL)
    (problem,) = (problem for problem in record.problems if problem.code == "permission_unknown")
    assert not problem.blocks
    assert "'/no/such/program' cannot be started" in problem.message
    assert record.before["answer"] == "none"


def test_a_no_is_a_no_also_where_no_answer_is_none(run):
    assert run(before("exit 1", 'no_answer = "note"\n'))[0] == 3
    assert records() == []


def test_golden_units_are_not_asked_about_nor_handed_over_unless_the_config_says_so(linecheck, tmp_path):
    golden = '[golden]\nserials = ["PR3-900001"]\nevery_hours = 12\n'
    accept = ("--accept", "--by", "Ada", "--reason", "first reference")
    (tmp_path / "paper").touch()
    files = write(tmp_path, before("exit 1") + AFTER + golden)
    assert linecheck("station", "golden", *files, "--serial", "PR3-900001", *accept)[0] == 0
    assert not Path("printed").exists()
    write(tmp_path, before("exit 1") + AFTER + 'purposes = ["golden"]\n' + golden)
    assert linecheck("station", "golden", *files, "--serial", "PR3-900001")[0] == 0
    ((_, _, serial),) = printed()
    assert serial == "PR3-900001"


@pytest.mark.every_python
def test_a_result_is_handed_over_before_the_command_ends_and_stands_in_the_log(run, linecheck, tmp_path):
    (tmp_path / "paper").touch()
    status, out, err = run(AFTER)
    assert (status, "PASS" in out) == (0, True)
    assert f"linecheck: {SERIAL} is handed over to {Path(sys.executable).name}: label 1\n" in err
    (record,) = records()
    assert printed() == [[record.run_id, "pass", SERIAL]]
    assert f"  handed over to {Path(sys.executable).name}: label 1 (" in linecheck("log", "show", SERIAL)[1]
    assert linecheck("log", "outbox")[:2] == (0, "nothing waits to be handed over\n")


def test_what_it_is_given_is_the_result_file(run, tmp_path):
    status, _, _ = run("[after]\ncommand = \"sh -c 'cat > given.json'\"\n", "--fault", "distorting")
    assert status == 1
    (result,) = Path("results").glob("*/*/result.json")
    assert Path("given.json").read_bytes() == result.read_bytes()


def test_what_is_not_taken_changes_nothing_of_a_run_and_is_listed(run, linecheck, tmp_path):
    status, out, err = run(AFTER)
    assert (status, "PASS" in out) == (0, True)
    assert err.count("PR3-000001 is not handed over: the command failed (exit status 1): no paper.") == 1
    assert "1 result waits to be handed over" in err
    run(AFTER, "--fault", "distorting", serial="PR3-000002")
    status, out, _ = linecheck("log", "outbox", "--station", "station.toml")
    _, *rows = out.splitlines()
    assert (status, len(rows)) == (3, 2)
    assert re.search(
        r"2 +PR3-000001 +PASS +bench .* 2 .* the command failed \(exit status 1\): no paper$", rows[0]
    )
    assert re.search(r"4 +PR3-000002 +FAIL +bench .* 0 +– +–$", rows[1])
    status, out, _ = linecheck("log", "outbox", "--json")
    first, second = map(json.loads, out.splitlines())
    assert (status, first["tries"], second["tries"], second["tried"]) == (3, 2, 0, None)
    (tmp_path / "paper").touch()
    status, out, err = linecheck("log", "outbox", "--station", "station.toml", "--send")
    assert (status, out) == (0, "nothing waits to be handed over\n")
    assert "PR3-000001 is handed over to" in err
    assert "(try 3): label 1" in err
    assert [serial for _, _, serial in printed()] == ["PR3-000001", "PR3-000002"]
    assert linecheck("log", "verify")[0] == 0


def test_what_is_to_be_sent_needs_a_station_that_says_to_whom(run, linecheck):
    run()
    assert linecheck("log", "outbox", "--send")[0] == 2
    status, _, err = linecheck("log", "outbox", "--station", "station.toml", "--send")
    assert (status, "[after] names the command" in err) == (2, True)


def test_a_command_that_hangs_holds_up_one_unit_for_its_own_time_and_no_longer(run):
    status, out, err = run('[after]\ncommand = "sleep 60"\ntimeout_seconds = 1.5\n')
    assert (status, "PASS" in out) == (0, True)
    assert "did not end within 1.5 s" in err
    assert "results are being handed over; Ctrl-C leaves them" in err


def test_units_that_are_scanned_are_handed_over_in_their_order(tmp_path):
    (tmp_path / "paper").touch()
    units = "".join(f"PR3-{at:06d}\n" for at in range(1, 5))
    status, out, err = forked.run(tmp_path, "run", *write(tmp_path, AFTER), "--scan", input=units, text=True)
    assert (status, out.count("PASS")) == (0, 4)
    assert err.count("is handed over to") == 4
    assert "Traceback" not in err
    lines = (tmp_path / "printed").read_text().splitlines()
    assert [line.split()[2] for line in lines] == units.split()


def test_a_power_cut_while_a_result_is_handed_over_loses_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    files = write(tmp_path, AFTER)
    for name in ("paper", "cut"):
        (tmp_path / name).touch()
    status, out, _ = forked.run(tmp_path, "run", *files, "--serial", SERIAL, text=True)
    assert (status, "PASS" in out) == (-signal.SIGKILL, True)
    status, _, err = forked.run(tmp_path, "run", *files, "--serial", "PR3-000002", text=True)
    assert (status, err.count("is handed over to")) == (0, 2)
    first, second = records()
    assert printed() == [
        [first.run_id, "pass", SERIAL],
        [first.run_id, "pass", SERIAL],
        [second.run_id, "pass", "PR3-000002"],
    ]


def test_a_run_that_was_cut_off_is_handed_over_as_its_own_station_said(tmp_path, monkeypatch):
    """Whoever ends it: here a station that hands nothing over, on the same log."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "paper").touch()
    slow = STATION + "[playback]\nrates_hz = [44100, 48000]\n"
    files = write(tmp_path, AFTER)
    stop = f'[conditions]\ncommand = "{sys.executable} cut.py"\n'
    (tmp_path / "cut.py").write_text(
        "import os, signal, sqlite3, time\n"
        f"log = sqlite3.connect({DATABASE!r})\n"
        "while not log.execute('SELECT count(*) FROM begun').fetchone()[0]: time.sleep(0.01)\n"
        "os.kill(os.getppid(), signal.SIGKILL)\n"
    )
    write_small_files(tmp_path, limits=ONE_CHECK.replace("0.25", "20"), station=STATION + AFTER + stop)
    assert forked.run(tmp_path, "run", *files, "--serial", SERIAL)[0] == -signal.SIGKILL
    write_small_files(tmp_path, limits=ONE_CHECK, station=slow.replace("bench", "other"))
    status, _, err = forked.run(tmp_path, "run", *files, "--serial", "PR3-000002", text=True)
    assert (status, "was cut off" in err) == (0, False)  # it is told at its own station
    write(tmp_path, AFTER)
    assert forked.run(tmp_path, "log", "outbox", "--station", "station.toml", "--send")[0] == 0
    ((run_id, verdict, serial),) = printed()
    assert (run_id, verdict, serial) == (records()[0].run_id, "aborted", SERIAL)


def test_what_was_handed_over_gets_to_the_server(run, tmp_path, postgres):
    (tmp_path / "paper").touch()
    run(AFTER)
    run(AFTER, serial="PR3-000002")
    with postgres.lent() as url:
        sent(DATABASE, url)
        assert same_rows(DATABASE, url) == 2


def test_doctor_looks_for_the_programs(linecheck, tmp_path):
    write(tmp_path, AFTER + '[before]\ncommand = "no-such-program {serial}"\n')
    status, out, _ = linecheck("doctor", "--station", "station.toml")
    assert status == 3
    assert f"● [after]: {sys.executable} is there" in out
    assert "[before]: no-such-program is no program that this user may start" in out


@pytest.mark.parametrize(
    ("table", "why"),
    [
        ('[before]\ncommand = "ask {run}"\n', "{run} is not a placeholder"),
        ('[before]\ncommand = "ask"\nno_answer = "pass"\n', "before.no_answer"),
        ('[after]\ncommand = "print"\nretry_seconds = 0\n', "after.retry_seconds"),
        ('[after]\ncommand = "print"\npurposes = []\n', "after.purposes"),
        ('[after]\ncommand = "print"\npurposes = ["unit", "unit"]\n', "each may be given only once"),
    ],
)
def test_what_cannot_be_is_refused(run, table, why):
    status, out, err = run(table)
    assert (status, out, why in err) == (2, "", True)


def scripts():
    text = (Path(__file__).parents[2] / "linecheck/manual/how-to/hand-over.md").read_text(encoding="utf-8")
    return dict(re.findall(r"^```python (\S+)\n(.*?)^```", text, re.M | re.S))


def test_the_scripts_of_the_manual_print_a_label_and_light_a_lamp(run, tmp_path):
    for name, text in scripts().items():
        (tmp_path / name).write_text(text)
    lines = "cat > given; python3 label.py < given && python3 lamp.py < given"
    command = f"[after]\ncommand = \"sh -c '{lines}'\"\n"
    assert "is handed over to sh: lamp green, relay closed" in run(command)[2]
    (label,) = Path("labels").iterdir()
    (record,) = records()
    assert label.name == f"{record.run_id}.svg"
    texts = [text.text for text in ElementTree.parse(label).getroot()]
    assert texts[:2] == ["pellow-r3", SERIAL]
    assert texts[2].startswith("pass, ")
    assert "is handed over to sh: lamp red, relay open" in run(command, "--fault", "distorting")[2]
    assert len(list(Path("labels").iterdir())) == 1
