"""Files that are there whole or not at all, whoever is killed while writing them."""

import os
import subprocess
import sys
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest

from linecheck.errors import FileError
from linecheck.files.durable import (
    TEMPORARY_SUFFIX,
    make_folder,
    remove_abandoned,
    temporary_file,
    temporary_folder,
    write_durably,
)

#: Writes half of a file, says so, and waits.
WRITER = """
import sys
from pathlib import Path
from linecheck.files.durable import write_durably

def parts():
    yield b"half"
    print("half", flush=True)
    sys.stdin.read()
    yield b" and half"

write_durably(Path(sys.argv[1]), parts())
"""


@contextmanager
def writer(path):
    """Give a program that has written half of a file and writes the rest when its input is closed."""
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"half\n"
        yield process


def temporaries(folder):
    return [name for name in os.listdir(folder) if name.endswith(TEMPORARY_SUFFIX)]


@pytest.fixture
def abandoned(tmp_path):
    """A folder with what a killed program has left beside the file that it was writing anew."""
    write_durably(tmp_path / "result.json", [b"as it was"])
    with writer(tmp_path / "result.json") as process:
        process.kill()
    assert len(temporaries(tmp_path)) == 1
    return tmp_path


def test_a_writer_that_is_killed_leaves_the_file_as_it_was(abandoned):
    assert (abandoned / "result.json").read_bytes() == b"as it was"


def test_what_it_left_is_removed_and_nothing_else(abandoned):
    for name in (".result.json.part", f"x{TEMPORARY_SUFFIX}.txt"):
        (abandoned / name).write_bytes(b"someone else's")
    (abandoned / f".link{TEMPORARY_SUFFIX}").symlink_to(abandoned / "result.json")
    (abandoned / f".folder{TEMPORARY_SUFFIX}").mkdir()
    os.mkfifo(abandoned / f".pipe{TEMPORARY_SUFFIX}")
    before = set(os.listdir(abandoned))
    remove_abandoned(abandoned)
    assert len(before - set(os.listdir(abandoned))) == 1
    assert (abandoned / "result.json").read_bytes() == b"as it was"
    assert (abandoned / f".link{TEMPORARY_SUFFIX}").is_symlink()


def test_what_is_being_written_stays(tmp_path):
    with writer(tmp_path / "result.json") as process:
        remove_abandoned(tmp_path)
        process.stdin.close()
    assert process.returncode == 0
    assert (tmp_path / "result.json").read_bytes() == b"half and half"
    assert temporaries(tmp_path) == []


def test_what_cannot_be_removed_does_no_harm(tmp_path):
    remove_abandoned(tmp_path / "nowhere")
    (tmp_path / "file").write_bytes(b"")
    remove_abandoned(tmp_path / "file")
    assert os.listdir(tmp_path) == ["file"]


def test_writing_goes_well_while_others_tidy_up(tmp_path):
    done = threading.Event()

    def tidy():
        while not done.is_set():
            remove_abandoned(tmp_path)

    tidier = threading.Thread(target=tidy)
    tidier.start()
    try:
        for number in range(500):
            write_durably(tmp_path / f"{number}.json", [b"content"])
    finally:
        done.set()
        tidier.join()
    assert len(os.listdir(tmp_path)) == 500


def test_a_temporary_file_is_gone_at_the_end(tmp_path):
    with temporary_file(tmp_path) as (path, stream):
        stream.write(b"content")
        assert path.exists()
    assert os.listdir(tmp_path) == []


def test_names_as_long_as_the_disk_allows_can_be_written(tmp_path):
    write_durably(tmp_path / ("n" * 255), [b"content"])
    assert os.listdir(tmp_path) == ["n" * 255]


def test_new_folders_are_on_the_disk_before_what_is_put_into_them(tmp_path, monkeypatch):
    synced = []
    monkeypatch.setattr(os, "fsync", lambda handle: synced.append(os.readlink(f"/proc/self/fd/{handle}")))
    make_folder(tmp_path / "results" / "PR3-004711" / "run")
    make_folder(tmp_path / "results" / "PR3-004711" / "run")
    assert synced == [
        str(tmp_path / "results" / "PR3-004711"),
        str(tmp_path / "results"),
        str(tmp_path),
    ]


#: Makes a temporary folder with something in it, says where, and waits.
LODGER = """
import sys
from linecheck.files.durable import temporary_folder

with temporary_folder("linecheck-test-") as folder:
    (folder / "spilled").write_bytes(b"much")
    print(folder, flush=True)
    sys.stdin.read()
"""


def test_a_temporary_folder_goes_with_its_program_and_that_of_a_killed_one_with_the_next(
    tmp_path, monkeypatch
):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    (tmp_path / "linecheck-test-no-lock").mkdir()
    (tmp_path / "linecheck-test-link").symlink_to(tmp_path / "linecheck-test-no-lock")
    before = set(os.listdir(tmp_path))
    command = [sys.executable, "-c", LODGER]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        left = Path(process.stdout.readline().decode().strip())
        with temporary_folder("linecheck-test-") as own:
            assert (left / "spilled").exists()
            assert own.parent == tmp_path
        assert not own.exists()
        process.kill()
    assert left.exists()
    with temporary_folder("linecheck-test-"):
        assert not left.exists()
    assert set(os.listdir(tmp_path)) == before


def test_no_room_for_a_temporary_folder_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "gone"))
    with (
        pytest.raises(FileError, match="no temporary folder can be made"),
        temporary_folder("linecheck-test-"),
    ):
        pass
