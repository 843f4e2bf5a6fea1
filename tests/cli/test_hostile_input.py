"""What a factory, a full disk or an attacker puts before the commands: words and an exit status, never a pass.

Everything here is a process of its own, as a station starts it: files that are none, links that lead astray,
serial numbers that are none, disks that fill up or cannot be written to.
"""

import json
import os
import socket
import sqlite3
from contextlib import closing
from xml.etree import ElementTree

import numpy as np
import pytest
from forked_linecheck import run, start
from small_run import CAPTURE_RATE_HZ, LIMITS, STATION, write_small_files, write_small_set

from linecheck.audio.file import write_audio
from linecheck.captures.capture_set import INDEX_NAME
from linecheck.files.durable import TEMPORARY_SUFFIX
from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader

UNIT = ("--serial", "PR3-004711")
DATABASE = "results/linecheck.sqlite"
LFS_POINTER = b"version https://git-lfs.github.com/spec/v1\noid sha256:" + b"0" * 64 + b"\nsize 9\n"

#: More address space than a run takes, and much less than what is refused here would fill.
MAX_MEMORY_BYTES = 2 << 30


def linecheck(folder, *arguments, **how):
    """Run a command; return exit status, standard output and standard error, in which nothing is invisible."""
    return checked(*run(folder, *arguments, address_space=MAX_MEMORY_BYTES, **how))


def ended(process):
    out, err = process.communicate()
    return checked(process.returncode, out, err)


def checked(status, out, err):
    out, err = out.decode(), err.decode()
    assert "Traceback" not in out + err
    assert (out + err).replace("\n", "").isprintable()
    return status, out, err


@pytest.fixture
def station(tmp_path):
    """The arguments that name a small station and limit file, in an empty folder."""
    return write_small_files(tmp_path)


@pytest.fixture
def captures(station, tmp_path):
    """A capture set of a good unit."""
    return write_small_set(tmp_path / "set")


def logged(folder):
    """Return the runs of a log that verifies."""
    with LogReader(folder / DATABASE) as log:
        assert log.verify().intact
        return log.runs()


def whole_results(folder):
    """Return the verdict of every result, having looked whether it is whole, and JUnit too."""
    for path in folder.rglob("*.xml"):
        assert ElementTree.parse(path).getroot().tag == "testsuites"
    return [json.loads(path.read_text(encoding="utf-8"))["verdict"] for path in folder.rglob("*.json")]


# Files that are none


def put_fifo(path):
    os.mkfifo(path)


def put_zeros(path):
    path.symlink_to("/dev/zero")


def put_socket(path):
    with socket.socket(socket.AF_UNIX) as opened:
        before = os.getcwd()
        os.chdir(path.parent)  # the path of a socket is short by law
        try:
            opened.bind(path.name)
        finally:
            os.chdir(before)


def put_ten_megabytes(path):
    path.write_bytes(b"a: b\n" * 2_000_000)


def put_six_gigabytes(path):
    with open(path, "wb") as stream:
        stream.truncate(6 << 30)  # a hole: it takes no room on the disk


def put_lfs_pointer(path):
    path.write_bytes(LFS_POINTER)


def put_binary(path):
    path.write_bytes(bytes(range(256)) * 100)


NO_FILES = {
    "folder": (os.mkdir, "folder|no regular file"),
    "fifo": (put_fifo, "is no regular file"),
    "zeros": (put_zeros, "is no regular file"),
    "socket": (put_socket, "is no regular file"),
    "ten_megabytes": (put_ten_megabytes, "at most 1 MiB|longer than"),
    "six_gigabytes": (put_six_gigabytes, "at most 1 MiB|longer than"),
    "lfs_pointer": (put_lfs_pointer, "git lfs pull"),
    "binary": (put_binary, "not UTF-8|binary"),
    "missing": (lambda path: None, "no such file"),
}


def says(text, words):
    return any(word in text for word in words.split("|"))


def test_what_is_no_limit_file_is_refused_at_once_and_in_words(tmp_path):
    for name, (put, _) in NO_FILES.items():
        put(tmp_path / name)
    status, out, err = linecheck(tmp_path, "limits", "check", *NO_FILES)
    assert (status, out) == (2, "")
    told = {line.split(":")[0]: line for line in err.splitlines()}
    assert told.keys() == NO_FILES.keys()
    for name, (_, words) in NO_FILES.items():
        assert says(told[name], words), told[name]


