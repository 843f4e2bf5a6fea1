"""Readings against captures whose truth is known exactly: error, and how well it is stated."""

from collections import defaultdict

import numpy as np
import pytest
from known_truth import Scene, decibels, measured, readings, record, record_combs
from repeats import assert_covers, assert_near, covering, repeats

from linecheck.checks.base import Reference
from linecheck.dsp.spectra.weighting import a_weighting_power, weighting_468_power

# What a reading may be off by: dB; dB of level; ppm of frequency.
RATIO_DB, LEVEL_DB, FREQUENCY_PPM = 0.1, 0.001, 0.05

# Sound starts at once or late, clocks differ by up to ±300 ppm; each pair of level and rate meets two of
# these, one of them as a soak. Each level meets either kind of unit, and so does each rate.
STARTS = [(-300.0, 0.0), (300.0, 2.0), (12.7, 0.713)]
CASES = [
    pytest.param(*case.values, *STARTS[index % 3], index, marks=case.marks)
    for index, case in enumerate(covering((60, 80, 100, 120, 140), (44_100, 192_000), (0, 1), together=2))
]


# Re the level that everything besides the tone has: the loud ones make it up, the faint ones vanish in the
# noise.
LOUD = {2: -2.5, 3: -5.0, 5: -9.0}
FAINT = {2: -22.0, 3: -26.0, 5: -24.0}


def tone_scene(level, loud):
    """Harmonics more than 10 dB above the band's noise, or noise on top of them, in turn; hum below both.

    Above 24 kHz the noise is 40 dB denser, as noise-shaped converters leave it.
    """
    return Scene(
        amplitude=(0.9, 0.5)[loud],
        noise_db=-level - (20.0 if loud else 0.2),
        harmonics_db={order: entry - level for order, entry in (LOUD if loud else FAINT).items()},
        hum_db={1: -level - 22.0, 3: -level - 25.0},
        outside_db=40.0,
    )


@pytest.mark.parametrize(("level", "rate", "loud", "ppm", "delay", "index"), CASES)
def test_tone(level, rate, loud, ppm, delay, index):
    scene = tone_scene(level, loud)
    recording = record(scene, rate, seed=index, clock_ppm=ppm, delay_seconds=delay)
    location, result = measured("tone", recording.capture)
    got = {metric: reading.value for metric, reading in readings(result).items()}
    everything = decibels(recording.came_out(location))
    assert everything == pytest.approx(-level, abs=0.5)
    assert got["sinad"] == pytest.approx(-everything, abs=RATIO_DB)
    assert got["thd_n"] == pytest.approx(everything, abs=RATIO_DB)
    noise = decibels(recording.came_out(location, harmonics=False))
    assert got["noise"] == pytest.approx(noise, abs=RATIO_DB)
    assert got["level_dbfs"] == pytest.approx(20.0 * np.log10(scene.amplitude), abs=LEVEL_DB)
    assert 1e6 * (got["frequency"] / (997.0 * recording.clock) - 1.0) == pytest.approx(0.0, abs=FREQUENCY_PPM)
    assert got["clock_error"] == pytest.approx(ppm, abs=FREQUENCY_PPM)
    for order, expected in scene.harmonics_db.items():
        value, uncertainty = got[f"harmonic_{order}"], readings(result)[f"harmonic_{order}"].uncertainty
        if expected > scene.noise_db + 10.0:
            assert value == pytest.approx(expected, abs=RATIO_DB)
            assert got["thd"] == pytest.approx(-level, abs=RATIO_DB)
        # Less than 10 dB above the band's noise, the noise on a harmonic's own frequency moves it by more
        # than the bar: it is held to what came out of both. (A few percent of the record may be left out
        # for the transform's sake.)
        came_out = decibels(recording.harmonic(location, order))
        assert value == pytest.approx(came_out, abs=max(RATIO_DB, 0.5 * uncertainty))


