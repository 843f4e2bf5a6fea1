"""Each detector trips on its fault and on nothing else."""

import numpy as np
import pytest

from linecheck.dsp.continuity.continuity import breaks, repeated_blocks
from linecheck.dsp.continuity.held import cut_noise, flat_tops, held_stretch, overdriven

RATE = 48_000
TONE = 997.0 / RATE


def noisy_tone(seed, frames=40_000, noise=1e-4):
    rng = np.random.default_rng(seed)
    return 0.5 * np.sin(2 * np.pi * TONE * np.arange(frames)) + noise * rng.standard_normal(frames)


@pytest.mark.parametrize("length", [48, 64, 441, 1024])
@pytest.mark.parametrize("in_place", [True, False])
def test_a_block_delivered_twice_is_found_where_it_is(length, in_place):
    values = noisy_tone(length)
    block = values[20_000 - length : 20_000]
    if in_place:
        values[20_000 : 20_000 + length] = block
    else:
        values = np.insert(values, 20_000, block)
    (repeat,) = repeated_blocks(values)
    assert abs(repeat.start - 20_000) <= 2
    assert abs(repeat.length - length) <= 2


def test_a_periodic_signal_is_no_repeat():
    steps = np.round(0.4 * np.sin(2 * np.pi * 1000 / RATE * np.arange(20_000)) * 2**15) / 2**15
    assert repeated_blocks(steps) == ()
    assert repeated_blocks(np.zeros(5000)) == ()
    assert repeated_blocks(noisy_tone(1)) == ()


def test_flat_tops_count_only_what_a_sine_does_not_do_by_itself():
    values = noisy_tone(2)
    assert flat_tops(values, TONE, 0.0)[0] == 0
    held, rail = flat_tops(np.clip(values, -0.4, 0.4), TONE, 0.0)
    assert held > 1000
    assert abs(rail) == 0.4
    coarse = np.round(0.9 * np.sin(2 * np.pi * 20 / RATE * np.arange(RATE)) * 2**15) / 2**15
    assert flat_tops(coarse, 20 / RATE, 2.0**-15)[0] == 0


@pytest.mark.parametrize("lost", [1, 2, 100])
def test_lost_samples_are_a_jump(lost):
    values = np.delete(noisy_tone(3), np.s_[15_000 : 15_000 + lost])
    found = breaks(values, np.array([TONE]))
    assert found
    assert min(abs(entry.frame - 15_000) for entry in found) < 500


@pytest.mark.parametrize("place", [5, 60, 140, 39_870, 39_940, 39_995])
def test_a_strange_sample_at_either_end_is_a_burst(place):
    values = noisy_tone(5) + 0.01 * np.sin(2 * np.pi * 50 / RATE * np.arange(40_000))
    assert breaks(values, np.array([TONE])) == ()
    values[place] += 0.01
    found = breaks(values, np.array([TONE]))
    assert {entry.kind for entry in found} == {"burst"}
    assert min(abs(entry.frame - place) for entry in found) < 150


@pytest.mark.parametrize(("share", "lost"), [(0.49, 4036), (0.49, 2217), (0.5, 4036)])
def test_many_tones_of_which_half_came_early_do_not_hide_it_behind_their_own_spread(share, lost):
    frequencies = np.geomspace(313.0, 10_000.0, 80) / RATE
    time = np.arange(19_200.0)
    time[int(share * len(time)) :] += lost
    turns = np.outer(frequencies[1::2], time) + np.arange(1, 80, 2)[:, None] ** 2 / 80.0
    values = 0.005 * np.sum(np.cos(2 * np.pi * turns), axis=0)
    assert breaks(values + 1e-6 * np.random.default_rng(1).standard_normal(len(values)), frequencies)


def test_one_millisecond_frame_of_usb_shows_at_997_hz():
    """At 1 kHz and 48 kHz a lost millisecond is a whole period: no step of phase at all. At 997 Hz it is -1.08°."""
    found = breaks(np.delete(noisy_tone(4), np.s_[15_000:15_048]), np.array([TONE]))
    assert any(entry.kind == "jump" for entry in found)


@pytest.mark.parametrize("length", [10, 48, 480])
def test_a_hole_is_found(length):
    values = noisy_tone(5)
    values[15_003 : 15_003 + length] = 0.0
    assert breaks(values, np.array([TONE]))


def test_steady_distortion_is_no_break():
    values = noisy_tone(6)
    assert breaks(np.clip(values, -0.45, 0.45), np.array([TONE])) == ()
    assert breaks(values + 0.01 * values**2 - 0.02 * values**3, np.array([TONE])) == ()


