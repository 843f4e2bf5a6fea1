"""The archive of captures: each run whole or not at all, whatever happens meanwhile."""

import errno
import itertools
import json
import os
import shutil
import signal
import tempfile
import threading
from dataclasses import replace

import numpy as np
import pytest
from forked import started
from log_processes import ARCHIVED, ARCHIVED_NEXT, archive_killed_at
from made_archive import (
    NOW,
    Disk,
    add_objects,
    add_run,
    assert_whole,
    full,
    kept_run,
    made_capture,
    objects_of,
    run_number,
    write_set,
)

from linecheck.captures.capture_set import load_capture_set
from linecheck.errors import FileError, LinecheckError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.log.archive import Archive, store
from linecheck.log.archive.entries import ENTRY_NAME, read_entry
from linecheck.log.archive.removal import remove
from linecheck.log.archive.retention import Retention, removals
from linecheck.log.archive.verify import verify_archive

TWO = ARCHIVED


@pytest.fixture
def archive(tmp_path):
    return Archive(tmp_path / "archive")


def test_a_run_is_kept_as_a_capture_set_and_found_by_its_id(archive):
    entry = add_run(archive, TWO, verdict=Verdict.FAIL)
    folder = archive.find(entry.run_id)
    assert folder == entry.path
    assert folder.name.startswith("20261126T120000Z-")
    found = load_capture_set(folder)
    for check, capture in TWO.items():
        assert np.array_equal(found.read(check).samples, capture.samples)
        assert found.read(check).bits == 24
    assert list(archive.scan().entries) == [entry]
    assert (entry.verdict, entry.kept_class) == (Verdict.FAIL, "fail")


def test_nothing_is_found_of_other_runs_and_of_what_is_no_id(archive):
    assert archive.find(run_number(1)) is None
    assert list(archive.scan().entries) == []
    add_run(archive)
    for wanted in (run_number(1), "", "*", "../../etc", "0" * 36):
        assert archive.find(wanted) is None


def test_a_run_that_another_program_has_added_is_found_at_once(archive):
    assert archive.find(run_number(7)) is None
    entry = add_run(Archive(archive.folder), run=kept_run(run_id=run_number(7)))
    assert archive.find(run_number(7)) == entry.path
    remove(
        archive, archive.scan(), removals([entry], Retention({"pass": 1}), _later(entry)), Retention(), _said
    )
    assert archive.find(run_number(7)) is None


def _later(entry):
    return entry.started.replace(year=entry.started.year + 1)


def _said(content):
    """Take a statement."""


@pytest.mark.parametrize(
    ("changes", "suffix"),
    [
        ({}, "flac"),
        ({"bits": 20, "samples": np.full((9, 2), 0x12345000, np.int32)}, "flac"),
        ({"bits": 16, "samples": np.full((9, 2), 0x12340000, np.int32)}, "flac"),
        # What a sound interface gives: 32 bits declared, of which it fills 24, or all.
        ({"bits": 32}, "flac"),
        ({"bits": None}, "flac"),
        ({"bits": 32, "samples": np.full((9, 2), 0x12345678, np.int32)}, "wav"),
        ({"bits": None, "samples": np.full((9, 2), 0.25, np.float32)}, "wav"),
        ({"rate_hz": 768_000}, "wav"),
        ({"samples": np.zeros((9, 9), np.int32), "full_scale_volts": None}, "wav"),
    ],
)
def test_flac_is_written_where_it_loses_nothing_and_a_capture_reads_back_as_it_was(archive, changes, suffix):
    capture = replace(made_capture(5), **changes)
    entry = add_run(archive, {"tone": capture})
    assert entry.files[0].name == f"tone.{suffix}"
    back = load_capture_set(entry.path).read("tone")
    assert back.samples.dtype == capture.samples.dtype
    assert np.array_equal(back.samples, capture.samples)
    # A capture whose word length nobody declared is measured as one of 32 bits, before it is kept and after.
    assert back.bits == (None if capture.samples.dtype.kind == "f" else capture.bits or 32)
    assert (back.rate_hz, back.full_scale_volts) == (capture.rate_hz, capture.full_scale_volts)


def test_nobody_changes_a_capture_by_mistake(archive):
    entry = add_run(archive)
    assert all((entry.path / file.name).stat().st_mode & 0o222 == 0 for file in entry.files)


def test_a_run_is_on_the_disk_before_it_has_its_name_and_its_name_before_it_counts(archive, monkeypatch):
    synced = []

    def noted(folder):
        synced.append((folder.name, any(archive.runs.glob("*/*"))))

    monkeypatch.setattr(store, "sync_folder", noted)
    entry = add_run(archive)
    assert synced == [("set", False), (entry.path.parent.name, True)]
    archive.remove(entry)
    assert synced[2:] == [(entry.path.parent.name, False)]


def test_a_run_is_kept_once(archive):
    run = kept_run(captures=TWO)
    add_run(archive, TWO, run)
    with pytest.raises(RecordError, match="kept already"):
        add_run(archive, {"tone": made_capture(9)}, run)
    assert_whole(archive.folder, [run.run_id])


