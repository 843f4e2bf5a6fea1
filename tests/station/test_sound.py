"""The sound interface on made-up devices: what is copied where, and what happens when a device misbehaves."""

import signal
import threading
import time

import numpy as np
import pytest
from station.fake_sound import FakeSound

from linecheck.checks.base import Stimulus
from linecheck.errors import StationError
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces.sound import engine as sound_engine
from linecheck.station.interfaces.sound.callbacks import SENTINEL, Player, Recorder
from linecheck.station.interfaces.sound.engine import SoundEngine, Watchdog
from linecheck.station.interfaces.sound.interface import SoundInterface

RATE = 8000


def config(playback=None, capture=None):
    tables = {
        "playback": {"device": "unit", "channels": (1, 2), "rates_hz": (RATE,), "latency_seconds": 0.04},
        "capture": {"device": "monitor", "channels": (1, 2), "rate_hz": RATE, "tail_seconds": 0.05},
    }
    tables["playback"] |= playback or {}
    tables["capture"] |= capture or {}
    return StationConfig(format=1, station="bench", interface="sound", mains_hz=60, **tables)


def stimulus(seconds=0.2, channels=2, rate_hz=RATE, bits=24):
    shape = (int(seconds * rate_hz), channels)
    words = np.random.default_rng(3).integers(1, 2 ** (bits - 1), shape)
    return Stimulus((words << (32 - bits)).astype(np.int32), rate_hz, bits)


def start_of(samples):
    return int(np.flatnonzero(np.any(samples, axis=1))[0])


def interface_on(fake, playback=None, capture=None):
    """Return an interface whose engine is in this process, on made-up devices."""
    return SoundInterface(config(playback, capture), engine=lambda settings: SoundEngine(settings, fake))


def play(fake, signal_played=None, playback=None, capture=None):
    with interface_on(fake, playback, capture) as interface:
        return interface.play("check", signal_played or stimulus())


@pytest.fixture
def short_stall(monkeypatch):
    monkeypatch.setattr(sound_engine, "STALL_SECONDS", 0.2)


@pytest.mark.parametrize("sample_format", ["int32", "float32"])
@pytest.mark.parametrize("devices", [("unit", "monitor"), ("unit", "unit")])
def test_what_is_played_comes_back_in_order_and_whole(devices, sample_format):
    sides = [{"device": name, "sample_format": sample_format} for name in devices]
    capture = play(FakeSound(), playback=sides[0], capture=sides[1])
    played = stimulus().samples
    expected = played if sample_format == "int32" else played.astype(np.float64) * 2.0**-31
    start = start_of(capture.samples)
    assert start >= 0.02 * RATE
    assert np.array_equal(capture.samples[start : start + len(played)], expected)
    assert len(capture.samples) >= start + len(played) + 0.05 * RATE
    assert not np.any(capture.samples[start + len(played) :])
    assert capture.events == ()
    assert capture.rate_hz == RATE
    assert capture.mains_hz == 60
    assert capture.bits == (32 if sample_format == "int32" else None)


def test_one_device_at_one_rate_is_one_stream_and_anything_else_two():
    one, two, rates = FakeSound(), FakeSound(), FakeSound()
    play(one, capture={"device": "unit"})
    assert [kind for kind, _ in one.opened] == ["both"]
    play(two)
    assert sorted(kind for kind, _ in two.opened) == ["input", "output"]
    play(rates, capture={"device": "unit", "rate_hz": 16_000})
    assert sorted(kind for kind, _ in rates.opened) == ["input", "output"]


def test_the_driver_neither_dithers_nor_clips_nor_chooses():
    fake = FakeSound()
    play(fake)
    for _, settings in fake.opened:
        assert settings["dither_off"] is True
        assert settings["clip_off"] is True
        assert settings["latency"] == 0.04
        assert settings["samplerate"] == RATE
        assert isinstance(settings["device"], int)


