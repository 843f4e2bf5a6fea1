"""Plans: random and balanced, the same from the same seed, refused where they tell nothing or were edited."""

import json
from collections import Counter
from itertools import pairwise

import pytest

from linecheck.errors import FileError, UsageError
from linecheck.statistics.gauge.plan import Entry, StudyRun, assigned, plan_bytes, planned, read_plan

UNITS = [f"PR3-{number:06d}" for number in range(1, 7)]


def made(units=UNITS, repeats=3, **what):
    facts = {"seed": 5, "made": "2026-12-01T08:00:00Z", **what}
    return planned("pellow-r3", "ab" * 32, units, repeats, **facts)


NESTS = {"factor": "nest", "levels": ("a", "b")}


@pytest.mark.parametrize(
    "what", [{}, NESTS, {"factor": "operator", "levels": ("Ann", "Bo", "Cy")}, {**NESTS, "nested": True}]
)
def test_every_unit_comes_as_often_at_each_level_and_never_twice_in_a_row(what):
    plan = made(**what)
    counted = Counter((entry.unit, entry.level) for entry in plan.entries)
    assert set(counted.values()) == {3}
    levels = plan.levels or ("",)
    assert set(counted) == {
        (unit, level) for level in levels for unit in (plan.units_of(level) if what else UNITS)
    }
    for level in plan.levels if plan.is_by_place else ("",):
        here = [entry.unit for entry in plan.at({"nest": level})]
        assert all(one != other for one, other in pairwise(here))
        # Each repeat is a block of all units.
        assert {entry.repeat for entry in plan.at({"nest": level})[: len(set(here))]} == {1}


def test_the_seed_decides_the_order():
    assert made(**NESTS).entries == made(**NESTS).entries
    assert made(**NESTS).entries != made(**NESTS, seed=6).entries
    assert made(**NESTS).id != made(**NESTS, seed=6).id


def test_days_follow_each_other():
    plan = made(factor="day", levels=("day 1", "day 2"))
    assert [entry.level for entry in plan.entries] == ["day 1"] * 18 + ["day 2"] * 18


@pytest.mark.parametrize(
    ("what", "why"),
    [
        ({"units": UNITS[:1]}, "one unit cannot tell"),
        ({"repeats": 1}, "without repeats"),
        ({"factor": "nest", "levels": ("a",)}, "one nest cannot be told from another"),
        ({"units": [*UNITS, UNITS[0]]}, "named twice"),
        ({"factor": "nest", "levels": ("a", "a")}, "named twice"),
        ({**NESTS, "nested": True, "units": UNITS[:5]}, "cannot be shared out"),
        ({**NESTS, "nested": True, "units": UNITS[:2]}, "cannot be shared out"),
        ({"factor": "day", "levels": ("day 1", "day 2"), "nested": True}, "nested in days"),
        ({"nested": True}, "nested in operators"),
        ({"repeats": 900}, "at most 2000"),
        ({"reference": {"PR3-000099": "fail"}}, "none of the units"),
        ({"reference": {UNITS[0]: "fail"}}, "of all, or of none"),
    ],
)
def test_a_plan_that_tells_nothing_is_refused(what, why):
    with pytest.raises(UsageError, match=why):
        made(**what)


def test_a_plan_comes_back_from_its_file(tmp_path):
    plan = made(**NESTS, reference=dict.fromkeys(UNITS, "pass"))
    (tmp_path / "plan.json").write_bytes(plan_bytes(plan))
    assert read_plan(tmp_path / "plan.json") == plan


EDITS = {
    "order": lambda plan: plan["runs"].reverse(),
    "a run": lambda plan: plan["runs"].pop(),
    "a unit": lambda plan: plan["units"].__setitem__(0, "PR3-000009"),
    "the seed": lambda plan: plan.update(seed=6),
    "the hash": lambda plan: plan.update(sha256="0" * 64),
    "the model": lambda plan: plan.update(model="pellow-r4"),
    "a key": lambda plan: plan.update(more=1),
    "repeats": lambda plan: plan.update(repeats=True),
    "no hash": lambda plan: plan.pop("sha256"),
    "units": lambda plan: plan.update(units=None),
}


@pytest.mark.parametrize("edit", EDITS)
def test_a_plan_that_was_edited_is_refused(edit, tmp_path):
    content = made(**NESTS).content
    EDITS[edit](content)
    (tmp_path / "plan.json").write_text(json.dumps(content))
    with pytest.raises(FileError, match=r"edited|no plan"):
        read_plan(tmp_path / "plan.json")


def test_the_order_is_what_stands_in_the_file_whatever_python_makes_of_the_seed(tmp_path):
    plan = made(**NESTS)
    other = plan.model_copy(update={"runs": plan.runs[::-1]})
    (tmp_path / "plan.json").write_bytes(plan_bytes(other))
    assert read_plan(tmp_path / "plan.json").entries == plan.entries[::-1]


def test_a_plan_with_a_hash_of_its_own_still_has_the_runs_of_its_units(tmp_path):
    plan = made(**NESTS)
    for runs in (plan.runs[1:], (*plan.runs[1:], plan.runs[1])):
        (tmp_path / "plan.json").write_bytes(plan_bytes(plan.model_copy(update={"runs": runs})))
        with pytest.raises(FileError, match="its runs are not those"):
            read_plan(tmp_path / "plan.json")


@pytest.mark.parametrize("content", [b"", b"[" * 100_000, b"\xff\x00", b"3", b'{"sha256": 1, "runs": {}}'])
def test_what_is_no_plan_is_refused(content, tmp_path):
    (tmp_path / "plan.json").write_bytes(content)
    with pytest.raises(FileError, match="no plan"):
        read_plan(tmp_path / "plan.json")


def runs_of(plan, places=("a", "b")):
    """Return the plan's runs as the log has them, place after place."""
    entries = [entry for place in places for entry in plan.at({"nest": place})]
    return [
        StudyRun(number, entry.unit, "pass", {"nest": entry.level or None, "station": "bench"})
        for number, entry in enumerate(entries, 1)
    ]


def test_runs_are_those_of_the_plan_whichever_nest_was_first():
    plan = made(**NESTS)
    for places in (("a", "b"), ("b", "a")):
        found = assigned(plan, runs_of(plan, places))
        assert set(found) == set(plan.entries)
        assert all(entry.unit == run.serial for entry, run in found.items())


def test_an_invalid_run_is_made_again_and_counts_for_nothing():
    plan = made(**NESTS)
    runs = runs_of(plan)
    again = StudyRun(0, runs[0].serial, "invalid", runs[0].place)
    found = assigned(plan, [again, *runs])
    assert len(found) == len(plan.entries)
    assert found[Entry(runs[0].serial, "a", 1)].record == 1


def test_a_run_that_the_plan_did_not_have_next_is_named():
    plan = made(**NESTS)
    runs = runs_of(plan)
    with pytest.raises(UsageError, match="record 2 is not what the plan"):
        assigned(plan, [runs[1]])
    with pytest.raises(UsageError, match="after the last"):
        assigned(plan, [*runs, runs[0]])
