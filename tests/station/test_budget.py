"""Masks held against a station's path: budgets of uncertainty by JCGM 100:2008 (GUM), and what they leave decidable."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from small_run import small_check, small_limits

from linecheck.checks import kinds
from linecheck.checks.base import Curve, Measurement, Reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.regression import Measured
from linecheck.measure.path_part import ARC_SINE, EVEN, PathPart, whole_uncertainty, with_path
from linecheck.station.budget.assessment import StationPath, assess, path_parts
from linecheck.station.budget.budget import Answer
from linecheck.station.budget.contributions import CONTRIBUTIONS, NOT_HELD, row_of
from linecheck.station.budget.figures import figures_content, read_figures

FULL_SCALE = 8.0
LONG_ENOUGH = {"multitone": {"seconds": 1.0}, "linearity": {"seconds": 3.3}}


def path(volts_uncertainty=0.001, channels=2, full_scale=FULL_SCALE, **figures):
    """Return a path of a good station, with these figures instead."""
    good = {
        **dict.fromkeys(("gain", "ripple"), 0.0),
        **dict.fromkeys(("distortion", "noise_with_tone", "spur", "crosstalk"), -130.0),
        **dict.fromkeys(("noise", "noise_a", "hum", "sideband", "lone_spur", "skirt"), -150.0),
        "level": -1.0,
        "jitter": 0.5,
        "balance": 0.001,
        "delay": 0.01,
        "clock": 0.01,
        **dict.fromkeys(("noise_468", "quiet_line", "residue", "residue_power"), -150.0),
        **dict.fromkeys(("ultrasonic_noise", "ultrasonic_band"), -120.0),
        **dict.fromkeys(("imd", "imd_2", "imd_3", "best_imd", "difference_imd"), -125.0),
        "linearity": 0.002,
        "dc_offset": 1e-5,
        "peak_outside": 1e-5,
        **figures,
    }
    made = {name: (Measured(value, min(1e-4, 0.01 * abs(value))),) * channels for name, value in good.items()}
    made |= {name: made[name][:1] for name in ("balance", "delay")}
    return StationPath(made, 48_000, (full_scale,) * channels, volts_uncertainty)


def of(metric, bounds, kind="tone", **stimulus):
    """Return a limit file with one mask, and the tone of 4 V that drives the capture to -3.01 dBFS beside it."""
    masks = {metric: Mask(bounds)}
    checks = [small_check("level", "tone", {"level": Mask(Bounds(3.9, 4.1025641))}, level_dbfs=0.0)]
    return small_limits(*checks, small_check("one", kind, masks, **stimulus))


def held(limits, station, metric):
    return {mask.channel: mask for mask in assess(limits, station).masks if mask.metric == metric}


def test_the_divisors_are_the_standard_deviations_of_their_distributions():
    # SciPy's distributions between -1 and 1; as in JCGM 100:2008, 4.3.7, and JCGM 101:2008, 6.4.6.
    assert pytest.approx(stats.uniform(-1.0, 2.0).std(), rel=1e-12) == 1.0 / EVEN
    assert pytest.approx(stats.arcsine(-1.0, 2.0).std(), rel=1e-12) == 1.0 / ARC_SINE


@pytest.mark.parametrize("below_db", [40.0, 20.0, 10.0])
def test_lines_of_one_frequency_add_in_a_phase_that_nobody_knows(below_db):
    # Drawn as JCGM 101:2008 propagates distributions: a line of the path beside one of the unit.
    phases = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, 200_000)
    error = 20.0 * np.log10(np.abs(1.0 + 10.0 ** (-below_db / 20.0) * np.exp(1j * phases)))
    part = PathPart("line", -100.0 - below_db, "amplitude")
    drawn = np.sqrt(np.mean(error**2))
    assert part.bound(-100.0) == pytest.approx(np.max(error), rel=1e-3)
    # To the first order; close by, the spread is 8 % more, since lines that cancel do so without end.
    assert part.uncertainty(-100.0) == pytest.approx(drawn, rel={40.0: 0.01, 20.0: 0.06, 10.0: 0.2}[below_db])


@pytest.mark.parametrize("below_db", [30.0, 10.0, 0.0, -8.0])
def test_noise_adds_by_its_power_and_is_not_subtracted(below_db):
    part = PathPart("noise", -100.0 - below_db, "power")
    most = 10.0 * np.log10(1.0 + 10.0 ** (-below_db / 10.0))
    # What of it is the capture's is anything from nothing to all: GUM F.2.4.5 asks for the mean square.
    drawn = np.random.default_rng(2).uniform(0.0, most, 400_000)
    assert part.bound(-100.0) == pytest.approx(most, rel=1e-12)
    assert part.uncertainty(-100.0) == pytest.approx(np.sqrt(np.mean(drawn**2)), rel=5e-3)


def test_an_attenuation_and_a_noise_in_volts_are_the_same_as_a_level():
    level = PathPart("noise", -104.0, "power").uncertainty(-112.0)
    assert PathPart("noise", -104.0, "power", sign=-1.0).uncertainty(112.0) == pytest.approx(level, rel=1e-12)
    in_volts = PathPart("noise", 20.0 * math.log10(5.0), "power", scale="volts")
    assert in_volts.bound(5.0) == pytest.approx(5.0 * (math.sqrt(2.0) - 1.0), rel=1e-12)
    assert in_volts.bound(0.0) == pytest.approx(5.0)


@given(st.floats(-180.0, -60.0), st.sampled_from([1.0, -1.0]), st.sampled_from(["power", "amplitude"]))
def test_beside_a_value_that_is_better_than_the_mask_a_part_counts_as_at_the_limit(value, sign, way):
    part = PathPart("line", -104.0, way, sign, limit=sign * -112.0)
    plain = replace(part, limit=None)
    assert part.bound(sign * value) == plain.bound(sign * max(value, -112.0))


def test_independent_parts_add_by_their_variances():
    # JCGM 100:2008, 5.1.2, with sensitivities of 1.
    parts = (PathPart("a", 3.0 * EVEN, "additive"), PathPart("b", 4.0 * EVEN, "additive"))
    assert whole_uncertainty(0.0, 12.0, parts) == pytest.approx(13.0)


def test_the_path_is_in_the_uncertainty_of_readings_and_curves_and_never_in_their_values():
    parts = {
        ("sinad", "left"): (PathPart("noise", -104.0, "power", -1.0),),
        ("spectrum", "left"): (PathPart("x", 1.0, "additive"),),
    }
    readings = tuple(Reading("sinad", name, 112.0, "dB", 0.03) for name in ("left", "right"))
    curve = Curve(
        "spectrum", "left", np.array([1.0, 2.0]), "Hz", np.array([-120.0, -110.0]), "dB", None, np.zeros(2)
    )
    found = with_path(Measurement(readings, (curve,)), parts)
    assert [entry.value for entry in found.readings] == [112.0, 112.0]
    assert found.readings[0].uncertainty == pytest.approx(
        math.hypot(0.03, parts["sinad", "left"][0].uncertainty(112.0))
    )
    assert found.readings[1] == readings[1]
    np.testing.assert_allclose(found.curves[0].uncertainty, 1.0 / EVEN)
    unknown = replace(readings[0], uncertainty=None)
    assert with_path(Measurement((unknown,)), parts).readings == (unknown,)


def test_a_path_of_minus_104_db_cannot_decide_112_db():
    limits = of("sinad", Bounds(112.0))
    noisy = held(limits, path(noise_with_tone=-106.9, distortion=-107.8), "sinad")["left"]
    assert noisy.answer is Answer.CANNOT
    # Two decibels lower than the loop's tone the unit drives the capture: re it the noise is two more.
    powers = 10.0**-10.78 + 10.0 ** (-10.69 + 0.201)
    assert noisy.path_level == pytest.approx(-10.0 * math.log10(powers), abs=0.01)
    assert "one.sinad.left, at least 112 dB: the path itself stands at 103.1 dB" in noisy.words
    assert [part.clause for part in noisy.components][1:3] == ["JCGM 101 6.4.6", "GUM 4.3.7, F.2.4.5"]
    assert noisy.expanded == pytest.approx(2.0 * math.hypot(*(part.uncertainty for part in noisy.components)))
    good = held(limits, path(), "sinad")["left"]
    assert (good.answer, good.expanded < 1.5) == (Answer.DECIDES, True)


@pytest.mark.parametrize(
    ("noise", "answer"), [(-125.1, "decides"), (-124.9, "hardly"), (-115.1, "hardly"), (-114.9, "cannot")]
)
def test_noise_must_be_10_db_below_its_mask(noise, answer):
    limits = of("noise", Bounds(max=-112.0))
    mask = held(limits, path(noise_with_tone=noise, level=0.0), "noise")["right"]
    assert mask.path_level == pytest.approx(noise + 3.01, abs=0.005)
    assert mask.answer.value == answer


@given(st.floats(-150.0, -80.0), st.floats(0.0, 30.0))
def test_a_noisier_path_is_never_more_certain(noise, more):
    limits = of("snr", Bounds(105.0), kind="quiet")
    limits = replace(limits, checks=(limits.checks[0], replace(limits.checks[1], reference="level")))
    order = [Answer.DECIDES, Answer.HARDLY, Answer.CANNOT]
    one, two = (held(limits, path(noise=level), "snr")["left"] for level in (noise, noise + more))
    assert two.uncertainty >= one.uncertainty
    assert order.index(two.answer) >= order.index(one.answer)


def test_a_unit_that_drives_the_capture_less_hears_more_of_its_noise():
    limits = of("noise", Bounds(max=-90.0))
    near, far = (held(limits, path(full_scale=volts), "noise")["left"] for volts in (8.0, 16.0))
    assert far.path_level - near.path_level == pytest.approx(20.0 * math.log10(2.0), abs=1e-9)


def test_calibration_is_part_of_volts_and_cancels_in_ratios():
    limits = of("sinad", Bounds(80.0))
    volts, ratio = (held(limits, path(volts_uncertainty=0.01), name)["left"] for name in ("level", "sinad"))
    assert volts.uncertainty == pytest.approx(0.01 * volts.limit, rel=1e-3)
    (common,) = (part for part in ratio.components if part.source.startswith("calibration"))
    assert (common.uncertainty, common.clause) == (0.0, "GUM 5.2.2")


def test_volts_that_nobody_has_calibrated_are_hardly_decided():
    limits = of("sinad", Bounds(80.0))
    mask = held(limits, path(volts_uncertainty=None), "level")["left"]
    assert (mask.answer, mask.is_uncalibrated) == (Answer.HARDLY, True)
    assert "its calibration not counted" in mask.words
    assert held(limits, path(), "level")["left"].answer is Answer.DECIDES


def test_flatness_and_jitter_count_by_the_room_that_a_mask_leaves():
    limits = of("ripple", Bounds(max=0.1), kind="response", seconds=1.5)
    assert held(limits, path(ripple=0.01), "ripple")["left"].answer is Answer.DECIDES
    assert held(limits, path(ripple=0.05), "ripple")["left"].answer is Answer.HARDLY
    limits = of("paired_jitter", Bounds(max=12.0), kind="jitter")
    assert held(limits, path(jitter=20.0), "paired_jitter")["left"].answer is Answer.CANNOT
    assert held(limits, path(jitter=1.0), "paired_jitter")["left"].answer is Answer.DECIDES


def test_bits_are_decibels_in_steps_of_6_02():
    # IEEE 1057: (SINAD - 1.76 dB) / 6.02 dB, of a full-scale tone. A path of -105.5 dB is one of 17.2 bits.
    limits = of("enob", Bounds(17.0), level_dbfs=-1.0)
    path_bits = (104.5 + 1.0 - 1.76) / (20.0 * math.log10(2.0))
    mask = held(limits, path(noise_with_tone=-107.5, distortion=-107.5, level=-4.01), "enob")["left"]
    assert mask.path_level == pytest.approx(path_bits, abs=0.03)
    assert (mask.answer, mask.unit) == (Answer.HARDLY, "bit")
    ratio = held(
        of("sinad", Bounds(101.34 + 1.0), level_dbfs=-1.0),
        path(noise_with_tone=-107.5, distortion=-107.5, level=-4.01),
        "sinad",
    )["left"]
    same = held(
        of("enob", Bounds((102.34 + 1.0 - 1.76) / (20.0 * math.log10(2.0))), level_dbfs=-1.0),
        path(noise_with_tone=-107.5, distortion=-107.5, level=-4.01),
        "enob",
    )["left"]
    assert same.expanded * 20.0 * math.log10(2.0) == pytest.approx(ratio.expanded, rel=1e-3)


@pytest.mark.parametrize(
    ("metric", "kind", "bounds", "figure", "decided", "hidden"),
    [
        ("noise_468", "quiet", Bounds(max=8.0), "noise_468", -140.0, -116.0),
        ("dynamic_range_468", "low_level_tone", Bounds(110.0), "noise_468", -140.0, -112.0),
        ("spectrum", "quiet", Bounds(max=-120.0), "quiet_line", -140.0, -110.0),
        ("imd", "intermodulation", Bounds(max=-100.0), "imd", -115.0, -99.0),
        ("clean_range", "multitone", Bounds(100.0), "residue", -140.0, -120.0),
        ("distortion_noise", "multitone", Bounds(max=-100.0), "residue_power", -125.0, -108.0),
        ("largest_error", "linearity", Bounds(max=0.5), "linearity", 0.01, 0.6),
        ("noise_20k_100k", "ultrasonic", Bounds(max=-60.0), "ultrasonic_noise", -100.0, -80.0),
        ("thd_n_wide", "distortion_sweep", Bounds(max=-90.0), "ultrasonic_noise", -120.0, -90.0),
        ("dc_offset", "tone", Bounds(-5.0, 5.0), "dc_offset", 1e-5, 1e-3),
        ("frequency", "tone", Bounds(996.0, 998.0), "clock", 0.01, 1500.0),
        ("peak_outside", "tone", Bounds(max=0.1), "peak_outside", 1e-5, 0.05),
    ],
)
def test_each_sort_of_mask_is_held_against_its_own_figure(metric, kind, bounds, figure, decided, hidden):
    limits = of(metric, bounds, kind=kind, **LONG_ENOUGH.get(kind, {}))
    answers = [held(limits, path(**{figure: value}), metric)["left"].answer for value in (decided, hidden)]
    assert answers == [Answer.DECIDES, Answer.CANNOT]


def test_a_pair_of_tones_is_held_against_the_same_pair():
    limits = of("imd", Bounds(max=-100.0), kind="intermodulation", pair="18000+20000", rate_hz=96_000)
    assert held(limits, path(imd=-90.0), "imd")["left"].answer is Answer.DECIDES
    assert held(limits, path(difference_imd=-90.0), "imd")["left"].answer is Answer.CANNOT


def test_a_wider_resolution_takes_in_more_of_the_paths_noise():
    limits = of("clean_range", Bounds(100.0), kind="multitone", seconds=1.0)
    check = limits.checks[1]
    wide = replace(check, analysis=check.analysis.model_copy(update={"resolution_hz": 50.0}))
    near, far = (
        held(replace(limits, checks=(limits.checks[0], each)), path(residue=-130.0), "clean_range")[
            "left"
        ].path_level
        for each in (check, wide)
    )
    assert near - far == pytest.approx(10.0, abs=1e-9)


def test_what_lies_above_20_khz_in_silence_is_not_held_against_a_loop_that_plays():
    limits = of("noise_20k_100k", Bounds(max=-10.0), kind="ultrasonic", signal="silence")
    assert list(assess(limits, path()).unheld) == ["one.noise_20k_100k"]


def test_two_clocks_and_a_late_channel_count_against_their_masks():
    limits = of("clock_error", Bounds(-50.0, 50.0))
    assert held(limits, path(clock=0.01), "clock_error")["left"].answer is Answer.DECIDES
    assert held(limits, path(clock=80.0), "clock_error")["left"].answer is Answer.CANNOT
    limits = of("channel_delay", Bounds(-0.5, 0.5), kind="wiring")
    assert held(limits, path(delay=0.3), "channel_delay")[None].answer is Answer.HARDLY


def test_jitter_modulates_a_lower_tone_less():
    limits = of("largest_sideband", Bounds(max=-110.0), kind="jitter", rate_hz=44_100)
    station = path(sideband=-100.0)
    wide = replace(station, rate_hz=176_400)
    same, lower = (
        held(limits, each, "largest_sideband")["left"].path_level
        for each in (replace(station, rate_hz=44_100), wide)
    )
    assert same - lower == pytest.approx(20.0 * math.log10(4.0), abs=1e-9)


def test_what_the_self_check_says_nothing_of_is_named():
    limits = of("corner_high", Bounds(19_000.0), kind="response", seconds=1.5)
    assert dict(assess(limits, path()).unheld) == {
        "one.corner_high": "the self-check's flatness ends where the path's own filters begin"
    }
    three = replace(limits, channels=("a", "b", "c"))
    assert {mask.channel for mask in assess(three, path()).masks} == {"a", "b"}
    assert assess(three, path()).unmeasured == ("level.level",), "nothing is known of the third channel"
    station = path()
    deaf = replace(station, figures={**station.figures, "ripple": (None, None)})
    assert assess(of("sinad", Bounds(80.0)), deaf).unmeasured == ("level.level",)


def test_the_worst_channel_of_each_mask_is_named_the_undecidable_first():
    station = path(balance=0.05)
    worse = replace(
        station,
        figures={**station.figures, "noise_with_tone": (Measured(-110.0, 0.1), Measured(-105.0, 0.1))},
    )
    limits = of("noise", Bounds(max=-109.0))
    tone = replace(limits.checks[1], masks={**limits.checks[1].masks, "balance": Mask(Bounds(-0.1, 0.1))})
    found = assess(replace(limits, checks=(limits.checks[0], tone)), worse)
    assert [mask.name for mask in found.undecided] == ["one.noise.right", "one.balance"]
    assert set(path_parts(found)["one"]) == {("noise", "left"), ("noise", "right"), ("balance", None)}


def test_every_metric_is_held_or_says_why_not():
    known = {row_of(kind, spec) for kind in kinds().values() for spec in kind.specs}
    assert ("reconstruction", "response_20k") in known
    assert ("reconstruction", "droop_20k") not in known
    assert CONTRIBUTIONS.keys() | NOT_HELD.keys() == known
    assert not CONTRIBUTIONS.keys() & NOT_HELD.keys()
    figures = path().figures
    assert all(entry.figure in figures for entries in CONTRIBUTIONS.values() for entry in entries)


def test_figures_come_back_from_a_record_and_none_from_an_earlier_one():
    figures = path().figures
    assert read_figures(figures_content(figures)) == figures
    assert read_figures(None) is None
    assert read_figures({}) is None
    odd = {"noise": [None, {"value": float("nan"), "uncertainty": 1.0}, {"value": "x"}, 3], "hum": "no list"}
    assert read_figures(odd) == {"noise": (None,) * 4}