@pytest.mark.parametrize(("level", "rate", "_", "ppm", "delay", "index"), CASES)
def test_dynamic_range(level, rate, _, ppm, delay, index):
    # The tone is 60 dB below full scale, so at a dynamic range of 60 dB the noise is as strong as the tone.
    scene = Scene(
        amplitude=1e-3,
        noise_db=60.0 - level,
        hum_db={1: 40.0 - level, 3: 35.0 - level},
        outside_db=40.0 if level > 60 else 0.0,
    )
    recording = record(scene, rate, seed=100 + index, clock_ppm=ppm, delay_seconds=delay)
    location, result = measured("low_level_tone", recording.capture)
    got = {metric: reading.value for metric, reading in readings(result).items()}
    for suffix, weighting in (("_unweighted", None), ("_a_weighted", "a"), ("_ccir_rms", "468")):
        truth = 60.0 - decibels(recording.came_out(location, weighting=weighting))
        assert got[f"dynamic_range{suffix}"] == pytest.approx(truth, abs=RATIO_DB)


@pytest.mark.parametrize(("level", "rate"), [(60, 44_100), (140, 192_000)])
def test_noise_is_not_biased(level, rate):
    # Over many records the noise's own statistics average out: what remains is the estimator's.
    errors = []
    for seed in range(12):
        scene = Scene(noise_db=float(-level))
        recording = record(scene, rate, seed=seed, seconds=0.25, delay_seconds=0.02, tail_seconds=0.02)
        _, result = measured("tone", recording.capture, seconds=0.25)
        errors.append(10.0 ** ((readings(result)["noise"].value + level) / 10.0))
    # 12 records of 0.25 s and 20 kHz: 4.34/√(BT) = 0.018 dB.
    assert decibels(np.mean(errors)) == pytest.approx(0.0, abs=0.055)


@pytest.mark.parametrize("seed", range(4))
def test_lines_too_close_to_tell_apart_count_once(seed):
    # Pairs 0.5 to 2.5 Hz apart in a record of 1 s: one by one they cannot be read, their power can.
    generator = np.random.default_rng((11, seed))
    first = generator.uniform(300.0, 15_000.0, 8)
    places = np.concatenate((first, first + generator.uniform(0.5, 2.5, 8)))
    scene = Scene(noise_db=-97.0, lines_db=dict.fromkeys(places.tolist(), -54.0))
    recording = record(scene, 48_000, seed=seed)
    location, result = measured("tone", recording.capture)
    got = {metric: reading.value for metric, reading in readings(result).items()}
    assert got["sinad"] == pytest.approx(-decibels(recording.came_out(location)), abs=0.3)
    assert got["level_dbfs"] == pytest.approx(20.0 * np.log10(scene.amplitude), abs=LEVEL_DB)


@pytest.mark.parametrize("frequency", [39.0, 165.41, 274.18])
def test_a_low_tone_beside_strong_hum(frequency):
    scene = Scene(
        frequency_hz=frequency,
        noise_db=-84.0,
        hum_hz=60.1,
        hum_db={2: -62.0, 3: -54.0, 4: -57.0},
        harmonics_db={2: -60.0, 3: -70.0, 7: -75.0},
    )
    recording = record(scene, 44_100, seed=3, clock_ppm=201.0)
    location, result = measured("tone", recording.capture, frequency_hz=frequency)
    got = {metric: reading.value for metric, reading in readings(result).items()}
    assert 1e6 * (got["frequency"] / (frequency * recording.clock) - 1.0) == pytest.approx(
        0.0, abs=FREQUENCY_PPM
    )
    assert got["level_dbfs"] == pytest.approx(20.0 * np.log10(scene.amplitude), abs=LEVEL_DB)
    assert got["sinad"] == pytest.approx(-decibels(recording.came_out(location)), abs=RATIO_DB)
    for order, level in scene.harmonics_db.items():
        uncertainty = readings(result)[f"harmonic_{order}"].uncertainty
        assert got[f"harmonic_{order}"] == pytest.approx(level, abs=max(RATIO_DB, 3.0 * uncertainty))


SECONDS = 0.1
NOISE_DB = -100.0


def random_scene(generator):
    """Tone, harmonics, hum and a spurious line, all well above the noise on their own frequency."""
    return Scene(
        amplitude=generator.uniform(0.3, 0.9),
        phase=generator.uniform(0.0, 2.0 * np.pi),
        noise_db=NOISE_DB,
        harmonics_db={2: NOISE_DB + 8.0, 3: NOISE_DB + 3.0, 5: NOISE_DB - 10.0},
        hum_db={1: NOISE_DB + 7.0, 3: NOISE_DB + 5.0},
        hum_hz=generator.uniform(49.9, 50.1),
        lines_db={generator.uniform(3300.0, 3700.0): NOISE_DB},
        constant=1e-3,
    )