@pytest.mark.parametrize("length", [512, 4096])
def test_long_blocks_of_coarse_noise_delivered_twice_are_found(length):
    rng = np.random.default_rng(length)
    values = np.round(17 * rng.standard_normal(40_000)) / 2**15
    values[20_000 : 20_000 + length] = values[20_000 - length : 20_000]
    (repeat,) = repeated_blocks(values)
    assert abs(repeat.start - 20_000) <= 2


def test_one_value_is_evidence_only_where_the_signal_moves_in_that_time():
    rng = np.random.default_rng(8)
    loud = np.round(2**13 * np.sin(2 * np.pi * TONE * np.arange(20_000)) + rng.standard_normal(20_000))
    hole = loud.copy()
    hole[9_000:9_100] = 0.0
    assert held_stretch(loud, 48) is None
    assert held_stretch(hole, 48) == (9_000, 100)
    # Noise that hardly reaches from one code to the next stays at one for a while now and then.
    still = rng.integers(0, 2, 20_000).astype(np.float64)
    still[9_000:9_100] = 0.0
    assert held_stretch(still, 48) is None
    # Slow hum of few codes stays at its peak for longer than it stays anywhere else.
    hum = np.round(6.0 * np.sin(2 * np.pi * 50 / RATE * np.arange(20_000)))
    assert held_stretch(hum, 48) is None


@pytest.mark.parametrize("hertz", [997.0, 10_007.0, 17_987.0])
def test_a_tone_cut_at_the_rail_is_overdriven_even_in_single_samples(hertz):
    rng = np.random.default_rng(7)
    time = np.arange(48_000) / RATE
    wave = np.sin(2 * np.pi * hertz * time + 0.3) + 1e-6 * rng.standard_normal(48_000)
    step = 2.0**-23

    def captured(gain):
        return np.clip(np.round(gain * wave / step) * step, -1.0, 1.0 - step)

    assert overdriven(captured(1.01), hertz / RATE, step)[0] > 100
    assert overdriven(captured(0.99999), hertz / RATE, step)[0] == 0


def test_a_tone_that_repeats_exactly_is_not_overdriven():
    wave = 0.5 * np.sin(2 * np.pi * 1000 / RATE * np.arange(48_000))
    wave += 1e-3 * np.sin(2 * np.pi * 3000 / RATE * np.arange(48_000))
    assert overdriven(np.round(wave * 2**23) / 2**23, 1000 / RATE, 2.0**-23)[0] == 0


@pytest.mark.parametrize("seed", range(5))
def test_pulses_of_a_bus_frame_are_the_unit_s_noise_and_no_break(seed):
    # Fourteen harmonics of 1 kHz in phase, as a USB frame leaves them: 8 % of a tone at -60 dB, every millisecond.
    rng = np.random.default_rng(seed)
    time = np.arange(2 * 48_000) / 48_000
    pulses = sum(10 ** (-105 / 20) * np.cos(2 * np.pi * 1000.003 * order * time) for order in range(1, 15))
    values = 1e-3 * np.sin(2 * np.pi * 997.01 * time) + pulses + 3e-6 * rng.standard_normal(len(time))
    assert breaks(values, np.array([997.01 / 48_000])) == ()
    values[50_000:50_003] += 1e-3  # as large as the tone, for three samples
    assert breaks(values, np.array([997.01 / 48_000]))


@pytest.mark.parametrize("hum", [0.0, 30.0, 300.0])
@pytest.mark.parametrize("seed", range(4))
def test_noise_that_is_cut_off_heaps_at_its_last_value(seed, hum):
    rng = np.random.default_rng(seed)
    # In steps of the capture; the hum's own peak dwells at its last value, as a sine does.
    values = 20.0 * rng.standard_normal(40_000) + hum * np.sin(
        2 * np.pi * 50 / RATE * np.arange(40_000) + seed
    )
    codes = np.rint(values + 7.0) / 2**23
    assert cut_noise(codes) == (0, 0.0)
    rail = float(np.sort(codes)[-400])
    held, at = cut_noise(np.minimum(codes, rail))
    assert held >= 400
    assert at == rail
    assert cut_noise(np.maximum(-codes, -rail))[0] == held


def test_a_pure_hum_dwells_at_its_peak_and_is_not_cut_off():
    for size in np.geomspace(9.0, 3000.0, 40):
        assert cut_noise(np.rint(size * np.sin(2 * np.pi * 50.003 / RATE * np.arange(96_000)))) == (0, 0.0)