@pytest.mark.parametrize("name", ["fifo", "zeros"])
def test_no_command_hangs_at_what_is_no_limit_file_or_builds_on_one(station, tmp_path, captures, name):
    put, words = NO_FILES[name]
    put(tmp_path / "bad.yaml")
    (tmp_path / "over.yaml").write_text(f"based_on: bad.yaml\n{LIMITS}", encoding="utf-8")
    for arguments in (
        ("run", *station[:2], "--limits", "bad.yaml", *UNIT),
        ("judge", captures, "--limits", "bad.yaml"),
        ("stimuli", "--limits", "bad.yaml", "--out", "play"),
        ("limits", "check", "over.yaml"),
    ):
        status, out, err = linecheck(tmp_path, *arguments)
        assert (status, out) == (2, "")
        assert says(err, words), err
    assert not (tmp_path / "results").exists()
    assert not (tmp_path / "play").exists()


@pytest.mark.parametrize("name", sorted(NO_FILES.keys() - {"ten_megabytes", "socket"}))
def test_what_is_no_station_config_is_refused(station, tmp_path, name):
    put, words = NO_FILES[name]
    put(tmp_path / "bad.toml")
    status, out, err = linecheck(tmp_path, "run", "--station", "bad.toml", *station[2:], *UNIT)
    assert (status, out) == (2, "")
    assert says(err, words), err
    assert not (tmp_path / "results").exists()


@pytest.mark.parametrize("name", ["fifo", "zeros", "ten_megabytes", "lfs_pointer", "binary", "folder"])
def test_what_is_no_index_of_captures_is_refused(captures, tmp_path, name):
    put, words = NO_FILES[name]
    (captures / INDEX_NAME).unlink()
    put(captures / INDEX_NAME)
    status, out, err = linecheck(tmp_path, "judge", captures, "--limits", "limits.yaml", "--json", "r.json")
    assert (status, out) == (2, "")
    assert says(err, words), err
    assert not (tmp_path / "r.json").exists()


def test_what_is_no_log_is_refused(station, tmp_path):
    for name in ("folder", "fifo", "zeros", "lfs_pointer", "binary"):
        NO_FILES[name][0](tmp_path / name)
        status, out, err = linecheck(tmp_path, "log", "verify", "--log", name)
        assert (status, out) == (2, "")
        assert says(err, "is a folder or a device|is not an SQLite database"), err


def test_results_go_to_no_device(station, tmp_path):
    put_fifo(tmp_path / "pipe")
    for arguments in (("--json", "pipe"), ("--junit", "/dev/zero"), ("--out", "pipe"), ("--json", ".")):
        status, out, err = linecheck(tmp_path, "run", *station, *UNIT, *arguments)
        assert (status, out) == (2, "")
        assert says(err, "it is a device|cannot be made a folder|names no file"), err
    assert not (tmp_path / DATABASE).exists()


# Capture sets

#: What lies in a set under a name, how it comes there, and what is said of it.
BAD_CAPTURES = {
    "../../../../../../../../etc/passwd": (None, "is not a plain file name"),
    "/etc/passwd": (None, "is not a plain file name"),
    "..": (None, "is not a plain file name"),
    "tone.wav\\u0000": (None, "is not a plain file name"),
    "tone\\u202Evaw.wav": (None, "is not a plain file name"),
    "out.wav": (lambda path: path.symlink_to("/etc/passwd"), "a link that leads out of the set"),
    "zeros.wav": (put_zeros, "a link that leads out of the set"),
    "round.wav": (lambda path: path.symlink_to(path), "a broken link|no such file"),
    "fifo.wav": (put_fifo, "is no regular file"),
    "socket.wav": (put_socket, "is no regular file"),
    "folder.wav": (os.mkdir, "is no regular file"),
    "lfs.wav": (put_lfs_pointer, "git lfs pull"),
    "empty.wav": (lambda path: path.write_bytes(b""), "is empty"),
    "text.wav": (lambda path: path.write_bytes(b"<script>alert(1)</script>"), "neither WAV nor FLAC"),
    "long.wav": (put_six_gigabytes, "neither WAV nor FLAC"),
    "missing.wav": (None, "no such file"),
}


