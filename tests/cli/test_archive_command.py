"""``linecheck archive``, and what runs leave in the archive: from the command line, as at a station."""

import json
import os
import shutil
from datetime import UTC, datetime, timedelta

import pytest
from made_archive import add_run, assert_whole, kept_run, made_capture
from small_run import LIMITS, STATION, call, write_small_files

from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader
from linecheck.log.archive import Archive
from linecheck.log.archive.removal import CAPTURES_REMOVED
from linecheck.run.model import Run

ARCHIVE = '[archive]\nfolder = "archive"\n'
LOG = "results/linecheck.sqlite"
MARGINS = LIMITS.replace("decision: simple", "decision: simple\nregression: {dB: 1, V: 0.02}")


@pytest.fixture
def command(monkeypatch, capsys, tmp_path):
    """Return what runs the command line in a folder of its own."""
    monkeypatch.chdir(tmp_path)
    return lambda *arguments: call(monkeypatch, capsys, *arguments)


@pytest.fixture
def station(tmp_path):
    """Return what writes the config of a station with this [archive], and returns the option that names it."""

    def write(archive="", reserve_gigabytes=0.001):
        reserve = f"reserve_gigabytes = {reserve_gigabytes}\n"
        text = STATION.replace("[simulated]\n", "[simulated]\nspread = 1.0\n")  # units are not all the same
        write_small_files(tmp_path, limits=MARGINS, station=text + ARCHIVE + reserve + archive)
        return ("--station", "station.toml")

    return write


@pytest.fixture
def archive(tmp_path):
    return Archive(tmp_path / "archive")


def added(archive, verdict=Verdict.PASS, *, days_old=0.0, seed=0, recorded=True, **facts):
    """Add a run to the archive and to the log, as a station does; return its entry."""
    captures = {"tone": made_capture(seed), "quiet": made_capture(seed + 1000)}
    started = datetime.now(UTC) - timedelta(days=days_old)
    facts = {"station": "bench", "started": started, "finished": started, "captures": captures, **facts}
    run = kept_run(verdict, **facts)
    entry = add_run(archive, captures, run)
    if recorded:
        record(run, entry)
    return entry


def record(run: Run, entry):
    from dataclasses import replace

    kept = {file.check: file.object_name for file in entry.files}
    with Log(LOG) as log:
        log.append(replace(run, captures=kept, captures_why="kept"))


def run_unit(command, station, *more):
    return command("run", *station, "--limits", "limits.yaml", *more)


# What runs leave.


@pytest.mark.every_python
def test_a_run_that_fails_is_archived_before_it_is_recorded_and_found_again(command, station, archive):
    where = station()
    status, _, err = run_unit(command, where, "--serial", "PR3-004711", "--fault", "hum")
    assert status == 1
    assert "every fail is kept" in err
    (entry,) = archive.scan().entries
    with LogReader(LOG) as log:
        record = log.record(log.runs(limit=1)[0].logged.sequence)
    assert record.captures == {file.check: file.object_name for file in entry.files}
    assert record.captures_why == "kept: every fail is kept (archive.keep)"
    status, out, _ = command("archive", "find", *where, "PR3-004711")
    assert (status, out.strip()) == (0, str(entry.path.relative_to(archive.folder.parent)))
    assert command("archive", "find", *where, entry.run_id)[1] == out
    assert command("archive", "verify", *where)[0] == 0


@pytest.mark.every_python
def test_what_is_archived_is_judged_as_the_run_was(command, station, archive, tmp_path):
    run_unit(command, station("every_nth_pass = 1\n"), "--serial", "PR3-004711", "--json", "run.json")
    (entry,) = archive.scan().entries
    command("judge", "--limits", "limits.yaml", "--json", "again.json", entry.path)
    first, again = (json.loads((tmp_path / name).read_text()) for name in ("run.json", "again.json"))
    assert first["readings"] == again["readings"]
    assert first["curves"] == again["curves"]
    assert first["verdict"] == again["verdict"] == "pass"