def test_input_is_never_dropped_where_the_driver_can_do_that():
    elsewhere, alsa = FakeSound(host_api="Windows WASAPI"), FakeSound()
    for fake in (elsewhere, alsa):
        play(fake, capture={"device": "unit"})
    assert elsewhere.opened[0][1]["never_drop_input"] is True
    assert elsewhere.opened[0][1]["blocksize"] == 0
    assert elsewhere.opened[0][1]["extra_settings"][0]["exclusive"] is True
    assert alsa.opened[0][1]["never_drop_input"] is False
    assert alsa.opened[0][1]["blocksize"] > 0


def test_streams_stay_open_from_check_to_check_and_are_silent_in_between():
    fake = FakeSound()
    with interface_on(fake) as interface:
        first = interface.play("a", stimulus())
        time.sleep(0.05)
        assert not np.any(fake.last_out)
        second = interface.play("b", stimulus(0.1))
    assert len(fake.opened) == 2
    assert first.frames > second.frames
    assert fake.streams == []


@pytest.mark.parametrize("device", ["unit", "monitor"])
@pytest.mark.parametrize("delay_blocks", [1, 2, 3])
def test_what_was_announced_follows_at_once_and_each_capture_holds_its_own_alone(device, delay_blocks):
    fake = FakeSound(delay_blocks=delay_blocks)
    order = [stimulus(0.2), stimulus(0.3), stimulus(0.25)]
    with interface_on(fake, capture={"device": device}) as interface:
        captures, ends = [], []
        for one, after in zip(order, [*order[1:], None], strict=True):
            interface.announce(after)
            captures.append(interface.play("a", one))
            ends.append(time.perf_counter())
        assert fake.last_out is None or not np.any(fake.last_out)
    for one, capture in zip(order, captures, strict=True):
        start, length = start_of(capture.samples), len(one.samples)
        assert start > 0
        assert np.array_equal(capture.samples[start : start + length], one.samples)
        rest = capture.samples[start + length :]
        # After the first comes the tail; from then on the delay is known, and half a short pause is enough.
        assert len(rest) >= (0.05 if capture is captures[0] else 0.013) * RATE
        assert not np.any(rest)
        assert capture.events == ()
    assert len(captures[2].samples) < len(order[2].samples) + 0.07 * RATE
    # One time line: what ends one capture begins the next.
    gap = sum(capture.seconds for capture in captures[1:])
    assert ends[2] - ends[0] == pytest.approx(gap, abs=0.15)


def test_what_was_announced_and_is_not_wanted_stops():
    fake = FakeSound()
    with interface_on(fake) as interface:
        interface.announce(stimulus(3.0))
        interface.play("a", stimulus(0.2))
        capture = interface.play("b", stimulus(0.3))
    start = start_of(capture.samples)
    assert np.array_equal(capture.samples[start : start + len(stimulus(0.3).samples)], stimulus(0.3).samples)


def test_what_was_announced_and_cannot_be_played_is_refused_in_its_turn():
    with interface_on(FakeSound()) as interface:
        interface.announce(stimulus(channels=3))
        assert interface.play("a", stimulus()).events == ()
        with pytest.raises(StationError, match="3 channels"):
            interface.play("b", stimulus(channels=3))


@pytest.mark.parametrize("device", ["unit", "monitor"])
def test_a_delay_that_moves_unseen_is_an_event(device):
    fake = FakeSound(delay_blocks=5, slips={60: 3})
    with interface_on(fake, capture={"device": device}) as interface:
        captures = []
        for number in range(3):
            interface.announce(stimulus(0.25) if number < 2 else None)
            captures.append(interface.play("a", stimulus(0.25)))
    assert captures[0].events == ()
    moved = [event for capture in captures for event in capture.events]
    assert {event.code for event in moved} == {"delay_moved"}
    assert "-30 ms" in moved[0].message


