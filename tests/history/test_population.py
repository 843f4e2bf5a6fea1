import shutil
import sqlite3
import statistics
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_runs import looked_at, made_check, made_reading, made_run
from scipy.stats import median_abs_deviation, percentileofscore
from small_run import small_check, small_limits
from sqlalchemy import event

from linecheck.checks.base import Problem
from linecheck.history.population import percentile_rank, population_of, robust_scale
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader
from linecheck.log import population as stored
from linecheck.report.figures.strips import binned, usual_range

NUMBERS = st.floats(-1e6, 1e6).map(lambda value: round(value, 1))
VALUES = st.lists(NUMBERS, min_size=1, max_size=60).map(sorted)
SINAD = ("tone", "sinad", "left")


def unit(number, value=113.0, *, verdict=Verdict.PASS, serial=None, check=None, **changes):
    """Return a run of a unit with one SINAD."""
    made = made_check(made_reading(verdict, value, margin=None), **(check or {}))
    return made_run(made, serial=serial or f"PR3-{number:06d}", **changes)


def among(path, run, *earlier):
    """Store earlier runs, and return where a run's SINAD lies among them, and what limits that."""
    with Log(path) as log:
        for other in earlier:
            log.append(other)
        found = population_of(looked_at(run, "a run"), log)
    return found.readings[SINAD], found


@pytest.fixture
def path(tmp_path):
    return tmp_path / "log.sqlite"


@pytest.fixture(scope="module")
def forty(tmp_path_factory):
    """A log of 40 units: 113.0 to 113.4 dB, eight of each, a tenth of a decibel apart."""
    path = tmp_path_factory.mktemp("forty") / "log.sqlite"
    with Log(path) as log:
        for at in range(40):
            log.append(unit(at, 113.0 + 0.1 * (at % 5)))
        yield log


def among_forty(log, run):
    """Return where a run's SINAD lies among the 40 units, and what limits that."""
    found = population_of(looked_at(run, "a run"), log)
    return found.readings[SINAD], found


@given(VALUES, NUMBERS)
def test_the_percentile_is_the_mean_rank_of_scipy(values, value):
    # scipy.stats.percentileofscore(kind="mean") has the same definition.
    assert percentile_rank(values, value) == pytest.approx(
        percentileofscore(values, value, kind="mean"), abs=1e-9
    )


@given(VALUES, NUMBERS, NUMBERS)
def test_a_higher_value_never_has_a_lower_percentile(values, one, other):
    low, high = sorted((one, other))
    assert 0.0 <= percentile_rank(values, low) <= percentile_rank(values, high) <= 100.0


@given(VALUES, NUMBERS)
def test_the_percentile_of_the_mirror_image_is_the_rest(values, value):
    mirrored = sorted(-other for other in values)
    assert percentile_rank(mirrored, -value) == pytest.approx(
        100.0 - percentile_rank(values, value), abs=1e-9
    )


@given(NUMBERS, st.integers(1, 50))
def test_among_its_equals_a_value_is_in_the_middle(value, count):
    assert percentile_rank([value] * count, value) == 50.0


@given(VALUES)
def test_centre_and_spread_are_those_of_other_libraries(values):
    centre, spread = robust_scale(values)
    assert centre == statistics.median(values)
    # scipy.stats.median_abs_deviation(scale="normal") divides by the normal distribution's third quartile.
    assert spread == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-12, abs=1e-12)


@given(st.lists(NUMBERS, max_size=300), NUMBERS, NUMBERS)
def test_bins_hold_every_value_once(values, one, other):
    low, high = sorted((one, other))
    counts = binned(values, low, high, 12)
    assert (len(counts), sum(counts)) == (12, len(values))


def test_bins_are_those_of_numpy():
    values = np.random.default_rng(2).normal(0.0, 1.0, 1000)
    expected, _ = np.histogram(values, bins=40, range=(-5.0, 5.0))
    assert binned(values.tolist(), -5.0, 5.0, 40) == tuple(expected)


