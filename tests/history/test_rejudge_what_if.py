import random
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_runs import made_check, made_curve, made_reading, made_run
from small_run import small_check, small_limits

from linecheck.checks.base import Curve, Measurement, Problem, Reading
from linecheck.errors import FileError, RecordError
from linecheck.history.rejudge.basis import Basis
from linecheck.history.rejudge.causes import Cause, counted
from linecheck.history.rejudge.layouts import PART, ROW, Item, Layouts
from linecheck.history.rejudge.tally import Yield, unit_yield
from linecheck.history.rejudge.what_if import Wanted, what_if
from linecheck.limits.decision import judge_measurement
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.run.model import CheckOutcome

METRICS = ("sinad", "level", "thd", "balance")
GRIDS = ((20.0, 200.0, 2000.0, 20000.0), (100.0, 1000.0), (20.0, 20000.0))
NAMES = ("tone", "second", "third")
CHANNELS = ("left", "right")


def logged(folder, *runs):
    """Store runs in a log and return where it is."""
    path = folder / "log.sqlite"
    with Log(path) as log:
        for run in runs:
            log.append(run)
    return path


def everything(path, limits, runs=RunFilter(), **changes):  # noqa: B008 - it never changes
    """Return what judging a log once more comes to, and every run that it tells of."""
    told = []

    def hear(run):
        told.append(run)
        return True

    return what_if(path, [limits], runs, Wanted(hear, **changes), batch=3), told


class Maker:
    """Makes up limit files and runs, from a seed: most of a run is in order, and anything may be odd."""

    def __init__(self, seed):
        self.random = random.Random(seed)

    def seldom(self, one_in=8):
        return self.random.randrange(one_in) == 0

    def value(self):
        """Return a value that most masks pass, or one that often lies on a limit, or a guarded one."""
        return self.random.choice([0.0] * 24 + [0.5, -0.5, 1.0, -1.0, 1.5, -1.5, 2.0, -2.0, 3.0, -3.0])

    def bounds(self, *more):
        lower = self.random.choice([None, -0.5, -1.0, -1.0, -2.0, *more])
        upper = self.random.choice([None, 0.5, 1.0, 1.0, 2.0, *more])
        return Bounds(lower, upper)

    def mask(self, *more):
        outer = Bounds(
            self.random.choice([None, -1.5, -2.0, -3.0]), self.random.choice([None, 1.5, 2.0, 3.0])
        )
        return Mask(self.bounds(*more), self.random.choice([None, outer, self.bounds(*more)]))

    def limits(self):
        """Return a limit file with some of the checks; their stimulus now and then is another."""
        checks = []
        names = [NAMES[0], *NAMES[1:2] * (not self.seldom(5)), *NAMES[2:] * self.seldom(5)]
        for name in names:
            masks = {
                metric: self.mask()
                for metric in METRICS
                if self.seldom(3) or (name, metric) == ("tone", "sinad")
            }
            if self.seldom(4):
                masks["spectrum"] = self.mask(((20.0, -2.0), (20000.0, 2.0)), ((100.0, 1.0), (1000.0, 2.0)))
            frequency = 1009.0 if self.seldom(8) else 997.0
            checks.append(small_check(name, "tone", masks, frequency_hz=frequency))
        return replace(small_limits(*checks), decision=self.random.choice(["simple", "guarded"]))

    def reading(self, metric, channel):
        value = None if self.seldom(150) else self.value()
        uncertainty = None if self.seldom(150) else self.random.choice([0.0, 0.0, 0.25, 0.5])
        return Reading(metric, channel, value, "dB", uncertainty, self.seldom(40))

    def curve(self, channel):
        x = np.array(self.random.choice([GRIDS[0]] * 8 + list(GRIDS)))
        y = np.array([0.5 * self.value() for _ in x])
        spread = None if self.seldom(20) else np.full(len(x), self.random.choice([0.0, 0.25]))
        return Curve("spectrum", channel, x, "Hz", y, "dB", self.random.choice([None, 5.0]), spread)

    def problems(self):
        channel = self.random.choice([*CHANNELS, None])
        return (Problem("dropout", "it broke off", channel, self.seldom(2)),) if self.seldom(10) else ()

    def check(self, check, limits):
        """Return a check as it is measured; also readings that a problem of it makes void."""
        pairs = [(metric, channel) for metric in METRICS for channel in CHANNELS if metric != "balance"]
        wanted = [*pairs, ("balance", None)] + ([("sinad", None), pairs[0]] if self.seldom() else [])
        readings = tuple(self.reading(*pair) for pair in wanted if not self.seldom(150))
        curves = tuple(self.curve(channel) for channel in CHANNELS if not self.seldom(60))
        judged = judge_measurement(check, Measurement(readings, curves), limits.decision, limits.channels)
        judged = replace(judged, problems=(*judged.problems, *self.problems()))
        return CheckOutcome(check.name, "tone", {}, judged, 0.1)

    def run(self, limits):
        """Return a run as it is recorded: some checks measured, some not, with problems, now and then aborted."""
        missing = [check.name for check in limits.checks if self.seldom(25)]
        return made_run(
            limits=limits,
            serial=f"PR3-{self.random.randrange(60):06d}",
            checks=tuple(self.check(check, limits) for check in limits.checks if check.name not in missing),
            missing=tuple(missing),
            problems=self.problems(),
            aborted=self.seldom(20),
            station_failed=self.seldom(20),
        )


