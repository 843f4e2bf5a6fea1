"""A disk that takes no more, at every place of every file that a run writes: nothing is lost, half-written or untrue.

The limit is that of the system on the size of a file (RLIMIT_FSIZE), moved on by a little from one run to the next:
each run ends at another write.
"""

import itertools
import json
import os
import sqlite3
from contextlib import closing
from xml.etree import ElementTree

import pytest
from forked import answer
from log_processes import record_on_full_disk
from made_runs import made_run

from linecheck.files.durable import TEMPORARY_SUFFIX
from linecheck.log import Log, LogReader

#: Where the disk is full: at each of some writes of a log that is made, or of a run and its files.
SOME = [0, 4096, 40_000, 90_000, 160_000, 300_000, 2_000_000]
EVERYWHERE = [*range(0, 60_000, 4096), *range(60_000, 400_000, 24_576), 2_000_000]


@pytest.fixture(
    scope="module",
    params=[
        *itertools.product(["a new log", "a log that is there"], [SOME]),
        *(
            pytest.param((each, EVERYWHERE), marks=pytest.mark.soak)
            for each in ("a new log", "a log that is there")
        ),
    ],
    ids=lambda each: f"{each[0]}, {len(each[1])} places",
)
def swept(request, tmp_path_factory):
    """What runs left behind whose disk was full at one place each, with what each came to."""
    log, limits = request.param
    folder = tmp_path_factory.mktemp("full")
    places = {}
    for limit in limits:
        place = folder / str(limit)
        place.mkdir()
        if log == "a log that is there":
            with Log(place / "log.sqlite") as there:
                there.append(made_run())
        places[place] = answer(record_on_full_disk, place, limit)
    return places, log == "a log that is there"


def run_ids(place):
    path = place / "log.sqlite"
    if not path.exists() or not path.stat().st_size:
        return []
    with closing(sqlite3.connect(path)) as connection:
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'run'").fetchall():
            return []
        return [row[0] for row in connection.execute("SELECT run_id FROM run ORDER BY sequence")]


def test_each_ends_in_its_own_words_and_never_in_a_traceback(swept):
    seen = set()
    for place, (_, status, shown, refused) in swept[0].items():
        seen.add(status)
        assert "Traceback" not in shown
        if refused:
            assert "the disk" in refused or "File too large" in refused, (place.name, refused)
        else:
            assert status in (0, 3), (place.name, status, shown)
    assert 0 in seen  # with room enough all is well,
    assert seen & {3, None}  # and without it was not


def test_a_verdict_is_shown_only_of_what_is_recorded(swept):
    for place, (run_id, status, shown, _) in swept[0].items():
        recorded = run_id in run_ids(place)
        if status == 0 or "PASS" in shown.splitlines()[:1]:
            assert recorded, place.name
        if shown and "not be recorded" in shown:
            assert not recorded, place.name


def test_no_file_is_half_there(swept):
    places, _ = swept
    whole = 0
    for place, (run_id, *_) in places.items():
        if (place / "result.json").exists():
            assert json.loads((place / "result.json").read_text())["run"] == run_id
            whole += 1
        if (place / "junit.xml").exists():
            ElementTree.fromstring((place / "junit.xml").read_text())
        assert not [name for name in os.listdir(place) if name.endswith(TEMPORARY_SUFFIX)]
    assert 0 < whole < len(places)


def test_the_log_verifies_and_goes_on_once_there_is_room(swept):
    places, there = swept
    for place in list(places)[::3]:
        before = run_ids(place)
        assert len(before) == len(set(before))
        assert there <= len(before) <= there + 1
        with Log(place / "log.sqlite") as log:
            assert log.verify().intact
            log.append(made_run())
        with LogReader(place / "log.sqlite") as log:
            assert [run.run_id for run in log.runs()][::-1][:-1] == before
            assert log.verify().intact