def test_each_unit_counts_once_with_its_newest_measured_record(path):
    void = made_check(
        made_reading(Verdict.INVALID, None), problems=(Problem("dropout", "it broke off", "left"),)
    )
    reading, found = among(
        path,
        unit(9),
        unit(1, 110.0),
        unit(2, 111.0),
        unit(1, 114.0),
        made_run(void, serial="PR3-000001"),
        unit(3, 112.5, verdict=Verdict.INVALID),
        unit(3, 112.6, aborted=True, missing=("quiet",)),
        unit(2, 111.5, serial="PR3-000002", station_failed=True),
    )
    assert reading.values == (111.5, 112.6, 114.0)
    assert found.units == 3
    assert reading.left_out == ""


def test_a_reading_that_is_void_or_invalid_is_no_other_units(path):
    missing = made_check(made_reading(Verdict.INVALID, None))
    reading, found = among(
        path,
        unit(9),
        made_run(missing, serial="PR3-000001"),
        unit(2, 105.0, verdict=Verdict.INVALID),
        unit(3, 105.5),
    )
    assert reading.values == (105.5,)
    assert reading.left_out == "2 units not measured or void"
    assert "left out of 1 of 1 readings: 2 units, not measured or void" in found.notes


def test_neither_the_unit_itself_nor_other_models_count(path):
    reading, found = among(
        path, unit(9, 113.0), unit(9, 90.0), unit(1, 112.0, model="pellow-r5"), unit(2, 111.0)
    )
    assert reading.values == (111.0,)
    assert found.units == 1


def test_another_stimulus_analysis_unit_of_measure_setup_or_channel_is_another_measurement(path):
    other_limits = small_limits(small_check("tone", "tone", {}))
    (entry,) = other_limits.checks
    analysed = replace(entry, analysis=entry.analysis.model_copy(update={"band_hz": (20.0, 19000.0)}))
    reading, found = among(
        path,
        unit(9),
        unit(1, 1.0, check={"stimulus_sha256": "77" * 32}),
        unit(2, 2.0, check={"stimulus_sha256": None}),
        unit(3, 3.0, limits=replace(other_limits, checks=(analysed,))),
        made_run(made_check(made_reading(value=4.0, unit="%", margin=None)), serial="PR3-000004"),
        unit(5, 5.0, check={"name": "tone@filter=slow"}),
        made_run(made_check(made_reading(value=6.0, channel="right", margin=None)), serial="PR3-000006"),
        unit(7, 113.5),
    )
    assert reading.values == (113.5,)
    assert reading.left_out == (
        "2 units without this reading; 2 units another stimulus; one unit analysed differently; "
        "one unit in another unit"
    )
    assert found.units == 7


def test_an_older_record_counts_where_the_newest_played_another_stimulus(path):
    reading, _ = among(path, unit(9), unit(1, 112.0), unit(1, 99.0, check={"stimulus_sha256": "77" * 32}))
    assert reading.values == (112.0,)
    assert reading.left_out == ""


def test_a_stimulus_that_nobody_knows_is_no_other_units(path):
    unknown = {"stimulus_sha256": None}
    reading, found = among(path, unit(9, check=unknown), unit(1, check=unknown), unit(2))
    assert reading.values == ()
    assert any("what was played is not known" in note for note in found.notes)


def test_only_what_was_recorded_before_the_run_counts_where_the_run_is_in_the_log(path):
    run = unit(9, 113.0)
    reading, found = among(path, run, unit(1, 111.0), run, unit(2, 115.0))
    assert reading.values == (111.0,)
    assert found.source.endswith("before record 2")
    reading, found = among(path, unit(10))
    assert reading.values == (111.0, 113.0, 115.0)
    assert "before" not in found.source


@pytest.mark.parametrize(
    ("metric", "value", "words"),
    [
        ("sinad", 109.5, "better than 95 % of 100 units"),
        ("sinad", 200.0, "better than all 100 units"),
        ("sinad", 0.0, "worse than all 100 units"),
        ("sinad", 114.0, "better than 99 % of 100 units"),
        ("sinad", 15.0, "worse than 99 % of 100 units"),
        ("thd", 109.5, "worse than 95 % of 100 units"),
        ("thd", 0.0, "better than all 100 units"),
        ("level", 0.0, "lower than all 100 units"),
        ("level", 200.0, "higher than all 100 units"),
        ("level", 60.0, "typical of 100 units"),
        ("level", 112.5, "higher than 98 % of 100 units"),
        ("level", 16.5, "lower than 98 % of 100 units"),
    ],
)
def test_the_standing_is_told_in_words(metric, value, words):
    values = tuple(float(at) for at in range(15, 115))
    assert _standing(metric, value, values) == words