def one_by_one(record, run, limits):
    """Return the verdict that a stored run would have had by another limit file; None where it cannot be told."""
    now = {check.name: check for check in limits.checks}
    then = {check.name: check for check in run.limits.checks}
    otherwise = {
        name
        for name, check in now.items()
        if name in then and check.masks and check.stimulus != then[name].stimulus
    }
    judged = []
    for check in record.checks:
        if check.check in now and check.check not in otherwise:
            measured = Measurement(
                tuple(item.reading for item in check.judged.readings),
                tuple(item.curve for item in check.judged.curves),
                check.judged.problems,
            )
            found = judge_measurement(now[check.check], measured, limits.decision, limits.channels)
            judged.append(replace(check, judged=found))
    measured = {check.check for check in record.checks}
    again = replace(
        run,
        checks=tuple(judged),
        missing=tuple(name for name in now if name not in measured),
        problems=record.problems,
    )
    if otherwise & measured and again.verdict not in (Verdict.FAIL, Verdict.ABORTED):
        return None
    return again.verdict


SEEDS = range(2, 8)


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """A log of many runs, by many limit files: where it is, and the runs."""
    maker = Maker(1)
    files = [maker.limits() for _ in range(12)]
    made = [maker.run(files[number % len(files)]) for number in range(180)]
    return logged(tmp_path_factory.mktemp("many"), *made), made


@pytest.fixture(scope="module")
def alone(many):
    """By the seed of a limit file what each run comes to by it, judged alone."""
    path, stored = many
    with LogReader(path) as log:
        records = [log.record(number + 1) for number in range(len(stored))]
    files = {seed: Maker(seed).limits() for seed in SEEDS}
    return {
        seed: [one_by_one(record, run, file) for record, run in zip(records, stored, strict=True)]
        for seed, file in files.items()
    }


@pytest.mark.parametrize("seed", SEEDS)
def test_stored_runs_in_bulk_are_judged_as_each_alone(many, alone, seed):
    path, stored = many
    tally, told = everything(path, Maker(seed).limits())
    expected = alone[seed]
    by_number = {run.sequence: run for run in told}
    for number, (run, verdict) in enumerate(zip(stored, expected, strict=True), start=1):
        if verdict is run.verdict:
            assert number not in by_number
        else:
            assert (by_number[number].before, by_number[number].after) == (run.verdict, verdict)
            assert by_number[number].newest == (run.serial not in [other.serial for other in stored[number:]])
    counts = Counter((run.verdict, verdict) for run, verdict in zip(stored, expected, strict=True))
    assert tally.transitions == counts
    assert tally.untold == expected.count(None)
    see_that_causes_explain([run for run in told if run.after is not None], tally)


