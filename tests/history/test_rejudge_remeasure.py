import hashlib
import shutil
import uuid
from dataclasses import dataclass, replace

import pytest
from small_run import simulated, small_check, small_limits

from linecheck.captures.capture_set import write_capture_set
from linecheck.captures.judging import judge_folder
from linecheck.captures.workers import set_workers
from linecheck.history.rejudge.remeasure import (
    NO_CAPTURES,
    captures_archived,
    captures_kept,
    remeasure,
    with_captures,
)
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.log.archive import Archive
from linecheck.run.plan import make_plan


def limits_with(sinad=90.0):
    """Return a limit file of one short tone."""
    masks = {"sinad": Mask(Bounds(sinad)), "level": Mask(Bounds(3.5, 4.5))}
    return small_limits(small_check("tone", "tone", masks))


LIMITS = limits_with()


@dataclass
class Line:
    """A folder as a station leaves it: a log, and captures beside it."""

    folder: object
    captures: object
    outcome: object
    runs: int = 0

    @property
    def path(self):
        return self.folder / "log.sqlite"

    def add(self, *, kept=True, check=lambda check: check, **changes):
        """Store a run of a unit of its own, which is changed like this, and keep its captures."""
        self.runs += 1
        serial = f"PR3-{self.runs:06d}"
        checks = tuple(check(entry) for entry in self.outcome.checks)
        facts = {"run_id": str(uuid.uuid4()), "serial": serial, "checks": checks, **changes}
        run = replace(self.outcome, **facts)
        with Log(self.path) as log:
            log.append(run)
        if kept:
            place = self.folder / run.serial / f"20261120T081500Z-{run.run_id[:8]}" / "captures"
            shutil.copytree(self.captures, place)
            index = place / "captures.toml"
            index.write_text(index.read_text().replace("PR3-000000", serial))
        return run

    def remeasured(self, limits=LIMITS):
        """Measure everything anew; return what it comes to, and every run that is told of."""
        told = []
        found = with_captures(self.path, [limits], RunFilter(), [captures_kept(self.folder)])
        with LogReader(self.path) as log, set_workers(0) as workers:
            return remeasure(log, [limits], found, workers, told.append), told

    def hashes(self):
        """Return the hash of every file."""
        return {
            path: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in self.folder.rglob("*")
            if path.is_file()
        }


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A capture set of one tone, and what it is judged as."""
    plan, interface = make_plan(LIMITS), simulated()
    with interface:
        taken = {entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks}
    folder = write_capture_set(
        tmp_path_factory.mktemp("sets") / "set", taken, model=LIMITS.model, serial="PR3-000000"
    )
    return folder, judge_folder(folder, [LIMITS])


@pytest.fixture
def line(tmp_path, measured):
    return Line(tmp_path, *measured)


def with_sinad(change):
    """Return what changes the stored SINAD of a check by a multiple of its standard uncertainty."""

    def changed(check):
        def other(item):
            reading = item.reading
            if reading.metric != "sinad":
                return item
            return replace(item, reading=replace(reading, value=reading.value + change * reading.uncertainty))

        return replace(check, judged=replace(check.judged, readings=tuple(map(other, check.judged.readings))))

    return changed


def test_the_same_captures_by_the_same_limits_change_nothing(line):
    line.add()
    before = line.hashes()
    found, told = line.remeasured()
    assert found.transitions == {(Verdict.PASS, Verdict.PASS): 1}
    assert (found.remeasured.readings, found.remeasured.refused, found.remeasured.without, told) == (
        {},
        {},
        0,
        [],
    )
    assert line.hashes() == before


def test_another_mask_judges_what_is_measured_anew_and_says_why(line):
    line.add()
    before = line.hashes()
    found, (told,) = line.remeasured(limits_with(sinad=130.0))
    assert (told.before, told.after, told.newest) == (Verdict.PASS, Verdict.FAIL, True)
    assert {(cause.check, cause.metric, cause.limit) for cause in told.causes} == {("tone", "sinad", 130.0)}
    assert found.causes == {("worse", "tone", "sinad"): 1}
    assert line.hashes() == before


def test_another_stimulus_is_no_obstacle_where_its_captures_are_looked_at(line):
    # Of a tone the word length of the stimulus is no matter to a capture of it.
    line.add()
    masks = {"sinad": Mask(Bounds(90.0))}
    other = small_limits(small_check("tone", "tone", masks, bits=16))
    found, _ = line.remeasured(other)
    assert found.judged == 1


def test_a_reading_that_changed_beyond_its_expanded_uncertainty_is_told_and_one_within_it_is_not(line):
    line.add(check=with_sinad(1.9))
    run = line.add(check=with_sinad(-2.5))
    found, (told,) = line.remeasured()
    assert (told.serial, told.before, told.after) == (run.serial, Verdict.PASS, Verdict.PASS)
    assert {reading.metric for reading in told.readings} == {"sinad"}
    assert told.readings[0].ratio == pytest.approx(1.25)
    count = found.remeasured.readings["tone", "sinad"]
    assert (count.runs, count.largest) == (1, pytest.approx(1.25))
    assert found.changed == 0


def test_a_reading_that_is_measured_only_now_is_told(line):
    def unmeasured(check):
        readings = tuple(
            replace(item, reading=replace(item.reading, value=None)) if item.reading.metric == "thd" else item
            for item in check.judged.readings
        )
        return replace(check, judged=replace(check.judged, readings=readings))

    line.add(check=unmeasured)
    _, (told,) = line.remeasured()
    assert [(reading.metric, reading.before) for reading in told.readings] == [("thd", None)] * 2
    assert told.readings[0].after == pytest.approx(told.readings[1].after, abs=1.0)


def test_runs_without_captures_are_counted_and_cannot_be_told(line):
    line.add()
    line.add(kept=False)
    found, (told,) = line.remeasured()
    assert found.remeasured.without == 1
    assert (told.after, told.why) == (None, NO_CAPTURES)
    assert (found.untold, found.judged) == (1, 1)


def test_captures_that_are_not_those_of_the_run_judge_nothing(line):
    line.add(check=lambda check: replace(check, capture_sha256="00" * 32))
    found, (told,) = line.remeasured()
    assert told.after is None
    assert found.remeasured.refused == {"its captures are not those that were measured: tone": 1}


def test_captures_of_another_unit_judge_nothing(line):
    run = line.add()
    (index,) = line.folder.rglob("captures.toml")
    index.write_text(index.read_text().replace(run.serial, "PR3-000999"))
    found, _ = line.remeasured()
    assert found.remeasured.refused == {"its captures are of another unit": 1}


def test_captures_that_cannot_be_read_are_named_and_the_others_judged(line):
    line.add()
    (audio,) = line.folder.rglob("*.wav")
    audio.write_bytes(b"no sound")
    line.add()
    found, (told,) = line.remeasured()
    assert (told.after, found.judged) == (None, 1)
    ((why, count),) = found.remeasured.refused.items()
    assert (count, "tone.wav" in why) == (1, True)


def test_an_aborted_run_stays_one_and_a_failing_station_judges_nothing(line):
    line.add(aborted=True)
    line.add(station_failed=True)
    found, told = line.remeasured()
    assert found.transitions == {
        (Verdict.ABORTED, Verdict.ABORTED): 1,
        (Verdict.INVALID, Verdict.INVALID): 1,
    }
    assert not told


def test_a_run_id_and_a_serial_number_that_somebody_made_up_lead_nowhere(line):
    line.add()
    find = captures_kept(line.folder)
    found = with_captures(line.path, [LIMITS], RunFilter(), [find])
    run = found.facts[0]
    assert find(run) is not None
    for odd in ({"run_id": "../../x"}, {"run_id": "*" * 8}, {"serial": "../" + run.serial}, {"serial": "\0"}):
        assert find(replace(run, **odd)) is None


def test_captures_in_the_archive_are_found_and_stay_as_they_are(line, measured):
    run = line.add(kept=False)
    archive = Archive(line.folder / "archive")

    def write(folder):
        shutil.copytree(line.captures, folder, dirs_exist_ok=True)
        index = folder / "captures.toml"
        index.write_text(index.read_text().replace("PR3-000000", run.serial))

    archive.add(run, "all are", write)
    before = line.hashes()
    found = with_captures(line.path, [LIMITS], RunFilter(), [captures_archived(archive)])
    with LogReader(line.path) as log, set_workers(0) as workers:
        remeasured = remeasure(log, [limits_with(sinad=130.0)], found, workers, lambda run: None)
    assert remeasured.transitions == {(Verdict.PASS, Verdict.FAIL): 1}
    assert line.hashes() == before


def test_the_first_that_knows_of_captures_has_them(line):
    line.add(kept=False)
    asked = []
    folders = [line.captures, line.folder]

    def finder(folder):
        def find(run):
            asked.append(run.serial)
            return folder

        return find

    found = with_captures(line.path, [LIMITS], RunFilter(), [lambda run: None, *map(finder, folders)])
    assert found.folders == {0: line.captures}
    assert asked == ["PR3-000001"]
