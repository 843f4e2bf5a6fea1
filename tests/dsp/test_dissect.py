"""Taking recordings apart: nothing outside the band leaks into it, and each part reads what was put in."""

import numpy as np
import pytest

from linecheck.dsp.fits.dissect import dissect, hum_lines, total

RATE = 48_000
TONE = 997.01


def recording(seed=0, *, rate=RATE, noise_db=-115.0, extra=0.0):
    """A tone of peak 0.5 with white noise whose part below 20 kHz lies ``noise_db`` re the tone, and something else."""
    time = np.arange(rate) / rate
    noise = np.sqrt(rate / 2 / 20_000) * 0.5 * np.sqrt(0.5) * 10 ** (noise_db / 20)
    wave = 0.5 * np.sin(2 * np.pi * TONE * time) + 0.5 * (extra(time) if callable(extra) else extra)
    return wave + noise * np.random.default_rng(seed).standard_normal(rate)


def noise_db(parts, harmonics=False):
    return 10 * np.log10(parts.residual_power(20, 20_000, harmonics=harmonics).value / parts.tone.power.value)


def hum_db(parts):
    power = total(line.power for line in hum_lines(parts, (50.0, 60.0)))
    return 10 * np.log10(max(power.value, power.uncertainty) / parts.tone.power.value)


@pytest.mark.parametrize(
    "extra",
    [
        0.0,
        lambda t: 1e-3 * np.exp(-t / 0.5),
        lambda t: 1e-3 * np.exp(-t / 0.05),
        lambda t: 1e-3 * np.sin(2 * np.pi * 12 * t + 1),
        lambda t: 1e-3 * np.sin(2 * np.pi * 3.3 * t),
        lambda t: 1e-3 * np.sin(2 * np.pi * 17 * t),
        lambda t: 0.1 * np.sin(2 * np.pi * 22_000.4 * t),
        lambda t: 1e-2 * np.sin(2 * np.pi * 21_000 * t),
    ],
    ids=["nothing", "settling", "settling fast", "12 Hz", "3.3 Hz", "17 Hz", "22 kHz", "21 kHz"],
)
def test_what_lies_outside_the_band_stays_outside(extra):
    parts = dissect(recording(extra=extra), RATE, TONE)
    assert noise_db(parts) == pytest.approx(-115.0, abs=0.1)
    assert noise_db(parts, harmonics=True) == pytest.approx(-115.0, abs=0.1)
    assert hum_db(parts) < -140.0


def test_images_of_a_converter_with_no_filter_stay_outside():
    def images(t):
        return sum(
            10 ** (level / 20) * np.sin(2 * np.pi * hertz * (1 + 17e-6) * t + hertz)
            for hertz, level in ((43_103, -33), (45_097, -33.3), (87_203, -39))
        )

    parts = dissect(recording(rate=192_000, extra=images), 192_000, TONE)
    assert noise_db(parts, harmonics=True) == pytest.approx(-115.0, abs=0.1)
    assert parts.lines_between(40_000, 44_000)[0].power.value / parts.tone.power.value == pytest.approx(
        10**-3.3, rel=1e-3
    )


@pytest.mark.parametrize("mains", [49.9, 50.1, 60.05])
def test_hum_is_found_where_the_grid_is(mains):
    parts = dissect(recording(extra=lambda t: 1e-4 * np.sin(2 * np.pi * mains * t)), RATE, TONE)
    assert hum_db(parts) == pytest.approx(-80.0, abs=0.02)


def test_a_line_beside_a_harmonic_is_told_from_it():
    def both(t):
        return 1e-4 * np.sin(2 * np.pi * 2 * TONE * t) + 1e-5 * np.sin(2 * np.pi * (2 * TONE + 3.0) * t)

    parts = dissect(recording(extra=both), RATE, TONE)
    assert 10 * np.log10(parts.harmonic(2).power.value / parts.tone.power.value) == pytest.approx(
        -80.0, abs=0.02
    )
    (spur,) = [line for line in parts.lines_between(1990, 2000) if not line.order]
    assert 10 * np.log10(spur.power.value / parts.tone.power.value) == pytest.approx(-100.0, abs=0.1)


def test_a_low_tone_has_no_hum_on_its_own_harmonics():
    time = np.arange(RATE) / RATE
    values = 0.5 * np.sin(2 * np.pi * 50 * time) + 1e-6 * np.random.default_rng(1).standard_normal(RATE)
    parts = dissect(values, RATE, 50.0)
    assert hum_lines(parts, (50.0,)) == ()


def test_noise_keeps_its_power_when_tones_are_taken_out():
    read = [dissect(recording(seed), RATE, TONE).noise_power(20, 20_000).value for seed in range(20)]
    expected = 0.125 * 10**-11.5 * 19_980 / 20_000
    assert np.mean(read) == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize("ppm", [-300, 0, 300])
def test_a_harmonic_on_the_edge_of_the_band_is_in_it_whatever_the_clock(ppm):
    time = np.arange(RATE) / RATE * (1 + 1e-6 * ppm)
    values = 0.5 * np.sin(2 * np.pi * 10_000 * time) + 5e-4 * np.sin(2 * np.pi * 20_000 * time)
    values += 1e-6 * np.random.default_rng(3).standard_normal(RATE)
    parts = dissect(values, RATE, 10_000 * (1 + 1e-6 * ppm), nominal_hz=10_000.0)
    assert noise_db(parts, harmonics=True) == pytest.approx(-60.0, abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_hum_is_hidden_by_a_tone_on_the_mains_whatever_the_noise(seed):
    time = np.arange(RATE) / RATE
    values = 0.5 * np.sin(2 * np.pi * 30 * time) + 1e-6 * np.random.default_rng(seed).standard_normal(RATE)
    parts = dissect(values, RATE, 30.0)
    assert hum_lines(parts, (50.0, 60.0)) == ()
    assert len(hum_lines(parts, (50.0,))) == 4


@pytest.mark.parametrize("drift", ["level", "clock"])
def test_a_tone_that_drifts_slowly_is_no_noise(drift):
    time = np.arange(RATE) / RATE
    level = 10 ** (0.01 * time / 20) if drift == "level" else 1.0
    wander = 0.5e-6 * time**2 if drift == "clock" else 0.0
    wave = 0.5 * level * np.sin(2 * np.pi * TONE * (time + wander))
    noise = np.sqrt(1.2) * 0.5 * np.sqrt(0.5) * 10**-5.75 * np.random.default_rng(4).standard_normal(RATE)
    parts = dissect(wave + noise, RATE, TONE)
    assert noise_db(parts, harmonics=True) == pytest.approx(-115.0, abs=0.12)
    assert hum_db(parts) < -140.0


@pytest.mark.parametrize("seconds", [1.0, 40.0])
def test_hum_reads_true_in_long_records_too(seconds):
    rate = 4000
    time = np.arange(int(seconds * rate)) / rate
    hum = sum(a * np.cos(2 * np.pi * 50.123 * n * time + n) for n, a in ((1, 1e-4), (2, 3e-5), (3, 5e-5)))
    record = hum + 1e-5 * np.random.default_rng(4).standard_normal(len(time))
    lines = hum_lines(dissect(record, rate, None), (50.0, 60.0))
    assert [line.frequency_hz for line in lines[:3]] == pytest.approx(
        [50.123, 100.246, 150.369], abs=0.02 / seconds
    )
    for line, amplitude in zip(lines, (1e-4, 3e-5, 5e-5), strict=False):
        assert line.power.value == pytest.approx(0.5 * amplitude**2, abs=5 * line.power.uncertainty)
