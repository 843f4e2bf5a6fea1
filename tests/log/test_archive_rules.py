"""Which captures are kept, which go and when, what there is room for, how an archive grows: rules on what is there."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_archive import NOW, run_number
from made_runs import LIMITS, made_check, made_reading, made_run
from pydantic import ValidationError

from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.log.archive.entries import Entry, KeptFile
from linecheck.log.archive.forecast import by_class, daily_bytes, forecast
from linecheck.log.archive.free_space import (
    LOG_RESERVE_BYTES,
    RECORD_BYTES,
    Disk,
    captures_bytes,
    room_for,
    room_for_record,
)
from linecheck.log.archive.keeping import PassCount, keeping
from linecheck.log.archive.retention import (
    GIGABYTE,
    GOES_FOR_ROOM,
    Retention,
    removals,
    retention,
    total_bytes,
)
from linecheck.run.plan import make_plan
from linecheck.station.config.archive import KEPT_CLASSES, ArchiveConfig
from linecheck.station.config.load import load_station
from linecheck.station.config.station import CaptureConfig

# What is kept.


def config(**facts):
    return ArchiveConfig(folder="archive", **facts)


@pytest.mark.parametrize("verdict", Verdict)
@pytest.mark.parametrize("purpose", ["golden", "challenge"])
def test_runs_that_judge_the_station_are_kept_always(verdict, purpose):
    keep = keeping(config(keep=()), verdict, purpose, 3)
    assert keep.kept
    assert purpose in keep.why


@pytest.mark.parametrize("verdict", [each for each in Verdict if each is not Verdict.PASS])
@given(
    named=st.sets(st.sampled_from(["fail", "marginal", "invalid", "aborted"])), passes=st.integers(0, 10**9)
)
def test_of_other_verdicts_those_that_are_named_are_kept(verdict, named, passes):
    keep = keeping(config(keep=tuple(named)), verdict, "unit", passes)
    assert keep.kept == (verdict.value in named)
    assert verdict.value in keep.why


@given(every=st.integers(1, 500), passes=st.integers(0, 10**9))
def test_of_so_many_passes_in_a_row_one_is_kept(every, passes):
    policy = config(every_nth_pass=every)
    kept = [keeping(policy, Verdict.PASS, "unit", passes + at).kept for at in range(every)]
    assert kept.count(True) == 1


def test_no_pass_is_kept_unless_the_station_says_so():
    assert not keeping(config(), Verdict.PASS, "unit", 99).kept
    keep = keeping(config(every_nth_pass=50), Verdict.PASS, "unit", 49)
    assert (keep.kept, keep.why) == (
        True,
        "pass 50 of this model at this station (archive.every_nth_pass = 50)",
    )
    assert "the next kept is 100" in keeping(config(every_nth_pass=50), Verdict.PASS, "unit", 50).why


def test_passes_of_units_are_counted_by_station_and_model_however_the_log_grows(tmp_path):
    golden = made_run(purpose="golden")
    failed = made_run(made_check(made_reading(Verdict.FAIL, 100.0)))
    with Log(tmp_path / "log.sqlite") as log:
        count = PassCount("line-2-nest-a", "pellow-r3")
        assert count.so_far(log) == 0
        for run in (made_run(), failed, golden, made_run(station="other"), made_run(model="other")):
            log.append(run)
        assert count.so_far(log) == 1
        log.append(made_run())
        log.state("note", "nobody", {})
        log.append(made_run())
        assert count.so_far(log) == 3
        assert PassCount("line-2-nest-a", "pellow-r3").so_far(log) == 3
        assert PassCount("line-2-nest-a", "other").so_far(log) == 1


def test_passes_are_counted_from_the_newest_that_says_its_number(tmp_path):
    def run(why, **changes):
        return made_run(captures_why=why, **changes)

    with Log(tmp_path / "log.sqlite") as log:
        for each in (
            run("not kept: pass 41 of this model at this station; the next kept is 50 (…)"),
            run("kept: pass 90 of this model at this station (…)", model="other"),
            run("kept: asked for (--keep-captures)"),
            run("a note: pass 70 of this model at this station"),
            run(None),
        ):
            log.append(each)
        count = PassCount("line-2-nest-a", "pellow-r3")
        assert count.so_far(log) == 44
        log.append(run("not kept: pass 45 of this model at this station; the next kept is 50 (…)"))
        assert count.so_far(log) == 45
        assert PassCount("line-2-nest-a", "pellow-r3").so_far(log) == 45


# What goes.

_CLASSES = {
    "pass": (Verdict.PASS, "unit"),
    "marginal": (Verdict.MARGINAL, "unit"),
    "fail": (Verdict.FAIL, "unit"),
    "invalid": (Verdict.INVALID, "unit"),
    "aborted": (Verdict.ABORTED, "unit"),
    "golden": (Verdict.FAIL, "golden"),
    "challenge": (Verdict.PASS, "challenge"),
}


def entry(number, kind="pass", days_old=0.0, sizes=(100,), linked=True):
    """Return an entry with captures of these sizes."""
    verdict, purpose = _CLASSES[kind]
    files = tuple(
        KeptFile(f"{at}.flac", f"{number:060x}{at:04x}.flac", size, str(at)) for at, size in enumerate(sizes)
    )
    return Entry(
        run_id=run_number(number),
        path=Path(f"runs/{number}"),
        verdict=verdict,
        purpose=purpose,
        model="pellow-r3",
        serial="PR3-000001",
        station="bench",
        started=NOW - timedelta(days=days_old),
        why="",
        files=files,
        linked=linked,
    )


@st.composite
def archives(draw):
    made = draw(
        st.lists(
            st.tuples(
                st.sampled_from(sorted(_CLASSES)),
                st.floats(-3, 400),
                st.lists(st.integers(1, 5000), min_size=1, max_size=3),
                st.booleans(),
            ),
            max_size=12,
        )
    )
    return [
        entry(number, kind, days, tuple(sizes), linked)
        for number, (kind, days, sizes, linked) in enumerate(made)
    ]


@st.composite
def policies(draw):
    return Retention(
        draw(st.dictionaries(st.sampled_from(KEPT_CLASSES), st.integers(1, 400), max_size=8)),
        draw(st.none() | st.integers(1, 30_000)),
        draw(st.just(0) | st.integers(0, 30_000)),
        frozenset(run_number(number) for number in draw(st.sets(st.integers(0, 12), max_size=4))),
    )


def split(entries, policy):
    """Return what goes and what stays."""
    gone = removals(entries, policy, NOW)
    paths = {removal.entry.path for removal in gone}
    return gone, [each for each in entries if each.path not in paths]


def freed_bytes(gone):
    return total_bytes(removal.entry for removal in gone)


def is_old(each, policy):
    days = policy.keep_days.get(policy.class_of(each))
    return days is not None and NOW - each.started > timedelta(days=days)


def assert_what_is_past_its_time_goes_and_what_is_protected_goes_by_age_alone(entries, policy):
    gone, stays = split(entries, policy)
    assert not any(is_old(each, policy) for each in stays)
    for removal in gone:
        if not is_old(removal.entry, policy):
            assert policy.class_of(removal.entry) in GOES_FOR_ROOM
            assert policy.most_bytes is not None or policy.class_of(removal.entry) == "pass"
            assert policy.most_bytes is not None or policy.missing_bytes > 0


def assert_the_limit_is_met_unless_nothing_is_left_that_may_go(entries, policy):
    _, stays = split(entries, policy)
    if policy.most_bytes is not None and total_bytes(stays) > policy.most_bytes:
        assert not any(policy.class_of(each) in GOES_FOR_ROOM for each in stays)


def assert_the_reserve_is_had_again_unless_no_pass_is_left(entries, policy):
    gone, stays = split(entries, policy)
    if freed_bytes(gone) < policy.missing_bytes:
        assert not any(policy.class_of(each) == "pass" for each in stays)


def assert_no_more_goes_than_must(entries, policy):
    gone, _ = split(entries, policy)
    for at, removal in enumerate(gone):
        if is_old(removal.entry, policy):
            continue
        before = [each for each in entries if each.path not in {other.entry.path for other in gone[:at]}]
        too_much = policy.most_bytes is not None and total_bytes(before) > policy.most_bytes
        assert too_much or freed_bytes(gone[:at]) < policy.missing_bytes


def assert_the_oldest_of_the_first_class_goes_first(entries, policy):
    only_room = replace(policy, keep_days={}, missing_bytes=0)
    gone, stays = split(entries, only_room)
    order = [
        (GOES_FOR_ROOM.index(only_room.class_of(each.entry)), each.entry.started, each.entry.run_id)
        for each in gone
    ]
    assert order == sorted(order)
    for each in stays:
        if gone and only_room.class_of(each) in GOES_FOR_ROOM:
            rank = (GOES_FOR_ROOM.index(only_room.class_of(each)), each.started, each.run_id)
            assert rank > order[-1]


@given(archives(), policies())
@settings(max_examples=60, deadline=None)
def test_what_goes_and_what_stays(entries, policy):
    assert_what_is_past_its_time_goes_and_what_is_protected_goes_by_age_alone(entries, policy)
    assert_the_limit_is_met_unless_nothing_is_left_that_may_go(entries, policy)
    assert_the_reserve_is_had_again_unless_no_pass_is_left(entries, policy)
    assert_no_more_goes_than_must(entries, policy)
    assert_the_oldest_of_the_first_class_goes_first(entries, policy)


@given(archives(), policies(), st.randoms())
@settings(max_examples=25, deadline=None)
def test_it_follows_from_what_is_there_and_the_second_time_nothing_goes(entries, policy, random):
    gone, stays = split(entries, policy)
    assert len(gone) + len(stays) == len(entries)
    again = replace(policy, missing_bytes=max(0, policy.missing_bytes - freed_bytes(gone)))
    if not again.missing_bytes:
        assert removals(stays, again, NOW) == []
    shuffled = list(entries)
    random.shuffle(shuffled)
    assert removals(shuffled, policy, NOW) == gone


def test_a_run_goes_the_day_after_its_last():
    policy = Retention({"pass": 10})
    assert removals([entry(1, days_old=10)], policy, NOW) == []
    gone = removals([entry(1, days_old=10.001)], policy, NOW)
    assert [removal.why for removal in gone] == ["older than 10 days (archive.keep_days.pass)"]


def test_what_is_named_goes_by_its_own_age_and_never_for_room():
    named = frozenset([run_number(1)])
    old = entry(1, days_old=100)
    assert removals([old], Retention({"pass": 10}, 1, 10**6, named), NOW) == []
    gone = removals([old], Retention({"pass": 1000, "named": 90}, None, 0, named), NOW)
    assert [removal.why for removal in gone] == ["older than 90 days (archive.keep_days.named)"]


def test_a_clock_that_is_behind_removes_nothing_by_age():
    assert removals([entry(1, days_old=-5)], Retention({"pass": 1}), NOW) == []


def test_the_policy_is_the_configs():
    policy = retention(
        config(most_gigabytes=1.5, reserve_gigabytes=2, keep_days={"pass": 3}), ["a"], GIGABYTE
    )
    assert policy == Retention({"pass": 3}, 1_500_000_000, GIGABYTE, frozenset(["a"]))
    assert retention(config(), (), 3 * GIGABYTE).missing_bytes == 0


# How it grows.

TODAY = NOW.date()


def steady(days, size=1000, kind="pass", per_day=2, until=1):
    """Return a run or more on each of so many days, the last of them yesterday."""
    return [
        entry(10_000 * day + each, kind, day, (size,))
        for day in range(until, until + days)
        for each in range(per_day)
    ]


def test_the_rate_is_that_of_the_days_on_which_something_was_kept():
    rates, days = daily_bytes(steady(20), Retention(), TODAY)
    assert (rates, days) == ({"pass": pytest.approx(2000.0)}, 20)
    weekdays = [each for each in steady(28) if each.started.weekday() < 5]
    rates, days = daily_bytes(weekdays, Retention(), TODAY)
    assert days == 20
    assert rates["pass"] == pytest.approx(2000.0 * 5 / 7, rel=0.05)


def test_one_day_unlike_the_others_changes_little():
    odd = [*steady(20), *(entry(900_000 + each, "fail", 5, (10**6,)) for each in range(20))]
    rates, _ = daily_bytes(odd, Retention(), TODAY)
    assert sum(rates.values()) == pytest.approx(2000.0)


def test_the_day_that_is_not_over_counts_only_alone():
    started = entry(1, days_old=0, sizes=(10,))
    assert daily_bytes([started], Retention(), TODAY) == ({"pass": 10.0}, 1)
    rates, days = daily_bytes([started, *steady(20)], Retention(), TODAY)
    assert (rates["pass"], days) == (pytest.approx(2000.0), 20)
    assert daily_bytes([], Retention(), TODAY) == ({}, 0)
    assert daily_bytes(steady(3, until=200), Retention(), TODAY) == ({}, 0)


def test_without_removal_the_reserve_is_reached_when_the_room_is_used_up():
    ahead = forecast(steady(20), Retention(), TODAY, 500_000, 100_000)
    assert ahead.bytes_per_day == pytest.approx(2000.0)
    assert ahead.reserve_without == ahead.reserve_with == TODAY + timedelta(days=201)
    assert (ahead.limit_without, ahead.limit_with) == (None, None)


def test_what_goes_by_age_makes_room():
    # 20 days of 2000 bytes stay: at most 42 000 are there, and the room is never used up.
    ahead = forecast(steady(20), Retention({"pass": 20}), TODAY, 50_000, 0)
    assert ahead.reserve_without == TODAY + timedelta(days=26)
    assert ahead.reserve_with is None
    # With a limit below the room passes go, and only without removal is it reached.
    ahead = forecast(steady(20), Retention({}, 60_000), TODAY, 50_000, 0)
    assert ahead.limit_without == ahead.limit_with == TODAY + timedelta(days=11)
    assert (ahead.reserve_without, ahead.reserve_with) == (TODAY + timedelta(days=26), None)


def test_a_reserve_that_is_missing_now_is_said_for_today():
    ahead = forecast(steady(20), Retention(), TODAY, 10, 20)
    assert ahead.reserve_without == TODAY


@given(archives(), policies(), st.integers(0, 10**6), st.integers(0, 10**5))
@settings(max_examples=25, deadline=None)
def test_removing_never_brings_the_end_nearer(entries, policy, free, reserve):
    ahead = forecast(entries, policy, TODAY, free, reserve)
    never = date.max
    assert (ahead.reserve_with or never) >= (ahead.reserve_without or never)
    assert (ahead.limit_with or never) >= (ahead.limit_without or never)
    assert ahead.bytes_per_day >= 0.0


def test_each_class_is_told_apart():
    entries = [entry(1, "pass", 9), entry(2, "pass", 2), entry(3, "golden", 5), entry(4, "fail", 1)]
    totals = by_class(entries, Retention(named=frozenset([run_number(4)])))
    assert [(each.kept_class, each.runs, each.size_bytes) for each in totals] == [
        ("pass", 2, 200),
        ("golden", 1, 100),
        ("named", 1, 100),
    ]
    assert (totals[0].oldest, totals[0].newest) == (NOW - timedelta(days=9), NOW - timedelta(days=2))


# What there is room for.


def test_captures_need_four_bytes_for_each_sample_of_stimulus_and_tail():
    plan = make_plan(LIMITS)
    (planned,) = plan.checks
    capture = CaptureConfig(rate_hz=192_000, tail_seconds=0.5)
    needed = captures_bytes(plan, capture)
    samples = planned.stimulus.seconds * 192_000 * 2
    assert needed >= samples * 4 + 0.5 * 192_000 * 2 * 4
    assert needed <= samples * 4 + 2.0 * 192_000 * 2 * 4
    more = captures_bytes(plan, CaptureConfig(rate_hz=192_000, channels=(1, 2, 3, 4), tail_seconds=0.5))
    assert more > 1.9 * needed


@given(
    needed=st.integers(0, 10**11),
    reserve=st.floats(0, 100),
    free=st.integers(0, 10**12),
)
def test_a_run_starts_only_where_its_captures_and_its_record_leave_the_reserve(needed, reserve, free):
    refusal = room_for(needed, config(reserve_gigabytes=reserve), Disk("archive", free, 10**12))
    assert (refusal is None) == (free >= needed + RECORD_BYTES + round(reserve * GIGABYTE))


def test_a_refusal_says_what_is_missing_where_and_what_to_do():
    refusal = room_for(
        20_000_000, config(reserve_gigabytes=2), Disk("results/archive", 1_900_000_000, 10**12)
    )
    assert "has 1.9 GB free" in refusal
    assert "20 MB must leave 2.0 GB" in refusal
    assert "results/archive" in refusal
    assert "linecheck archive retain" in refusal


def test_the_disk_of_the_log_keeps_room_for_the_record():
    enough = RECORD_BYTES + LOG_RESERVE_BYTES
    assert room_for_record(Disk("log", enough, 10**12)) is None
    assert "has 100 MB free" in room_for_record(Disk("log", enough - 1, 10**12))


# What a station config says.

STATION = 'format = 1\nstation = "bench"\ninterface = "simulated"\nmains_hz = 50\n'


def loaded(tmp_path, text):
    (tmp_path / "station.toml").write_text(STATION + text)
    return load_station(tmp_path / "station.toml").config


def test_a_station_without_the_table_has_no_archive(tmp_path):
    assert loaded(tmp_path, '[records]\ncaptures = "failed"\n').archive is None


def test_everything_can_be_said_in_the_table(tmp_path):
    found = loaded(
        tmp_path,
        '[archive]\nfolder = "a"\nkeep = ["fail"]\nevery_nth_pass = 50\nmost_gigabytes = 500\nreserve_gigabytes = 0.5\n'
        'baselines = ["b.toml"]\nkeep_days = {pass = 90, golden = 3650, named = 4000}\n',
    ).archive
    assert found == config(
        keep=("fail",),
        every_nth_pass=50,
        most_gigabytes=500.0,
        reserve_gigabytes=0.5,
        baselines=("b.toml",),
        keep_days={"pass": 90, "golden": 3650, "named": 4000},
    ).model_copy(update={"folder": "a"})


@pytest.mark.parametrize(
    "facts",
    [
        {"keep": ["pass"]},
        {"keep": ["fail", "fail"]},
        {"every_nth_pass": -1},
        {"every_nth_pass": 1.5},
        {"keep_days": {"pass": 0}},
        {"keep_days": {"others": 3}},
        {"most_gigabytes": 0},
        {"reserve_gigabytes": -1},
        {"reserve_gigabytes": float("nan")},
        {"baselines": ["a", "a"]},
        {"unknown": 1},
    ],
)
def test_what_makes_no_sense_is_refused(facts):
    with pytest.raises(ValidationError):
        config(**facts)


def test_captures_are_kept_in_one_place(tmp_path):
    from linecheck.errors import FileFaults

    with pytest.raises(FileFaults, match=r"leave records\.captures out"):
        loaded(tmp_path, '[records]\ncaptures = "all"\n[archive]\nfolder = "a"\n')
