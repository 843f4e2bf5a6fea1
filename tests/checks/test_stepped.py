"""Finding stimuli in steps, at any start and clock, and naming what is wrong where they are not."""

import numpy as np
import pytest
from repeats import covering, repeats
from stepped_truth import NAMES, RAMP_SECONDS, Bench, density_of, polynomial

from linecheck.checks import distortion_sweep, intermodulation, linearity
from linecheck.checks.base import Capture, Context
from linecheck.checks.parts.harmonic_curves import NAMES as HARMONICS
from linecheck.checks.parts.stepped import Step, StepPlan, step_spans
from linecheck.measure.trust import inspect_continuity, inspect_samples

RATE = 48_000
#: Each kind with its shortest sensible stimulus, and how that is laid out.
KINDS = {
    "linearity": (linearity.KIND, linearity.KIND.plan, {"lowest_dbfs": -60.0, "seconds": 0.8}),
    "intermodulation": (
        intermodulation.KIND,
        intermodulation.KIND.plan,
        {"lowest_dbfs": -20.0, "seconds": 0.15},
    ),
    "difference": (
        intermodulation.KIND,
        intermodulation.KIND.plan,
        {"pair": "18000+20000", "lowest_dbfs": -20.0, "seconds": 0.12},
    ),
    "distortion_sweep": (
        distortion_sweep.KIND,
        distortion_sweep.KIND.plan,
        {"points": 6, "seconds": 0.12, "lowest_hz": 60.0},
    ),
}
NAMED = sorted(KINDS)


def scene(name, **bench):
    kind, layout, changes = KINDS[name]
    parameters = kind.stimulus_parameters(**changes)
    plan = layout(parameters)
    given = Bench(**{"rate_hz": RATE, "gains": (0.5, 0.4), "density": density_of(-100.0, 20_000.0), **bench})
    return kind, parameters, plan, given


def codes_of(kind, parameters, capture, *, blocking=True):
    """Codes of all that is found wrong on the way to a measurement, with the channels."""
    found = inspect_samples(capture, NAMES)
    if not any(problem.channel is None for problem in found):
        location = kind.locate(capture, parameters, NAMES)
        found += location.problems + inspect_continuity(capture, location, NAMES)
        if not any(problem.blocks and problem.channel is None for problem in found):
            result = kind.measure(capture, location, parameters, kind.analysis_parameters(), Context(NAMES))
            found += result.problems
    assert all(problem.message for problem in found)
    return {(problem.code, problem.channel) for problem in found if problem.blocks or not blocking}


@pytest.mark.parametrize("name", NAMED)
def test_the_stimulus_is_what_the_plan_says(name):
    kind, parameters, plan, _ = scene(name)
    stimulus = kind.stimulus(parameters, 2, RAMP_SECONDS)
    again = kind.stimulus(parameters, 2, RAMP_SECONDS)
    assert np.array_equal(stimulus.samples, again.samples)
    assert stimulus.seconds == pytest.approx(plan.seconds + 2.0 * RAMP_SECONDS, abs=1e-3)
    played = stimulus.samples[:, 0] / 2.0**31
    time = np.arange(len(played)) / parameters.rate_hz - RAMP_SECONDS
    inside = (time > 0.0) & (time < plan.seconds - 0.001)
    assert np.max(np.abs(played - plan.at(time))[inside]) < 2.0 * 2.0**-23
    # Nothing clicks: no sample is further from the next than the fastest tone at full scale moves.
    fastest = 2.0 * np.sin(np.pi * min(plan.tones_hz[-1] / parameters.rate_hz, 0.5))
    assert np.max(np.abs(np.diff(played))) <= 1.02 * fastest
    highest = 10.0 ** (kind.peak_dbfs(parameters) / 20.0)
    assert 0.9 * highest < np.max(np.abs(played)) <= highest + 2.0**-23


@pytest.mark.parametrize(
    ("name", "moment", "rate"),
    covering(
        NAMED,
        [(0.0, 0.0, 0.0), (-1000.0, 0.3, 2.0), (1000.0, 2.0, 0.0), (123.4, 0.777, 0.3)],
        [44_100, 192_000],
    ),
)
def test_every_step_is_found_clear_of_its_fades(name, moment, rate):
    ppm, delay, tail = moment
    kind, parameters, plan, bench = scene(
        name, rate_hz=rate, clock_ppm=ppm, delay_seconds=delay, tail_seconds=tail, gains=(-0.5, 0.2)
    )
    capture = bench.capture(plan)
    location = kind.locate(capture, parameters, NAMES)
    assert location.problems == ()
    assert location.found == (True, True)
    assert location.clock_ratio == pytest.approx(1.0 + 1e-6 * ppm, abs=2e-8)
    assert abs(location.start - bench.first_frame(plan)) / rate < 0.003
    spans = step_spans(plan, location, rate)
    assert spans[0][0] == location.start
    assert abs(spans[-1][1] - location.stop) <= 1
    # Inside every measured part the capture is the step's own tones, and nothing of another step's.
    clock = 1.0 + 1e-6 * ppm
    for step, (first, last) in zip(plan.steps, spans, strict=True):
        unit = (np.arange(first, last) / rate - delay) * clock - RAMP_SECONDS
        expected = sum(
            size * np.cos(2.0 * np.pi * tone * unit)
            for tone, size in zip(step.tones_hz, step.amplitudes, strict=True)
        )
        assert np.max(np.abs(plan.at(unit) - expected)) < 1e-9
        assert last - first > 0.99 * step.seconds * rate
    assert codes_of(kind, parameters, capture) == set()


