"""Signing what was compared, and countersigning it, as QA would from a shell."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from made_comparisons import DIGEST, made_comparison, made_side
from station_keys import made_keys

from linecheck.cli import main
from linecheck.history.comparison import file as comparison_file
from linecheck.history.comparison.file import write_comparison
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader

pytestmark = pytest.mark.every_python

SIGN = (
    "--by",
    "Q. Engineer",
    "--role",
    "QA engineer",
    "--decision",
    "accept",
    "--reason",
    "No audible loss.",
)
OTHER = ("--by", "P. Manager", "--role", "product manager", "--reason", "Agreed.")


@pytest.fixture
def linecheck(monkeypatch, capsys, tmp_path):
    """Run a command as a user would; return its exit status, standard output and standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LINECHECK_LOG", raising=False)

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["linecheck", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert not set(out + err) & set("\x1b\x07\u202e")
        return end.value.code, out, err

    return run


@pytest.fixture
def compared(monkeypatch):
    """Let every comparison that is loaded be this one; return what it is changed with."""
    current = {"comparison": made_comparison()}
    monkeypatch.setattr(comparison_file, "load_comparison", lambda reference: current["comparison"])
    return lambda comparison: current.update(comparison=comparison)


@pytest.mark.parametrize("named", ["compared", "compared/comparison.json"])
def test_a_comparison_is_named_by_its_folder_or_its_file(linecheck, tmp_path, named):
    written = write_comparison(tmp_path / "compared", made_comparison())
    status, out, _ = linecheck("signoff", named, *SIGN)
    assert status == 0
    assert written.digest in out
    with LogReader(tmp_path / "results" / "linecheck.sqlite") as log:
        assert [entry.comparison.digest for entry in log.signoffs(digest=written.digest)] == [written.digest]
    status, _, err = linecheck("signoff", "", *SIGN)
    assert (status, err) == (
        2,
        "linecheck: COMPARISON: is no path; give the folder that `linecheck compare` has written\n",
    )


def test_a_sign_off_is_signed_by_the_station_and_counts_for_nothing_without_its_key(
    linecheck, compared, tmp_path
):
    private, public = made_keys(tmp_path)
    config = tmp_path / "station.toml"
    config.write_text(
        'format = 1\nstation = "demo"\ninterface = "simulated"\nmains_hz = 50\n'
        f'[sign]\nkey = "{private}"\n[records]\ndatabase = "log.sqlite"\n'
    )
    assert linecheck("signoff", "x", "--station", config, *SIGN)[0] == 0
    assert linecheck("countersign", 1, "--station", config, *OTHER)[0] == 0
    status, _, err = linecheck("signoff", "x", "--log", "log.sqlite", *SIGN)
    assert (status, "the records of this log are signed" in err) == (2, True)
    status, out, _ = linecheck("log", "verify", "--log", "log.sqlite", "--public-key", public)
    assert (status, "signatures verified: records 1 to 2" in out) == (0, True)


def test_a_comparison_that_was_changed_is_not_signed(linecheck, tmp_path):
    write_comparison(tmp_path / "compared", made_comparison())
    file = tmp_path / "compared" / "comparison.json"
    changed = file.read_text(encoding="utf-8").replace("loses 2.6 dB", "loses 0.6 dB")
    file.write_text(changed, encoding="utf-8")
    status, _, err = linecheck("signoff", "compared", *SIGN)
    assert status == 2
    assert "is not what `linecheck compare` has written: compare again" in err
    assert not (tmp_path / "results").exists()


def test_signing_makes_the_log_and_says_the_new_head(linecheck, compared, tmp_path):
    status, out, err = linecheck("signoff", "compared", *SIGN)
    assert (status, err) == (0, "")
    with LogReader(tmp_path / "results" / "linecheck.sqlite") as log:
        head = log.head()
        assert log.verify().records == 1
    assert out.splitlines() == [
        "sign-off 1: ACCEPT by Q. Engineer, QA engineer",
        f"head {head}",
        f"compared: A PR3-000001, B PR3-000001; 1 finding; {DIGEST}",
        "No verdict was changed: the signature stands beside them in the log.",
    ]
    status, out, _ = linecheck("log", "verify", "--head", head)
    assert status == 0
    assert "1 records verified" in out
    assert linecheck("log", "list")[:2] == (0, "no such run is in the log\n")


def test_accepting_despite_a_verdict_is_warned_of_and_recorded(linecheck, compared):
    compared(
        made_comparison(
            made_side("A"),
            made_side("B", Verdict.FAIL),
            made_side("C", Verdict.INVALID),
            made_side("D", held=True),
        )
    )
    status, _, err = linecheck("signoff", "compared", *SIGN)
    assert status == 0
    assert err == (
        "linecheck: warning: accepted although side B (PR3-000001) is FAIL: the record says so\n"
        "linecheck: warning: accepted although side C (PR3-000001) is INVALID: the record says so\n"
        "linecheck: warning: accepted although side D (PR3-000001) is HOLD: the record says so\n"
    )
    assert "ACCEPT despite B: fail, C: invalid, D: hold" in linecheck("log", "signoffs")[1]
    status, _, err = linecheck("signoff", "compared", *SIGN, "--decision", "reject")
    assert (status, err) == (0, "")
    assert "REJECT  " in linecheck("log", "signoffs")[1]


def test_what_was_compared_is_not_trusted(linecheck, compared):
    nasty = "\x1b]0;owned\x07\u202e"
    compared(made_comparison(made_side("A", serial=nasty, reference=nasty), made_side(nasty, Verdict.FAIL)))
    status, out, err = linecheck("signoff", "compared", *SIGN)
    assert status == 0
    assert r"\x1b]0;owned\x07\u202e" in out
    assert r"\x1b]0;owned\x07\u202e" in err
    assert r"\x1b]0;owned\x07\u202e" in linecheck("log", "signoffs")[1]


def test_signoffs_are_countersigned_and_listed(linecheck, compared):
    assert linecheck("log", "signoffs")[0] == 2
    linecheck("signoff", "compared", *SIGN)
    status, out, err = linecheck("countersign", "1", *OTHER)
    assert (status, err) == (0, "")
    assert out.splitlines()[0] == "countersignature 2 of sign-off 1: ACCEPT by P. Manager, product manager"
    assert out.splitlines()[1].startswith("head 2:")
    linecheck("signoff", "compared", *SIGN)
    listed = linecheck("log", "signoffs")[1].splitlines()
    assert listed[0].split() == [
        "record",
        "signed",
        "decision",
        "by",
        "reason",
        "compared",
        "countersigned",
        "by",
    ]
    assert [line.split()[0] for line in listed[1:]] == ["3", "1"]
    assert listed[1].endswith("–")
    assert listed[2].endswith("P. Manager, product manager: accept: Agreed. (record 2)")
    assert "  No audible loss.  " in listed[2]
    assert "A: PR3-000001 (results/PR3-000001-sharp), B: PR3-000001 (results/PR3-000001-slow)" in listed[2]
    assert [
        line.split()[0] for line in linecheck("log", "signoffs", "--before", "3")[1].splitlines()[1:]
    ] == ["1"]
    assert len(linecheck("log", "signoffs", "--limit", "1")[1].splitlines()) == 2


def test_a_second_person_may_contradict(linecheck, compared):
    linecheck("signoff", "compared", *SIGN)
    status, out, _ = linecheck("countersign", "1", *OTHER, "--decision", "reject")
    assert status == 0
    assert "REJECT by P. Manager" in out


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (
            ("1", *OTHER, "--by", "q. engineer"),
            "was signed by Q. Engineer: somebody else must countersign it",
        ),
        (("2", *OTHER), "record 2 is no sign-off"),
        (("99", *OTHER), "record 99 is no sign-off"),
        (("0", *OTHER), "0 is not in the range"),
        (("9" * 30, *OTHER), "is not in the range"),
        (("one", *OTHER), "'one' is not a valid integer"),
        (("1", *OTHER, "--by", " "), "the name (by): is empty"),
        (("1", *OTHER, "--by", "P. Man\x1bager"), "U+001B"),
        (("1", *OTHER, "--role", "\u202e"), "the role: has the character U+202E"),
        (("1", *OTHER, "--reason", "x" * 3000), "the reason: has 3000 characters, expected at most 2000"),
        (("1", *OTHER, "--decision", "maybe"), "'maybe' is not one of"),
        (("1", "--by", "P. Manager", "--reason", "x"), "Missing option '--role'"),
        (("1", *OTHER, "--log", "elsewhere.sqlite"), "there is no log of that name"),
        (("1", *OTHER, "--log", "a", "--station", "b"), "give --log or --station, not both"),
    ],
)
def test_countersigning_what_cannot_be(linecheck, compared, tmp_path, arguments, reason):
    linecheck("signoff", "compared", *SIGN)
    linecheck("countersign", "1", "--by", "H. Head", "--role", "head of QA", "--reason", "Agreed.")
    status, out, err = linecheck("countersign", *arguments)
    assert (status, out) == (2, "")
    assert reason in err
    assert linecheck("log", "head")[1].startswith("2:")
    assert not (tmp_path / "elsewhere.sqlite").exists()


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        (("--by", ""), "the name (by): is empty"),
        (("--reason", "two\nlines"), "U+000A"),
        (("--role", "r" * 81), "the role: has 81 characters"),
        (("--decision", "perhaps"), "'perhaps' is not one of"),
        (("--station", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_signing_badly_records_nothing(linecheck, compared, tmp_path, changes, reason):
    status, out, err = linecheck("signoff", "compared", *SIGN, *changes)
    assert (status, out) == (2, "")
    assert reason in err
    assert not (tmp_path / "results").exists()


def test_a_log_in_trouble_is_no_mistake_of_the_user(linecheck, compared, tmp_path, monkeypatch):
    path = tmp_path / "log.sqlite"
    with Log(path):
        pass
    monkeypatch.setattr("linecheck.log.store.BUSY_SECONDS", 0.2)
    monkeypatch.setattr(Log.__init__, "__kwdefaults__", {**Log.__init__.__kwdefaults__, "busy_seconds": 0.2})
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        status, out, err = linecheck("signoff", "compared", *SIGN, "--log", path)
    assert (status, out) == (3, "")
    assert "another program holds the log locked" in err


def test_help_needs_no_database_driver():
    code = (
        "import sys, linecheck.cli.signoff\nassert not {'sqlalchemy', 'numpy', 'sqlite3'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env=dict(os.environ))


def test_a_report_shows_what_was_signed_without_a_log_being_named(linecheck, tmp_path):
    write_comparison(tmp_path / "compared", made_comparison())
    linecheck("report", "compared", "--out", "before.html")
    linecheck("signoff", "compared", *SIGN)
    status, _, err = linecheck("report", "compared", "--out", "after.html")
    assert (status, err) == (0, "")
    pages = [(tmp_path / name).read_text(encoding="utf-8") for name in ("before.html", "after.html")]
    assert ["No audible loss." in page for page in pages] == [False, True]


def test_a_page_says_where_sign_offs_were_looked_up_and_is_the_same_when_it_is_made_again(
    linecheck, tmp_path
):
    write_comparison(tmp_path / "compared", made_comparison())

    def page(*options):
        assert linecheck("report", "compared", "--out", "page.html", *options)[0] == 0
        return (tmp_path / "page.html").read_text(encoding="utf-8")

    default = "results/linecheck.sqlite"
    assert f"Sign-offs: not looked up: there is no log {default}." in page()
    assert linecheck("signoff", "compared", *SIGN)[0] == 0
    signed = page()
    assert f"Sign-offs: 1 in {default}." in signed
    assert "Accepted by Q. Engineer, QA engineer" in signed
    assert page() == signed
    with Log(tmp_path / "other.sqlite"):
        pass
    assert "Sign-offs: none in other.sqlite." in page("--log", "other.sqlite")
    assert "<details open>" in page("--all")
    assert "<details open>" not in signed
