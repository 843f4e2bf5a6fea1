"""A disk that takes no more, at every place of every file that a run writes: nothing is lost, half-written or untrue.

The limit is that of the system on the size of a file (RLIMIT_FSIZE), moved on by a little from one run to the next:
each run ends at another write. One process imports everything and forks one process a run.
"""

import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import pytest
from made_runs import made_run

from linecheck.files.durable import TEMPORARY_SUFFIX
from linecheck.log import Log, LogReader

TESTS = Path(__file__).parent.parent

#: Records a run as a station does, once for each limit, and says what each came to.
SCRIPT = """
import json, os, resource, sys
from pathlib import Path
from made_runs import large_run, made_run
from linecheck.cli.display.console import Console
from linecheck.errors import LinecheckError
from linecheck.line.recording import record_and_report
from linecheck.log import Log
from linecheck.results.files import run_files

folder, there, limits = Path(sys.argv[1]), sys.argv[2] == "there", json.loads(sys.argv[3])
made_run()
run = large_run(checks=6, points=400)

def work(place, shown):
    os.dup2(shown, 1)
    os.dup2(shown, 2)
    with Log(place / "log.sqlite") as log:
        files = run_files(place)
        status = record_and_report(run, log, [files], Console(), strict=False)
        log.state("self_check", "bench", {"met": True})
        return status

for limit in limits:
    place = folder / str(limit)
    place.mkdir()
    if there:
        Log(place / "log.sqlite").append(made_run())
    heard, shown = os.pipe()
    child = os.fork()
    if child == 0:
        status = 99
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        try:
            status = int(work(place, shown))
        except LinecheckError as error:
            status = 50 + int(error.exit_status)
            resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
            (place / "refused").write_text(str(error))
        finally:
            sys.stdout.flush()
            os._exit(status)
    os.close(shown)
    with open(heard) as told:
        (place / "shown").write_text(told.read())
    (place / "status").write_text(str(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])))
print(run.run_id)
"""


@pytest.fixture(scope="module", params=["a new log", "a log that is there"])
def swept(request, tmp_path_factory):
    """What runs left behind whose disk was full at one place each, by the place; and whose run it was."""
    folder = tmp_path_factory.mktemp("full")
    there = request.param == "a log that is there"
    limits = [*range(0, 60_000, 4096), *range(60_000, 400_000, 24_576), 2_000_000]
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(folder), "there" if there else "new", json.dumps(limits)],
        env={**os.environ, "PYTHONPATH": str(TESTS)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return [folder / str(limit) for limit in limits], done.stdout.strip(), there


def run_ids(place):
    path = place / "log.sqlite"
    if not path.exists() or not path.stat().st_size:
        return []
    with closing(sqlite3.connect(path)) as connection:
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'run'").fetchall():
            return []
        return [row[0] for row in connection.execute("SELECT run_id FROM run ORDER BY sequence")]


def test_each_ends_in_its_own_words_and_never_in_a_traceback(swept):
    places, _, _ = swept
    seen = set()
    for place in places:
        status = int((place / "status").read_text())
        seen.add(status)
        shown = (place / "shown").read_text()
        assert "Traceback" not in shown
        if status > 50:
            refused = (place / "refused").read_text()
            assert "the disk" in refused or "File too large" in refused, (place.name, refused)
        else:
            assert status in (0, 3), (place.name, status, shown)
    assert 0 in seen  # with room enough all is well,
    assert 3 in seen or 53 in seen  # and without it was not


def test_a_verdict_is_shown_only_of_what_is_recorded(swept):
    places, run_id, _ = swept
    for place in places:
        status = int((place / "status").read_text())
        shown = (place / "shown").read_text()
        recorded = run_id in run_ids(place)
        if status == 0 or "PASS" in shown.splitlines()[:1]:
            assert recorded, place.name
        if shown and "not be recorded" in shown:
            assert not recorded, place.name


def test_no_file_is_half_there(swept):
    places, run_id, _ = swept
    whole = 0
    for place in places:
        if (place / "result.json").exists():
            assert json.loads((place / "result.json").read_text())["run"] == run_id
            whole += 1
        if (place / "junit.xml").exists():
            ElementTree.fromstring((place / "junit.xml").read_text())
        assert not [name for name in os.listdir(place) if name.endswith(TEMPORARY_SUFFIX)]
    assert 0 < whole < len(places)


def test_the_log_verifies_and_goes_on_once_there_is_room(swept):
    places, _, there = swept
    for place in places[::3]:
        before = run_ids(place)
        assert len(before) == len(set(before))
        assert there <= len(before) <= there + 1
        with Log(place / "log.sqlite") as log:
            assert log.verify().intact
            log.append(made_run())
        with LogReader(place / "log.sqlite") as log:
            assert [run.run_id for run in log.runs()][::-1][:-1] == before
            assert log.verify().intact
