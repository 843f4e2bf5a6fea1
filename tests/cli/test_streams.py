"""Standard streams that fail, are missing or flood: what is shown decides nothing about a run."""

import os
import subprocess
import sys
import time
from pathlib import Path

import forked_linecheck as forked
import pytest
from small_run import LIMITS, write_small_files

from linecheck.cli.prompts import Scans
from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader


def start(folder, *arguments, **options):
    """Start ``linecheck run`` on a small station."""
    return forked.start(folder, "run", *write_small_files(folder), *arguments, **options)


def started_anew(folder, *arguments, **options):
    """Start the program itself, which finds its streams and its environment as they are."""
    command = [sys.executable, "-m", "linecheck", "run", *write_small_files(folder), *arguments]
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.Popen(command, cwd=folder, **pipes | options)


def ended(process):
    """Return exit status, standard output and standard error of a program, empty where they lead elsewhere."""
    out, err = process.communicate(timeout=120)
    assert b"Traceback" not in (out or b"") + (err or b"")
    return process.returncode, (out or b"").decode(), (err or b"").decode()


def run(folder, **options):
    return ended(start(folder, "--serial", "PR3-004711", **options))


def verdicts(folder):
    with LogReader(folder / "results/linecheck.sqlite") as log:
        assert log.verify().intact
        return [run.verdict for run in log.runs()]


@pytest.fixture
def full():
    with open("/dev/full", "wb") as stream:
        yield stream


@pytest.fixture
def unread():
    """A pipe whose reader is gone."""
    reading, writing = os.pipe()
    os.close(reading)
    yield writing
    os.close(writing)


def test_a_verdict_that_cannot_be_shown_is_recorded_said_and_never_exit_status_0(tmp_path, full):
    status, _, err = run(tmp_path, stdout=full)
    assert status == 3
    assert "linecheck: standard output cannot be written: No space left on device" in err
    assert verdicts(tmp_path) == [Verdict.PASS]
    assert len(list(tmp_path.glob("results/PR3-004711/*/*"))) == 2


def test_a_verdict_that_nobody_reads_is_no_fail(tmp_path, unread):
    status, _, err = run(tmp_path, stdout=unread)
    assert status == 3
    assert "standard output cannot be written: Broken pipe" in err
    assert verdicts(tmp_path) == [Verdict.PASS]


def test_a_fail_that_cannot_be_shown_is_still_a_fail(tmp_path, full):
    process = start(tmp_path, "--serial", "PR3-004711", "--fault", "distorting", stdout=full)
    assert ended(process)[0] == 1


def test_progress_that_cannot_be_shown_changes_nothing(tmp_path, full, unread):
    for stream in (full, unread):
        status, out, _ = run(tmp_path, stderr=stream)
        assert (status, out.splitlines()[0]) == (0, "● PASS")
    assert verdicts(tmp_path) == [Verdict.PASS] * 2


def test_a_program_without_any_streams_runs(tmp_path):
    process = started_anew(tmp_path, "--serial", "PR3-004711", preexec_fn=lambda: os.closerange(0, 3))
    assert ended(process)[0] == 0
    assert verdicts(tmp_path) == [Verdict.PASS]


def test_scanning_without_an_input_judges_nothing(tmp_path):
    process = started_anew(tmp_path, "--scan", preexec_fn=lambda: os.close(0))
    assert ended(process)[0] == 3


@pytest.mark.parametrize("arguments", [["--version"], ["schema", "limits"], ["run", "--help"]])
def test_what_cannot_be_printed_is_said(arguments, full):
    status, _, err = forked.run(".", *arguments, stdout=full, text=True)
    assert (status, err) == (3, "linecheck: standard output cannot be written: No space left on device\n")


def test_characters_that_a_terminal_lacks_are_written_as_escapes(tmp_path):
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    process = started_anew(tmp_path, "--serial", "PR3-004711", env=environment)
    status, out, _ = ended(process)
    assert (status, out.splitlines()[0]) == (0, "(o) PASS")


def test_a_terminal_that_is_closed_aborts_the_run_and_what_was_measured_is_recorded(tmp_path):
    slow = LIMITS + "".join(
        f"  tone_{index}:\n    kind: tone\n    stimulus: {{seconds: 2.0}}\n" for index in range(20)
    )
    operator, station = os.openpty()
    how = {
        "stdin": station,
        "stdout": station,
        "stderr": station,
        "session": True,
        "environment": {"TERM": "xterm"},
    }
    arguments = write_small_files(tmp_path, limits=slow)
    with forked.start(tmp_path, "run", *arguments, "--serial", "PR3-004711", **how) as process:
        os.close(station)
        seen = b""
        while b"tone_3" not in seen:
            seen += os.read(operator, 65536)
        os.close(operator)
        assert process.wait(60) == 3
    assert verdicts(tmp_path) == [Verdict.ABORTED]
    assert len(list(tmp_path.glob("results/PR3-004711/*/*"))) == 2


def test_an_input_without_end_waits_and_fills_no_memory():
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    Scans(reading)
    taken, quiet_since = 0, time.monotonic()
    while time.monotonic() - quiet_since < 0.5 and taken < 20_000_000:
        try:
            taken += os.write(writing, b"nonsense\n" * 4000)
            quiet_since = time.monotonic()
        except BlockingIOError:
            time.sleep(0.01)
    os.close(writing)
    assert 0 < taken < 2_000_000


def test_a_name_that_would_disturb_the_terminal_is_shown_as_escapes(tmp_path):
    Path(tmp_path / "odd.toml").write_text('"\\u001b]0;owned\\u0007\\u202e" = 1\n', encoding="utf-8")
    operator, station = os.openpty()
    for arguments in (
        ["run", *write_small_files(tmp_path)[2:], "--serial", "PR3-004711", "--station", "odd.toml"],
        ["run", *write_small_files(tmp_path)[2:], "--serial", "PR3-004711", "--station", "\x1b[2J\u202e"],
        ["limits", "check", "\x1b[2J\u202e"],
        ["judge", "--limits", "limits.yaml", "\x1b[2J\u202e"],
    ):
        status, _, _ = forked.run(tmp_path, *arguments, stderr=station)
        shown = os.read(operator, 65536).decode()
        assert status == 2
        assert "\\u202e" in shown
        assert not set(shown) & {"\x1b", "\x07", "\u202e"}
    os.close(station)
    os.close(operator)