def _standing(metric, value, values, is_bound=False):
    from linecheck.history.population import _among

    earlier = stored.EarlierReading(values, (), {})
    item = made_reading(None, value, metric=metric)
    return _among(
        made_check(item), replace(item, reading=replace(item.reading, is_bound=is_bound)), earlier
    ).standing


def test_a_value_that_all_units_have_is_called_the_same():
    assert _standing("sinad", 5.0, (5.0,) * 7) == "the same as all 7 units"
    assert _standing("sinad", 5.0, (5.0,) * 6 + (6.0,)) == "worse than 57 % of 7 units"


def test_a_bound_is_at_least_as_good_as_its_rank():
    values = tuple(float(at) for at in range(100))
    assert _standing("sinad", 79.5, values, is_bound=True) == "better than at least 80 % of 100 units"
    assert _standing("sinad", 19.5, values, is_bound=True) == "worse than at most 80 % of 100 units"
    assert _standing("sinad", -1.0, values, is_bound=True) == "a bound that proves no rank among 100 units"


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (0, "no other unit to compare with"),
        (1, "one unit to compare with, too few to rank"),
        (4, "4 units to compare with, too few to rank"),
        (5, "better than all 5 units"),
    ],
)
def test_few_units_are_only_counted(path, count, words):
    reading, found = among(path, unit(9, 115.0), *(unit(at, 112.0 + at / 10) for at in range(count)))
    assert reading.standing == words
    assert (reading.percentile is None) == (reading.centre is None) == (count < 5)
    assert bool(found.units) == bool(count)


def test_a_value_that_passes_and_stands_apart_is_told(forty):
    reading, found = among_forty(forty, unit(99, 118.0))
    assert reading.apart.startswith(
        "tone sinad left passes, but stands apart from 40 units: 118 dB, where 113.2 dB"
    )
    assert found.apart == (reading.apart,)
    assert reading.sigmas == pytest.approx(4.8 / (0.1 / 0.6744897501960817))


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(113.3, Verdict.PASS), (90.0, Verdict.FAIL), (90.0, Verdict.INVALID), (None, Verdict.INVALID)],
)
def test_what_is_usual_fails_or_was_not_measured_stands_not_apart(forty, value, verdict):
    assert among_forty(forty, unit(99, value, verdict=verdict))[0].apart == ""


def test_units_of_one_normal_distribution_seldom_stand_apart():
    # The rate that is stated beside the threshold, with room for chance: 1 in 8000 of 20 units.
    from linecheck.history.population import _apart

    random = np.random.default_rng(6)
    found = 0
    for _ in range(2000):
        values = random.standard_normal(21).tolist()
        item = made_reading(None, values[0])
        centre, spread = robust_scale(values[1:])
        found += bool(_apart("tone", item, 20, centre, spread, (values[0] - centre) / spread))
    assert found <= 4


def test_identical_values_have_no_spread_to_count_by(path):
    reading, _ = among(path, unit(99, 118.0), *(unit(at, 113.0) for at in range(8)))
    assert (reading.spread, reading.sigmas, reading.apart) == (0.0, None, "")
    assert reading.percentile == 100.0


def test_hostile_serials_are_units_like_others(path):
    serials = ["<script>alert(1)</script>", "'; DROP TABLE run; --", "PR3\x1d\u202e", "\udc80", "%", "ü" * 60]
    reading, found = among(
        path, unit(9, serial="\udcff"), *(unit(0, 110.0 + at, serial=text) for at, text in enumerate(serials))
    )
    assert reading.values == tuple(110.0 + at for at in range(len(serials)))
    assert found.units == len(serials)


def test_hostile_names_of_a_run_are_compared_as_they_are(path):
    name = "tone\x00' OR 1=1 --\udc80"
    run = made_run(made_check(made_reading(margin=None), name=name), serial="PR3-000009")
    with Log(path) as log:
        log.append(unit(1))
        found = population_of(looked_at(run, "a run"), log)
    assert found.readings[name, "sinad", "left"].values == ()


