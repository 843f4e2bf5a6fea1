"""``linearity`` on captures of known truth: errors, what is stated of them, and what noise hides."""

import numpy as np
import pytest
from repeats import assert_covers, assert_near, covering, repeats
from stepped_truth import NAMES, Bench, density_of, measured, reading, with_gains

from linecheck.checks.base import Capture, Context
from linecheck.checks.linearity import KIND, RESIDUES, _add, _Points
from linecheck.checks.parts.readings import ReadingList
from linecheck.measure.trust import inspect_continuity

#: 20-bit TPDF noise up to 22.05 kHz, dB re a full-scale sine: 20 N lg 2 + 10 lg 1.5 - 4.7712.
NOISE_20_BIT_DBFS = -117.4
#: What the bar asks at -110 dBFS.
ERROR_DB = 0.1


def gains_of(levels, *, lost_from=-90.0, db_per_db=0.02):
    """Gain errors of a unit whose gain creeps up the further a level lies below ``lost_from``."""
    return [max(lost_from - level, 0.0) * db_per_db for level in levels]


def test_the_default_takes_less_than_four_seconds():
    stimulus = KIND.stimulus(KIND.stimulus_parameters(), 2, 0.01)
    assert stimulus.seconds <= 4.0
    assert KIND.stimulus_parameters().levels == [-5.0 * index for index in range(25)]
    assert KIND.peak_dbfs(KIND.stimulus_parameters()) == 0.0


@pytest.mark.parametrize(
    ("rate", "clocks"), covering([44_100, 192_000], [(300.0, 2.0), (-300.0, 0.0), (12.7, 0.713)])
)
def test_error_at_110_db_below_full_scale_of_a_20_bit_unit(rate, clocks):
    ppm, delay = clocks
    parameters = KIND.stimulus_parameters()
    plan = KIND.plan(parameters)
    gains = gains_of(parameters.levels)
    bench = Bench(
        rate,
        clock_ppm=ppm,
        delay_seconds=delay,
        density=density_of(NOISE_20_BIT_DBFS, 22_050.0),
        gains=(0.5, -0.7),
        lines=((50.02, 1e-5), (1000.01, 2e-6)),
        seed=int(rate + ppm),
    )
    _, result = measured(KIND, bench.capture(with_gains(plan, gains)), parameters)
    errors = [curve for curve in result.curves if curve.metric == "gain_error"]
    assert len(errors) == 2
    for curve in errors:
        error = curve.y - np.array(gains)[::-1][-len(curve.x) :]
        assert np.array_equal(curve.x, np.array(parameters.levels)[::-1][-len(curve.x) :])
        assert abs(error[curve.x == -110.0][0]) < ERROR_DB
        assert np.all(np.abs(error) < 4.5 * curve.uncertainty + 1e-6)
        assert np.all(np.diff(curve.x) == 5.0)


def test_where_linearity_ends():
    parameters = KIND.stimulus_parameters()
    plan = KIND.plan(parameters)
    # 0.04 dB a dB below -90: 0.4 dB at -100, 0.6 dB at -105.
    capture = Bench(density=density_of(-125.0, 20_000.0)).capture(
        with_gains(plan, gains_of(parameters.levels, db_per_db=0.04))
    )
    _, result = measured(KIND, capture, parameters)
    assert reading(result, "linear_down_to").value == -100.0
    assert reading(result, "linear_down_to").uncertainty == pytest.approx(5.0 / np.sqrt(3.0))
    assert reading(result, "largest_error").value == pytest.approx(1.2, abs=0.2)
    _, result = measured(KIND, capture, parameters, KIND.analysis_parameters(tolerance_db=0.3))
    assert reading(result, "linear_down_to").value == -95.0
    _, result = measured(KIND, capture, parameters, KIND.analysis_parameters(tolerance_db=2.0))
    assert reading(result, "linear_down_to").value == -120.0