def test_the_runs_that_are_judged_as_each_alone_come_to_everything(many, alone):
    # So that the test above has something of every sort to hold against each other.
    _, stored = many
    counts = Counter()
    for expected in alone.values():
        counts.update((run.verdict, verdict) for run, verdict in zip(stored, expected, strict=True))
    judging = (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL, Verdict.INVALID)
    for before in judging:
        for then in (*judging, None):
            assert counts[before, then], counts


def see_that_causes_explain(changed, tally):
    """See that what is named as a cause is as bad as the run is now, or was before, and has changed."""
    for run in changed:
        assert run.causes
        worse = list(Verdict).index(run.after) > list(Verdict).index(run.before)
        for cause in run.causes:
            assert (cause.after if worse else cause.before) is (run.after if worse else run.before)
            assert cause.after is not cause.before
    named = {(cause.check, cause.metric) for run in changed for cause in run.causes}
    assert {(check, metric) for _, check, metric in tally.causes} == named


SINAD = Mask(Bounds(112.0), Bounds(108.0))


def tone_limits(*masks, **changes):
    """Return a limit file of one tone with these masks of its SINAD, or that of made runs."""
    stimulus = changes.pop("stimulus", {})
    check = small_check("tone", "tone", dict(zip(("sinad", "thd"), masks, strict=False)), **stimulus)
    return replace(small_limits(check), **changes)


def sinad(value, serial="PR3-000001", **changes):
    """Return a run with one SINAD, judged by 112 dB and 108 dB."""
    verdict = Verdict.FAIL if value < 108.0 else Verdict.MARGINAL if value < 112.0 else Verdict.PASS
    both = (made_reading(verdict, value), made_reading(verdict, value, channel="right"))
    return made_run(made_check(*both), serial=serial, limits=tone_limits(SINAD), **changes)


def test_a_tighter_mask_says_which_units_it_would_have_kept_and_why(tmp_path):
    path = logged(tmp_path, sinad(115.0), sinad(113.0, "PR3-000002"), sinad(109.0, "PR3-000003"))
    tally, told = everything(path, tone_limits(Mask(Bounds(114.0), Bounds(110.0))))
    assert tally.transitions == {
        (Verdict.PASS, Verdict.PASS): 1,
        (Verdict.PASS, Verdict.MARGINAL): 1,
        (Verdict.MARGINAL, Verdict.FAIL): 1,
    }
    assert tally.causes == {("worse", "tone", "sinad"): 2}
    assert [(run.serial, run.before, run.after) for run in told] == [
        ("PR3-000002", Verdict.PASS, Verdict.MARGINAL),
        ("PR3-000003", Verdict.MARGINAL, Verdict.FAIL),
    ]
    cause = told[1].causes[0]
    assert (cause.check, cause.metric, cause.channel) == ("tone", "sinad", "left")
    assert (cause.value, cause.unit, cause.limit, cause.side, cause.margin) == (
        109.0,
        "dB",
        114.0,
        "min",
        -5.0,
    )


def test_the_yield_counts_each_unit_by_its_first_valid_run(tmp_path):
    dropout = Problem("dropout", "the sound broke off", None)
    void = made_run(made_check(made_reading(Verdict.INVALID, None), problems=(dropout,)), serial="PR3-000001")
    path = logged(
        tmp_path,
        replace(void, limits=tone_limits(SINAD)),
        sinad(113.0),
        sinad(100.0),
        sinad(100.0, "PR3-000002"),
        sinad(113.0, "PR3-000002"),
        sinad(109.0, "PR3-000003"),
    )
    tally, _ = everything(path, tone_limits(Mask(Bounds(99.0))))
    assert tuple(tally.unit_yield.values()) == (Yield(1, 1, 1), Yield(3, 0, 0))
    assert tuple(tally.run_yield.values()) == (Yield(2, 1, 2), Yield(5, 0, 0))
    assert (tally.units, tally.runs, tally.judged) == (3, 6, 6)
    # Of the units one changes: the others' newest runs pass before and after, or are marginal no longer.
    assert tally.unit_transitions == {
        (Verdict.FAIL, Verdict.PASS): 1,
        (Verdict.PASS, Verdict.PASS): 1,
        (Verdict.MARGINAL, Verdict.PASS): 1,
    }


