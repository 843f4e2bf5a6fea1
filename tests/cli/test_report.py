"""``linecheck report``: pages as files, and what is said where there is nothing to make one of."""

import sys
import time
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner
from lxml import html
from made_runs import made_check, made_curve, made_reading, made_run
from needed import program

from linecheck.cli import COMMANDS, cli
from linecheck.cli import report as command
from linecheck.errors import ExitStatus, FileError, RecordError, UsageError
from linecheck.log import Log
from linecheck.report import interactive
from linecheck.report.pdf import write_pdf

pytestmark = pytest.mark.every_python

ROOT = Path(__file__).parents[2]
HOSTILE = '"><img src=x>'


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as opened:
        opened.append(made_run())
        opened.append(made_run(serial=HOSTILE))
    return path


def report(log, *arguments):
    """Call the command as the shell does; return its exit status and what it printed."""
    given = ["report", *map(str, arguments), "--log", str(log)]
    return CliRunner().invoke(cli, given, standalone_mode=False)


def test_the_command_is_listed():
    assert COMMANDS["report"][0] == "report:command"


def test_a_page_of_a_run_is_written_and_named(log, tmp_path):
    done = report(log, "PR3-004711", "--out", tmp_path / "new" / "page.html")
    assert (done.return_value, done.exception) == (ExitStatus.PASS, None)
    assert done.stdout == f"{tmp_path}/new/page.html\n"
    page = html.parse(tmp_path / "new" / "page.html")
    assert page.findtext(".//title") == "PASS: PR3-004711, pellow-r3"