def test_compression_at_full_scale_is_an_error_there_and_nowhere_else():
    parameters = KIND.stimulus_parameters()
    gains = [-0.8, *([0.0] * 24)]
    capture = Bench(density=density_of(-125.0, 20_000.0)).capture(with_gains(KIND.plan(parameters), gains))
    _, result = measured(KIND, capture, parameters)
    assert reading(result, "largest_error").value == pytest.approx(0.8, abs=0.001)
    assert reading(result, "linear_down_to").value == -120.0
    assert result.curves[0].y[-1] == pytest.approx(-0.8, abs=0.001)


def test_what_noise_hides_is_no_error():
    parameters = KIND.stimulus_parameters()
    for seed in range(3):
        capture = Bench(density=density_of(-94.0, 20_000.0), seed=seed).capture(KIND.plan(parameters))
        _, result = measured(KIND, capture, parameters)
        (problem,) = result.problems
        assert problem.code == "unresolved"
        assert not problem.blocks
        assert set(problem.metrics) == {"linear_down_to", "largest_error", "gain_error", *RESIDUES}
        assert "-120 dBFS" in problem.message
        curve = result.curves[0]
        assert all(np.array_equal(other.x, curve.x) for other in result.curves)
        assert -100.0 <= curve.x[0] <= -90.0
        # Linear at least so far: how much further, noise hides.
        assert reading(result, "linear_down_to").value == curve.x[0]
        assert reading(result, "linear_down_to").is_bound
        assert np.all(curve.uncertainty * 3.0 <= 0.51)
        assert reading(result, "largest_error").value <= 0.6


def test_nothing_but_noise_below_full_scale_gives_no_value():
    parameters = KIND.stimulus_parameters(level_dbfs=-50.0, lowest_dbfs=-60.0, seconds=0.5)
    capture = Bench(density=density_of(-43.0, 20_000.0)).capture(KIND.plan(parameters))
    location = KIND.locate(capture, parameters, ("left",))
    assert location.problems == ()
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(("left",)))
    assert [problem.code for problem in result.problems] == ["unresolved"]
    assert {reading.metric: reading.value for reading in result.readings} == {
        "linear_down_to": None,
        "largest_error": None,
    }
    assert result.curves == ()


@pytest.mark.parametrize("at", [0.9, 1.9, 2.6])
def test_a_stretch_lost_at_a_low_level_is_no_error_of_the_unit(at):
    parameters = KIND.stimulus_parameters()
    capture = Bench(density=density_of(-120.0, 20_000.0), gains=(1.0, 0.5)).capture(KIND.plan(parameters))
    samples = np.delete(capture.samples, np.s_[int(at * 48_000) : int(at * 48_000) + 300], axis=0)

    broken = Capture(samples, 48_000, mains_hz=50.0)
    location = KIND.locate(broken, parameters, NAMES)
    found = location.problems + inspect_continuity(broken, location, NAMES)
    result = KIND.measure(broken, location, parameters, KIND.analysis_parameters(), Context(NAMES))
    codes = {(problem.code, problem.channel) for problem in found + result.problems if problem.blocks}
    assert codes == {("dropout", "left"), ("dropout", "right")}


@pytest.fixture(scope="module", params=repeats(12, 60))
def errors(request):
    """Error and stated uncertainty of every point of many curves."""
    parameters = KIND.stimulus_parameters(rate_hz=16_000, seconds=0.9, lowest_dbfs=-60.0)
    plan = KIND.plan(parameters)
    analysis = KIND.analysis_parameters(tolerance_db=6.0)
    found = []
    for seed in range(request.param):
        generator = np.random.default_rng(seed)
        gains = generator.uniform(-0.5, 0.5, len(plan.steps))
        gains[1] = 0.0
        bench = Bench(
            16_000,
            clock_ppm=generator.uniform(-300.0, 300.0),
            delay_seconds=generator.uniform(0.0, 0.1),
            density=density_of(-62.0, 8000.0),
            gains=(0.5, 0.4),
            lines=((50.02, 1e-3), (1203.7, 1e-3)),
            seed=seed,
        )
        _, result = measured(KIND, bench.capture(with_gains(plan, gains)), parameters, analysis)
        for curve in result.curves:
            used = curve.x != -5.0
            truth = gains[::-1][-len(curve.x) :]
            found += list(zip((curve.y - truth)[used], curve.uncertainty[used], strict=True))
    return np.array(found).T


