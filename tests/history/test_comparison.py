"""Laws of comparisons, on runs made up by hand; known filters are in tests/published."""

import json
import re
import string
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_runs import looked_at, made_check, made_run, recorded_check, with_checks

from linecheck.checks import kinds
from linecheck.checks.base import Curve, Reading
from linecheck.errors import RecordError, UsageError
from linecheck.history.comparison.differences import compare_sides
from linecheck.history.comparison.file import FILE_NAME, load_comparison, write_comparison
from linecheck.history.comparison.findings import amount, decimals_for, is_worse
from linecheck.history.comparison.sides import pick, split_reference
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import JudgedCurve, JudgedReading, Verdict
from linecheck.run.model import Recorded

FLIPPED = {True: False, False: True, None: None}


def reading(metric="sinad", value=112.0, uncertainty=0.05, unit="dB", channel="left", is_bound=False):
    return JudgedReading(Reading(metric, channel, value, unit, uncertainty, is_bound))


def side(*items, name="tone", kind="tone", setup=None, facts=None, **changes):
    """One side of one check with these readings and curves."""
    check = made_check(*items, name=name, kind=kind, setup=setup or {"filter": "sharp"}, capture_sha256=None)
    view = looked_at(made_run(check), "made by hand")
    limits = replace(view.limits, checks=(recorded_check(name, kind, **(facts or {})),))
    verdict = changes.pop("verdict", Verdict.PASS)
    return pick("made", replace(view, **{"limits": limits, "record": came_to(verdict), **changes}), {})


def came_to(verdict):
    """Return where a run of this verdict is recorded."""
    return Recorded(1, 1, verdict, "2026-11-20T08:15:13Z", 3, "0" * 64)


def compared(*sides):
    return compare_sides(sides)


def texts(comparison):
    return [finding.text for finding in comparison.findings]


@given(
    st.floats(-60.0, 60.0),
    st.floats(0.001, 3.0),
    st.floats(0.001, 3.0),
    st.sampled_from([("sinad", "dB"), ("thd", "dB"), ("level", "V"), ("clock_error", "ppm")]),
)
def test_sides_changed_about_give_the_same_difference_the_other_way(change, one_u, other_u, metric):
    one = side(reading(metric[0], 50.0, one_u, metric[1]))
    other = side(reading(metric[0], 50.0 + change, other_u, metric[1]))
    there, back = compared(one, other), compared(other, one)
    forth, reverse = there.values[0].differences[0], back.values[0].differences[0]
    assert forth.difference == pytest.approx(-reverse.difference)
    assert forth.uncertainty == pytest.approx(reverse.uncertainty)
    assert forth.significant == reverse.significant
    assert [finding.worse for finding in there.findings] == [
        FLIPPED[finding.worse] for finding in back.findings
    ]


@given(st.floats(-200.0, 200.0), st.floats(0.0, 10.0))
def test_a_value_held_against_itself_is_no_finding(value, uncertainty):
    assert not compared(*[side(reading(value=value, uncertainty=uncertainty))] * 2).findings


@given(st.floats(0.0, 20.0), st.floats(0.0, 20.0), st.floats(0.001, 1.0))
def test_a_greater_difference_is_never_less_significant(one, other, uncertainty):
    small, great = sorted((one, other))
    base = side(reading(uncertainty=uncertainty))
    found = [
        compared(base, side(reading(value=112.0 - change, uncertainty=uncertainty)))
        for change in (small, great)
    ]
    significant = [entry.values[0].differences[0].significant for entry in found]
    assert significant != [True, False]


def test_a_difference_below_the_accuracy_of_its_check_is_none_however_well_it_repeats():
    base = side(reading(uncertainty=1e-6))
    assert not compared(base, side(reading(value=112.09, uncertainty=1e-6))).findings
    found = compared(base, side(reading(value=111.8, uncertainty=1e-6)))
    assert texts(found) == ["made: SINAD 0.2 dB lower, 111.8 dB against made"]
    assert found.findings[0].worse


def test_a_difference_from_a_bound_is_at_least_that_less_what_the_bound_is_unsure_of():
    bound = side(reading("hum", -130.0, 1.0, is_bound=True))
    found = compared(bound, side(reading("hum", -100.0, 0.1))).findings
    assert len(found) == 1
    assert "hum at least 28 dB higher, −100.0 dB" in found[0].text
    assert found[0].worse


