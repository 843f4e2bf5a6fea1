"""``linecheck run``: one unit, from its serial number to a verdict that is on disk."""

import json
import os
import signal
import sqlite3
import time

import forked_linecheck as forked
import junitparser
import pytest
from result_schema import checked_result
from small_run import LIMITS, STATION, call, write_small_files

from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader

UNIT = ("--serial", "PR3-004711")
DATABASE = "results/linecheck.sqlite"


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Return ``linecheck run`` in an empty folder, on a small station."""
    monkeypatch.chdir(tmp_path)
    station = write_small_files(tmp_path)
    return lambda *arguments: call(monkeypatch, capsys, "run", *station, *arguments)


def logged():
    with LogReader(DATABASE) as log:
        assert log.verify().intact
        return log.runs()


def result_of(folder):
    (path,) = folder.glob("results/PR3-*/*/result.json")
    return checked_result(path.read_text(encoding="utf-8"))


@pytest.mark.every_python
def test_a_good_unit_passes_and_is_on_disk_three_times(run, tmp_path):
    status, out, err = run(
        *UNIT,
        "--firmware",
        "1.4.2",
        "--operator",
        "Ada",
        "--json",
        "here.json",
        "--junit",
        "here.xml",
        "--summary",
        "s.md",
    )
    assert status == 0
    assert out.splitlines()[0] == "● PASS"
    assert "PR3-004711, pellow-r3, firmware 1.4.2, attempt 1, station bench" in out
    assert "[3/3] wiring: playing" in err
    (entry,) = logged()
    assert (entry.serial, entry.verdict, entry.firmware) == ("PR3-004711", Verdict.PASS, "1.4.2")
    result = result_of(tmp_path)
    assert (result["verdict"], result["run"]) == ("pass", entry.run_id)
    assert json.loads((tmp_path / "here.json").read_text(encoding="utf-8")) == result
    suites = junitparser.JUnitXml.fromfile(str(tmp_path / "here.xml"))
    assert (suites.failures, suites.errors) == (0, 0)
    row = (tmp_path / "s.md").read_text(encoding="utf-8").splitlines()[-1]
    assert row.startswith("| pass | PR3-004711 | pellow-r3 | 1.4.2 |")
    assert suites.tests == 9  # snr, sinad, level and spectrum in two channels, order of the pair


@pytest.mark.every_python
def test_a_bad_unit_fails_and_says_what_in_plain_words_with_value_limit_and_margin(run):
    status, out, _ = run(*UNIT, "--fault", "distorting", "--all")
    assert status == 1
    assert out.splitlines()[0] == "✖ FAIL"
    (line,) = (line for line in out.splitlines() if "tone sinad left fails" in line)
    assert "below the pass limit of 108 dB (margin -" in line
    assert logged()[0].verdict is Verdict.FAIL


def test_what_is_wrong_comes_before_the_table_and_the_worst_row_first(run):
    _, out, _ = run(*UNIT, "--fault", "distorting", "--all")
    lines = [line.strip() for line in out.splitlines() if line.strip()]
    head = next(number for number, line in enumerate(lines) if line.startswith("check"))
    assert any("tone sinad left fails" in line for line in lines[:head])
    assert lines[head + 1].startswith("✖")
    assert lines[-2].startswith("●")


def test_a_marginal_unit_passes_unless_strict(run, tmp_path):
    noisier = ("--fault", "noisy")
    status, out, _ = run(*UNIT, *noisier)
    assert (status, out.splitlines()[0]) == (1, "✖ FAIL")  # 20 dB more noise takes snr below its limit
    write_small_files(tmp_path, limits=LIMITS.replace("min: 100", "min: 80"))
    status, out, _ = run(*UNIT, *noisier)
    assert (status, out.splitlines()[0]) == (0, "▲ MARGINAL")
    assert run(*UNIT, *noisier, "--strict")[0] == 1


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("silence", "bit for bit"),
        ("overrun", "input was lost"),
        ("non_finite", "not finite"),
        ("station_lost", "sound interface is gone"),
    ],
)
def test_a_station_that_cannot_be_trusted_is_invalid_and_never_a_pass(run, tmp_path, fault, words):
    status, out, _ = run(*UNIT, "--fault", fault)
    assert status == 3
    assert out.splitlines()[0] == "▒ INVALID"
    assert words in out
    assert logged()[0].verdict is Verdict.INVALID
    assert result_of(tmp_path)["verdict"] == "invalid"


def test_attempts_are_counted_and_announced(run):
    assert "attempt 1" in run(*UNIT)[1]
    _, out, err = run(*UNIT)
    assert "PR3-004711 was tested once before: this is attempt 2" in err
    assert "attempt 2" in out
    assert "attempt 1" in run("--serial", "PR3-004712")[1]
    assert [entry.logged.attempt for entry in logged()] == [1, 2, 1]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--serial", "PR3-47"], "expected PR3- and 6 digits"),
        (["--serial", "PR3-004711\x1d"], "no serial number may have"),
        (["--serial", "../PR3-004711"], "no serial number may have"),
        (["--serial", "PR3'; DROP TABLE run; --"], "expected PR3- and 6 digits"),
        (["--serial", '"PR3-004711"'], "expected PR3- and 6 digits"),
        (["--serial", ""], "is empty"),
        ([], "either --serial S or --scan"),
        ([*UNIT, "--scan"], "either --serial S or --scan"),
        (["--scan", "--json", "x.json"], "--out"),
        (["--scan", "--summary", "x.md"], "--out"),
        ([*UNIT, "--fault", "gremlins"], "the faults are: bit_weight, channel_delay, "),
        ([*UNIT, "--operator", "Ada\x1b[2J"], "printable"),
        ([*UNIT, "--firmware", "x" * 200], "1 to 100"),
        ([*UNIT, "--json", "station.toml/x.json"], "cannot be made a folder"),
        ([*UNIT, "--junit", "."], "names no file"),
        ([*UNIT, "--out", "limits.yaml"], "cannot be made a folder"),
        ([*UNIT, "--frequency", "9"], "No such option"),
    ],
)
def test_a_wrong_command_is_refused_before_anything_is_run(run, tmp_path, arguments, words):
    status, out, err = run(*arguments)
    assert status == 2
    assert words in err
    assert out == ""
    assert "Traceback" not in err
    assert "\x1b" not in err
    assert "\x1d" not in err
    assert not (tmp_path / DATABASE).exists()


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("limits.yaml", b"a: b\n" * 2_000_000, "longer than"),
        ("limits.yaml", b"version https://git-lfs.github.com/spec/v1\noid sha256:0\nsize 1\n", "lfs"),
        (
            "limits.yaml",
            LIMITS.replace("min: 108", "min: 12 dB").encode(),
            "limits.yaml:18:27: checks.tone.masks.sinad",
        ),
        ("station.toml", b"x" * 2_000_000, "longer than"),
        (
            "station.toml",
            STATION.replace("mains_hz = 50", "mains_hz = 55").encode(),
            "station.toml:4:1: mains_hz",
        ),
        (
            "station.toml",
            (STATION + "[protection]\nhighest_level_dbfs = -6\n").encode(),
            "check tone peaks at",
        ),
        ("station.toml", (STATION + "[playback]\nrates_hz = [96000]\n").encode(), "plays at 44100 Hz"),
    ],
)
def test_a_wrong_file_is_refused_before_anything_is_run(run, tmp_path, name, content, words):
    (tmp_path / name).write_bytes(content)
    status, out, err = run(*UNIT)
    assert status == 2
    assert words in err
    assert out == ""
    assert "Traceback" not in err
    assert not (tmp_path / DATABASE).exists()


def test_faults_are_for_simulated_units_only(run, tmp_path):
    sound = (
        STATION.split("[simulated]")[0].replace("simulated", "sound").replace("[8.0, 8.0]", "[8.0, 8.0]\n")
    )
    sound = sound.replace("rate_hz = 48000", 'rate_hz = 48000\ndevice = "a"\nchannels = [1, 2]')
    sound += '[playback]\ndevice = "a"\nchannels = [1, 2]\nrates_hz = [44100]\n'
    write_small_files(tmp_path, station=sound)
    status, _, err = run(*UNIT, "--fault", "hum")
    assert (status, "simulated interface only" in err) == (2, True)


def test_a_folder_that_cannot_be_written_is_refused_before_anything_is_run(run, tmp_path):
    (tmp_path / "shut").mkdir(mode=0o555)
    out = "/proc/linecheck" if os.geteuid() == 0 else tmp_path / "shut/out"  # root may write anywhere else
    status, shown, err = run(*UNIT, "--out", out)
    assert (status, shown) == (2, "")
    assert "cannot be" in err


def test_a_log_that_cannot_be_written_makes_the_run_invalid_whatever_it_measured(run, tmp_path, monkeypatch):
    def broken(self, outcome):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(Log, "append", broken)
    status, out, _ = run(*UNIT, "--json", "r.json")
    assert status == 3
    assert out.splitlines()[0] == "▒ INVALID"
    assert "could not be recorded in the log" in out
    assert "disk I/O error" in out
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["verdict"] == "invalid"


def test_a_failed_unit_that_could_not_be_recorded_is_shown_as_invalid(run, monkeypatch):
    def broken(self, outcome):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(Log, "append", broken)
    status, out, _ = run(*UNIT, "--fault", "distorting")
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")


def test_a_locked_log_is_invalid_and_says_what_to_do(run, tmp_path, monkeypatch):
    assert run(*UNIT)[0] == 0
    monkeypatch.setattr(Log.__init__, "__kwdefaults__", {"busy_seconds": 0.2, "key": None})
    append = Log.append
    other = sqlite3.connect(tmp_path / DATABASE, isolation_level=None)

    def locked(self, outcome):
        other.execute("BEGIN IMMEDIATE")
        try:
            return append(self, outcome)
        finally:
            other.execute("ROLLBACK")

    monkeypatch.setattr(Log, "append", locked)
    status, out, _ = run(*UNIT)
    other.close()
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    assert "locked" in out
    assert len(logged()) == 1


@pytest.mark.parametrize("kilobytes", [4, 110])
def test_a_disk_that_fills_up_is_never_a_pass(tmp_path, kilobytes):
    """No file may grow beyond so many kilobytes: the log cannot be made, or cannot take the run."""
    options = ("--keep-captures",)
    status, out, err = forked.run(
        tmp_path, "run", *write_small_files(tmp_path), *UNIT, *options, text=True, file_size=kilobytes * 1024
    )
    assert status == 3
    assert "PASS" not in out
    assert "Traceback" not in out + err
    assert "is it full" in out + err


def test_a_result_file_that_cannot_be_written_is_said_and_never_exit_status_0(run, monkeypatch):
    from linecheck.errors import RecordError
    from linecheck.results import files

    def full(path, content):
        raise RecordError(f"{path}: cannot be written: the disk is full: free some space")

    monkeypatch.setattr(files, "write_atomically", full)
    status, out, err = run(*UNIT)
    assert status == 3
    assert out.splitlines()[0] == "● PASS"  # it is recorded in the log
    assert "the disk is full" in err
    assert logged()[0].verdict is Verdict.PASS


def test_the_record_is_in_the_log_before_the_verdict_is_shown(run, monkeypatch):
    from linecheck.cli.display import console

    seen = []

    def text(outcome, screen, **facts):
        seen.append([entry.run_id for entry in logged()] == [outcome.run_id])
        return ""

    monkeypatch.setattr(console, "result_text", text)
    run(*UNIT)
    assert seen == [True]


@pytest.mark.parametrize(
    ("policy", "fault", "kept"), [("failed", "", 0), ("failed", "hum", 1), ("all", "", 1)]
)
def test_captures_are_kept_as_the_station_says(run, tmp_path, policy, fault, kept):
    write_small_files(tmp_path, station=STATION + f'[records]\ncaptures = "{policy}"\n')
    arguments = ("--fault", fault) if fault else ()
    run(*UNIT, *arguments)
    assert len(list(tmp_path.glob("results/PR3-004711/*/captures/captures.toml"))) == kept


def test_captures_that_cannot_be_kept_are_said(run, monkeypatch):
    from linecheck.errors import FileError
    from linecheck.line import kept_captures

    def full(folder, *arguments, **facts):
        raise FileError(folder, "cannot be written: No space left on device")

    monkeypatch.setattr(kept_captures, "write_capture_set", full)
    status, out, err = run(*UNIT, "--keep-captures")
    assert (status, out.splitlines()[0]) == (3, "● PASS")
    assert "the captures were not kept" in err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_stopped_is_aborted_recorded_and_kept(tmp_path, number):
    slow = LIMITS + "".join(
        f"  tone_{index}:\n    kind: tone\n    stimulus: {{seconds: 2.0}}\n" for index in range(20)
    )
    arguments = write_small_files(tmp_path, limits=slow)
    with forked.start(tmp_path, "run", *arguments, *UNIT, "--json", "r.json", text=True) as process:
        for line in process.stderr:
            if line.startswith("[5/"):
                break
        process.send_signal(number)
        process.send_signal(number)  # an impatient one
        out, err = process.communicate(timeout=60)
    assert process.returncode == 3
    assert out.splitlines()[0] == "□ ABORTED"
    assert "Traceback" not in err
    result = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert result["verdict"] == "aborted"
    assert "tone" in {reading["check"] for reading in result["readings"]}
    assert "tone_19" not in {reading["check"] for reading in result["readings"]}
    with LogReader(tmp_path / DATABASE) as log:
        (entry,) = log.runs()
        assert log.verify().intact
    assert entry.verdict is Verdict.ABORTED


class Terminal:
    """``linecheck run --scan`` with a terminal for its standard input."""

    def __init__(self, folder, *arguments):
        import pty

        self.operator, station = pty.openpty()
        command = ["run", *write_small_files(folder), "--scan", *arguments]
        self.process = forked.start(folder, *command, stdin=station, session=True)
        os.close(station)
        self.heard = b""

    def scan(self, text):
        os.write(self.operator, text.encode() + b"\r")

    def wait_for(self, words, seconds=60.0):
        """Read standard error until the words have come once more."""
        end = time.monotonic() + seconds
        while words.encode() not in self.heard:
            assert time.monotonic() < end, self.heard
            block = os.read(self.process.stderr.fileno(), 4096)
            assert block, self.heard
            self.heard += block
        self.heard = self.heard.split(words.encode(), 1)[1]

    def end(self, how):
        how()
        out, err = self.process.communicate(timeout=60)
        os.close(self.operator)
        return self.process.returncode, out.decode(), (self.heard + err).decode()


def test_scanning_tests_unit_after_unit_and_refuses_what_is_none(tmp_path):
    line = Terminal(tmp_path)
    line.wait_for("Scan a serial number")
    line.scan("")
    line.scan("hello")
    line.wait_for("'hello' is not one of model pellow-r3")
    line.wait_for("Scan a serial number")
    line.scan("  PR3-000001 ")
    line.scan("PR3-000001")
    line.wait_for("wiring: playing")
    line.scan("PR3-000002")
    line.wait_for("'PR3-000001' was scanned twice; the second scan is ignored")
    line.wait_for("'PR3-000002' was scanned during a test and is ignored")
    line.wait_for("Scan a serial number")
    line.scan("PR3-000002")
    line.wait_for("Scan a serial number")
    time.sleep(2.1)
    line.scan("PR3-000002")
    line.wait_for("PR3-000002 was tested once before: this is attempt 2")
    line.wait_for("Scan a serial number")
    status, out, err = line.end(lambda: os.write(line.operator, b"\x04"))
    assert status == 0
    assert out.count("● PASS") == 3
    assert "Traceback" not in err
    with LogReader(tmp_path / DATABASE) as log:
        assert [(entry.serial, entry.logged.attempt) for entry in log.runs()] == [
            ("PR3-000002", 2),
            ("PR3-000002", 1),
            ("PR3-000001", 1),
        ]


def test_ctrl_c_stops_the_unit_and_then_the_session(tmp_path):
    line = Terminal(tmp_path, "--fault", "hum")
    line.wait_for("Scan a serial number")
    line.scan("PR3-000001")
    line.wait_for("wiring: playing")
    line.process.send_signal(signal.SIGINT)
    line.wait_for("Scan a serial number")
    status, out, err = line.end(lambda: line.process.send_signal(signal.SIGINT))
    assert status in (1, 3)  # whether the run was over when it was stopped is a matter of milliseconds
    assert "□ ABORTED" in out or "✖ FAIL" in out
    assert "Traceback" not in err


def piped(folder, text, *arguments):
    return forked.run(folder, "run", *write_small_files(folder), "--scan", *arguments, input=text)


@pytest.mark.every_python
def test_serials_from_a_file_are_tested_one_after_the_other(tmp_path):
    status, out, err = piped(tmp_path, b"PR3-000001\r\n\n\xff\xfe\nPR3-000002", "--fault", "distorting")
    assert status == 1
    assert out.decode().count("✖ FAIL") == 2
    assert "no serial number may have" in err.decode()


@pytest.mark.parametrize("text", [b"", b"\n\n", b"nonsense\n", b"x" * 100_000])
def test_a_session_that_judged_nothing_never_ends_with_0(tmp_path, text):
    status, out, err = piped(tmp_path, text)
    assert (status, out) == (3, b"")
    assert b"Traceback" not in err