def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors):
    assert_covers(*errors)


def test_the_spread_is_near_the_cramer_rao_bound(errors):
    # The stated uncertainty is the bound with the taper's 1.05 on top; the errors spread by as much.
    error, uncertainty = errors
    assert_near(np.std(error / uncertainty), len(error))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"frequency_hz": 30_000.0}, "below half of rate_hz"),
        ({"lowest_dbfs": -20.0, "level_dbfs": -15.0}, "at least two steps"),
        ({"seconds": 0.6}, "at least 0.02 s"),
        ({"seconds": 1.0, "frequency_hz": 100.0}, "10 periods"),
        ({"step_db": 6.0}, "less than or equal to 5"),
    ],
)
def test_parameters_that_cannot_be_measured_are_refused(changes, words):
    with pytest.raises(ValueError, match=words):
        KIND.stimulus_parameters(**changes)


def test_the_level_at_which_linearity_ends_lies_within_twice_the_uncertainty():
    # What is read is a level that was played, whatever the level at which the error passes the tolerance.
    parameters, analysis = KIND.stimulus_parameters(), KIND.analysis_parameters()
    levels = np.array(parameters.levels)
    generator = np.random.default_rng(4)
    held = []
    for _ in range(300):
        end, slope = generator.uniform(-110.0, -30.0), generator.uniform(0.01, 0.2)
        errors = np.maximum(end - levels, 0.0) * slope + 0.5 * (levels < end)
        errors += 0.01 * generator.standard_normal(len(levels))
        out = ReadingList(specs=KIND.specs)
        every = np.ones(len(levels), dtype=bool)
        _add(out, "left", _Points(levels, errors, np.full(len(levels), 0.01), every), parameters, analysis)
        found = next(item for item in out.readings if item.metric == "linear_down_to")
        held.append(abs(found.value - end) <= 2.0 * found.uncertainty)
    assert np.mean(held) >= 0.93


def broken(change, seconds):
    """What is found wrong in both channels where ``change`` is done to a capture from a time on."""
    parameters = KIND.stimulus_parameters()
    # The tone at -120 dBFS is 100 times its uncertainty, and begins 2.9 s into the capture.
    samples = np.array(
        Bench(density=density_of(-120.0, 20_000.0), gains=(1.0, 0.5)).capture(KIND.plan(parameters)).samples
    )
    capture = Capture(change(samples, round(seconds * 48_000)), 48_000, mains_hz=50.0)
    location = KIND.locate(capture, parameters, NAMES)
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES))
    found = location.problems + inspect_continuity(capture, location, NAMES) + result.problems
    return {(problem.code, problem.channel) for problem in found if problem.blocks}


def faded(samples, at):
    samples[at : at + 3000, 0] *= 0.5 + 0.5 * np.cos(2.0 * np.pi * (np.arange(3000) + 0.5) / 3000)
    return samples


def disturbed(samples, at):
    samples[at, 0] += 0.01
    return samples


def weaker(samples, at):
    samples[at:, 0] *= 0.7
    return samples


@pytest.mark.parametrize(("seconds", "change"), covering([2.1, 2.6, 3.2, 3.8], [faded, disturbed, weaker]))
def test_what_happens_to_a_faint_step_is_no_error_of_the_unit(change, seconds):
    assert broken(change, seconds) == {("dropout", "left")}


@pytest.mark.parametrize("seconds", [2.1, 2.6, 3.2])
def test_a_frame_lost_from_a_faint_step_is_found(seconds):
    assert broken(lambda samples, at: np.delete(samples, at, axis=0), seconds) == {
        ("dropout", "left"),
        ("dropout", "right"),
    }


def test_nothing_done_to_a_faint_step_is_not_found():
    assert broken(lambda samples, at: samples, 0.0) == set()