def test_what_was_measured_otherwise_is_named_and_neither_a_pass_nor_a_change(tmp_path):
    path = logged(tmp_path, sinad(115.0), sinad(100.0, "PR3-000002"))
    now = tone_limits(SINAD, stimulus={"level_dbfs": -3.0})
    tally, told = everything(path, now)
    assert (tally.untold, tally.changed, tally.judged) == (2, 0, 0)
    assert tally.otherwise == {("tone", "stimulus level_dbfs 0.0, now -3.0"): 2}
    assert [run.after for run in told] == [None, None]
    assert tuple(tally.unit_yield.values()) == (Yield(0, 0, 0, untold=2),) * 2


def test_the_yield_is_of_the_same_units_before_and_after(tmp_path):
    moved = tone_limits(SINAD, stimulus={"level_dbfs": -3.0})
    path = logged(
        tmp_path,
        sinad(115.0),
        sinad(100.0, "PR3-000002"),
        replace(sinad(100.0, "PR3-000003"), limits=moved),
        sinad(115.0, "PR3-000003"),
    )
    tally, _ = everything(path, tone_limits(Mask(Bounds(99.0))))
    assert tuple(tally.unit_yield.values()) == (Yield(1, 0, 1, untold=1), Yield(2, 0, 0, untold=1))
    assert tuple(tally.run_yield.values()) == (Yield(2, 0, 1, untold=1), Yield(3, 0, 0, untold=1))


def test_a_check_that_refers_to_one_that_was_measured_otherwise_was_so_too(tmp_path):
    def both(level):
        tone = small_check("tone", "tone", {}, level_dbfs=level)
        quiet = small_check("quiet", "quiet", {"snr": Mask(Bounds(90.0))}, "tone")
        return small_limits(tone, quiet)

    snr = [made_reading(metric="snr", channel=channel) for channel in CHANNELS]
    run = made_run(made_check(made_reading()), made_check(*snr, name="quiet", kind="quiet"), limits=both(0.0))
    path = logged(tmp_path, run)
    assert everything(path, both(0.0))[0].untold == 0
    tally, _ = everything(path, both(-6.0))
    assert tally.otherwise == {("quiet", "refers to tone, of which stimulus level_dbfs 0.0, now -6.0"): 1}


@pytest.mark.parametrize(
    ("kind", "metric", "words"),
    [
        ("low_level_tone", "dynamic_range", None),
        ("low_level_tone", "dynamic_range_unweighted", "refers to no check, now tone"),
        ("quiet", "snr", "refers to no check, now tone"),
        ("quiet", "snr_a", "refers to no check, now tone"),
        ("quiet", "hum", "refers to no check, now tone"),
    ],
)
def test_what_does_not_refer_to_a_check_is_the_same_whatever_that_is(tmp_path, kind, metric, words):
    def limits(reference):
        mask = Mask(Bounds(-200.0))
        return small_limits(
            small_check("tone", "tone", {}), small_check("it", kind, {metric: mask}, reference)
        )

    found = made_check(
        *(made_reading(metric=metric, channel=channel) for channel in CHANNELS), name="it", kind=kind
    )
    run = made_run(made_check(made_reading()), found, limits=limits(None))
    tally, _ = everything(logged(tmp_path, run), limits("tone"))
    assert tally.otherwise == ({} if words is None else {("it", words): 1})