def test_a_log_of_the_first_schema_is_read_and_tells_no_bounds(path):
    with Log(path) as log:
        for at in range(6):
            log.append(unit(at, 112.0 + at))
    with closing(sqlite3.connect(path)) as connection:
        if "is_bound" in {row[1] for row in connection.execute("PRAGMA table_info(reading)")}:
            connection.execute("ALTER TABLE reading DROP COLUMN is_bound")
            connection.commit()
    with LogReader(path) as log:
        found = population_of(looked_at(unit(9, 114.5), "a run"), log)
    assert found.readings[SINAD].values == (112.0, 113.0, 114.0, 115.0, 116.0, 117.0)
    assert any("did not keep which values are bounds" in note for note in found.notes)


def test_how_much_is_read_is_bounded_and_said(path, monkeypatch):
    monkeypatch.setattr(stored, "_PAGE", 3)
    units = [unit(at, 112.0 + at) for at in range(9)]
    monkeypatch.setattr(stored, "MAX_UNITS", 5)
    reading, found = among(path, unit(99), *units)
    assert reading.values == (116.0, 117.0, 118.0, 119.0, 120.0)
    assert any("only the newest 5 units and 5 of their records" in note for note in found.notes)
    monkeypatch.setattr(stored, "MAX_UNITS", 9)
    reading, found = among(path, unit(99))
    assert len(reading.values) == 9
    assert not found.notes or "only the newest" not in found.notes[0]
    monkeypatch.setattr(stored, "MAX_RECORDS", 4)
    reading, found = among(path, unit(99))
    assert len(reading.values) == 4
    assert any("only the newest" in note for note in found.notes)


def test_pages_leave_nothing_out_and_count_nothing_twice(path, monkeypatch):
    monkeypatch.setattr(stored, "_PAGE", 2)
    reading, _ = among(path, unit(99), *(unit(at % 4, 110.0 + at) for at in range(11)))
    assert reading.values == (117.0, 118.0, 119.0, 120.0)


def test_a_log_that_was_changed_is_said_to_be(path):
    from linecheck.errors import RecordError

    with Log(path) as log:
        log.append(unit(1))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER limits_keeps_on_update")
        connection.execute("UPDATE limits SET content = '[1, 2'")
        connection.commit()
    with LogReader(path) as log, pytest.raises(RecordError, match="log verify"):
        population_of(looked_at(unit(9), "a run"), log)


def test_strips_show_the_other_units_and_reach_to_nearly_all_of_them(forty):
    from linecheck.report.figures.drawing.draw import png, svg
    from linecheck.report.figures.strips import strips_of_check

    run = unit(99, 113.25)
    reading, found = among_forty(forty, run)
    view = looked_at(run, "a run")
    (strip,) = strips_of_check(view, view.checks[0], population=found.readings)
    assert strip.others == reading.values
    assert reading.percentile == 100 * 24 / 40
    assert strip.low < strip.others[0] < strip.others[-1] < strip.high
    many = replace(strip, others=tuple(112.0 + 0.001 * at for at in range(1000)))
    for drawn in (strip, many):
        assert "better than 60 % of 40 units" in svg((drawn,))
        assert png((drawn,)).startswith(b"\x89PNG")


def test_a_reading_without_a_mask_has_a_strip_among_other_units(path):
    from linecheck.report.figures.strips import strips_of_check

    run = unit(9, 50.0, verdict=None, limits=small_limits(small_check("tone", "tone", {})))
    _, found = among(path, run, *(unit(at, 40.0 + at, verdict=None, limits=run.limits) for at in range(6)))
    view = looked_at(run, "a run")
    assert strips_of_check(view, view.checks[0]) == ()
    (strip,) = strips_of_check(view, view.checks[0], population=found.readings)
    assert (strip.edges[:2], strip.judged.verdict, len(strip.others)) == ((None, None), None, 6)


def test_a_few_far_units_do_not_squeeze_a_strip():
    values = [float(at) for at in range(1000)]
    assert usual_range([*values[:-1], 1e9]) == (5.0, 994.0)
    assert usual_range([]) == ()
    assert usual_range([3.0]) == (3.0, 3.0)