def test_of_passes_every_second_is_kept_and_the_record_says_why(command, station, archive):
    where = station("every_nth_pass = 2\n")
    for number in range(4):
        assert run_unit(command, where, "--serial", f"PR3-00000{number}")[0] == 0
    with LogReader(LOG) as log:
        told = [log.record(number) for number in range(2, 10, 2)]
    assert [bool(trace.captures) for trace in told] == [False, True, False, True]
    assert told[0].captures_why == (
        "not kept: pass 1 of this model at this station; the next kept is 2 (archive.every_nth_pass = 2)"
    )
    assert len(list(archive.scan().entries)) == 2


def test_captures_that_are_asked_for_are_kept(command, station, archive, tmp_path):
    run_unit(command, station(), "--serial", "PR3-004711", "--keep-captures")
    (entry,) = archive.scan().entries
    assert entry.why == "asked for (--keep-captures)"
    assert not list(tmp_path.glob("results/*/*/captures"))


def test_a_run_whose_captures_cannot_be_archived_is_recorded_shown_and_says_so(
    command, station, archive, monkeypatch
):
    from linecheck.errors import FileError
    from linecheck.line import kept_captures

    def full(folder, *arguments, **facts):
        raise FileError(folder, "cannot be written: No space left on device")

    monkeypatch.setattr(kept_captures, "write_capture_set", full)
    status, out, err = run_unit(command, station("every_nth_pass = 1\n"), "--serial", "PR3-004711")
    assert (status, out.splitlines()[0]) == (3, "● PASS")
    assert "the captures were not kept" in err
    with LogReader(LOG) as log:
        view = log.record(log.runs(limit=1)[0].logged.sequence)
    assert view.verdict is Verdict.PASS
    assert [problem.code for problem in view.problems] == ["captures_not_kept"]
    assert view.captures_why.startswith("not kept: ")
    assert list(archive.scan().entries) == []


def test_a_fault_of_the_archive_itself_loses_no_record(command, station, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("a fault")

    monkeypatch.setattr(Archive, "add", broken)
    status, out, err = run_unit(command, station(), "--serial", "PR3-004711", "--fault", "hum")
    assert (status, out.splitlines()[0]) == (1, "✖ FAIL")
    assert "RuntimeError: a fault" in err
    with LogReader(LOG) as log:
        assert log.record(log.runs(limit=1)[0].logged.sequence).verdict is Verdict.FAIL


@pytest.mark.parametrize(("free", "disk"), [(120_000_000, "archive"), (50_000_000, "log")])
def test_a_run_that_could_not_be_stored_is_not_begun(command, station, monkeypatch, free, disk):
    usage = shutil.disk_usage(".")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=free))
    where = station(reserve_gigabytes=0.1)
    status, out, err = run_unit(command, where, "--serial", "PR3-004711")
    assert (status, out) == (3, "")
    assert f"the disk of the {disk} has" in err
    assert "Nothing was run" in err
    with LogReader(LOG) as log:
        assert log.runs() == ()


def test_an_archive_that_cannot_be_written_to_stops_a_run_before_it_begins(command, station, tmp_path):
    (tmp_path / "archive").write_text("a file")
    status, out, err = run_unit(command, station(), "--serial", "PR3-004711")
    assert (status, out) == (2, "")
    assert "there is a file of that name" in err


# What is removed.


def filled(archive):
    """Fill an archive; return the entries by name."""
    return {
        "old pass": added(archive, days_old=100, seed=1),
        "old fail": added(archive, Verdict.FAIL, days_old=100, seed=2),
        "golden": added(archive, days_old=100, seed=3, purpose="golden"),
        "new pass": added(archive, days_old=1, seed=4),
        "same as old pass": added(archive, Verdict.FAIL, days_old=2, seed=1),
    }


@pytest.mark.every_python
def test_what_a_dry_run_lists_is_then_removed_stated_and_verified(command, station, archive):
    where = station("keep_days = {pass = 50}\n")
    there = filled(archive)
    status, told, _ = command("archive", "retain", *where, "--dry-run")
    assert status == 0
    assert "nothing was removed" in told
    assert len(list(archive.scan().entries)) == 5
    status, out, _ = command("archive", "retain", *where)
    assert status == 0
    assert told.splitlines()[:-1] == out.splitlines()[:-1]
    assert {entry.run_id for entry in archive.scan().entries} == {
        entry.run_id for name, entry in there.items() if name != "old pass"
    }
    with LogReader(LOG) as log:
        (said,) = log.statements(CAPTURES_REMOVED)
        assert log.verify().intact
        # The record still tells what was captured.
        assert log.record(1).captures == {file.check: file.object_name for file in there["old pass"].files}
    assert said.subject == "bench"
    assert said.content["runs"] == [there["old pass"].run_id]
    assert said.content["objects"] == [file.object_name for file in there["old pass"].files]
    assert said.content["policy"]["keep_days"] == {"pass": 50}
    status, out, _ = command("archive", "verify", *where)
    assert (status, "says of 1 that they were removed" in out) == (0, True)
    assert command("archive", "retain", *where)[1].startswith("nothing is due to be removed")


