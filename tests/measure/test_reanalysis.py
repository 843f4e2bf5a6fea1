"""Spectra taken again from their captures: what was recorded comes out again, and else what the theory says."""

from dataclasses import replace

import numpy as np
import pytest
from fault_corpus import clean, judged, reference
from made_runs import made_run
from small_run import small_check, small_limits

from linecheck.audio.file import samples_sha256
from linecheck.checks.base import Capture
from linecheck.errors import UsageError
from linecheck.limits.recorded import limits_content, recorded_limits
from linecheck.measure.measure import Analysis, analyse
from linecheck.measure.reanalysis import Asked, has_spectrum, taken_again
from linecheck.run.model import CheckOutcome

RATE_HZ = 48_000
#: White noise of this level between 0 Hz and half the rate, re full scale as a mean square.
DENSITY = 1e-14
LEVEL, SPUR_HZ, SPUR = 0.5, 4000.0, 1e-4


def run_of(capture, check):
    """Return the run in which a capture was judged, as a log gives it back."""
    limits = small_limits(check)
    found = analyse(Analysis(check, capture, limits.channels, "simple"))
    outcome = CheckOutcome(check.name, check.kind.name, {}, found.judged, 1.0, None, found.capture_sha256)
    run = made_run(outcome)
    return replace(run, limits=recorded_limits(limits_content(limits), limits))


def noisy_tone(seconds=4.0, seed=1):
    """Return a tone with a spurious line and white noise of known density; both channels have noise of their own."""
    rng = np.random.default_rng(seed)
    frames = round((seconds + 0.3) * RATE_HZ)
    time = np.arange(frames) / RATE_HZ
    tone = LEVEL * np.sin(2.0 * np.pi * 997.0 * time) + SPUR * np.sin(2.0 * np.pi * SPUR_HZ * time)
    noise = np.sqrt(DENSITY * RATE_HZ / 2.0) * rng.standard_normal((frames, 2))
    return Capture((tone[:, None] + noise).astype(np.float64), RATE_HZ)


@pytest.fixture(scope="module")
def toned():
    capture = noisy_tone()
    check = small_check("tone", "tone", seconds=4.0)
    return run_of(capture, check), capture


def curve_of(run, capture, **asked):
    again = taken_again(run, run.checks[0], capture, Asked(**asked))
    return again, again.check.judged.curves[0].curve


def floor(curve, low=6000.0, high=7000.0):
    """Return the levels of a stretch in which there is noise alone, as powers re the tone."""
    inside = (curve.x >= low) & (curve.x <= high)
    return 10.0 ** (curve.y[inside] / 10.0)


@pytest.mark.parametrize("name", ["tone", "low_level_tone", "quiet", "multitone", "jitter"])
def test_at_its_own_resolution_the_recorded_curve_comes_out_again(name):
    found = judged(name, clean(name, 3), reference(name, 3))
    capture = clean(name, 3)
    from fault_corpus import check_named, judged_clean, limit_file

    outcomes = [
        CheckOutcome(name, check_named(name).kind.name, {}, found, 1.0, None, samples_sha256(capture.samples))
    ]
    if name != "tone":
        outcomes.append(CheckOutcome("tone", "tone", {}, judged_clean("tone", 3), 1.0))
    limits = limit_file()
    run = replace(made_run(*outcomes), limits=recorded_limits(limits_content(limits), limits))
    again = taken_again(run, run.check(name), capture, Asked())
    recorded = [item.curve for item in found.curves if item.curve.resolution_hz is not None]
    assert len(recorded) == (4 if name == "jitter" else 2)
    for then, now in zip(recorded, again.check.judged.curves, strict=True):
        assert (now.curve.metric, now.curve.channel, now.verdict) == (then.metric, then.channel, None)
        assert np.array_equal(now.curve.x, then.x)
        assert np.array_equal(now.curve.y, then.y)
        assert now.curve.resolution_hz == then.resolution_hz


def test_noise_stands_by_ten_times_the_logarithm_of_the_resolutions_ratio(toned):
    """White noise of density S reads S times the resolution, re the tone's a²/2 (definition of a density)."""
    run, capture = toned
    levels = {}
    for resolution in (2.0, 40.0):
        _, curve = curve_of(run, capture, resolution_hz=resolution, band_hz=(6000.0, 7000.0))
        levels[resolution] = 10.0 * np.log10(np.mean(floor(curve)))
        expected = 10.0 * np.log10(DENSITY * resolution / (0.5 * LEVEL**2))
        # 1000 Hz for 4 s: 4000 degrees of freedom, 0.07 dB; four times that.
        assert levels[resolution] == pytest.approx(expected, abs=0.3)
    assert levels[40.0] - levels[2.0] == pytest.approx(10.0 * np.log10(20.0), abs=0.3)


