import os
import pty
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace

import forked_linecheck as forked
import pytest
from made_runs import made_check, made_curve, made_reading, made_run, runs_of_every_verdict
from station_keys import made_keys, other_keys

from linecheck.checks.base import Problem
from linecheck.cli.log import filters as run_filter_options
from linecheck.cli.options import DEFAULT_LOG
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.log.station_key import StationKey
from linecheck.run.model import HOLD, SettingStep
from linecheck.station.config.station import RecordsConfig

pytestmark = pytest.mark.every_python

STATION = """
format = 1
station = "demo"
interface = "simulated"
mains_hz = 50
[records]
database = "elsewhere/log.sqlite"
"""


@pytest.fixture
def path(tmp_path, monkeypatch):
    """Return a log with a run of every verdict, which is also where a log is looked for by default."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LINECHECK_LOG", raising=False)
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
    return path


def test_the_log_is_where_a_station_config_puts_it_by_default():
    assert RecordsConfig().database == DEFAULT_LOG


def test_the_verdicts_on_offer_are_those_that_there_are():
    assert set(run_filter_options.VERDICTS) == {*Verdict, HOLD}


def test_list_shows_the_newest_first(linecheck, path):
    status, out, err = linecheck("log", "list")
    heading, *rows = out.splitlines()
    assert (status, err) == (0, "")
    assert heading.split()[0] == "record"
    assert [row.split()[0] for row in rows] == ["5", "4", "3", "2", "1"]
    assert [row.split()[7] for row in rows] == ["ABORTED", "INVALID", "FAIL", "MARGINAL", "PASS"]
    assert "2026-11-20 08:15:12" in rows[0]
    assert "PR3-004711" in rows[0]
    assert not any(row.endswith(" ") for row in rows)


def test_list_filters_and_pages(linecheck, path):
    def listed(*options):
        _, out, _ = linecheck("log", "list", *options)
        return [row.split()[0] for row in out.splitlines()[1:]]

    assert listed("--limit", 2) == ["5", "4"]
    assert listed("--limit", 2, "--before", 4) == ["3", "2"]
    assert listed("--verdict", "fail") == ["3"]
    assert listed("--serial", "PR3-004711", "--model", "pellow-r3") == ["5", "4", "3", "2", "1"]
    assert linecheck("log", "list", "--serial", "' OR 1=1")[:2] == (0, "no such run is in the log\n")


def test_show_says_what_failed_and_every_reading(linecheck, path):
    status, out, _ = linecheck("log", "show", "PR3-004711")
    assert status == 0
    attempts = [line for line in out.splitlines() if line.startswith("PR3-004711")]
    assert attempts[0] == "PR3-004711  attempt 5: ABORTED  (record 5)"
    assert attempts[-1] == "PR3-004711  attempt 1: PASS  (record 1)"
    assert "  - tone sinad left fails: 105.3 dB, below the pass limit of 112 dB" in out
    assert "  - tone left: the sound broke off at 0.31 s" in out
    assert "  - the check quiet was not run" in out
    rows = [line.split() for line in out.splitlines()]
    assert ["tone", "sinad", "left", "105.3", "dB", "0.03", "FAIL", "≥", "112", "-6.7", "108"] in rows
    assert any(row[:5] == ["tone", "spectrum", "at", "20000", "Hz"] for row in rows)


def test_show_says_what_is_a_bound_and_how_the_unit_was_set(linecheck, path):
    item = made_reading(value=125.0)
    bound = replace(item, reading=replace(item.reading, is_bound=True))
    steps = (
        SettingStep("filter", "slow", "command", True, 0.25, "tone@filter=slow", "filter is slow"),
        SettingStep("input", "usb", "operator", False, 3.5, "tone@filter=slow", "nobody answered"),
    )
    with Log(path) as log:
        log.append(made_run(made_check(bound, made_reading(channel="right")), serial="PR3-7", settings=steps))
    _, out, _ = linecheck("log", "show", "PR3-7")
    assert "  set for tone@filter=slow: filter slow (command)\n" in out
    assert "  set for tone@filter=slow: input usb (operator): not made\n" in out
    assert " 125 or better  dB" in out
    assert "113.2 or better" not in out


def test_show_of_one_model_only(linecheck, path):
    with Log(path) as log:
        log.append(replace(made_run(), model="pellow-r4"))
    _, out, _ = linecheck("log", "show", "PR3-004711", "--model", "pellow-r4")
    assert out.count("attempt") == 1


def test_show_of_a_unit_that_was_never_tested(linecheck, path):
    status, out, err = linecheck("log", "show", "PR3-999999")
    assert (status, out) == (2, "")
    assert err.startswith(f"linecheck: {path}: there is no run PR3-999999 in the log: give a run")


@pytest.mark.parametrize("serial", ["PR3\x1d\x1b[31m", "PR3\udcff", "x" * 65, "x" * 100_000, "", "../../etc"])
def test_a_serial_number_is_not_trusted(linecheck, path, serial):
    for arguments in (("show", serial), ("list", "--serial", serial)):
        status, out, err = linecheck("log", *arguments)
        assert status == 2 or out == "no such run is in the log\n"
        assert not set(out + err) & {"\x1d", "\x1b", "\udcff"}
        assert len(err) < 500


def test_what_is_in_the_log_is_not_trusted_either(linecheck, path):
    nasty = "\x1b]0;owned\x07[bold]\u202e"
    run = made_run(
        made_check(made_reading(unit=nasty), made_curve(), name=nasty, problems=(Problem("x", nasty),)),
        operator=nasty,
        firmware=nasty,
        station=nasty,
        serial="odd",
    )
    with Log(path) as log:
        log.append(run)
    for arguments in (("list",), ("show", "odd")):
        status, out, _ = linecheck("log", *arguments)
        assert status == 0
        assert r"\x1b]0;owned\x07[bold]\u202e" in out
        assert not set(out) & set(nasty[:1] + "\x07\u202e")


def test_verify_of_an_untouched_log(linecheck, path):
    _, head, _ = linecheck("log", "head")
    assert head.startswith("5:")
    assert len(head) == 2 + 64 + 1
    status, out, _ = linecheck("log", "verify")
    assert status == 0
    assert "5 records verified" in out
    assert "no head was given" in out
    status, out, _ = linecheck("log", "verify", "--head", head.strip())
    assert status == 0
    assert "no head was given" not in out


def test_verify_of_a_log_that_was_changed(linecheck, path):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER run_keeps_on_update")
        connection.execute("UPDATE run SET verdict = 'pass' WHERE sequence = 3")
    status, out, err = linecheck("log", "verify")
    assert (status, out) == (3, "")
    assert err == (
        f"linecheck: {path}: does not verify: record 3 has been changed since it was stored: "
        "it does not match its hash (the 2 before it are as stored)\n"
        f"{path}: the trigger run_keeps_on_update is missing\n"
    )


def test_verify_of_a_log_of_which_only_a_guard_is_missing(linecheck, path):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER run_keeps_on_update")
    status, out, err = linecheck("log", "verify")
    assert (status, out) == (3, "")
    first, second = err.splitlines()
    assert "its 5 records are as stored, but what is beside them is not" in first
    assert second == f"{path}: the trigger run_keeps_on_update is missing"


def test_signatures_are_verified_against_the_public_key_of_the_station(linecheck, path, tmp_path):
    private, public = made_keys(tmp_path)
    with Log("signed.sqlite", key=StationKey(private)) as log:
        log.append(made_run())
    status, out, _ = linecheck("log", "verify", "--log", "signed.sqlite")
    assert status == 0
    assert "1 of them are signed: --public-key verifies the signatures" in out
    status, out, _ = linecheck("log", "verify", "--log", "signed.sqlite", "--public-key", public)
    assert status == 0
    assert "signatures verified: records 1 to 1" in out
    assert "no public key was given" not in out
    other = other_keys(tmp_path)[1]
    status, _, err = linecheck("log", "verify", "--log", "signed.sqlite", "--public-key", other)
    assert status == 3
    assert "record 1 is signed by none of the public keys" in err
    status, _, err = linecheck("log", "verify", "--log", "signed.sqlite", "--signed-from", "2")
    assert status == 2
    assert "--signed-from goes with --public-key" in err


def test_verify_against_a_head_shows_a_cut_tail(linecheck, path):
    with Log(path) as log:
        shutil.copy(path, path.with_name("shorter.sqlite"))
        log.append(made_run())
        noted = log.head()
    status, _, err = linecheck("log", "verify", "--log", path.with_name("shorter.sqlite"), "--head", noted)
    assert status == 3
    assert "record 6 was noted: records were cut off at its end" in err


@pytest.mark.parametrize(
    "head", ["", "5", "5:abc", "x:" + "0" * 64, "-1:" + "0" * 64, "5:" + "0" * 65, "\x1b" * 200]
)
def test_verify_against_something_that_is_no_head(linecheck, path, head):
    status, _, err = linecheck("log", "verify", "--head", head)
    assert status == 2
    assert "is no head" in err
    assert "\x1b" not in err


def test_a_wrong_head_shows_a_log_written_anew(linecheck, path):
    status, _, err = linecheck("log", "verify", "--head", "5:" + "0" * 64)
    assert status == 3
    assert "the log was written anew" in err


def test_an_empty_log(linecheck, path):
    with Log("empty.sqlite"):
        pass
    assert linecheck("log", "head", "--log", "empty.sqlite")[:2] == (0, f"0:{'0' * 64}\n")
    assert linecheck("log", "verify", "--log", "empty.sqlite")[0] == 0
    assert linecheck("log", "list", "--log", "empty.sqlite")[:2] == (0, "no such run is in the log\n")


def test_which_log_is_meant(linecheck, path, tmp_path, monkeypatch):
    for name in ("by-option", "by-environment", "elsewhere/log"):
        with Log(tmp_path / f"{name}.sqlite") as log:
            log.append(made_run(serial=name))
    (tmp_path / "station.toml").write_text(STATION)

    def listed(*options):
        return linecheck("log", "list", *options)[1].splitlines()[-1].split()[4]

    assert listed() == "PR3-004711"
    monkeypatch.setenv("LINECHECK_LOG", str(tmp_path / "by-environment.sqlite"))
    assert listed() == "by-environment"
    assert listed("--log", tmp_path / "by-option.sqlite") == "by-option"
    assert listed("--station", tmp_path / "station.toml") == "elsewhere/log"
    status, _, err = linecheck("log", "list", "--log", "x", "--station", "y")
    assert (status, err) == (2, "linecheck: give --log or --station, not both\n")


def test_a_log_that_is_not_there(linecheck, path):
    for command in (("list",), ("verify",), ("head",), ("show", "PR3-004711")):
        status, out, err = linecheck("log", *command, "--log", "nowhere.sqlite")
        assert (status, out) == (2, "")
        assert "there is no log of that name" in err


def test_a_log_that_is_a_text_file(linecheck, path, tmp_path):
    (tmp_path / "notes.txt").write_text("serial,verdict\n" * 100)
    status, _, err = linecheck("log", "verify", "--log", "notes.txt")
    assert status == 2
    assert "is not an SQLite database" in err


def test_on_a_terminal_a_table_is_framed_and_without_colour(path):
    environment = {"TERM": "xterm-256color", "COLUMNS": "120", "NO_COLOR": "1"}
    ours, theirs = pty.openpty()
    assert forked.run(".", "log", "list", "--log", path, stdout=theirs, environment=environment)[0] == 0
    os.close(theirs)
    out = b""
    while chunk := read_terminal(ours):
        out += chunk
    os.close(ours)
    text = out.decode()
    assert "┃" in text
    assert "PR3-004711" in text
    assert not re.search("\x1b\\[(?!0?m|1m)", text)


def read_terminal(handle):
    """Return what a terminal shows next; nothing once its other side is closed."""
    try:
        return os.read(handle, 65536)
    except OSError:
        return b""


def test_a_terminal_without_unicode_is_no_traceback(path):
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    command = [sys.executable, "-m", "linecheck", "log", "show", "PR3-004711", "--log", str(path)]
    done = subprocess.run(command, capture_output=True, env=environment, check=True, timeout=60)
    assert rb"\u2265 112" in done.stdout


def test_help_needs_no_database_driver():
    code = (
        "import sys; sys.argv = ['linecheck', 'log', '--help']\n"
        "from linecheck.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "assert not {'sqlalchemy', 'numpy', 'scipy', 'rich'} & set(sys.modules), 'slow to start'"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert "verify" in done.stdout