def test_to_make_room_passes_go_and_then_fails_and_never_golden_units(command, station, archive):
    where = station("most_gigabytes = 0.000000001\n")
    there = filled(archive)
    status, out, _ = command("archive", "retain", *where)
    assert status == 0
    assert [entry.run_id for entry in archive.scan().entries] == [there["golden"].run_id]
    assert "removed 4 runs, 8 captures" in out
    with LogReader(LOG) as log:
        (said,) = log.statements(CAPTURES_REMOVED)
    order = ["old pass", "new pass", "old fail", "same as old pass"]
    assert said.content["runs"] == [there[name].run_id for name in order]
    assert len(said.content["objects"]) == 8
    assert_whole(archive.folder)


def test_nothing_is_removed_that_the_log_does_not_take(command, station, archive, monkeypatch):
    from linecheck.errors import RecordError

    def locked(*_):
        raise RecordError("the log is locked")

    where = station("keep_days = {pass = 50}\n")
    filled(archive)
    monkeypatch.setattr(Log, "state", locked)
    status, _, err = command("archive", "retain", *where)
    assert status == 3
    assert "the log is locked. No more captures were removed" in err
    assert len(list(archive.scan().entries)) == 5


@pytest.mark.every_python
def test_what_a_baseline_and_a_sign_off_name_stays(command, station, archive, tmp_path):
    where = station("every_nth_pass = 1\nmost_gigabytes = 0.000000001\n")
    serials = ("PR3-000001", "PR3-000002", "PR3-000003", "PR3-000004")
    for serial in serials:
        run_unit(command, where, "--serial", serial)
    sets = {entry.serial: entry.path for entry in archive.scan().entries}
    why = ("--by", "A. Tester", "--reason", "good")
    accept = (sets["PR3-000001"], "--limits", "limits.yaml", "--out", "base.toml", *why)
    assert command("baseline", "accept", *accept)[0] == 0
    assert command("compare", "--log", LOG, "PR3-000002", "PR3-000003", "--out", "compared")[0] == 0
    assert (
        command("signoff", "--log", LOG, "compared", "--decision", "accept", "--role", "test", *why)[0] == 0
    )
    text = (tmp_path / "station.toml").read_text()
    (tmp_path / "station.toml").write_text(text + 'baselines = ["base.toml"]\n')
    status, out, _ = command("archive", "retain", *where)
    assert status == 0
    assert {entry.serial for entry in archive.scan().entries} == set(serials) - {"PR3-000004"}
    status, out, _ = command("archive", "status", *where)
    assert next(line for line in out.splitlines() if line.startswith("named")).split()[1] == "3"
    (tmp_path / "base.toml").unlink()
    status, _, err = command("archive", "retain", *where)
    assert (status, "base.toml" in err) == (2, True)


def test_while_a_run_cannot_be_read_nothing_is_removed(command, station, archive):
    where = station("keep_days = {pass = 50}\n")
    there = filled(archive)
    (there["golden"].path / "archived.json").write_text("{}")
    status, _, err = command("archive", "retain", *where)
    assert status == 3
    assert "nothing is removed" in err
    assert there["golden"].path.name in err
    assert len(list(archive.scan().entries)) == 4
    assert there["old pass"].path.exists()


# What is said.


