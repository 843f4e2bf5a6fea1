"""Files that are there whole or not at all, whoever is killed while writing them."""

import os
import subprocess
import sys
import threading
from contextlib import contextmanager

import pytest

from linecheck.files.durable import (
    TEMPORARY_SUFFIX,
    make_folder,
    remove_abandoned,
    temporary_file,
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