def test_after_a_flag_the_delay_is_learnt_anew():
    fake = FakeSound(flags={40: ["output_underflow"]})
    with interface_on(fake) as interface:
        captures = []
        for number in range(3):
            interface.announce(stimulus(0.25) if number < 2 else None)
            captures.append(interface.play("a", stimulus(0.25)))
    assert [capture.events == () for capture in captures] == [True, False, True]
    played = stimulus(0.25).samples
    start = start_of(captures[2].samples)
    assert np.array_equal(captures[2].samples[start : start + len(played)], played)


def test_leaving_between_two_plays_silences_what_follows():
    fake = FakeSound()
    with interface_on(fake) as interface:
        interface.announce(stimulus(3.0))
        interface.play("a", stimulus())
        assert fake.streams
    assert fake.streams == []


def test_a_new_rate_reopens_what_it_must_and_nothing_else():
    two, one = FakeSound(), FakeSound()
    rates = {"rates_hz": (RATE, 16_000)}
    with interface_on(two, rates) as interface:
        for rate_hz in (RATE, RATE, 16_000):
            interface.play("a", stimulus(0.1, rate_hz=rate_hz))
    assert [kind for kind, _ in two.opened] == ["input", "output", "output"]
    with interface_on(one, rates, {"device": "unit"}) as interface:
        for rate_hz in (RATE, 16_000, RATE):
            interface.play("a", stimulus(0.1, rate_hz=rate_hz))
    assert [kind for kind, _ in one.opened] == ["both", "input", "output", "both"]
    assert two.streams == one.streams == []


def test_channels_are_those_of_the_config():
    capture = play(
        FakeSound(), stimulus(), playback={"channels": (3, 1)}, capture={"channels": (1, 2, 3)}
    ).samples
    start, played = start_of(capture), stimulus().samples
    stretch = capture[start : start + len(played)]
    assert np.array_equal(stretch[:, 2], played[:, 0])
    assert np.array_equal(stretch[:, 0], played[:, 1])
    assert not np.any(capture[:, 1])


@pytest.mark.parametrize(
    ("flag", "code", "words"),
    [
        ("input_overflow", "overrun", "capture: the driver lost audio"),
        ("input_underflow", "underrun", "capture: the driver filled in silence"),
        ("output_underflow", "underrun", "playback: the driver filled in silence"),
        ("output_overflow", "overrun", "playback: the driver threw audio away"),
    ],
)
@pytest.mark.parametrize("device", ["unit", "monitor"])
def test_each_flag_is_an_event_with_its_time(flag, code, words, device):
    capture = play(FakeSound(flags={10: [flag]}), capture={"device": device})
    (event,) = capture.events
    assert event.code == code
    assert words in event.message
    if "input" in flag:
        assert event.seconds == pytest.approx(start_of(capture.samples) / RATE + 0.06, abs=0.02)
    assert 0.0 < event.seconds < capture.seconds


def test_priming_the_output_is_no_event():
    every = {block: ["priming_output"] for block in range(2000)}
    assert play(FakeSound(flags=every)).events == ()


def test_many_flags_are_counted_after_the_first_few():
    fake = FakeSound(flags={block: ["input_overflow"] for block in range(5, 40)})
    events = play(fake, stimulus(0.5)).events
    assert len(events) == 21
    assert "15 more times" in events[-1].message


@pytest.mark.parametrize("speed", [0.7, 1.4])
def test_a_device_off_its_rate_is_an_event(speed):
    codes = {event.code for event in play(FakeSound(speed=speed), stimulus(1.0)).events}
    assert codes == {"rate_mismatch"}


def test_samples_that_nobody_delivered_are_an_event():
    def spoil(block):
        block[:4] = SENTINEL["int32"]

    capture = play(FakeSound(spoil=spoil))
    assert {event.code for event in capture.events} == {"gap"}
    assert "never delivered" in capture.events[0].message


def test_not_a_number_from_a_driver_is_an_event():
    def spoil(block):
        block[3, 1] = np.nan

    capture = play(FakeSound(spoil=spoil), capture={"sample_format": "float32"})
    assert {event.code for event in capture.events} == {"gap"}


