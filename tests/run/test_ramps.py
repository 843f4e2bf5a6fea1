"""How fast the samples that are played start and stop, whatever a kind says of them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal.windows import tukey
from small_run import small_check, small_limits

from linecheck.checks.base import Stimulus
from linecheck.checks.tone import ToneKind
from linecheck.dsp.quantise import quantise
from linecheck.errors import UsageError
from linecheck.run.ramps import abrupt
from linecheck.station.config.station import StationConfig
from linecheck.station.planning import station_plan
from linecheck.station.self_check import plays
from linecheck.station.self_check.plays import loop_path, make_plays

RATE = 48_000
FRAMES = RATE // 2
RAMP = 0.02


def of(values, bits=24):
    """Return a stimulus of one channel, or of the channels given."""
    table = np.atleast_2d(values).T
    return Stimulus(quantise(table, bits, 1), RATE, bits)


def window(ramp_seconds, frames=FRAMES):
    """Return a library's ramps: a Tukey window tapers along a cosine at both ends (Harris 1978, Proc. IEEE 66, 51)."""
    return tukey(frames, 2.0 * ramp_seconds * RATE / frames)


def noise(seed):
    return np.random.default_rng(seed).uniform(-1.0, 1.0, FRAMES)


def sine(frequency_hz, frames=FRAMES, phase=0.0):
    return np.sin(2.0 * np.pi * frequency_hz * np.arange(frames) / RATE + phase)


@given(
    st.floats(20.0, 20_000.0),
    st.floats(0.0, 6.3),
    st.floats(-60.0, 0.0),
    st.sampled_from([0.002, RAMP, 0.1]),
    st.sampled_from([16, 24]),
)
@settings(max_examples=40)
def test_a_sine_with_a_librarys_ramp_is_slow_enough(frequency_hz, phase, level_db, ramp, bits):
    values = 0.999 * 10.0 ** (level_db / 20.0) * sine(frequency_hz, phase=phase) * window(ramp)
    assert abrupt(of(values, bits), ramp) is None


@pytest.mark.parametrize("seed", range(5))
def test_noise_with_a_librarys_ramp_is_slow_enough_and_with_half_of_it_is_not(seed):
    assert abrupt(of(noise(seed) * window(RAMP)), RAMP) is None
    found = abrupt(of(noise(seed) * window(0.5 * RAMP)), RAMP)
    assert 0.5 * RAMP <= found.ramp_seconds < RAMP


def test_a_ramp_counts_as_the_raised_cosine_that_is_as_steep_as_the_line_to_its_steepest_rise():
    part = np.linspace(0.01, 1.0, 1000)
    line = np.min(part / (0.5 - 0.5 * np.cos(np.pi * part)))  # in lengths of the ramp, for its whole height
    found = abrupt(of(0.999 * window(0.5 * RAMP)), RAMP)
    assert found.ramp_seconds == pytest.approx(0.5 * np.pi * line * 0.5 * RAMP, rel=0.01)


@pytest.mark.parametrize("starts", [True, False])
@pytest.mark.parametrize("level_db", [0.0, -20.0, -40.0])
def test_what_begins_or_ends_at_once_is_found(starts, level_db):
    values = 0.999 * 10.0 ** (level_db / 20.0) * sine(997.0, phase=1.0) * window(RAMP)
    half = values[FRAMES // 2 :] if starts else values[: FRAMES // 2]
    found = abrupt(of(half), RAMP)
    assert (found.starts, found.channel) == (starts, 0)
    assert found.ramp_seconds < 0.002
    assert found.seconds == pytest.approx(0.0 if starts else len(half) / RATE, abs=1e-4)


def test_a_start_after_a_pause_counts_in_its_own_channel():
    pause, tone = np.zeros(RATE // 10), sine(997.0) * window(RAMP)
    slow, fast = (
        np.concatenate((tone, pause, tone)),
        np.concatenate((tone, pause, tone[FRAMES // 2 :], tone * 0)),
    )
    fast = fast[: len(slow)] if len(fast) >= len(slow) else np.pad(fast, (0, len(slow) - len(fast)))
    assert abrupt(of([slow, slow]), RAMP) is None
    found = abrupt(of([slow, fast]), RAMP)
    assert (found.channel, found.starts) == (1, True)
    assert found.seconds == pytest.approx(0.6, abs=1e-3)


@pytest.mark.parametrize("values", [np.zeros(FRAMES), 3e-5 * noise(1)], ids=["silence", "dither"])
def test_silence_and_dither_may_begin_at_once(values):
    assert abrupt(of(values, 16), 1.0) is None


class Click(ToneKind):
    """A tone that begins at once."""

    name = "click"

    def stimulus(self, parameters, channels, ramp_seconds):
        made = super().stimulus(parameters, channels, ramp_seconds)
        return replace(made, samples=made.samples[len(made.samples) // 2 :])


class DeclaredClick(Click):
    """The same, declared."""

    def max_ramp_seconds(self, parameters):
        return 0.0


def station(ramp_seconds):
    facts = {
        "format": 1,
        "station": "bench",
        "interface": "simulated",
        "mains_hz": 50,
        "loop": {"kind": "analogue"},
    }
    return StationConfig.model_validate({**facts, "protection": {"ramp_seconds": ramp_seconds}})


def test_a_kind_that_starts_too_fast_is_refused_unless_it_declares_that_it_must():
    check = small_check("one", "tone")
    with pytest.raises(
        UsageError, match=r"check one starts within .* ms, at 0\.000 s in left; station bench plays"
    ):
        station_plan(small_limits(replace(check, kind=Click())), station(0.01))
    assert station_plan(small_limits(replace(check, kind=DeclaredClick())), station(0.01)).checks
    assert station_plan(small_limits(replace(check, kind=Click())), station(0.0)).checks


def test_a_sweep_declares_its_own_ends_and_is_held_to_them():
    check = small_check("sweep", "response", signal="sweep", seconds=1.5)
    assert check.kind.max_ramp_seconds(check.stimulus) == 0.01
    (planned,) = station_plan(small_limits(check), station(0.5)).checks
    assert abrupt(planned.stimulus, 0.5) is not None


def test_what_a_self_check_plays_is_held_to_the_ramp_too(monkeypatch):
    path = loop_path(station(0.05))
    assert "wiring" in [play.name for play in make_plays(path)]
    made = plays.made_stimulus
    monkeypatch.setattr(
        plays, "made_stimulus", lambda kind, given, channels, ramp: made(kind, given, channels, 0.001)
    )
    with pytest.raises(UsageError, match="wiring of the self-check starts or stops within"):
        make_plays(path)