def line_power(scene, *, harmonics=True):
    """Power of all lines of a scene re the tone."""
    levels = [*scene.hum_db.values(), *scene.lines_db.values()]
    levels += scene.harmonics_db.values() if harmonics else []
    return sum(10.0 ** (entry / 10.0) for entry in levels)


def tone_truth(scene, clock_ppm):
    noise = 10.0 ** (scene.noise_db / 10.0)
    everything = decibels(noise + line_power(scene))
    level = 20.0 * np.log10(scene.amplitude)
    truth = {
        "level": scene.amplitude * 4.0 / np.sqrt(2.0),
        "level_dbfs": level,
        "frequency": 997.0 * (1.0 + 1e-6 * clock_ppm),
        "clock_error": clock_ppm,
        "sinad": -everything,
        "thd_n": everything,
        "thd": decibels(sum(10.0 ** (entry / 10.0) for entry in scene.harmonics_db.values())),
        "noise": decibels(noise + line_power(scene, harmonics=False)),
        "enob": (-everything - 10.0 * np.log10(1.5)) / (20.0 * np.log10(2.0)),
        "largest_spur": max(*scene.hum_db.values(), *scene.lines_db.values()),
        "hum": decibels(sum(10.0 ** (entry / 10.0) for entry in scene.hum_db.values())),
        "dc_offset": 4000.0 * scene.constant,
    }
    return truth | {f"harmonic_{order}": entry for order, entry in scene.harmonics_db.items()}


WEIGHTINGS = {
    "": np.ones_like,
    "_a": a_weighting_power,
    "_ccir_rms": lambda frequencies: weighting_468_power(frequencies, reference_hz=2000),
}
NAMES = {"": "_unweighted", "_a": "_a_weighted", "_ccir_rms": "_ccir_rms"}
#: Of flat noise from 20 Hz to 20 kHz.
FACTORS = {
    suffix: float(np.mean(weighting(np.linspace(20.0, 20_000.0, 100_001))))
    for suffix, weighting in WEIGHTINGS.items()
}


def quiet_truth(scene):
    """Noise and lines in microvolts and re a tone of a level, weighted or not."""
    truth = {"hum": tone_truth(scene, 0.0)["hum"]}
    lines = {order * scene.hum_hz: entry for order, entry in scene.hum_db.items()} | scene.lines_db
    for suffix, weighting in WEIGHTINGS.items():
        power = 10.0 ** (scene.noise_db / 10.0) * FACTORS[suffix]
        power += sum(
            10.0 ** (entry / 10.0) * float(weighting(np.array(place))) for place, entry in lines.items()
        )
        truth[f"noise{suffix}"] = 4e6 * np.sqrt(power * scene.power)
        truth[f"snr{suffix}"] = -decibels(power)
    return truth


def low_level_truth(scene):
    noise = 10.0 ** (scene.noise_db / 10.0)
    return {
        f"dynamic_range{NAMES[suffix]}": 60.0 - decibels(noise * factor) for suffix, factor in FACTORS.items()
    }


def compare(errors, kind, result, channel, truth):
    got = readings(result, channel)
    for metric, true in truth.items():
        if metric in got:
            errors[f"{kind}.{metric}"].append((got[metric].value - true, got[metric].uncertainty))