@pytest.mark.parametrize("count", repeats(3, 20))
@pytest.mark.parametrize("name", NAMED)
def test_a_clean_capture_is_never_flagged(name, count):
    for seed in range(count):
        generator = np.random.default_rng([seed, len(name)])
        level = 10.0 ** (generator.uniform(-40.0, -1.0) / 20.0)
        kind, parameters, plan, bench = scene(
            name,
            rate_hz=int(generator.choice([44_100, 48_000, 96_000])),
            clock_ppm=generator.uniform(-1000.0, 1000.0),
            delay_seconds=generator.choice([0.0, generator.uniform(0.0, 0.5)]),
            tail_seconds=generator.uniform(0.0, 0.3),
            density=density_of(generator.uniform(-140.0, -35.0), 20_000.0),
            gains=(level * generator.choice([-1.0, 1.0]), level * generator.uniform(0.5, 1.0)),
            bend=polynomial(0.1 * generator.uniform() ** 3, 0.05 * generator.uniform() ** 3),
            lines=((50.02, 0.01 * generator.uniform()), (3.0, 0.005)),
            seed=seed,
        )
        assert codes_of(kind, parameters, bench.capture(plan)) == set(), seed


@pytest.mark.parametrize("name", NAMED)
def test_a_dead_channel_is_named_and_the_other_measured(name):
    kind, parameters, plan, bench = scene(name, gains=(0.5, 1e-5))
    capture = bench.capture(plan)
    assert codes_of(kind, parameters, capture) == {("stimulus_not_found", "right")}
    location = kind.locate(capture, parameters, NAMES)
    result = kind.measure(capture, location, parameters, kind.analysis_parameters(), Context(NAMES))
    assert {reading.channel for reading in result.readings} == {"left"}
    silent = Capture(np.column_stack((np.zeros(capture.frames), capture.samples[:, 0])), RATE)
    assert ("silence", "left") in codes_of(kind, parameters, silent)
    assert kind.locate(silent, parameters, NAMES).found == (False, True)


@pytest.mark.parametrize("name", NAMED)
def test_noise_alone_is_no_stimulus(name):
    kind, parameters, _, _ = scene(name)
    noise = Capture(1e-4 * np.random.default_rng(5).standard_normal((60_000, 2)), RATE)
    assert codes_of(kind, parameters, noise) == {("stimulus_not_found", None)}


@pytest.mark.parametrize("name", NAMED)
def test_a_steady_tone_is_no_stimulus_in_steps(name):
    kind, parameters, plan, _ = scene(name)
    time = np.arange(2 * RATE) / RATE
    tone = np.cos(2.0 * np.pi * plan.tones_hz[0] * time)[:, None] * (0.5, 0.4)
    (code, channel) = next(iter(codes_of(kind, parameters, Capture(tone, RATE))))
    assert (code, channel) in {("too_short", None), ("stimulus_not_found", None)}


@pytest.mark.parametrize("name", NAMED)
def test_a_capture_that_ends_early_or_begins_late_is_too_short(name):
    kind, parameters, plan, bench = scene(name)
    samples = bench.capture(plan).samples
    for cut in (samples[: -int(0.25 * RATE)], samples[int(0.25 * RATE) :]):
        assert codes_of(kind, parameters, Capture(cut.copy(), RATE)) == {("too_short", None)}
    quiet = samples.copy()
    quiet[int((0.1 + 0.6 * plan.seconds) * RATE) :] *= 1e-5
    assert codes_of(kind, parameters, Capture(quiet, RATE)) <= {("too_short", None)} | {
        ("dropout", channel) for channel in NAMES
    }
    assert codes_of(kind, parameters, Capture(quiet, RATE)) or name == "linearity"