def test_two_bounds_say_nothing_of_each_other():
    low, high = (side(reading("hum", value, 0.1, is_bound=True)) for value in (-130.0, -100.0))
    found = compared(low, high)
    assert not found.findings
    assert found.values[0].differences[0].why == "one of the values is only a bound"


def test_a_place_of_an_extreme_is_never_a_finding():
    one, other = (
        side(
            reading("worst", -110.0),
            reading("worst_at", hz, 0.1, "Hz"),
            name="sweep",
            kind="distortion_sweep",
        )
        for hz in (100.0, 4000.0)
    )
    found = compared(one, other)
    assert not found.findings
    assert found.comparisons == 1


def test_a_signal_that_is_lost_comes_before_all_that_follows_from_it():
    base = side(reading("level", 4.0, 1e-4, "V"), reading("hum", -130.0), reading("thd", -110.0))
    lost = side(reading("level", 0.002, 1e-4, "V"), reading("hum", -70.0), reading("thd", -60.0))
    assert [finding.metric for finding in compared(base, lost).findings if finding.severity > 65.0] == [
        "level"
    ]


@pytest.mark.parametrize(
    ("base", "new", "worse"),
    [(0.0, -4.0, True), (-4.0, 0.0, False), (0.0, 3.0, True), (3.0, 0.0, False), (-3.0, 3.0, None)],
)
def test_a_response_is_worse_the_further_it_is_from_flat(base, new, worse):
    sides = [
        side(reading("response_20k", value, 0.001), name="filter", kind="reconstruction")
        for value in (base, new)
    ]
    assert [finding.worse for finding in compared(*sides).findings] == [worse]


@pytest.mark.parametrize("kind", kinds())
def test_a_difference_in_the_good_direction_is_better_in_every_metric(kind):
    facts = {"analysis": kinds()[kind].analysis_parameters().model_dump(mode="json")}
    for spec in kinds()[kind].metrics:
        if spec.difference.is_place:
            continue
        channel = "left" if spec.per_channel else None
        low, high = (
            side(reading(spec.name, value, 1e-6, spec.unit, channel), name=kind, kind=kind, facts=facts)
            for value in (1.0, 100.0)
        )
        best = {"less": "more", "away": "less"}.get(spec.difference.worse or "", spec.better)
        (up,), (down,) = compared(low, high).findings, compared(high, low).findings
        assert (up.worse, down.worse) == {
            "more": (False, True), "less": (True, False), "nominal": (None, None)
        }[best], spec.name  # fmt: skip


def test_a_side_that_a_mask_of_its_own_judges_is_not_held_against_the_first_sides():
    mask = Mask(Bounds(min=21e3, max=22e3))
    readings = [Reading("corner_3db", "left", hertz, "Hz", 0.01) for hertz in (21700.0, 18500.0)]
    (value,) = compared(
        *[side(JudgedReading(each), name="f", kind="reconstruction") for each in readings]
    ).values
    value = replace(value, mask=mask)
    assert is_worse(value, 1) is True
    assert is_worse(replace(value, verdicts=(Verdict.PASS, Verdict.PASS)), 1) is None
    assert is_worse(replace(value, verdicts=(Verdict.PASS, Verdict.FAIL)), 1) is True
    assert is_worse(replace(value, verdicts=(Verdict.PASS, Verdict.INVALID)), 1) is None


def test_setups_that_only_one_side_has_are_no_part_of_a_name():
    def picked(name, mode):
        check = made_check(
            reading(), name=f"tone@filter={name},mode={mode}", setup={"filter": name, "mode": mode}
        )
        view = with_checks(looked_at(made_run(check), "made by hand"))
        return pick("r", view, {"filter": name})

    found = compared(picked("sharp", "a"), picked("slow", "b"))
    assert found.values[0].check == "tone"
    assert "B was set differently from A: filter slow, not sharp; mode b, not a" in found.notes


def test_channels_that_change_alike_are_one_finding_and_others_are_two():
    base = side(reading(channel="left"), reading(channel="right"))
    alike = side(reading(value=102.0, channel="left"), reading(value=102.0, channel="right"))
    apart = side(reading(value=102.0, channel="left"), reading(value=92.0, channel="right"))
    assert [finding.channels for finding in compared(base, alike).findings] == [("left", "right")]
    assert sorted(finding.channels for finding in compared(base, apart).findings) == [("left",), ("right",)]


def test_what_says_the_same_is_told_once():
    base = side(reading(), reading("enob", 18.3, 0.01, "bit"), reading("thd_n", -112.0))
    worse = side(reading(value=100.0), reading("enob", 16.3, 0.01, "bit"), reading("thd_n", -100.0))
    assert [finding.metric for finding in compared(base, worse).findings] == ["sinad"]