def test_a_line_reads_true_at_any_resolution_and_number_of_records(toned):
    run, capture = toned
    expected = 20.0 * np.log10(SPUR / LEVEL)
    for asked in ({"resolution_hz": 1.0}, {"resolution_hz": 20.0}, {"records": 1}, {"records": 30}):
        _, curve = curve_of(run, capture, band_hz=(3000.0, 5000.0), **asked)
        assert np.max(curve.y) == pytest.approx(expected, abs=0.1)
        assert curve.x[np.argmax(curve.y)] == pytest.approx(SPUR_HZ, abs=curve.resolution_hz)


@pytest.mark.parametrize("records", [4, 16, 64])
def test_averaging_n_records_narrows_the_floor_by_the_root_of_n(toned, records):
    """The power of one record's noise has a relative spread of 1, the mean of N of 1/sqrt(N) (chi-squared, 2 N)."""
    run, capture = toned
    again, curve = curve_of(run, capture, records=records, resolution_hz=40.0, band_hz=(6000.0, 16000.0))
    assert again.records == records
    powers = floor(curve, 6000.0, 16000.0)
    assert np.std(powers) / np.mean(powers) == pytest.approx(1.0 / np.sqrt(records), rel=0.2)


def test_records_alone_share_the_whole_capture(toned):
    run, capture = toned
    again, curve = curve_of(run, capture, records=7)
    assert again.records == 7
    # Seven records that overlap by half are four lengths: 1 s each; the window's noise bandwidth is 2.004 bins.
    assert again.resolution_hz == curve.resolution_hz == pytest.approx(2.0043 / 1.0, rel=0.01)


def test_a_narrow_band_has_the_points_of_the_whole_one(toned):
    """The tone is taken out with the band that the check has, so that the curve is a part of the same one."""
    run, capture = toned
    _, whole = curve_of(run, capture)
    _, part = curve_of(run, capture, band_hz=(100.0, 400.0))
    assert part.x[0] >= 100.0
    assert part.x[-1] <= 400.0
    inside = (whole.x >= 100.0) & (whole.x <= 400.0)
    at = np.searchsorted(part.x, whole.x[inside])
    assert np.array_equal(part.x[at], whole.x[inside])
    assert np.array_equal(part.y[at], whole.y[inside])


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"resolution_hz": 0.1}, "needs 20 s of capture"),
        ({"resolution_hz": 5.0, "records": 100}, "has room for"),
        ({"records": 9999}, "has room for"),
        ({"band_hz": (20.0, 30_000.0)}, "reaches 24000 Hz only"),
        ({"band_hz": (100.1, 100.2)}, "no point in 100.1 Hz to 100.2 Hz"),
        ({"resolution_hz": 2000.0}, "resolution_hz"),
    ],
)
def test_what_a_capture_does_not_hold_is_refused_in_words(toned, asked, said):
    run, capture = toned
    with pytest.raises(UsageError, match=said):
        curve_of(run, capture, **asked)


def test_another_capture_than_the_judged_one_is_refused(toned):
    run, _ = toned
    with pytest.raises(UsageError, match="not the one that was judged"):
        curve_of(run, noisy_tone(seed=2))


def test_sidebands_are_no_average_of_records():
    run = _run_of_corpus("jitter")
    with pytest.raises(UsageError, match="leave --records out"):
        taken_again(run, run.check("jitter"), clean("jitter", 3), Asked(records=4))


def _run_of_corpus(name):
    from fault_corpus import check_named, judged_clean, limit_file

    limits = limit_file()
    outcome = CheckOutcome(name, check_named(name).kind.name, {}, judged_clean(name, 3), 1.0)
    return replace(made_run(outcome), limits=recorded_limits(limits_content(limits), limits))


def test_only_curves_at_a_resolution_can_be_taken_again(toned):
    assert has_spectrum(toned[0], toned[0].checks[0])
    run = _run_of_corpus("response")
    assert run.checks[0].judged.curves
    assert not has_spectrum(run, run.checks[0])


def test_a_curve_whose_points_were_thinned_away_comes_back(toned):
    run, capture = toned
    check = run.checks[0]
    gone = tuple(
        replace(item, curve=replace(item.curve, x=np.empty(0), y=np.empty(0), uncertainty=None))
        for item in check.judged.curves
    )
    thinned = replace(run, checks=(replace(check, judged=replace(check.judged, curves=gone)),))
    assert has_spectrum(thinned, thinned.checks[0])
    _, curve = curve_of(thinned, capture)
    assert np.array_equal(curve.y, check.judged.curves[0].curve.y)