@pytest.mark.parametrize(
    ("name", "factor"), covering(NAMED, [48_000 / 44_100, 44_100 / 48_000, 1.004, 0.997])
)
def test_another_rate_is_named(name, factor):
    kind, parameters, plan, bench = scene(name, rate_hz=96_000, clock_ppm=1e6 * (factor - 1.0))
    capture = bench.capture(plan)
    assert codes_of(kind, parameters, capture) == {("wrong_rate", None)}
    (problem,) = kind.locate(capture, parameters, NAMES).problems
    by = f"at {factor:.4g} times" if abs(factor - 1.0) > 0.02 else f" {1e6 * (factor - 1.0):+.0f} ppm off"
    assert by in problem.message


@pytest.mark.parametrize("name", NAMED)
def test_a_capture_too_slow_to_hold_the_tones_is_named(name):
    kind, parameters, plan, _ = scene(name)
    rate = int(1.9 * plan.tones_hz[-1])
    noise = 1e-3 * np.random.default_rng(6).standard_normal((4 * rate, 2))
    assert codes_of(kind, parameters, Capture(noise, rate)) == {("capture_rate_low", None)}


@pytest.mark.parametrize(("name", "count", "step"), covering(NAMED, [20, 310, 2000], [1, 2], together=2))
def test_a_stretch_lost_inside_a_step_is_a_dropout(name, count, step):
    kind, parameters, plan, bench = scene(name)
    samples = bench.capture(plan).samples
    first = bench.first_frame(plan) + (plan.starts[step] - plan.starts[0]) * RATE
    at = int(first + 0.45 * plan.steps[step].seconds * RATE)
    lost = np.delete(samples, np.s_[at : at + count], axis=0)
    assert codes_of(kind, parameters, Capture(lost, RATE)) == {("dropout", "left"), ("dropout", "right")}


@pytest.mark.parametrize("name", NAMED)
def test_a_hole_inside_a_step_is_a_dropout(name):
    kind, parameters, plan, bench = scene(name)
    samples = bench.capture(plan).samples.copy()
    at = int(bench.first_frame(plan) + (plan.starts[1] - plan.starts[0] + 0.4 * plan.steps[1].seconds) * RATE)
    samples[at : at + 200, 1] = 0.0
    assert codes_of(kind, parameters, Capture(samples, RATE)) == {("dropout", "right")}


def test_a_unit_that_clips_is_no_dropout():
    kind, parameters, plan, bench = scene("intermodulation", bend=lambda values: np.clip(values, -0.8, 0.8))
    capture = bench.capture(plan)
    assert codes_of(kind, parameters, capture) == set()
    location = kind.locate(capture, parameters, NAMES)
    result = kind.measure(capture, location, parameters, kind.analysis_parameters(), Context(NAMES))
    imd = next(reading for reading in result.readings if reading.metric == "imd")
    assert imd.value > -30.0


@pytest.mark.parametrize("name", NAMED)
def test_a_limit_file_may_ask_for_as_far_as_the_curves_go(name):
    kind, parameters, plan, bench = scene(name)
    analysis = kind.analysis_parameters()
    spans = kind.curve_spans(parameters, analysis)
    location = kind.locate(bench.capture(plan), parameters, NAMES)
    result = kind.measure(bench.capture(plan), location, parameters, analysis, Context(NAMES))
    assert set(spans) == {spec.name for spec in kind.curves}
    for curve in result.curves:
        first, last = spans[curve.metric]
        assert curve.x[0] == pytest.approx(first)
        # A harmonic's curve ends where the capture no longer holds it.
        is_cut = name == "distortion_sweep" and curve.metric in HARMONICS
        assert curve.x[-1] <= last if is_cut else curve.x[-1] == pytest.approx(last)
        assert np.all(np.diff(curve.x) > 0.0)
        assert len(curve.uncertainty) == len(curve.x) == len(curve.y)
    assert {spec.name for spec in kind.metrics} >= {reading.metric for reading in result.readings}


def test_a_plan_s_times_follow_one_another():
    plan = StepPlan(tuple(Step((1000.0,), (0.5,), seconds) for seconds in (0.1, 0.2, 0.3)))
    assert plan.starts[0] == pytest.approx(0.1)
    assert np.allclose(plan.stops - plan.starts, (0.1, 0.2, 0.3))
    assert np.allclose(plan.starts[1:] - plan.stops[:-1], 0.02)
    assert plan.seconds == pytest.approx(plan.stops[-1] + 0.005)


@pytest.mark.parametrize("name", NAMED)
def test_an_input_that_is_overdriven_a_little_is_named_and_one_that_just_reaches_full_scale_is_not(name):
    kind, parameters, plan, bench = scene(name)
    clean = bench.capture(plan).samples
    for peak, expected in ((0.99999, set()), (1.0, set()), (1.005, {"overload"}), (1.02, {"overload"})):
        values = clean * (peak / np.max(np.abs(clean[:, 0])))
        codes = np.clip(np.round(values * 2.0**23), -(2**23), 2**23 - 1).astype(np.int32) * 256
        found = codes_of(kind, parameters, Capture(codes, RATE, None, 24))
        assert {code for code, channel in found if channel == "left"} == expected, peak