@pytest.fixture(scope="module", params=repeats(70, 400))
def errors(request):
    """Error and stated uncertainty of every reading, two channels a record."""
    records = request.param
    found = defaultdict(list)
    for seed in range(records):
        generator = np.random.default_rng((7, seed))
        scenes = random_scene(generator), random_scene(generator)
        ppm, delay = generator.uniform(-300.0, 300.0), generator.uniform(0.0, 0.02)
        short = {"seconds": SECONDS, "tail_seconds": 0.02, "full_scale_volts": 4.0}
        tone = record(scenes, 48_000, seed=seed, clock_ppm=ppm, delay_seconds=delay, **short)
        _, result = measured("tone", tone.capture, seconds=SECONDS)
        for channel, scene in zip(("left", "right"), scenes, strict=True):
            compare(found, "tone", result, channel, tone_truth(scene, ppm))
        ratio = decibels(scenes[0].power / scenes[1].power)
        compare(found, "tone", result, None, {"balance": ratio})
        # Of these, readings of both channels count, and none is of the pair.
        if seed >= 2 * records // 3:
            continue

        levels = [readings(result, channel)["level_dbfs"] for channel in ("left", "right")]
        reference = Reference(
            "tone", tuple(level.value for level in levels), tuple(level.uncertainty for level in levels)
        )
        silence = record(scenes, 48_000, seed=seed + records, tone=False, delay_seconds=0.0, **short)
        _, result = measured("quiet", silence.capture, reference=reference, seconds=SECONDS)
        for channel, scene in zip(("left", "right"), scenes, strict=True):
            compare(found, "quiet", result, channel, quiet_truth(scene))

        low = Scene(amplitude=1e-3, phase=generator.uniform(0.0, 2.0 * np.pi), noise_db=-40.0)
        faint = record((low, low), 48_000, seed=seed + 2 * records, delay_seconds=delay, **short)
        _, result = measured("low_level_tone", faint.capture, seconds=SECONDS)
        for channel in ("left", "right"):
            compare(found, "low_level_tone", result, channel, low_level_truth(low))
    return {metric: np.array(pairs).T for metric, pairs in found.items()}


EVERYTHING = Scene(noise_db=0.0, harmonics_db={2: 0.0, 3: 0.0, 5: 0.0}, hum_db={1: 0.0}, lines_db={1.0: 0.0})
READINGS = [
    *(f"tone.{metric}" for metric in tone_truth(EVERYTHING, 0.0)),
    "tone.balance",
    *(f"quiet.{metric}" for metric in ("noise", "noise_a", "noise_ccir_rms", "snr", "snr_a", "hum")),
    *(f"low_level_tone.dynamic_range{suffix}" for suffix in NAMES.values()),
]


@pytest.mark.parametrize("metric", READINGS)
def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors, metric):
    assert_covers(*errors[metric])


@pytest.mark.parametrize("metric", ["tone.level_dbfs", "tone.frequency"])
def test_the_tone_s_spread_is_near_the_cramer_rao_bound(errors, metric):
    # Rife and Boorstyn 1974 (from memory), for noise of density S over T seconds: var A ≥ S/T, var f ≥ 3
    # S/(π² A² T³).
    error, _ = errors[metric]
    noise = 10.0 ** (NOISE_DB / 10.0) / (20_000.0 - 20.0) / SECONDS
    # Re A²/2, so S/T over A² is half of that.
    bound = {
        "tone.level_dbfs": 20.0 / np.log(10.0) * np.sqrt(0.5 * noise),
        "tone.frequency": np.sqrt(1.5 * noise) / (np.pi * SECONDS),
    }
    assert_near(np.std(error) / bound[metric], len(error))


def test_the_noise_s_spread_is_near_its_limit(errors):
    error, _ = errors["low_level_tone.dynamic_range_unweighted"]
    limit = 10.0 / np.log(10.0) / np.sqrt((20_000.0 - 20.0) * SECONDS)
    assert_near(np.std(error) / limit, len(error))


@pytest.fixture(scope="module", params=repeats(70, 400))
def wiring_errors(request):
    """Error and stated uncertainty of the wiring check's readings of the pair; polarity and order on the way."""
    found = defaultdict(list)
    for seed in range(request.param):
        generator = np.random.default_rng((8, seed))
        truth = {"channel_delay": generator.uniform(-20.0, 20.0), "balance": generator.uniform(-1.0, 1.0)}
        polarity = tuple(int(sign) for sign in generator.choice((-1, 1), 2))
        capture = record_combs(
            8000,
            seed=seed,
            seconds=0.2,
            late_frames=truth["channel_delay"],
            balance_db=truth["balance"],
            polarity=polarity,
            clock_ppm=generator.uniform(-300.0, 300.0),
            delay_seconds=generator.uniform(0.0, 0.05),
        )
        _, result = measured("wiring", capture, rate_hz=8000, seconds=0.2)
        assert readings(result, None)["order"].value == 1.0
        got = tuple(readings(result, channel)["polarity"].value for channel in ("left", "right"))
        assert got == polarity
        compare(found, "wiring", result, None, truth)
    return {metric: np.array(pairs).T for metric, pairs in found.items()}


@pytest.mark.parametrize("metric", ["wiring.channel_delay", "wiring.balance"])
def test_the_same_for_wiring(wiring_errors, metric):
    assert_covers(*wiring_errors[metric])