def set_of(folder, files):
    """Write the index of a set of these files, and return the line of each one's name."""
    lines = ["format = 1", 'model = "pellow-r3"', 'serial = "PR3-004711"']
    places = {}
    for number, name in enumerate(files):
        lines += ["[[capture]]", f'check = "c{number}"', f'file = "{name}"']
        places[name] = len(lines)
    (folder / INDEX_NAME).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return places


def test_files_that_are_no_captures_or_lead_out_of_the_set_are_refused_at_their_lines(station, tmp_path):
    folder = tmp_path / "set"
    folder.mkdir()
    for name, (put, _) in BAD_CAPTURES.items():
        if put is not None:
            put(folder / name)
    places = set_of(folder, BAD_CAPTURES)
    status, out, err = linecheck(tmp_path, "judge", "set", "--limits", "limits.yaml", "--json", "r.json")
    assert (status, out) == (2, "")
    assert "root:" not in err
    told = {int(line.split(":")[1]): line for line in err.removeprefix("linecheck: ").splitlines()}
    for name, (_, words) in BAD_CAPTURES.items():
        assert says(told[places[name]], words), told[places[name]]
    assert len(told) == len(BAD_CAPTURES)
    assert not (tmp_path / "r.json").exists()


def test_a_capture_cut_off_anywhere_is_refused(station, captures, tmp_path):
    content = (captures / "tone.wav").read_bytes()
    lengths = [*range(1, 80, 3), len(content) // 2, len(content) - 1]
    for length in lengths:
        (captures / f"cut-{length}.wav").write_bytes(content[:length])
    places = set_of(captures, [f"cut-{length}.wav" for length in lengths])
    status, out, err = linecheck(tmp_path, "judge", captures, "--limits", "limits.yaml")
    assert (status, out) == (2, "")
    told = [int(line.split(":")[1]) for line in err.removeprefix("linecheck: ").splitlines()]
    assert told == list(places.values())


def test_a_capture_of_no_numbers_is_invalid(station, captures, tmp_path):
    samples = np.full((20_000, 2), np.nan, dtype=np.float32)
    write_audio(captures / "nan.wav", samples, CAPTURE_RATE_HZ, None)
    index = captures / INDEX_NAME
    lines = index.read_text(encoding="utf-8").replace("tone.wav", "nan.wav").splitlines()
    index.write_text("\n".join(line for line in lines if "sha256" not in line), encoding="utf-8")
    status, out, _ = linecheck(tmp_path, "judge", captures, "--limits", "limits.yaml", "--json", "r.json")
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    assert "not finite" in out
    assert whole_results(tmp_path) == ["invalid"]


# Serial numbers

BAD_SERIALS = [
    "PR3-004711\x1d",
    "PR3-\x00004711",
    "PR3-\x1b[2J004711",
    "../PR3-004711",
    "../../../etc/passwd",
    "PR3-004711/..",
    "..",
    "<script>alert(1)</script>",
    '"PR3-004711"',
    "PR3-004711'",
    "'; DROP TABLE run; --",
    "PR3-004711&amp;",
    "$(id)",
    "PR3-" + "0" * 61,
    "0" * 5000,
    "\u202e117400-3RP",
    "PR3-00471\u0661",
    "PR3-004711\u200b",
    "\ufeffPR3-004711",
]


def test_what_is_scanned_and_is_no_serial_number_is_refused_and_the_next_unit_is_tested(station, tmp_path):
    text = "\n".join([*BAD_SERIALS, "PR3-004711", *BAD_SERIALS]).encode() + b"\n\xff\xfe\n"
    with open(tmp_path / "scanned", "wb+") as scanned:
        scanned.write(text)
        scanned.seek(0)
        status, out, err = linecheck(tmp_path, "run", *station, "--scan", stdin=scanned)
    assert (status, out.count("● PASS")) == (0, 1)
    refused = [line for line in err.splitlines() if "the serial number" in line]
    assert len(refused) == 2 * len(BAD_SERIALS) + 1
    assert max(map(len, refused)) < 600
    assert [run.serial for run in logged(tmp_path)] == ["PR3-004711"]
    assert sorted(os.listdir(tmp_path / "results")) == [
        "PR3-004711",
        "linecheck.sqlite",
        "linecheck.sqlite.begun",
    ]


@pytest.mark.parametrize("serial", [b"PR3-004711\xff", b"PR3-004711\n", "\u202e117400-3RP".encode()])
def test_a_serial_number_of_odd_bytes_is_refused(station, tmp_path, serial):
    status, out, err = linecheck(tmp_path, "run", *station, "--serial", serial)
    assert (status, out) == (2, "")
    assert "no serial number may have" in err
    assert not (tmp_path / DATABASE).exists()


@pytest.mark.parametrize("serial", ["""'"><img src=x>&;--$(id)|*?""", "-rf ~ %2e%2e%2f.."])
def test_a_model_whose_serial_numbers_may_have_everything_does_no_harm(tmp_path, serial):
    station = write_small_files(tmp_path, limits=LIMITS.replace("PR3-[0-9]{6}", "[ -~]{1,64}"))
    before = set(os.listdir(tmp_path))
    files = ("--json", "r.json", "--junit", "r.xml", "--keep-captures")
    status, out, _ = linecheck(tmp_path, "run", *station, f"--serial={serial}", *files)
    assert (status, out.splitlines()[0]) == (0, "● PASS")
    assert set(os.listdir(tmp_path)) - before == {"results", "r.json", "r.xml"}
    assert len(os.listdir(tmp_path / "results")) == 3, "the log, the locks of runs under way, the run"
    suite = ElementTree.parse(tmp_path / "r.xml").getroot()
    assert [item.get("value") for item in suite.iter("property") if item.get("name") == "serial"] == [serial]
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["serial"] == serial
    assert [run.serial for run in logged(tmp_path)] == [serial]
    assert linecheck(tmp_path, "log", "show", "--", serial)[0] == 0
    (kept,) = tmp_path.glob("results/*/*/captures")
    assert linecheck(tmp_path, "judge", kept, *station[2:])[0] == 0


# Disks

#: Everything that a run writes, in this order; ``quiet`` plays after the ``tone`` that it refers to.
WRITTEN = (
    "result.json",
    "junit.xml",
    "here.json",
    "here.xml",
    "tone.wav",
    "quiet.wav",
    "wiring.wav",
    "captures.toml",
)


@pytest.mark.parametrize("written", range(len(WRITTEN)))
def test_a_disk_that_is_full_before_any_of_the_files_is_said_and_never_exit_status_0(
    station, tmp_path, written
):
    files = ("--json", "here.json", "--junit", "here.xml", "--keep-captures")
    status, _, err = linecheck(tmp_path, "run", *station, *UNIT, *files, full_after=written)
    assert status == 3
    name = WRITTEN[written]
    assert any(name in line and "cannot be written" in line for line in err.splitlines()), err
    # The record was there before the disk was full, and everything else is there whole or not at all.
    assert [run.verdict for run in logged(tmp_path)] == [Verdict.PASS]
    assert whole_results(tmp_path) == ["pass"] * sum(
        name.endswith("json") for name in WRITTEN[: min(written, 4)]
    )
    there = {path.name for path in tmp_path.rglob("*") if path.is_file()}
    assert there & set(WRITTEN) == set(WRITTEN[:written])
    assert not [name for name in there if name.endswith(TEMPORARY_SUFFIX)]


@pytest.mark.parametrize("kilobytes", [0, 30, 60, 170])
def test_a_disk_with_little_room_is_never_a_pass_unless_recorded(station, tmp_path, kilobytes):
    most = kilobytes * 1024
    status, out, err = linecheck(
        tmp_path,
        "run",
        *station,
        *UNIT,
        "--keep-captures",
        file_size=most,
    )
    assert status == 3
    assert "full" in out + err or "larger than this disk" in out + err
    # Where there is no room for the log, nothing was run.
    shown = out.splitlines()[:1]
    assert shown in ([], ["▒ INVALID"])
    assert whole_results(tmp_path) in ([], ["invalid"])
    assert not list(tmp_path.rglob(f"*{TEMPORARY_SUFFIX}"))
    # With room again, the next run passes; one that was begun and could not be recorded counts as an attempt.
    status, out, _ = linecheck(tmp_path, "run", *station, *UNIT)
    assert (status, out.splitlines()[0]) == (0, "● PASS")
    *begun, passed = [(run.logged.attempt, run.verdict) for run in logged(tmp_path)][::-1]
    assert passed == (1 + len(begun), Verdict.PASS)
    assert begun in ([], [(1, Verdict.ABORTED)])


def test_stimuli_on_a_full_disk_are_not_there_by_half(station, tmp_path):
    status, _, err = linecheck(
        tmp_path,
        "stimuli",
        *station[2:],
        "--out",
        "play",
        file_size=20_000,
    )
    assert status in (2, 3)
    assert "cannot be written" in err
    assert os.listdir(tmp_path / "play") == []


@pytest.fixture
def shut(tmp_path):
    """A folder in which nothing can be written."""
    folder = tmp_path / "shut"
    folder.mkdir()
    folder.chmod(0o555)
    yield folder
    folder.chmod(0o755)


@pytest.mark.parametrize(
    "arguments",
    [("--out", "shut"), ("--out", "shut/deep"), ("--json", "shut/r.json"), ("--junit", "shut/r.xml")],
)
def test_a_read_only_folder_is_refused_before_anything_is_run(station, tmp_path, shut, arguments):
    status, out, err = linecheck(tmp_path, "run", *station, *UNIT, *arguments, held_back=True)
    assert (status, out) == (2, "")
    assert says(err, "no permission|Permission denied"), err
    assert "shut" in err
    assert not (tmp_path / DATABASE).exists()


def test_a_log_in_a_read_only_folder_is_refused_before_anything_is_run(tmp_path, shut):
    station = write_small_files(
        tmp_path, station=STATION + '[records]\ndatabase = "shut/log.sqlite"\nfolder = "results"\n'
    )
    status, out, err = linecheck(tmp_path, "run", *station, *UNIT, held_back=True)
    assert (status, out) == (2, "")
    assert "shut/log.sqlite: the log cannot be opened: is its folder there, and may you write to it?" in err


def test_a_log_that_is_read_only_is_refused_before_anything_is_run(station, tmp_path):
    assert linecheck(tmp_path, "run", *station, *UNIT)[0] == 0
    (tmp_path / DATABASE).chmod(0o444)
    status, out, err = linecheck(tmp_path, "run", *station, *UNIT, held_back=True)
    assert (status, out) == (2, "")
    assert "the log is read-only" in err
    assert len(logged(tmp_path)) == 1


@pytest.mark.parametrize(
    ("put", "words"),
    [
        (lambda path: path.write_bytes(b""), "there is a file of that name"),
        (lambda path: path.mkdir(mode=0o555), "no permission|Permission denied"),
    ],
)
def test_a_folder_that_turns_out_unusable_after_the_run_is_said(station, tmp_path, put, words):
    (tmp_path / "results").mkdir()
    put(tmp_path / "results" / "PR3-004711")
    arguments = ("--keep-captures", "--json", "r.json")
    status, _, err = linecheck(tmp_path, "run", *station, *UNIT, *arguments, held_back=True)
    assert status == 3
    assert sum(says(line, words) for line in err.splitlines()) == 3  # result, JUnit and captures
    assert [run.verdict for run in logged(tmp_path)] == [Verdict.PASS]
    assert whole_results(tmp_path) == ["pass"]  # the one that was asked for elsewhere


def test_a_log_that_someone_holds_locked_is_waited_for_and_then_said(station, captures, tmp_path):
    assert linecheck(tmp_path, "run", *station, *UNIT)[0] == 0
    commands = (("run", *station, *UNIT), ("judge", captures, *station[2:], "--log", DATABASE))
    with closing(sqlite3.connect(tmp_path / DATABASE, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        waiting = [start(tmp_path, *command) for command in commands]
        assert linecheck(tmp_path, "log", "list")[0] == 0
        for process in waiting:
            status, out, err = ended(process)
            assert (status, out) == (3, "")
            assert "another program holds the log locked: close it" in err
    assert len(logged(tmp_path)) == 1


def test_a_log_that_was_damaged_is_said_and_kept(station, tmp_path):
    assert linecheck(tmp_path, "run", *station, *UNIT)[0] == 0
    database = tmp_path / DATABASE
    content = bytearray(database.read_bytes())
    content[4096:-4096] = b"\xa5" * (len(content) - 8192)
    database.write_bytes(content)
    for arguments in (("run", *station, *UNIT), ("log", "verify"), ("log", "show", "PR3-004711")):
        status, out, err = linecheck(tmp_path, *arguments)
        assert status == 3
        assert "PASS" not in out
        assert "the database is damaged: keep the file" in out + err
    assert database.read_bytes() == content