@pytest.mark.parametrize("name", NAMED)
@pytest.mark.parametrize("late", [0.02, 0.055])
def test_a_capture_that_begins_before_anything_is_measured_has_all_that_matters(name, late):
    kind, parameters, plan, bench = scene(name, delay_seconds=0.0)
    samples = bench.capture(plan).samples[int((RAMP_SECONDS + late) * RATE) :]
    capture = Capture(samples.copy(), RATE)
    assert codes_of(kind, parameters, capture) == set()
    first = bench.first_frame(plan) - int((RAMP_SECONDS + late) * RATE)
    assert abs(kind.locate(capture, parameters, NAMES).start - first) / RATE < 0.003


@pytest.mark.parametrize("step_db", [1.0, 5.0])
def test_stairs_of_which_the_first_step_is_missing_are_not_taken_for_the_rest(step_db):
    parameters = linearity.KIND.stimulus_parameters(lowest_dbfs=-20.0, step_db=step_db, seconds=0.7)
    plan = linearity.KIND.plan(parameters)
    bench = Bench(RATE, delay_seconds=0.0, density=density_of(-80.0, 20_000.0), gains=(0.5, 0.4))
    samples = bench.capture(plan).samples
    for late in np.arange(0.08, 0.4, 0.024):
        capture = Capture(samples[int((RAMP_SECONDS + late) * RATE) :].copy(), RATE)
        found = codes_of(linearity.KIND, parameters, capture)
        assert found == {("too_short", None)} if late < 0.3 else found, late


def varied(generator):
    """Return legal parameters of any kind in steps, with its kind and plan."""
    name = str(generator.choice(["linearity", "intermodulation", "distortion_sweep"]))
    kind, layout, _ = KINDS[name]
    pair = str(generator.choice(["60+7000", "41+7993", "18000+20000"]))
    choices = {
        "linearity": {
            "frequency_hz": float(generator.uniform(300.0, 4000.0)),
            "lowest_dbfs": float(generator.uniform(-90.0, -30.0)),
            "step_db": float(generator.uniform(3.0, 5.0)),
            "seconds": float(generator.uniform(1.2, 2.0)),
        },
        "intermodulation": {
            "pair": pair,
            "level_dbfs": float(generator.uniform(-40.0, -30.0)),
            "lowest_dbfs": float(generator.uniform(-60.0, -45.0)),
            "step_db": float(generator.uniform(2.0, 5.0)),
            "seconds": 0.1,
        },
        "distortion_sweep": {
            "points": int(generator.integers(2, 30)),
            "lowest_hz": float(generator.uniform(40.0, 400.0)),
            "highest_hz": float(generator.uniform(1000.0, 20_000.0)),
            "seconds": float(generator.uniform(0.05, 0.1)),
        },
    }
    parameters = kind.stimulus_parameters(**choices[name])
    return kind, parameters, layout(parameters)


@pytest.mark.parametrize("count", repeats(5, 24))
def test_a_clean_capture_of_any_legal_stimulus_is_never_flagged(count):
    for seed in range(count):
        generator = np.random.default_rng([seed, 7])
        kind, parameters, plan = varied(generator)
        bits = int(generator.choice([16, 24]))
        hum = max(max(step.amplitudes) for step in plan.steps) * 10.0 ** (
            generator.uniform(-100.0, -40.0) / 20.0
        )
        bench = Bench(
            rate_hz=int(generator.choice([44_100, 48_000, 96_000])),
            clock_ppm=generator.uniform(-1000.0, 1000.0),
            delay_seconds=generator.choice([0.0, generator.uniform(0.0, 1.0)]),
            tail_seconds=generator.choice([0.0, 0.2]),
            density=density_of(generator.uniform(-140.0, -70.0), 20_000.0),
            gains=(0.8, -0.5),
            bend=polynomial(10.0 ** generator.uniform(-6.0, -2.0), 10.0 ** generator.uniform(-6.0, -2.0)),
            lines=((50.02, hum), (150.05, 0.3 * hum)),
            seed=seed,
        )
        samples = bench.capture(plan).samples + 0.004
        dither = generator.uniform(-0.5, 0.5, (2, *samples.shape)).sum(axis=0)
        codes = np.round(samples * 2.0 ** (bits - 1) + dither).astype(np.int64) << (32 - bits)
        capture = Capture(codes.astype(np.int32), bench.rate_hz, None, bits, 50.0)
        assert codes_of(kind, parameters, capture) == set(), seed
