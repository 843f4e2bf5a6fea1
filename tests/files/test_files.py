import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from linecheck.errors import FileError, RecordError
from linecheck.files.text import listed
from linecheck.files.write import check_can_write, write_atomically


def test_a_file_is_written_with_the_folders_above_it(tmp_path):
    path = tmp_path / "results" / "2026" / "run.json"
    write_atomically(path, b"first")
    write_atomically(path, b"second")
    assert path.read_bytes() == b"second"
    assert os.listdir(path.parent) == ["run.json"]


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "link.json").symlink_to(tmp_path / "real.json")
    write_atomically(tmp_path / "link.json", b"content")
    assert (tmp_path / "link.json").is_symlink()
    assert (tmp_path / "real.json").read_bytes() == b"content"


def test_links_in_a_ring_are_refused(tmp_path):
    (tmp_path / "one").symlink_to(tmp_path / "other")
    (tmp_path / "other").symlink_to(tmp_path / "one")
    with pytest.raises(RecordError, match="cannot be written"):
        write_atomically(tmp_path / "one", b"content")


def test_checking_beforehand_leaves_nothing_but_the_folder(tmp_path):
    check_can_write(tmp_path / "results" / "run.json")
    assert os.listdir(tmp_path / "results") == []


def unusable_paths(tmp_path):
    """Return paths that nobody can write to, root neither, with a word of the reason."""
    (tmp_path / "file").write_bytes(b"")
    return [
        (tmp_path, "is a folder"),
        (tmp_path / "file" / "run.json", "there is a file of that name"),
        (Path("/proc/nowhere/run.json"), "folder cannot be made|permission"),
        (Path("/proc/self/run.json"), "cannot be written"),
        (tmp_path / ("n" * 300), "the name is too long"),
        (tmp_path / "run\0.json", "NUL"),
        (Path(), "names no file"),
        (Path("/dev/null"), "it is a device"),
        (Path("/dev/stdout"), "it is a device"),
    ]


def test_what_cannot_be_written_is_refused_in_plain_words(tmp_path):
    for path, reason in unusable_paths(tmp_path):
        with pytest.raises(RecordError, match=reason):
            write_atomically(path, b"content")


def test_what_cannot_be_written_is_found_before_anything_is_run(tmp_path):
    for path, reason in unusable_paths(tmp_path):
        with pytest.raises(FileError, match=reason):
            check_can_write(path)


def test_a_full_disk_leaves_the_file_as_it_was(tmp_path):
    path = tmp_path / "run.json"
    write_atomically(path, b"as it was")
    code = (
        "import sys\n"
        "from linecheck.errors import RecordError\n"
        "from linecheck.files.write import write_atomically\n"
        "try: write_atomically(sys.argv[1], b'x' * 1_000_000)\n"
        "except RecordError as error: print(error)"
    )
    # A file may not grow beyond this: the write fails as it does on a full disk or over a quota.
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000)),
        capture_output=True,
        text=True,
        check=True,
    )
    assert "cannot be written: the file is larger than this disk or account allows" in done.stdout
    assert path.read_bytes() == b"as it was"
    assert os.listdir(tmp_path) == ["run.json"]


def test_a_disk_that_is_full_says_so(tmp_path, monkeypatch):
    def full(_):
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordError, match="the disk is full: free some space"):
        write_atomically(tmp_path / "run.json", b"content")
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("count", "text"),
    [(0, ""), (1, "a"), (3, "a, b, c"), (4, "a, b, c and 1 more"), (9, "a, b, c and 6 more")],
)
def test_a_long_list_says_how_many_more_there_are(count, text):
    assert listed("abcdefghi"[:count], 3) == text