def test_one_calibration_is_one_error_and_two_are_two():
    volts = [reading("level", value, 0.01 * value, "V") for value in (4.0, 4.04)]
    same = {"uncertainty_percent": "1.0", "certificate": "C1"}
    other = {"uncertainty_percent": "1.0", "certificate": "C2"}
    found = compared(side(volts[0], calibration=same), side(volts[1], calibration=same))
    assert "output 0.04 V higher" in found.findings[0].text
    # 1 % of the smaller value is one error in both: what is left of 0.04 V and 0.0404 V is next to nothing.
    difference = found.values[0].differences[0]
    assert difference.uncertainty == pytest.approx((0.0404**2 - 0.04**2) ** 0.5)
    unsure = compared(side(volts[0], calibration=same), side(volts[1], calibration=other))
    assert not unsure.findings
    assert "B was measured with another calibration than A" in unsure.notes


def test_volts_that_nobody_has_calibrated_are_compared_at_one_station_alone():
    low, high = (
        JudgedReading(Reading("level", "left", volts, "V", None, repeatability=1e-4)) for volts in (4.0, 4.04)
    )
    here = compared(side(low, station="a"), side(high, station="a"))
    assert "output 0.040 V higher" in here.findings[0].text
    apart = compared(side(low, reading(), station="a"), side(high, reading(), station="b"))
    assert not apart.findings
    (level,) = (item for item in apart.values if item.metric == "level")
    assert level.differences[0].why == "how well it is known is not stated"


def test_only_what_was_measured_alike_is_compared():
    quiet, loud = ({"stimulus": {"level_dbfs": level}} for level in (-20.0, 0.0))
    with pytest.raises(
        RecordError, match=r"tone is not compared: B was played another stimulus \(level_dbfs -20"
    ):
        compared(side(reading(), facts=loud), side(reading(value=90.0), facts=quiet))
    short = {"stimulus": {"seconds": 1.0, "rate_hz": 44100}}
    long = {"stimulus": {"seconds": 2.0, "rate_hz": 96000}}
    assert compared(side(reading(), facts=short), side(reading(value=90.0), facts=long)).findings


def test_curves_that_may_not_be_compared_are_no_comparison_either():
    x = np.geomspace(20.0, 20e3, 50)
    curve = JudgedCurve(Curve("thd_n", "left", x, "Hz", x * 0.0 - 110.0, "dB", None, np.full(50, 0.05)))
    facts = [{"stimulus": {"level_dbfs": level}} for level in (0.0, -20.0)]
    sides = [side(curve, name="sweep", kind="distortion_sweep", facts=entry) for entry in facts]
    with pytest.raises(RecordError, match="sweep is not compared: B was played another stimulus"):
        compared(*sides)


def test_what_lies_at_the_edge_of_a_capture_is_compared_only_where_both_reach_as_far():
    def reaching(hertz, worst):
        x = np.geomspace(20.0, hertz, 50)
        curve = JudgedCurve(
            Curve("thd_n_wide", "left", x, "Hz", x * 0.0 - 90.0, "dB", None, np.full(50, 0.05))
        )
        return side(reading("worst_wide", worst), curve, name="sweep", kind="distortion_sweep")

    found = compared(reaching(20e3, -90.0), reaching(20e3, -80.0))
    assert found.values[0].differences[0].significant
    apart = compared(reaching(20e3, -90.0), reaching(18e3, -80.0))
    assert apart.values[0].differences[0].why == "one capture reaches further in frequency"
    assert not apart.findings
    assert any("was captured at another rate" in note for note in apart.notes)


def test_another_analysis_is_another_measure():
    bands = [{"analysis": {"band_hz": band}} for band in ([20.0, 20e3], [20.0, 40e3])]
    with pytest.raises(RecordError, match="was analysed differently"):
        compared(side(reading(), facts=bands[0]), side(reading(value=90.0), facts=bands[1]))


def test_what_may_not_be_compared_is_listed_with_the_reason_beside_what_may():
    checks = [
        made_check(reading(value=value), name=name) for name, value in (("tone", 112.0), ("other", 100.0))
    ]
    facts = [{"stimulus": {"level_dbfs": level}} for level in (0.0, -1.0)]
    view = looked_at(made_run(*checks), "made by hand")
    found = compared(
        *[pick("made", with_checks(view, recorded_check("other", **entry)), {}) for entry in facts]
    )
    whys = {value.check: value.differences[0].why for value in found.values}
    assert whys == {"tone": "", "other": "was played another stimulus (level_dbfs -1.0, not 0.0)"}
    assert found.comparisons == 1


