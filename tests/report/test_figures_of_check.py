"""What is drawn of a check besides its curves: what is derived holds against closed forms, what is named is there."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from drawn_figures import SPECTRUM_MASK, check_of, spectrum, view_of

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.limits.model import Bounds, Mask
from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.data import LimitLine
from linecheck.report.figures.drawing.canvas import look_of
from linecheck.report.figures.drawing.draw import svg
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.report.figures.filters import pass_band_ends
from linecheck.report.figures.impulses import decibels_of, delay_of, phase_of, step_of
from linecheck.report.figures.overlay import overlay_of
from linecheck.report.figures.source import borrowed
from linecheck.report.figures.spectral import MAX_NAMED, named_lines, slope_db_an_octave
from linecheck.report.figures.table import drawn_series, table_of

RATE_HZ = 44100.0


def _noise(seed=1, points=1626):
    return spectrum("left", seed, points, line_db=-150.0)


def _with_lines(curve, levels):
    """Return a spectrum with a line of each level, by its frequency."""
    x, y = curve.x.copy(), curve.y.copy()
    for frequency, level in levels.items():
        at = int(np.argmin(np.abs(x - frequency)))
        x[at], y[at] = frequency, level
    return replace(curve, x=x, y=y)


def _response(rate_hz=RATE_HZ, end_hz=87000.0):
    """Return a response that falls straight from 0 dB at 20 kHz to -100 dB at 25 kHz: 20 dB a kHz."""
    x = np.arange(25.0, end_hz, 50.0)
    return Curve("response", "left", x, "Hz", np.clip(-(x - 20000.0) / 50.0, -100.0, 0.0), "dB")


def _of(curves, kind, *, readings=(), masks=None, reference=None, log_x=True, **stimulus):
    check = check_of(
        curves, kind=kind, name=kind, readings=[(entry, None) for entry in readings], log_x=log_x
    )
    overlays = [] if reference is None else [overlay_of(reference)]
    figures = figures_of_check(view_of(check, masks=masks, stimulus=stimulus), check, overlays=overlays)
    return {figure.name: figure for figure in figures}


def test_the_step_response_of_a_first_order_low_pass_is_its_closed_form():
    """The sum of aⁿ up to n is (1 - aⁿ⁺¹)/(1 - a)."""
    n = np.arange(400)
    assert np.allclose(step_of(0.9**n), 1.0 - 0.9 ** (n + 1), atol=1e-12)
    assert step_of(np.array([1.0, -1.0])) is None
    assert step_of(np.zeros(0)) is None


@pytest.mark.parametrize("lag", [-0.5, 0.0, 0.7])
def test_a_linear_phase_filter_has_one_delay(lag):
    n = np.arange(-40, 41)
    symmetric = np.sinc(0.5 * n) * np.hanning(81)
    frequencies, delays, levels = delay_of((n + lag) / RATE_HZ, symmetric)
    passed = frequencies < 0.2 * RATE_HZ
    assert np.allclose(delays[passed], lag / RATE_HZ, atol=1e-12)
    assert np.max(np.abs(levels[passed])) < 0.1
    assert frequencies[-1] == pytest.approx(0.5 * RATE_HZ)


@pytest.mark.parametrize("a", [-0.6, 0.3, 0.8])
def test_first_order_filters_have_the_delay_of_their_closed_form(a):
    """All-pass (a + z⁻¹)/(1 + a z⁻¹): (1 - a²)/(1 + 2a cos ω + a²) samples; minimum phase 1/(1 - a z⁻¹): (a cos ω - a²)
    over (1 - 2a cos ω + a²). Both by differentiation of the phase.
    """
    n = np.arange(400)
    through = np.where(n == 0, a, (1.0 - a**2) * (-a) ** np.maximum(n - 1, 0))
    frequencies, delays, levels = delay_of(n / RATE_HZ, through)
    cosine = np.cos(2.0 * np.pi * frequencies / RATE_HZ)
    assert np.allclose(delays * RATE_HZ, (1.0 - a**2) / (1.0 + 2.0 * a * cosine + a**2), atol=1e-9)
    assert np.allclose(levels, 0.0, atol=1e-9)
    _, delays, levels = delay_of(n / RATE_HZ, a**n)
    expected = (a * cosine - a**2) / (1.0 - 2.0 * a * cosine + a**2)
    assert np.allclose(delays * RATE_HZ, expected, atol=1e-9)
    # 1/|1 - a z⁻¹|, highest at one end of the band.
    size = -10.0 * np.log10(1.0 - 2.0 * a * cosine + a**2)
    assert np.allclose(levels, size - np.max(size), atol=1e-9)


@pytest.mark.parametrize("a", [-0.6, 0.3, 0.8])
@pytest.mark.parametrize("late", [0.0, 700.0])
def test_first_order_filters_have_the_phase_of_their_closed_form_without_the_delay_taken_off(a, late):
    """1/(1 - a z⁻¹): -atan(a sin ω / (1 - a cos ω)); inverted, half a turn more. A delay of n samples is -ω·n."""
    n = np.arange(400)
    seconds = (n + late) / RATE_HZ
    frequencies, _, _ = delay_of(seconds, a**n)
    omega = 2.0 * np.pi * frequencies / RATE_HZ
    expected = -np.degrees(np.arctan2(a * np.sin(omega), 1.0 - a * np.cos(omega)))
    assert np.allclose(phase_of(seconds, a**n, late / RATE_HZ, 1.0), expected, atol=1e-6)
    inverted = phase_of(seconds, -(a**n), late / RATE_HZ, 1.0)
    assert np.allclose(np.abs(inverted - expected), 180.0, atol=1e-6)
    # What is left of the delay is a straight line, however many turns it takes.
    left = phase_of(seconds, a**n, (late - 30.0) / RATE_HZ, 1.0)
    assert np.allclose(left, expected - np.degrees(30.0 * omega), atol=1e-6)


def test_a_filter_that_is_no_delay_shows_its_phase_re_the_delay_at_1_khz():
    """The all-pass (a + z⁻¹)/(1 + a z⁻¹): -ω + 2 atan(a sin ω / (1 + a cos ω)), less its delay at 1 kHz."""
    rate, a = 4.0 * RATE_HZ, -0.9
    n = np.arange(1600)
    values = np.where(n == 0, a, (1.0 - a**2) * (-a) ** np.maximum(n - 1, 0))
    figure = _of([_impulse(values, 800)], "reconstruction", log_x=False, rate_hz=44100)["impulse-phase"]
    drawn = figure.series[0]
    omega = 2.0 * np.pi * drawn.x / rate
    through = -omega + 2.0 * np.arctan2(a * np.sin(omega), 1.0 + a * np.cos(omega))
    at = 2.0 * np.pi * drawn.x[np.argmin(np.abs(drawn.x - 1000.0))] / rate
    delay = (1.0 - a**2) / (1.0 + 2.0 * a * np.cos(at) + a**2)
    expected = np.degrees(through + omega * delay)
    assert np.allclose(drawn.y, expected, atol=0.1)
    assert np.ptp(drawn.y) > 90.0


def test_decibels_are_re_the_greatest():
    assert np.allclose(decibels_of(np.array([0.2, -2.0, 0.0])), [-20.0, 0.0, -240.0])


def _impulse(values, peak):
    milliseconds = 1000.0 * (np.arange(len(values)) - peak) / (4.0 * RATE_HZ)
    return Curve("impulse", "left", milliseconds, "ms", np.asarray(values), "")


def test_what_follows_from_an_impulse_response_is_drawn_and_said():
    n = np.arange(-900, 901)
    curve = _impulse(np.sinc(0.25 * n) * np.hanning(1801), 900)
    latency = Reading("latency", "left", 0.74, "ms", 0.001)
    drawn = _of([curve], "reconstruction", readings=[latency], log_x=False, rate_hz=44100)
    assert set(drawn) == {"impulse", "impulse-db", "impulse-group-delay", "impulse-phase"}
    impulse, step = drawn["impulse"].series
    assert np.array_equal(impulse.y, curve.y)
    assert step.y[-1] == 1.0
    assert np.allclose(step.y, np.cumsum(curve.y) / np.sum(curve.y))
    delay = drawn["impulse-group-delay"]
    assert np.max(np.abs(delay.series[0].y)) < 1e-3
    assert 20e3 < delay.series[0].x[-1] < 25e3
    assert "Fourier transform of the recorded impulse response" in delay.caption
    assert "latency 0.74 ms" in delay.caption
    assert (delay.x.unit, delay.y.unit) == ("Hz", "µs")
    phase = drawn["impulse-phase"]
    # Symmetric about its peak: no phase at all.
    assert np.max(np.abs(phase.series[0].y)) < 1e-3
    assert np.array_equal(phase.series[0].x, delay.series[0].x)
    assert (phase.x.unit, phase.y.unit) == ("Hz", "degrees")
    assert "delay at 1 kHz: 0.00 µs" in phase.caption
    crests = drawn["impulse-db"].series[0]
    levels = dict(zip(curve.x, decibels_of(curve.y), strict=True))
    assert all(levels[x] == y for x, y in zip(crests.x, crests.y, strict=True))
    assert np.max(crests.y) == 0.0


def test_noise_has_no_delay_and_no_figure_of_one():
    curve = _impulse(np.zeros(1801), 900)
    assert set(_of([curve], "reconstruction", log_x=False)) == {"impulse", "impulse-db"}


def test_a_transition_has_a_linear_axis_its_corners_and_half_the_rate():
    readings = [
        Reading("corner_3db", "left", 20150.5, "Hz", 1.0),
        Reading("stopband_attenuation", "left", 100.0, "dB", 0.1),
    ]
    drawn = _of([_response()], "reconstruction", readings=readings, rate_hz=44100)
    figure = drawn["response-transition"]
    assert (figure.x.log, figure.x.low, figure.x.high) == (False, 0.4 * RATE_HZ, 0.65 * RATE_HZ)
    assert [guide.x for guide in figure.guides] == [22050.0]
    # One as it was read, the other, which was not, from the curve: 6 dB down at 20 kHz + 0.3 kHz.
    assert [(mark.x, mark.y) for mark in figure.marks] == [(20150.5, -3.0), (pytest.approx(20300.0), -6.0)]
    assert [mark.text for mark in figure.marks] == ["−3 dB at 20.15 kHz", "−6 dB at 20.3 kHz"]
    assert all(mark.text in figure.alt for mark in figure.marks)
    assert "left 100.0 dB" in figure.caption
    assert np.array_equal(figure.series[0].y, _response().y)


def test_limits_of_corners_stand_in_the_transition_in_words():
    masks = {
        "corner_3db": Mask(Bounds(20100.0, 20200.0), Bounds(20000.0, 20400.0)),
        "corner_6db": Mask(Bounds(max=20500.0)),
        "stopband_from": Mask(Bounds(max=40000.0)),
    }
    figure = _of([_response()], "reconstruction", masks=masks, rate_hz=44100)["response-transition"]
    limits = {guide.x: (guide.zone, guide.text) for guide in figure.guides if guide.zone}
    assert limits == {
        20000.0: ("fail", "−3 dB fails below 20 kHz"),
        20100.0: ("pass", "−3 dB passes from 20.1 kHz"),
        20200.0: ("pass", "−3 dB passes up to 20.2 kHz"),
        20400.0: ("fail", "−3 dB fails above 20.4 kHz"),
        # Without a fail mask what does not pass fails.
        20500.0: ("fail", "−6 dB fails above 20.5 kHz"),
    }
    assert all(f"Limit: {text}." in figure.alt for _, text in limits.values())
    text = svg(figure)
    assert all(f">{words}</text>" in text for _, words in limits.values())


def test_limits_of_a_band_s_edges_stand_in_its_response():
    curve = replace(_response(end_hz=21000.0), x=np.geomspace(10.0, 21000.0, 420))
    masks = {"corner_low": Mask(Bounds(max=20.0)), "corner_high": Mask(Bounds(min=20000.0))}
    drawn = _of([curve], "response", masks=masks)
    assert [guide.text for guide in drawn["response-full-depth"].guides] == [
        "lower corner fails above 20 Hz",
        "upper corner fails below 20 kHz",
    ]


@pytest.mark.parametrize(("end_hz", "stimulus"), [(21000.0, {"rate_hz": 44100}), (87000.0, {})])
def test_what_does_not_reach_half_the_rate_or_has_none_has_no_transition(end_hz, stimulus):
    assert "response-transition" not in _of([_response(end_hz=end_hz)], "reconstruction", **stimulus)


@pytest.mark.parametrize("size", [0.0, 0.01, 0.3, 4.0])
def test_a_pass_band_is_looked_at_as_closely_as_it_is_flat(size):
    levels = size * np.linspace(-1.0, 0.2, 50)
    low, high = pass_band_ends([levels])
    assert low <= min(-size, -0.05)
    assert high >= max(0.2 * size, 0.05)
    assert high - low < 1.6 * max(1.2 * size, 0.1)
    near, far = (
        LimitLine("pass", "max", np.array([20.0, 20e3]), np.array([level, level])) for level in (0.4, 40.0)
    )
    assert pass_band_ends([levels], [near])[1] > 0.4
    assert pass_band_ends([levels], [far]) == (low, high)


def test_a_fall_within_the_pass_band_does_not_flatten_it():
    assert pass_band_ends([np.array([0.0, -90.0])])[0] > -15.0


def test_lines_are_named_as_harmonics_as_multiples_of_the_mains_or_by_frequency():
    curve = _with_lines(
        _noise(), {1994.0: -100.0, 2991.0: -90.0, 49.8: -120.0, 180.3: -121.0, 4321.0: -110.0}
    )
    tags = named_lines([curve, _noise(2)], 997.0)
    assert [(tag.x, tag.y, tag.text) for tag in tags] == [
        (49.8, -120.0, "50 Hz"),
        (180.3, -121.0, "180 Hz"),
        (1994.0, -100.0, "2"),
        (2991.0, -90.0, "3"),
        (4321.0, -110.0, "4.321 kHz"),
    ]
    assert [tag.text for tag in named_lines([curve])][2:4] == ["1.994 kHz", "2.991 kHz"]


def test_a_line_of_both_channels_has_one_name_above_the_higher():
    low, high = (_with_lines(_noise(seed), {1994.0: level}) for seed, level in ((1, -100.0), (2, -95.0)))
    assert [(tag.y, tag.text) for tag in named_lines([low, high], 997.0)] == [(-95.0, "2")]


def test_noise_has_no_names():
    assert [named_lines([_noise(seed)], 997.0) for seed in range(20)] == 20 * [()]
    assert named_lines([_noise(points=30)]) == ()


def test_of_many_lines_the_strongest_are_named():
    many = {100.0 * number: -120.0 + number for number in range(2, 40)}
    tags = named_lines([_with_lines(_noise(), many)])
    assert len(tags) == MAX_NAMED
    assert min(tag.x for tag in tags) > 2500.0


def test_a_tone_is_drawn_in_its_spectrum_at_0_db():
    frequency = Reading("frequency", "left", 997.02, "Hz", 1e-3)
    (figure,) = _of([_with_lines(_noise(), {1994.0: -100.0})], "tone", readings=[frequency]).values()
    left, tone = figure.series
    assert (tone.label, tone.style, tone.x.tolist(), tone.y.tolist()) == ("tone", "stems", [997.02], [0.0])
    assert np.array_equal(left.x, _with_lines(_noise(), {1994.0: -100.0}).x)
    assert frame_of(figure).y_high > 0.0
    assert (997.02, None, 0.0) in [row[:3] for row in table_of(figure).rows]
    assert "harmonic 2 −100.00 dB" in figure.alt
    (silent,) = _of([replace(_noise(), metric="spectrum")], "quiet", frequency_hz=997.0).values()
    assert [series.label for series in silent.series] == ["left"]


def test_every_line_with_a_name_is_drawn_and_listed():
    close = {20.0 * number: -110.0 for number in range(200, 210)}
    (figure,) = _of([_with_lines(_noise(), close)], "quiet").values()
    named = {tag.x for tag in figure.tags}
    assert named == set(close)
    assert named <= {row[0] for row in table_of(figure).rows}
    assert named <= set(drawn_series(figure)[0].x)


def test_a_slope_is_that_of_the_residue():
    """White noise read in bands that widen with frequency climbs by 3.01 dB an octave."""
    x = np.geomspace(20.0, 20e3, 1500)
    curve = Curve("residue", "left", x, "Hz", -120.0 + 10.0 * np.log10(x), "dB", 5.0)
    assert slope_db_an_octave([curve, curve], 200.0, 2000.0) == pytest.approx(10.0 * np.log10(2.0))
    assert slope_db_an_octave([curve], 1.0, 2.0) is None
    (figure,) = _of([curve], "multitone").values()
    told = ", ".join(f"+3.0 dB from {place}" for place in ("20 Hz", "200 Hz", "2 kHz"))
    assert figure.caption == f"slope an octave: {told} (least squares)"


@pytest.mark.parametrize(
    ("how", "mask", "expected"),
    [
        (
            "greatest",
            Mask(Bounds(max=-108.0), Bounds(max=-104.0)),
            Mask(Bounds(max=-108.0), Bounds(max=-104.0)),
        ),
        ("least", Mask(Bounds(min=110.0)), Mask(Bounds(min=110.0))),
        ("largest", Mask(Bounds(max=0.5), Bounds(max=1.0)), Mask(Bounds(-0.5, 0.5), Bounds(-1.0, 1.0))),
        ("below", Mask(Bounds(min=98.0), Bounds(min=94.0)), Mask(Bounds(max=-98.0), Bounds(max=-94.0))),
        ("below", None, None),
    ],
)
def test_a_metric_that_is_the_worst_of_a_curve_lends_it_its_limits(how, mask, expected):
    assert borrowed(mask, how) == expected


def test_a_gain_error_lies_between_the_limits_of_the_largest():
    levels = np.arange(-120.0, 1.0, 5.0)
    curve = Curve("gain_error", "left", levels, "dBFS", np.zeros(25), "dB")
    mask = Mask(Bounds(max=0.5), Bounds(max=1.0))
    (figure,) = _of([curve], "linearity", masks={"largest_error": mask}, log_x=False).values()
    assert {(line.zone, line.side): set(line.y) for line in figure.limits} == {
        ("pass", "min"): {-0.5},
        ("pass", "max"): {0.5},
        ("fail", "min"): {-1.0},
        ("fail", "max"): {1.0},
    }
    assert figure.caption == "limits are those of largest error"
    (plain,) = _of([curve], "linearity", log_x=False).values()
    assert plain.limits == ()
    assert "No mask judges it." in plain.alt


def _sweep(metric, level, channel="left"):
    x = np.geomspace(20.0, 20e3, 14)
    return Curve(metric, channel, x, "Hz", level + np.zeros(14), "dB")


def test_a_curve_by_the_name_of_before_is_not_drawn_twice_unless_it_is_judged():
    names = ("crosstalk_over_frequency", "separation_over_frequency")
    curves = [_sweep(name, 120.0) for name in names]
    assert list(_of(curves, "crosstalk")) == ["separation_over_frequency"]
    assert list(_of(curves[:1], "crosstalk")) == ["crosstalk_over_frequency"]
    judged = {"crosstalk_over_frequency": Mask(Bounds(min=100.0))}
    assert list(_of(curves, "crosstalk", masks=judged)) == list(names)


def test_thd_n_in_both_bands_is_one_figure_unless_the_wide_one_is_judged():
    curves = [
        _sweep(metric, level, channel)
        for metric, level in (("thd_n", -110.0), ("thd_n_wideband", -105.0))
        for channel in ("left", "right")
    ]
    masks = {name: Mask(Bounds(max=level)) for name, level in (("worst", -108.0), ("worst_wideband", -104.0))}
    (figure,) = _of(curves, "distortion_sweep", masks=masks).values()
    assert [series.label for series in figure.series] == ["left", "right", "wide band"]
    assert {level for line in figure.limits for level in line.y} == {-108.0}
    assert figure.caption == "limits are those of worst THD+N; the wide band passes up to −104 dB"
    assert set(figure.series[2].y) == {-105.0}
    apart = _of(curves, "distortion_sweep", masks={"thd_n_wideband": SPECTRUM_MASK})
    assert list(apart) == ["thd_n", "thd_n_wideband"]
    assert len(apart["thd_n"].series) == 2
    assert list(_of(curves[2:], "distortion_sweep")) == ["thd_n_wideband"]


@pytest.mark.parametrize(("apart_db", "names"), [(0.001, [""]), (9.0, [" left", " right"])])
def test_a_reference_has_one_curve_where_its_channels_are_alike(apart_db, names):
    own = [_sweep("thd_n", level, channel) for level, channel in ((-110.0, "left"), (-100.0, "right"))]
    others = [
        _sweep("thd_n", level, name) for level, name in ((-105.0, "left"), (-105.0 + apart_db, "right"))
    ]
    check = check_of(others, kind="distortion_sweep", name="distortion_sweep")
    reference = view_of(check, serial="PR3-000777")
    (figure,) = _of(own, "distortion_sweep", reference=reference).values()
    shown = [series.label for series in figure.series if series.is_reference]
    assert shown == [f"PR3-000777{name}" for name in names]


def test_sidebands_near_the_tone_are_on_a_linear_axis_and_called_the_stronger_side():
    x = np.linspace(10.0, 11000.0, 1500)
    y = np.where(np.abs(x - x[300]) < 1.0, -120.0, -150.0 + 0.3 * np.sin(np.arange(1500.0)))
    curve = Curve("sidebands", "left", x, "Hz", y, "dB", 5.0)
    figure = _of([curve], "jitter")["sidebands-near"]
    assert (figure.x.log, figure.x.low, figure.x.high) == (False, 0.0, 5000.0)
    assert "stronger side" in figure.y.label
    assert [(tag.x, tag.y) for tag in figure.tags] == [(x[300], -120.0)]
    assert np.array_equal(figure.series[0].y, y)


def _note(message, channel="left"):
    return Problem("sideband", message, channel, blocks=False)


def _both(lines, channel="left"):
    """Return both sides of a tone with lines at some offsets."""
    x = np.concatenate([np.linspace(-10900.0, -10.0, 280), np.linspace(10.0, 9000.0, 280), list(lines)])
    y = np.concatenate([-147.0 + 0.5 * np.sin(np.arange(560.0)), list(lines.values())])
    order = np.argsort(x)
    return Curve("both_sides", channel, x[order], "Hz", y[order], "dB", 5.0)


def test_both_sides_of_a_tone_are_drawn_and_their_lines_named_at_their_own_side():
    notes = (
        _note(
            "sidebands at ±3000.0 Hz, upper -120.0 dB, lower -118.0 dB: jitter of 30 ps peak; the offset is 3 × 1 kHz: "
            "USB frames"
        ),
        _note(
            "a line at 8765.4 Hz, 2259.6 Hz below the tone, -125.0 dB: added; look for what runs at 8765.4 Hz"
        ),
        _note(
            "a line at 18025.0 Hz, 7000.0 Hz above the tone, -126.0 dB: added; look for what runs at 18025.0 Hz"
        ),
    )
    curve = _both({-3000.0: -118.0, 3000.0: -120.0, -2259.6: -125.0, 7000.0: -126.0})
    stronger = Curve(
        "sidebands", "left", np.array([10.0, 3000.0, 9000.0]), "Hz", np.full(3, -118.0), "dB", 5.0
    )
    check = check_of([stronger, curve], kind="jitter", name="jitter", log_x=False, problems=notes)
    drawn = {figure.name: figure for figure in figures_of_check(view_of(check), check)}
    # One along a linear axis is enough.
    assert list(drawn) == ["sidebands", "both_sides"]
    figure = drawn["both_sides"]
    assert (figure.x.log, figure.x.low, figure.x.high) == (False, -5000.0, 5000.0)
    assert (figure.x.label, figure.x.unit) == ("offset from the tone", "Hz")
    assert "5 Hz bandwidth" in figure.y.label
    named = {(mark.x, mark.y): mark.text for mark in figure.marks}
    assert set(named) == {(-3000.0, -118.0), (3000.0, -120.0), (-2259.6, -125.0)}
    assert named[-3000.0, -118.0].startswith("pair at ±3 kHz: jitter, 30 ps peak; USB frames")
    assert named[3000.0, -120.0] == ""
    assert named[-2259.6, -125.0].startswith("lone line at −2.2596 kHz")
    assert all(text in figure.alt for text in named.values())
    assert figure.caption == "the tone, 0 dB at an offset of 0, is taken out"
    places = {row[0] for row in table_of(figure).rows}
    assert {-3000.0, 3000.0, -2259.6} <= places
    assert min(places) < -4900.0


def _harmonic(order, level, channel="left", metric=None):
    levels = np.arange(-60.0, 1.0, 5.0)
    return Curve(metric or f"harmonic_{order}", channel, levels, "dBFS", level - levels, "dB")


def test_harmonics_are_a_figure_for_each_channel_each_line_named_where_it_ends():
    gain = Curve("gain_error", "left", np.arange(-60.0, 1.0, 5.0), "dBFS", np.zeros(13), "dB")
    curves = [
        curve
        for channel in ("left", "right")
        for curve in (
            replace(gain, channel=channel),
            _harmonic(0, -110.0, channel, "thd_n"),
            _harmonic(2, -118.0, channel),
            _harmonic(3, -121.0, channel),
        )
    ]
    drawn = _of(curves, "linearity", log_x=False)
    assert list(drawn) == ["gain_error", "harmonics-left", "harmonics-right"]
    figure = drawn["harmonics-right"]
    assert [series.label for series in figure.series] == ["THD+N", "H2", "H3"]
    assert [float(series.y[-1]) for series in figure.series] == [-110.0, -118.0, -121.0]
    assert (figure.x.unit, figure.y.unit) == ("dBFS", "dB")
    assert "H3 is highest at −60 dBFS, −61.00 dB." in figure.alt
    heights = {
        found[2]: float(found[1])
        for found in re.finditer(r'<text [^>]*y="([0-9.]+)"[^>]*>(THD\+N|H2|H3)</text>', svg(figure))
    }
    assert heights["THD+N"] < heights["H2"] < heights["H3"]
    # One that is judged has a figure with its mask besides.
    judged = _of(curves, "linearity", masks={"harmonic_2": Mask(Bounds(max=-100.0))}, log_x=False)
    assert "harmonic_2" in judged
    assert judged["harmonic_2"].limits


def test_harmonics_over_frequency_stand_beside_thd_n():
    curves = [_sweep("thd_n", -110.0), *(_sweep(f"harmonic_{order}", -120.0 - order) for order in (2, 3, 4))]
    drawn = _of(curves, "distortion_sweep")
    assert list(drawn) == ["thd_n", "harmonics-left"]
    figure = drawn["harmonics-left"]
    assert figure.x.log
    assert [series.label for series in figure.series] == ["THD+N", "H2", "H3", "H4"]
    assert len({str(look_of(figure.series, at)[1]) for at in range(4)}) == 4