@pytest.mark.parametrize("recorded", [("ripple",), ("ripple", "flatness"), ("flatness",)])
def test_a_reading_is_judged_by_todays_name_where_a_run_knows_only_its_former_one(tmp_path, recorded):
    def limits(metric, limit):
        return small_limits(
            small_check("response", "response", {metric: Mask(Bounds(max=limit))}, seconds=1.4)
        )

    rows = [
        made_reading(Verdict.PASS if metric == recorded[0] else None, 0.3, metric=metric, channel=channel)
        for metric in recorded
        for channel in CHANNELS
    ]
    run = made_run(made_check(*rows, name="response", kind="response"), limits=limits(recorded[0], 0.5))
    path = logged(tmp_path, run)
    tally, told = everything(path, limits("flatness", 0.4))
    assert (tally.judged, tally.untold, told) == (1, 0, [])
    tally, told = everything(path, limits("flatness", 0.2))
    assert (tally.judged, tally.untold, [each.after for each in told]) == (1, 0, [Verdict.FAIL])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"channels": ("right", "left")}, "channels left, right, now right, left"),
        ({"checks": (replace(tone_limits(SINAD).checks[0], setup={"filter": "slow"}),)}, "setup filter none"),
    ],
)
def test_other_channels_and_other_setups_are_measured_otherwise(tmp_path, changes, words):
    tally, _ = everything(logged(tmp_path, sinad(115.0)), replace(tone_limits(SINAD), **changes))
    ((_, said),) = tally.otherwise
    assert said.startswith(words)


def test_a_fail_stays_a_fail_whatever_cannot_be_told(tmp_path):
    other = small_check("second", "tone", {"sinad": SINAD})
    moved = small_check("second", "tone", {"sinad": SINAD}, level_dbfs=-3.0)
    tone = small_check("tone", "tone", {"sinad": SINAD})
    tight = small_check("tone", "tone", {"sinad": Mask(Bounds(120.0))})
    checks = [made_check(*sinad(115.0).checks[0].judged.readings, name=name) for name in ("tone", "second")]
    path = logged(tmp_path, made_run(*checks, limits=small_limits(tone, other)))
    tally, told = everything(path, small_limits(tight, moved))
    assert tally.transitions == {(Verdict.PASS, Verdict.FAIL): 1}
    assert told[0].causes[0].metric == "sinad"


def test_runs_of_other_models_are_counted_and_left_alone(tmp_path):
    path = logged(tmp_path, sinad(115.0), replace(sinad(100.0), model="pellow-r4"))
    tally, _ = everything(path, tone_limits(SINAD))
    assert (tally.runs, dict(tally.other_models)) == (1, {"pellow-r4": 1})


def test_only_the_runs_that_are_meant_are_judged_also_far_apart(tmp_path):
    path = logged(tmp_path, *(sinad(113.0, f"PR3-{1 + at % 5:06d}") for at in range(15)))
    tally, told = everything(path, tone_limits(Mask(Bounds(120.0))), RunFilter(serial="PR3-000003"))
    assert [run.sequence for run in told] == [3, 8, 13]
    assert [run.newest for run in told] == [False, False, True]
    assert tally.units == 1


def test_a_problem_that_blocks_keeps_a_run_invalid(tmp_path):
    overdue = Problem("calibration_overdue", "due on 2026-01-31")
    path = logged(tmp_path, sinad(115.0, problems=(overdue,)), sinad(115.0, station_failed=True))
    tally, told = everything(path, tone_limits(Mask(Bounds(1.0))))
    assert tally.transitions == {(Verdict.INVALID, Verdict.INVALID): 2}
    assert not told


def test_a_curve_says_where_its_worst_point_lies(tmp_path):
    def limits(highest):
        corners = ((20.0, highest), (20000.0, highest))
        return small_limits(small_check("tone", "tone", {"spectrum": Mask(Bounds(None, corners))}))

    made = made_check(made_curve(), made_curve(channel="right"))
    path = logged(tmp_path, made_run(made, limits=limits(-110.0)))
    tally, told = everything(path, limits(-129.9))
    # The points of a made curve lie at -130 dB + 0.123... times their number, its last one at 20 kHz.
    cause = told[0].causes[0]
    assert (cause.metric, cause.place, cause.place_unit, cause.limit) == (
        "spectrum",
        pytest.approx(20000.0),
        "Hz",
        -129.9,
    )
    assert cause.value == pytest.approx(-130.0 + 4 * 0.1234567890123)
    assert (tally.curves, tally.curve_bytes) == (2, 2 * 5 * 16)