def test_each_side_is_held_against_the_first():
    sides = [side(reading(value=value)) for value in (112.0, 100.0, 112.0, 120.0)]
    found = compared(*sides)
    assert [entry.label for entry in found.sides] == ["A", "B", "C", "D"]
    assert {finding.side: finding.worse for finding in found.findings} == {"B": True, "D": False}
    assert [finding.worse for finding in found.findings] == [True, False]  # the worst first


def test_a_curve_is_told_where_it_differs_most():
    x = np.geomspace(20.0, 20e3, 200)

    def made(bump):
        y = -110.0 + bump * np.exp(-((np.log(x / 4000.0) / 0.1) ** 2))
        curve = Curve("thd_n", "left", x, "Hz", y, "dB", None, np.full(200, 0.05))
        return side(JudgedCurve(curve), name="sweep", kind="distortion_sweep")

    comparison = compared(made(0.0), made(6.0))
    (difference,) = comparison.curves[0].differences
    assert (difference.base_value, difference.value) == pytest.approx((-110.0, -104.0), abs=0.3)
    found = comparison.findings
    assert len(found) == 1
    assert found[0].x == pytest.approx(4000.0, rel=0.05)
    assert found[0].difference == pytest.approx(6.0, abs=0.3)
    assert found[0].worse


PULSE_MS = np.linspace(-2.0, 2.0, 801)
PULSE = np.sinc(20.0 * PULSE_MS)


@pytest.mark.parametrize(
    ("pulse", "words"),
    [
        (-PULSE, "inverted"),
        (np.where(PULSE_MS > 0.05, 0.5, 1.0) * PULSE, r"5\.9 dB less ringing after the main lobe"),
        (np.where(PULSE_MS < -0.05, 0.0, 1.0) * PULSE, r"\d+\.\d dB less ringing before the main lobe"),
        (
            np.where(np.abs(PULSE_MS) < 0.05, PULSE**2, PULSE),
            r".* more ringing before .* and .* more ringing after .*",
        ),
    ],
)
def test_an_impulse_response_is_told_by_what_it_means(pulse, words):
    curves = [
        Curve("impulse", "left", PULSE_MS, "ms", y, "", None, np.full(801, 1e-5)) for y in (PULSE, pulse)
    ]
    sides = [side(JudgedCurve(curve), name="filter", kind="reconstruction") for curve in curves]
    (text,) = texts(compared(*sides))
    assert re.fullmatch(f"made: impulse response: {words} against made", text), text


def test_a_run_is_compared_with_itself_under_another_setup():
    checks = [
        made_check(reading(value=value), name=f"tone@filter={name}", setup={"filter": name})
        for name, value in (("sharp", 112.0), ("slow", 100.0))
    ]
    view = with_checks(looked_at(made_run(*checks), "made by hand"))
    found = compared(pick("r", view, {"filter": "sharp"}), pick("r", view, {"filter": "slow"}))
    assert [entry.name for entry in found.sides] == ["sharp", "slow"]
    assert found.values[0].check == "tone"
    assert found.sides[1].checks["tone"].name == "tone@filter=slow"
    assert "B was set differently from A: filter slow, not sharp" in found.notes
    assert texts(found) == ["slow: SINAD 12.0 dB lower, 100.0 dB against sharp"]
    with pytest.raises(UsageError, match="those of the run are: filter=sharp, filter=slow"):
        pick("r", view, {"filter": "none"})


@pytest.mark.parametrize(
    ("reference", "parts"),
    [
        ("PR3-000001@filter=slow", ("PR3-000001", {"filter": "slow"})),
        ("7@filter=slow,input=usb", ("7", {"filter": "slow", "input": "usb"})),
        ("sets/a@b", ("sets/a@b", {})),
        ("sets/1.4@2", ("sets/1.4@2", {})),
    ],
)
def test_what_a_reference_says(reference, parts):
    assert split_reference(reference) == parts


def test_a_folder_that_is_there_is_taken_as_it_is_written(tmp_path):
    folder = tmp_path / "set@filter=slow"
    folder.mkdir()
    assert split_reference(str(folder)) == (str(folder), {})