def test_the_rows_of_a_page_say_value_reference_and_what_is_usual(forty):
    from linecheck.report.run_page import other_units_of

    run = unit(99, 118.0)
    _, found = among_forty(forty, run)
    view, reference = looked_at(run, "a run"), looked_at(unit(3, 113.3), "a run")
    beside = other_units_of(view, found, [reference], ["PR3-000003"])
    (row,) = beside["rows"]
    assert [row[name] for name in ("check", "name", "value", "references")] == [
        "tone",
        "sinad left",
        "118.00 dB",
        ["113.30 dB"],
    ]
    assert [row[name] for name in ("usual", "sigmas", "standing")] == [
        "113.20 dB ± 0.15 dB",
        "+32.4",
        "better than all 40 units",
    ]
    assert [beside[name] for name in ("references", "columns", "apart", "notes")] == [
        ["PR3-000003"],
        ["PR3-000003"],
        found.apart,
        (),
    ]
    (alone,) = other_units_of(view, None, [reference], ["PR3-000003"])["rows"]
    assert [alone[name] for name in ("references", "standing", "usual")] == [["113.30 dB"], "", "–"]
    assert other_units_of(view, None, [], []) is None


def test_runs_that_judge_the_station_are_no_units(path):
    known = [
        unit(at, 90.0 + at / 10, purpose=purpose)
        for at, purpose in enumerate(("golden", "challenge", "golden"), start=100)
    ]
    earlier = [unit(at, 113.0 + at / 10) for at in range(6)]
    found, whole = among(path, unit(9, 113.2), *known[:2], *earlier, known[2])
    assert (len(found.values), whole.units) == (6, 6)
    assert min(found.values) == 113.0


def test_no_query_looks_through_a_whole_table(path):
    statements = []
    with Log(path) as log:
        log.append(unit(1))
        event.listen(
            log._reader,
            "before_cursor_execute",
            lambda _c, _k, text, values, *_: statements.append((text, values)),
        )
        population_of(looked_at(unit(9), "a run"), log)
    plans = []
    with closing(sqlite3.connect(path)) as connection:
        for text, values in statements:
            if text.lstrip().startswith(("SELECT", "WITH")):
                plans += [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {text}", values)]
    # Runs that judged the station are few, and have an index of their own.
    small = ("json_each", "sqlite_master", "pragma_table_info", "run_by_purpose")
    scanned = {plan for plan in plans if plan.startswith("SCAN") and not any(name in plan for name in small)}
    assert not scanned
    assert any("COVERING INDEX run_by_model (model=?" in plan for plan in plans)
    assert any(plan.startswith("SEARCH wanted USING AUTOMATIC") for plan in plans)


def test_the_part_of_a_page_shows_hostile_names_as_text(forty):
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from lxml import etree

    from linecheck.report.run_page import other_units_of

    run = unit(99, 118.0)
    _, found = among_forty(forty, run)
    hostile = looked_at(unit(3, 113.3, serial="<script>alert(1)</script>"), "a run")
    templates = PackageLoader("linecheck.report", "templates")
    environment = Environment(loader=templates, autoescape=True, undefined=StrictUndefined)
    for population, references in ((found, [hostile]), (found, []), (None, [hostile])):
        names = [reference.serial for reference in references]
        beside = other_units_of(looked_at(run, "a run"), population, references, names)
        section = etree.fromstring(
            environment.get_template("other_units.html").render(other_units=beside, page={"unfolded": False})
        )
        texts = "".join(section.itertext())
        assert not section.findall(".//script")
        assert ("<script>alert(1)</script>" in texts) == bool(references)
        assert ("better than all 40 units" in texts) == (population is not None)
        assert len({len(row) for row in section.iter("tr")}) == 1


def test_a_log_that_the_first_schema_wrote_is_read_as_it_is(path):
    # Written by linecheck before its second schema, see make_schema_1.py beside it.
    shutil.copy(Path(__file__).parents[1] / "log" / "logs" / "schema-1.sqlite", path)
    before = path.read_bytes()
    with LogReader(path) as log:
        found = population_of(looked_at(unit(9, 113.0), "a run"), log)
    assert found.readings[SINAD].values == (113.2, 125.0)
    assert any("did not keep which values are bounds" in note for note in found.notes)
    assert path.read_bytes() == before


def test_records_of_a_unit_that_has_all_its_values_are_not_read(path, monkeypatch):
    monkeypatch.setattr(stored, "_PAGE", 2)
    wanted = [stored.WantedReading("tone", "sinad", "left", "dB", "5a" * 32)]
    with Log(path) as log:
        for at in range(9):
            log.append(unit(1, 110.0 + at))
        found = log.earlier_units("pellow-r3", "PR3-000009", wanted, run_id="none")
    assert (found.units, found.records, found.readings[0].values) == (1, 2, (118.0,))