# Archives of earlier versions, which have each capture under the hash of its bytes besides.


@pytest.fixture(params=[True, False], ids=["links", "copies"])
def earlier(request, archive):
    """An archive with objects, of which two runs share one; the entries of its runs, the older first."""
    first = add_run(archive, TWO, days_old=1)
    second = add_run(archive, {"tone": made_capture(1), "noise": made_capture(3)})
    for entry in (first, second):
        add_objects(archive, entry, linked=request.param)
    return tuple(archive.scan().entries)


def test_an_earlier_archive_is_read_verified_and_added_to(archive, earlier):
    assert len(objects_of(archive)) == 3
    first, _ = earlier
    assert np.array_equal(load_capture_set(first.path).read("tone").samples, made_capture(1).samples)
    assert first.size_bytes == sum(file.size_bytes for file in first.files) * (1 if first.linked else 2)
    add_run(archive, TWO)
    assert_whole(archive.folder)
    assert len(objects_of(archive)) == 3


def test_an_object_goes_with_the_last_run_whose_file_it_is(archive, earlier):
    first, second = earlier
    assert _remove(archive, first).captures == 2
    assert objects_of(archive) == {file.object_name for file in second.files}
    assert_whole(archive.folder, [second.run_id])
    _remove(archive, second)
    assert objects_of(archive) == set()
    assert_whole(archive.folder, [])


def test_an_object_that_no_run_has_is_named_and_goes_once_that_is_stated(archive, earlier):
    stray = archive.folder / "objects" / "ab" / ("ab" * 32 + ".flac")
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"stray")
    (wrong,) = verify_archive(archive)[1].wrong
    assert wrong == f"object {stray.name}: no run has it; `linecheck archive retain` removes it"
    said = []
    removed = remove(archive, archive.scan(), [], Retention(), said.append)
    assert (removed.captures, removed.size_bytes) == (1, 5)
    assert [(each["runs"], each["objects"], each["bytes"]) for each in said] == [([], [stray.name], 5)]
    assert len(objects_of(archive)) == 3
    assert_whole(archive.folder)


def _remove(archive, entry):
    found = removals([entry], Retention({entry.kept_class: 1}), _later(entry))
    return remove(archive, archive.scan(), found, Retention(), _said)


# A disk that is full at each place in turn.


def sweep_of_full_disks(tmp_path, add):
    """Add a run with the disk full at the first place, the second …; yield each archive, and what was refused."""
    number = 0
    while True:
        number += 1
        archive = Archive(tmp_path / str(number))
        refused = None
        with Disk(number, full, room_only=True) as disk:
            try:
                add(archive)
            except LinecheckError as error:
                refused = error
        yield archive, refused
        if disk.count < number:
            assert refused is None
            return


def test_a_disk_that_is_full_at_any_place_leaves_nothing_and_says_so(tmp_path):
    refusals = 0
    for archive, refused in sweep_of_full_disks(tmp_path, lambda archive: add_run(archive, TWO)):
        if refused is None:
            assert_whole(archive.folder)
            assert len(list(archive.scan().entries)) == 1
            continue
        refusals += 1
        assert os.strerror(errno.ENOSPC) in str(refused) or "the disk is full" in str(refused)
        assert list(archive.scan().entries) == []
        if archive.folder.exists():
            assert_whole(archive.folder, [])
        add_run(archive, TWO)  # once there is room
        assert_whole(archive.folder)
    assert refusals > 20


# A program that is killed at each place in turn.


def copied(before, place):
    """Copy an archive as links, which is as quick as can be."""
    shutil.copytree(before, place, copy_function=os.link)
    return place


@pytest.fixture(params=["add", "remove"])
def killed(request, tmp_path):
    """Archives in which a program was killed at its first change of the disk, its second …, and what it did."""
    before = Archive(tmp_path / "before")
    add_run(before, ARCHIVED, kept_run(captures=ARCHIVED, run_id=run_number(1), days_old=9))
    if request.param == "remove":
        add_run(before, ARCHIVED_NEXT, kept_run(captures=ARCHIVED_NEXT, run_id=run_number(2)))
        for entry in list(before.scan().entries):
            add_objects(before, entry)
    folders = []
    for number in itertools.count(1):
        folders.append(copied(before.folder, tmp_path / str(number)))
        working = started(archive_killed_at, folders[-1], number, request.param)
        working.join()
        if working.exitcode == 0:
            return request.param, folders
        assert working.exitcode == -signal.SIGKILL