def test_what_cannot_be_compared_is_refused():
    with pytest.raises(UsageError, match="different models"):
        compared(side(reading()), side(reading(), model="pellow-r4"))
    limits = replace(looked_at(made_run(), "x").limits, channels=("left",))
    with pytest.raises(UsageError, match="different channels"):
        compared(side(reading()), side(reading(), limits=limits))
    with pytest.raises(RecordError, match="nothing can be compared"):
        compared(side(reading()), side(reading(), name="other"))
    with pytest.raises(UsageError, match="two runs or capture sets"):
        compared(side(reading()))


def test_a_run_that_judged_nothing_is_said_first():
    found = compared(side(reading()), side(reading(), verdict=Verdict.INVALID))
    assert found.notes[0].startswith("B was not judged: its run is invalid")


def test_an_earlier_comparison_is_kept(tmp_path):
    first = write_comparison(tmp_path, compared(side(reading()), side(reading(value=100.0))))
    second = write_comparison(tmp_path, compared(side(reading()), side(reading(value=101.0))))
    assert load_comparison(tmp_path).digest == second.digest != first.digest
    kept = tmp_path / f"comparison-{first.digest[:12]}.json"
    assert texts(load_comparison(kept)) == texts(first)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted((kept.name, FILE_NAME))
    assert json.loads(kept.read_bytes())["digest"] == first.digest


@pytest.mark.parametrize("kind", sorted(kinds()))
def test_the_words_of_every_metric_can_be_said(kind):
    made = kinds()[kind]
    own = {name for name in made.analysis_parameters.model_fields if name.endswith("_hz")}
    names = {spec.name for other in kinds().values() for spec in (*other.metrics, *other.curves)}
    everywhere = {f"{other.name}.{spec.name}" for other in kinds().values() for spec in other.metrics}
    for spec in (*made.metrics, *made.curves):
        fields = {"size", "value", "opposite"} | own
        for words in (spec.difference.more, spec.difference.less):
            assert {field for _, field, _, _ in string.Formatter().parse(words) if field} <= fields
        assert bool(spec.difference.more) == bool(spec.difference.less)
        assert not (spec.difference.what and spec.difference.more)
        assert not (spec.difference.more and spec in made.curves)
        assert all(by in everywhere if "." in by else by in names for by in spec.difference.said_by)


@pytest.mark.parametrize(
    ("value", "uncertainty", "finest", "told"),
    [
        (-2.636077, 3e-6, 0.002, "−2.64 dB"),
        (0.0, 0.0, 0.1, "0.0 dB"),
        (115.2, 1.6, 0.5, "115 dB"),
        (0.23, 0.3, 0.1, "0.2 dB"),
    ],
)
def test_numbers_have_the_digits_that_are_known(value, uncertainty, finest, told):
    assert amount(value, "dB", decimals_for(value, uncertainty, finest)) == told


def test_nothing_has_no_sign():
    assert amount(-0.00001, "dB", 2) == "0.00 dB"


def test_hertz_become_kilohertz_in_sentences():
    assert amount(18568.77, "Hz", 1) == "18.57 kHz"
    assert amount(-3000.0, "Hz", 1) == "−3 kHz"


def test_a_run_that_measured_nothing_is_no_run_without_differences():
    measured = side(reading("sinad"), reading("thd", -115.0))
    nothing = side(reading("sinad", None, None), reading("thd", None, None), verdict=Verdict.INVALID)
    with pytest.raises(RecordError, match="nothing can be compared"):
        compared(measured, nothing)


def test_what_one_side_has_no_value_of_is_not_counted_as_compared():
    measured = side(reading("sinad"), reading("thd", -115.0))
    half = side(reading("sinad"), reading("thd", None, None))
    assert compared(measured, half).comparisons == 1


def test_a_check_of_which_a_side_measured_nothing_is_told():
    both = made_check(reading("sinad"), name="tone", capture_sha256=None)
    noise = made_check(reading("sinad"), name="second_tone", capture_sha256=None)
    silent = made_check(reading("sinad", None, None), name="second_tone", capture_sha256=None)
    sides = [pick("made", looked_at(made_run(both, last), "made by hand"), {}) for last in (noise, silent)]
    told = [note for note in compared(*sides).notes if "no measured value" in note]
    assert told == ["B has no measured value in second_tone, which is not compared there"]


def test_levels_re_full_scale_differ_by_decibels():
    base, new = (
        side(reading("linear_down_to", value, 0.05, "dBFS"), name="linearity", kind="linearity")
        for value in (-120.0, -95.0)
    )
    assert "25.0 dB higher" in texts(compared(base, new))[0]