def test_the_status_tells_classes_growth_and_room(command, station, archive):
    where = station("most_gigabytes = 1\nkeep_days = {pass = 50}\n")
    status, out, _ = command("archive", "status", *where)
    assert (status, out.splitlines()[0]) == (0, "no captures are kept yet")
    filled(archive)
    status, out, _ = command("archive", "status", *where)
    assert status == 0
    lines = {line.split()[0]: line for line in out.splitlines() if line}
    assert lines["pass"].split()[1] == "2"
    assert lines["fail"].split()[-1] == "always"
    assert "50 days" in lines["pass"]
    assert "due to be removed: 1 run, " in out
    assert "taken from the last 2 days" in out
    assert "free on the disk" in out


def test_below_its_reserve_the_status_ends_with_three(command, station, archive, monkeypatch):
    usage = shutil.disk_usage(".")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=400_000))
    where = station()
    filled(archive)
    status, out, _ = command("archive", "status", *where)
    assert status == 3
    assert "✖ the reserve lacks 600 kB: runs are refused" in out
    assert "the disk reaches its reserve: now if nothing is removed" in out


def changed_file(archive, there):
    file = there["new pass"].files[0]
    path = there["new pass"].path / file.name
    path.chmod(0o644)
    path.write_bytes(b"other")
    return f"{file.name} of check {file.check} is missing or has other bytes than were archived"


def lost_file(archive, there):
    file = there["new pass"].files[0]
    (there["new pass"].path / file.name).unlink()
    return f"{file.name} of check {file.check} is missing or has other bytes"


def changed_index(archive, there):
    path = there["new pass"].path / "captures.toml"
    path.write_text(path.read_text().replace("PR3-004711", "PR3-004712"))
    return "captures.toml does not say what was archived"


def lost_run(archive, there):
    entry = there["new pass"]
    shutil.rmtree(entry.path)
    return f"record 4, run {entry.run_id}: object"


def renamed_run(archive, there):
    entry = there["new pass"]
    entry.path.rename(entry.path.with_name(entry.path.name[:-36] + "0" * 8 + entry.path.name[-28:]))
    return "is not the folder of this run"


def stranger(archive, there):
    (archive.runs / "2026-11" / "notes.txt").write_text("mine")
    return "notes.txt: does not belong here"


@pytest.mark.every_python
@pytest.mark.parametrize(
    "harm",
    [
        changed_file,
        lost_file,
        changed_index,
        lost_run,
        renamed_run,
        stranger,
    ],
)
def test_verify_names_what_is_wrong(command, station, archive, harm):
    where = station()
    there = filled(archive)
    assert command("archive", "verify", *where)[0] == 0
    (archive.runs / "2026-11").mkdir(exist_ok=True)
    expected = harm(archive, there)
    status, out, _ = command("archive", "verify", *where)
    assert status == 3
    assert expected in out
    assert "Traceback" not in out


def test_a_run_that_was_kept_and_cut_off_before_its_record_is_noted(command, station, archive):
    where = station()
    filled(archive)
    entry = added(archive, seed=50, recorded=False)
    status, _, err = command("archive", "verify", *where)
    assert status == 0
    assert f"run {entry.run_id} of PR3-004711: is not in the log" in err


def test_a_clock_that_is_far_ahead_removes_nothing_until_somebody_says_that_it_is_right(
    command, station, archive
):
    where = station("keep_days = {pass = 50}\n")
    entry = added(archive, days_old=100)
    assert "older than 50 days" in command("archive", "retain", *where, "--dry-run")[1]
    status, _, err = command("archive", "retain", *where)
    assert (status, "is its clock right?" in err) == (2, True)
    assert list(archive.scan().entries) == [entry]
    assert command("archive", "retain", *where, "--clock-is-right")[0] == 0
    assert list(archive.scan().entries) == []


def test_a_station_without_an_archive_says_so(command, tmp_path):
    write_small_files(tmp_path)
    for name in ("status", "retain", "verify"):
        status, _, err = command("archive", name, "--station", "station.toml")
        assert (status, "has no [archive]" in err) == (2, True)


def test_captures_that_are_not_kept_are_not_found(command, station, archive):
    where = station()
    status, _, err = command("archive", "find", *where, "PR3-004711")
    assert (status, "has no log yet" in err) == (2, True)
    run_unit(command, where, "--serial", "PR3-004711")
    status, _, err = command("archive", "find", *where, "PR3-004711")
    assert (status, "no captures of run" in err) == (2, True)
    assert not os.path.exists("archive/runs")