def test_a_device_that_stops_is_a_station_error():
    with pytest.raises(StationError, match="stopped delivering audio"):
        play(FakeSound(stops_after=5))


def test_a_device_that_stalls_is_a_station_error(short_stall):
    begun = time.monotonic()
    with pytest.raises(StationError, match=r"device stopped delivering audio for 0.2 s"):
        play(FakeSound(stalls_after=5))
    assert time.monotonic() - begun < 2.0


def test_a_lost_device_is_looked_for_anew():
    fake = FakeSound(stops_after=5)
    with interface_on(fake) as interface:
        with pytest.raises(StationError):
            interface.play("a", stimulus())
        fake.stops_after = None
        assert interface.play("b", stimulus()).events == ()


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (-9997, "does not take 8000 Hz"),
        (-9985, "in use by another program"),
        (-9994, "int32 samples"),
        (-1, "-1"),
    ],
)
def test_a_device_that_refuses_says_why(code, words):
    with pytest.raises(StationError, match=f"ALSA: (unit|monitor) cannot be opened: .*{words}"):
        play(FakeSound(refuses=code))


def test_a_device_that_takes_another_rate_is_refused():
    with pytest.raises(StationError, match="runs at 7350 Hz instead of 8000 Hz"):
        play(FakeSound(true_rate=0.91875))


def test_a_stimulus_that_the_station_does_not_play_is_refused():
    with interface_on(FakeSound()) as interface:
        with pytest.raises(StationError, match=r"16000 Hz; .* rates_hz lists 8000"):
            interface.play("a", stimulus(rate_hz=16_000))
        with pytest.raises(StationError, match=r"3 channels; .* channels lists 2"):
            interface.play("a", stimulus(channels=3))


def test_float32_refuses_what_it_cannot_hold():
    with pytest.raises(StationError, match="float32 samples hold 24 bits and the stimulus has 32"):
        play(FakeSound(), stimulus(bits=32), playback={"sample_format": "float32"})


def test_a_config_without_devices_is_refused():
    with pytest.raises(StationError, match="needs device and channels"):
        SoundInterface(config({"device": None}))


def test_ctrl_c_stops_all_sound_and_goes_on_up():
    fake = FakeSound()
    threading.Timer(0.3, signal.raise_signal, [signal.SIGINT]).start()
    with pytest.raises(KeyboardInterrupt), interface_on(fake) as interface:
        interface.play("a", stimulus(3.0))
    assert fake.streams == []


def test_the_record_names_devices_driver_and_form():
    with interface_on(FakeSound()) as interface:
        identity = dict(interface.identity)
    assert identity["kind"] == "sound"
    assert identity["playback"].startswith("ALSA: unit, channels 1 2, int32")
    assert identity["capture"].startswith("ALSA: monitor, channels 1 2, int32")
    assert identity["capture_rate"] == "8000 Hz"
    assert identity["driver"] == "PortAudio made up for tests"
    assert identity["clock"] == "two independent streams"


def test_a_watchdog_looks_at_each_side():
    player = Player()
    recorder = Recorder(RATE)
    watchdog = Watchdog(player, recorder, 60.0)
    for second in range(10):
        player.blocks += 1
        recorder.blocks += 1
        watchdog.look(float(second), ended=False)
    for second in (10.0, 11.0, 12.0):
        player.blocks += 1
        watchdog.look(second, ended=False)
    player.blocks += 1
    with pytest.raises(StationError, match=r"the capture device stopped delivering audio for 4.0 s"):
        watchdog.look(13.0, ended=False)


def test_a_watchdog_has_an_end():
    player = Player()
    recorder = Recorder(RATE)
    watchdog = Watchdog(player, recorder, 5.0)
    watchdog.look(0.0, ended=False)
    player.blocks = recorder.blocks = 1
    with pytest.raises(StationError, match="does not deliver audio steadily"):
        watchdog.look(5.5, ended=False)