def test_curves_without_a_mask_are_not_read(tmp_path):
    made = made_check(*sinad(115.0).checks[0].judged.readings, made_curve(), made_curve(channel="right"))
    tally, _ = everything(logged(tmp_path, made_run(made)), tone_limits(SINAD))
    assert tally.curves == 0


def test_a_curve_that_is_no_longer_judged_is_named(tmp_path):
    made = made_check(made_curve(Verdict.FAIL, margin=-3.0), made_curve(channel="right"))
    limits = small_limits(small_check("tone", "tone", {"sinad": SINAD, "spectrum": Mask(Bounds(None, 0.0))}))
    readings = sinad(115.0).checks[0].judged.readings
    run = made_run(replace(made, judged=replace(made.judged, readings=readings)), limits=limits)
    tally, told = everything(logged(tmp_path, run), tone_limits(SINAD))
    assert tally.causes == {("better", "tone", "spectrum"): 1}
    assert [(cause.channel, cause.why) for cause in told[0].causes] == [("left", "no longer judged")]


def test_the_log_is_as_it_was(tmp_path):
    path = logged(tmp_path, sinad(115.0), sinad(100.0))
    before = path.read_bytes()
    everything(path, tone_limits(Mask(Bounds(120.0))))
    assert path.read_bytes() == before


def test_an_old_log_is_judged_too():
    # Logs of schema 1 and 2, as linecheck wrote them then: they say less of a run and of a reading.
    folder = Path(__file__).parents[1] / "log" / "logs"
    for old in sorted(folder.glob("*.sqlite")):
        with tempfile.TemporaryDirectory() as copy:
            path = Path(copy) / old.name
            path.write_bytes(old.read_bytes())
            with LogReader(path) as log:
                runs = log.runs(RunFilter(purpose="unit"))
                judged_by = log.record(runs[0].logged.sequence).limits
            assert judged_by.model == "pellow-r3"
            tally, _ = everything(path, tone_limits(Mask(Bounds(120.0))), RunFilter(purpose="unit"))
            assert tally.runs == len(runs)


def test_a_record_that_somebody_has_spoilt_is_a_message(tmp_path):
    path = logged(tmp_path, sinad(115.0))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER limits_keeps_on_update")
        connection.execute("UPDATE limits SET content = '{}'")
        connection.commit()
    with pytest.raises(RecordError, match="cannot be understood"):
        everything(path, tone_limits(SINAD))


def test_rows_in_another_order_than_their_values_are_refused():
    layouts = Layouts(tone_limits(SINAD))
    layout = layouts.layout("a digest", ("tone",), Basis({}, frozenset()))
    rows = [
        PART.join((b"0", b"%d" % at, b"sinad", channel)) for at, channel in enumerate((b"left", b"right"))
    ]
    assert [layouts.items[at] for at in layouts.items_of(layout, ROW.join(rows))] == [
        Item("tone", "sinad", "left"),
        Item("tone", "sinad", "right"),
    ]
    with pytest.raises(ValueError, match="not in order"):
        layouts.items_of(layout, ROW.join(rows[::-1]))


def test_a_log_that_is_not_there_is_a_message(tmp_path):
    with pytest.raises(FileError, match="no log of that name"):
        everything(tmp_path / "none.sqlite", tone_limits(SINAD))


@given(st.lists(st.tuples(st.integers(0, 4), st.sampled_from([*range(5), 5])), max_size=30))
def test_the_yield_of_units_is_that_of_counting_them_one_by_one(runs):
    first = {}
    for unit, level in runs:
        if level not in (2, 4):  # invalid and aborted judge no unit
            first.setdefault(unit, level)
    levels = list(first.values())
    found = unit_yield(
        np.array([unit for unit, _ in runs], np.uint64), np.array([level for _, level in runs], np.int8)
    )
    assert found == Yield(levels.count(0), levels.count(1), levels.count(3), levels.count(5))


def test_causes_of_one_run_are_counted_in_their_own_order():
    names = [f"check_{number}" for number in range(12)]
    causes = [Cause(name, None, None, None, Verdict.INVALID, "the check was not run") for name in names]
    assert [entry.check for entry in counted("worse", causes)] == names