def test_the_same_run_gives_the_same_bytes(log, tmp_path):
    for name in ("a.html", "b.html"):
        report(log, "PR3-004711", "--out", tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "error", "text"),
    [
        (("PR3-999999", "--out", "{}/a.html"), UsageError, "PR3-999999"),
        (("PR3-004711", "--out", "{}/log.sqlite"), FileError, "is an input of this command"),
        (("PR3-004711", "--out", "{}"), FileError, "it is a folder"),
        (("PR3-004711", "--out", "{}/a.pdf", "--pdf", "{}/a.pdf"), FileError, "give each a file of its own"),
        (("PR3-004711", "--out", "{}/a.pdf", "--pdf"), FileError, "give each a file of its own"),
        (
            ("PR3-004711", "--out", "{}/a.html", "--reference", "1", "--reference", "PR3-777777"),
            UsageError,
            "PR3-777777",
        ),
        (("{}/comparison.json", "--out", "{}/a.html", "--reference", "1"), UsageError, "has its sides"),
    ],
)
def test_a_mistake_is_said_and_leaves_nothing(log, tmp_path, arguments, error, text):
    before = log.read_bytes()
    done = report(log, *(argument.format(tmp_path) for argument in arguments))
    assert isinstance(done.exception, error)
    assert text in str(done.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["log.sqlite"]
    assert log.read_bytes() == before


@pytest.mark.parametrize("named", ["LINECHECK_LOG", "station", "default"])
def test_a_log_that_no_option_names_is_not_overwritten(log, tmp_path, monkeypatch, named):
    (tmp_path / "results").mkdir()
    place = tmp_path / "results" / "linecheck.sqlite"
    log.rename(place)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LINECHECK_LOG", raising=False)
    given = ["report", "PR3-004711", "--out", str(place)]
    if named == "LINECHECK_LOG":
        monkeypatch.setenv("LINECHECK_LOG", str(place))
    if named == "station":
        text = (ROOT / "station_configs" / "demo.toml").read_text(encoding="utf-8")
        (tmp_path / "station.toml").write_text(text, encoding="utf-8")
        given += ["--station", "station.toml"]
    before = place.read_bytes()
    done = CliRunner().invoke(cli, given, standalone_mode=False)
    assert isinstance(done.exception, FileError)
    assert "is an input of this command" in str(done.exception)
    assert place.read_bytes() == before


def test_a_capture_set_needs_a_limit_file(log, tmp_path):
    (tmp_path / "set").mkdir()
    (tmp_path / "set" / "captures.toml").write_text("")
    done = report(log, tmp_path / "set", "--out", tmp_path / "a.html")
    assert isinstance(done.exception, UsageError)
    assert "give --limits FILE" in str(done.exception)


def test_a_captures_own_file_is_not_overwritten(log, tmp_path):
    (tmp_path / "set").mkdir()
    wav = tmp_path / "set" / "tone.wav"
    wav.write_bytes(b"samples")
    done = report(log, tmp_path / "set", "--limits", "limits.yaml", "--out", wav)
    assert isinstance(done.exception, FileError)
    assert wav.read_bytes() == b"samples"


def test_without_a_browser_there_is_a_message_and_no_page(log, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("LINECHECK_CHROMIUM", raising=False)
    done = report(log, "PR3-004711", "--out", tmp_path / "a.html", "--pdf")
    assert isinstance(done.exception, UsageError)
    assert done.exception.exit_status == ExitStatus.WRONG_INPUT
    assert "LINECHECK_CHROMIUM" in str(done.exception)
    assert not (tmp_path / "a.html").exists()


def test_a_browser_that_is_named_wrongly_is_said(log, tmp_path, monkeypatch):
    monkeypatch.setenv("LINECHECK_CHROMIUM", "no-such-browser")
    done = report(log, "PR3-004711", "--out", tmp_path / "a.html", "--pdf")
    assert isinstance(done.exception, UsageError)
    assert "no-such-browser" in str(done.exception)


def test_a_page_is_printed(log, tmp_path, monkeypatch):
    monkeypatch.setenv("LINECHECK_CHROMIUM", program("chromium"))
    done = report(log, HOSTILE, "--out", tmp_path / "a.html", "--pdf")
    assert done.exception is None
    assert done.stdout.splitlines() == [f"{tmp_path}/a.html", f"{tmp_path}/a.pdf"]
    content = (tmp_path / "a.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert content.rstrip().endswith(b"%%EOF")


def made_program(folder, body):
    """Return a program in place of the browser."""
    path = folder / "browser"
    path.write_text(f"#!{sys.executable}\n{body}")
    path.chmod(0o755)
    return str(path)


def test_a_browser_that_prints_nothing_is_said(tmp_path):
    broken = made_program(tmp_path, "import sys; sys.exit('the display is gone')")
    with pytest.raises(RecordError, match="the display is gone"):
        write_pdf("<p>", tmp_path / "a.pdf", program=broken)
    assert not (tmp_path / "a.pdf").exists()


def test_a_browser_that_hangs_is_ended_with_all_that_it_started(tmp_path):
    noted = tmp_path / "child"
    hanging = made_program(
        tmp_path,
        f"import subprocess, time\nchild = subprocess.Popen(['sleep', '60'])\n"
        f"open({str(noted)!r}, 'w').write(str(child.pid))\ntime.sleep(60)",
    )
    with pytest.raises(RecordError, match="not printed within"):
        write_pdf("<p>", tmp_path / "a.pdf", program=hanging, seconds=1.5)
    child = int(noted.read_text())
    for _ in range(50):
        if not _lives(child):
            break
        time.sleep(0.05)
    assert not _lives(child)


def _lives(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().split()[2] != "Z"
    except OSError:
        return False


def test_an_interactive_page_runs_its_own_scripts_and_its_pdf_none(log, tmp_path, monkeypatch):
    printed = []
    monkeypatch.setattr(command, "browser", lambda: "chromium")
    monkeypatch.setattr(command, "write_pdf", lambda text, path, program: printed.append(text))
    with Log(log) as opened:
        opened.append(made_run(made_check(made_reading(), made_curve(points=50)), serial="PR3-000001"))
    done = report(log, "PR3-000001", "--out", tmp_path / "page.html", "--interactive", "--pdf")
    assert (done.return_value, done.exception) == (ExitStatus.PASS, None)
    assert "script-src 'sha256-" in unescape((tmp_path / "page.html").read_text("utf-8"))
    assert "<script" not in printed[0]


def test_a_page_without_a_figure_has_nothing_to_run(log, tmp_path):
    with Log(log) as opened:
        opened.append(made_run(made_check(made_reading()), serial="PR3-000001"))
    assert report(log, "PR3-000001", "--out", tmp_path / "page.html", "--interactive").return_value == 0
    assert "<script" not in (tmp_path / "page.html").read_text("utf-8")


def test_without_the_library_an_interactive_page_is_refused_before_anything_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(interactive, "find_spec", lambda _: None)
    done = report("nowhere", "nowhere", "--out", tmp_path / "page.html", "--interactive")
    assert isinstance(done.exception, UsageError)
    assert "pip install 'linecheck[interactive]'" in str(done.exception)
    assert not list(tmp_path.iterdir())
