"""The station's own commands."""

import hashlib
import os
import signal
import sys
from pathlib import Path

import pytest

from linecheck.errors import FileFaults
from linecheck.station.command import MAX_OUTPUT, run_station_command
from linecheck.station.config.load import load_station


def run(code, *further, value="slow", timeout=20.0):
    """Run a line of Python as a setting's command; return why it failed, and its output."""
    command = " ".join([sys.executable, "-c", f"'{code}'", *further])
    return said(run_station_command(command, {"setting": "filter", "value": value}, timeout))


def said(ended):
    return ended.why, ended.output


def runs(pid):
    """Return whether a process runs; one that nobody has waited for does not."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
    except FileNotFoundError:
        return False
    return stat.rpartition(")")[2].split()[0] not in ("Z", "X")


def test_arguments_environment_and_output():
    why, output = run(
        'import os, sys; print(sys.argv[1:], os.environ["LINECHECK_VALUE"]); sys.stderr.write("and this")',
        "--{setting}={value}",
        value="a b; {setting} $(touch x)",
    )
    assert why is None
    assert output == "['--filter=a b; {setting} $(touch x)'] a b; {setting} $(touch x)\nand this"


def test_another_status_than_zero_is_not_set_and_says_its_last_line():
    why, output = run('import sys; print("relay board missing"); sys.exit(3)')
    assert why == "the command failed (exit status 3): relay board missing"
    assert "relay board missing" in output


@pytest.mark.parametrize("order", ["out, err", "err, out"])
def test_a_failure_is_told_by_its_errors_whatever_came_last(order):
    code = (
        "import sys; out = sys.stdout, `asked 3 relays`; err = sys.stderr, `relay 2: no answer`; "
        f"[(print(text, file=to), to.flush()) for to, text in ({order})]; "
        "print(` `, file=sys.stderr); sys.exit(1)"
    )
    why, output = run(code.replace("`", '"'))
    assert why == "the command failed (exit status 1): relay 2: no answer"
    assert output == "asked 3 relays\nrelay 2: no answer\n \n"


def test_neither_output_waits_for_the_other_and_the_reason_outlives_much_talk():
    why, output = run(
        'import os, sys; [os.write(to, b"talk " * 50_000) for to in (1, 2, 1, 2)]; '
        'os.write(2, bytes([10]) + b"no answer"); os.write(1, b"talk " * 50_000); sys.exit(1)'
    )
    assert why == "the command failed (exit status 1): no answer"
    assert len(output) == 2 * MAX_OUTPUT + len("\n")
    assert output.endswith("talk \nno answer")


def test_what_is_printed_and_its_errors_share_no_line():
    why, output = run('import os; os.write(2, b"warming up"); os.write(1, b"serial = 7")')
    assert (why, output) == (None, "serial = 7\nwarming up")


def test_what_is_left_running_with_one_output_does_not_hide_what_failed():
    why, output = run(
        'import subprocess, sys; print("asked", flush=True); sys.stderr.write("no answer"); sys.stderr.flush(); '
        'subprocess.Popen([sys.executable, "-c", "import time; time.sleep(4)"]); sys.exit(1)'
    )
    assert why == "the command failed (exit status 1): no answer"
    assert "asked" in output


def test_what_takes_too_long_is_ended_with_all_that_it_started(tmp_path):
    script = tmp_path / "parent.sh"
    script.write_text("sleep 1000000 & echo began $!; wait\n")
    why, output = said(run_station_command(f"sh {script}", {}, 2.0))
    assert "did not end within 2 s" in why
    began, child = output.split()
    assert began == "began"
    # The signal is on its way to both at once; only the parent is waited for.
    assert any(not runs(child) for _ in range(1_000_000))


def test_a_huge_output_keeps_its_end():
    why, output = run('print("x" * 5_000_000); print("the end")')
    assert why is None
    assert len(output) == MAX_OUTPUT
    assert output.rstrip().endswith("the end")


def test_a_command_that_is_not_there_says_so():
    why, output = said(run_station_command("/no/such/relay {value}", {"value": "slow"}, 5.0))
    assert why == "the command '/no/such/relay' cannot be started: No such file or directory"
    assert output == ""


def test_what_a_command_leaves_running_does_not_hold_the_run_up():
    why, child = said(run_station_command("sh -c 'sleep 1000000 & echo $!'", {}, 60.0))
    assert why is None
    assert runs(int(child))
    os.kill(int(child), signal.SIGKILL)


@pytest.mark.parametrize(
    ("table", "place", "words"),
    [
        ('[setup.filter]\ncommand = "set \'it"', "6:1", "is not a command"),
        ('[setup.filter]\ncommand = "set"\ntimeout_seconds = 0', "7:1", "more than 0"),
        (
            '[setup.filter]\ncommand = "set {serail}"',
            "6:1",
            "{serail} is not a placeholder; use",
        ),
        (
            '[identify]\ncommand = "ask {value}"',
            "6:1",
            "{value} is not a placeholder; use {ser",
        ),
        (
            '[conditions]\ncommand = "ask {serial}"',
            "6:1",
            "{serial} is not a placeholder; nothing is filled in here",
        ),
        (
            '[loop]\nkind = "digital"\n[loop.close]\ncommand = "on {nest}"',
            "8:1",
            "{nest} is not a placeholder",
        ),
        ('[setup.Filter]\ncommand = "set"', "5:1", "is not a setting"),
        ("[setup.filter]\ntimeout_seconds = 3", "5:1", "is missing"),
    ],
)
def test_faults_of_a_station_config(tmp_path, table, place, words):
    path = tmp_path / "station.toml"
    path.write_text(f'format = 1\nstation = "bench"\ninterface = "simulated"\nmains_hz = 50\n{table}\n')
    with pytest.raises(FileFaults) as refused:
        load_station(path)
    assert any(
        f"{one.line}:{one.column}" == place and words in one.message for one in refused.value.faults
    ), [str(one) for one in refused.value.faults]


def test_a_command_finds_what_it_is_given_on_its_input():
    given = bytes(range(256)) * 4096
    code = "import hashlib, sys; print(hashlib.sha256(sys.stdin.buffer.read()).hexdigest())"
    ended = run_station_command(f"{sys.executable} -c '{code}'", {}, 20.0, given)
    assert (ended.status, ended.answer) == (0, hashlib.sha256(given).hexdigest())


@pytest.mark.parametrize("code", ["sleep 1000000", "exec <&-; sleep 1000000"])
def test_a_command_that_leaves_its_input_alone_is_ended_in_time(code):
    ended = run_station_command(f"sh -c '{code}'", {}, 0.3, b"x" * 1_000_000)
    assert (ended.status, "did not end within 0.3 s" in ended.why) == (None, True)