def test_a_program_that_is_killed_leaves_a_run_whole_or_gone_and_the_next_tidies_up(killed):
    what, folders = killed
    counts = set()
    for folder in folders:
        archive = Archive(folder)
        entries = list(archive.scan().entries)
        counts.add(len(entries))
        stays = run_number(1) if what == "add" else run_number(2)
        assert stays in {entry.run_id for entry in entries}
        add_run(archive, {"level": made_capture(8)}, kept_run(run_id=run_number(3)))
        remove(archive, archive.scan(), [], Retention(), _said)  # an earlier version's objects
        assert_whole(folder, {entry.run_id for entry in entries} | {run_number(3)})
        if what == "remove" and len(entries) == 1:
            assert objects_of(archive) == {file.object_name for file in entries[0].files}
    assert counts == {1, 2}
    assert len(folders) > (20 if what == "add" else 10)


def test_what_another_program_is_writing_stays(archive):
    begun, go_on = threading.Event(), threading.Event()

    def slow(folder):
        write_set(folder, TWO, run)
        begun.set()
        assert go_on.wait(60)

    run = kept_run(captures=TWO)
    writing = threading.Thread(target=archive.add, args=(run, "slow", slow))
    writing.start()
    assert begun.wait(60)
    entry = add_run(Archive(archive.folder), {"tone": made_capture(1)})
    go_on.set()
    writing.join()
    assert_whole(archive.folder, [run.run_id, entry.run_id])


def test_while_runs_are_removed_others_with_the_same_captures_are_added_and_lack_nothing(archive):
    captures = [{"tone": made_capture(seed % 3), "own": made_capture(100 + seed)} for seed in range(12)]
    old = [add_run(archive, each, days_old=100) for each in captures]
    added = []

    def add():
        other = Archive(archive.folder)
        added.extend(add_run(other, {"tone": each["tone"], "quiet": made_capture(7)}) for each in captures)

    adding = threading.Thread(target=add)
    adding.start()
    policy = Retention({"pass": 50})
    for entry in old:
        scan = archive.scan()
        due = removals(scan.entries, policy, NOW)
        found = [each for each in due if each.entry.run_id == entry.run_id]
        assert remove(archive, scan, found, policy, _said).runs == 1
        assert remove(archive, scan, found, policy, _said).runs == 0
    adding.join()
    assert len(added) == 12
    assert_whole(archive.folder, {entry.run_id for entry in added})


def test_a_folder_that_another_program_takes_for_abandoned_before_it_is_locked_is_not_used(
    archive, monkeypatch
):
    make, taken = tempfile.mkdtemp, []

    def raced(**where):
        folder = make(**where)
        if not taken:
            sweeping = archive.abandoned()
            taken.append((next(sweeping), sweeping))
        return folder

    monkeypatch.setattr(tempfile, "mkdtemp", raced)
    with archive._staged() as staged:
        ((folder, _),) = taken
        shutil.rmtree(folder)
        assert staged.parent.exists()


# What others have done to the files.


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b'{"format": 2}',
        b"\xff\xfe",
        pytest.param(b" " * 3_000_000, id="long"),
    ],
)
def test_a_run_that_cannot_be_read_is_named_and_left_out(archive, content):
    entry, other = add_run(archive), add_run(archive, TWO)
    (entry.path / ENTRY_NAME).write_bytes(content)
    assert [each.run_id for each in archive.scan().entries] == [other.run_id]
    scan = archive.scan()
    assert len(scan.damaged) == 1
    assert ENTRY_NAME in scan.damaged[0]


@pytest.mark.parametrize(
    "change",
    [
        {"format": 2},
        {"run": "x"},
        {"verdict": "PASS"},
        {"purpose": "other"},
        {"started": "2026-11-26"},
        {"started": "yesterday"},
        {"files": []},
        {"files": [{"file": "../tone.flac", "object": "a" * 64 + ".flac", "bytes": 1, "check": "tone"}]},
        {"files": [{"file": "tone.flac", "object": "../../x.flac", "bytes": 1, "check": "tone"}]},
        {"files": [{"file": "tone.flac", "object": "a" * 64 + ".flac", "bytes": -1, "check": "tone"}]},
        {"extra": 1},
    ],
)
def test_only_what_was_written_is_read(archive, change):
    entry = add_run(archive)
    stored = json.loads((entry.path / ENTRY_NAME).read_text())
    (entry.path / ENTRY_NAME).write_text(json.dumps(stored | change))
    with pytest.raises(RecordError, match="is not what linecheck has written"):
        read_entry(entry.path)


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_only_a_plain_file_is_read(archive, tmp_path, kind):
    entry = add_run(archive)
    path = entry.path / ENTRY_NAME
    shutil.move(path, tmp_path / "elsewhere.json")
    if kind == "link":
        path.symlink_to(tmp_path / "elsewhere.json")
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.mkdir()
    with pytest.raises(RecordError, match="cannot be read"):
        read_entry(entry.path)


def test_an_archive_that_cannot_be_written_to_says_so(tmp_path):
    (tmp_path / "archive").write_text("a file")
    with pytest.raises(FileError, match="there is a file of that name"):
        add_run(Archive(tmp_path / "archive"))
    with pytest.raises(FileError, match="there is a file of that name"):
        Archive(tmp_path / "archive").check_can_write()
