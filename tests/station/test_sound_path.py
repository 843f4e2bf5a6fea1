"""The whole sound path: PortAudio, ALSA, a PulseAudio null sink, and back from its monitor."""

import signal
import time

import numpy as np
import pytest
from station.sound_player import PLAYING, noise, play_each, play_over, read_report, start_player

pytestmark = pytest.mark.sound

ONE_DEVICE = {"device": "unit_loop"}


def as_words(samples):
    """Return a capture as the integers that a stimulus is made of; float32 holds 24 bits of them."""
    return (
        samples
        if samples.dtype == np.int32
        else np.round(samples.astype(np.float64) * 2**31).astype(np.int64)
    )


def found_at(words, stimulus):
    """Return the frame at which a stimulus of noise begins, by correlation."""
    length = 1 << (len(words) + len(stimulus.samples)).bit_length()
    spectrum = np.fft.rfft(words[:, 0] * 2.0**-31, length)
    spectrum *= np.conj(np.fft.rfft(stimulus.samples[:, 0] * 2.0**-31, length))
    return int(np.argmax(np.fft.irfft(spectrum, length)[: len(words)]))


def frequency_of(values, rate_hz):
    """Return the frequency of the strongest line, to a fraction of its 1 Hz width."""
    middle = values[int(0.3 * rate_hz) :][:rate_hz] * np.hanning(rate_hz)
    return int(np.argmax(np.abs(np.fft.rfft(middle))))


LOOPS = [(one_device, form) for one_device in (False, True) for form in ("float32", "int32")]


def loop_sound(one_device, sample_format):
    return {"sample_format": sample_format} | (ONE_DEVICE if one_device else {})


def sines(*rates):
    return [("sine", {"rate_hz": rate, "seconds": 1.3, "frequency_hz": 997}) for rate in rates]


def noises(*seeds, rate_hz=192_000, **further):
    return [("noise", {"rate_hz": rate_hz, "seconds": 0.3, "seed": seed, **further}) for seed in seeds]


#: What is played, on what, captured from what.
JOBS = {
    **{f"loop {one} {form}": (noises(0, 1, 2), *[loop_sound(one, form)] * 2) for one, form in LOOPS},
    **{
        f"at {rate}": (
            noises(1, rate_hz=rate),
            {"device": sink, "rates_hz": (rate,)},
            {"device": f"{sink}_monitor", "rate_hz": rate},
        )
        for sink, rate in (("unit_44", 44_100), ("unit_48", 48_000))
    },
    "two rates": (
        sines(44_100),
        {"device": "unit_44_loop", "rates_hz": (44_100,)},
        {"device": "unit_44_loop"},
    ),
    "changing rate": (sines(48_000, 96_000), {"rates_hz": (48_000, 96_000)}, {}),
    "crossed": (noises(5), {"channels": (2, 1)}, {}),
    "one of two": (noises(5, channels=1), {"channels": (2,)}, {"channels": (1, 2)}),
    "unknown": ([], {"device": "uni"}, {}),
    "default": ([], {"device": "ALSA: default"}, {}),
}


@pytest.fixture(scope="module")
def reports(pulse_server, tmp_path_factory):
    return play_each(pulse_server, tmp_path_factory.mktemp("jobs"), JOBS)


@pytest.mark.parametrize(("one_device", "sample_format"), LOOPS)
def test_the_loop_gives_back_every_bit(reports, one_device, sample_format):
    name = f"loop {one_device} {sample_format}"
    plays, report = JOBS[name][0], reports[name]
    assert report["error"] is None
    # From the second on, the delay is known and captures end soon after the stimulus.
    tails = (0.05, 0.013, 0.013)
    for (_, parameters), samples, tail in zip(plays, report["captures"], tails, strict=True):
        stimulus, words = noise(**parameters), as_words(samples)
        start = found_at(words, stimulus)
        assert np.array_equal(words[start : start + len(stimulus.samples)], stimulus.samples)
        assert not np.any(words[:start])
        assert not np.any(words[start + len(stimulus.samples) :])
        assert start > 0
        assert len(words) - start - len(stimulus.samples) >= tail * 192_000
    assert report["events"] == [[], [], []]
    assert report["bits"] == [32 if sample_format == "int32" else None] * 3
    assert ("one device" if one_device else "two independent") in report["identity"]["clock"]
    assert "plug-in" in report["identity"]["capture"]


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_other_rates_are_played_as_they_are(reports, rate_hz):
    report = reports[f"at {rate_hz}"]
    assert report["error"] is None
    words, stimulus = as_words(report["captures"][0]), noise(rate_hz, 0.3, 1)
    start = found_at(words, stimulus)
    assert np.array_equal(words[start : start + len(stimulus.samples)], stimulus.samples)
    assert report["events"] == [[]]


def test_a_capture_may_run_at_another_rate(reports):
    report = reports["two rates"]
    assert report["error"] is None
    assert frequency_of(report["captures"][0][:, 0], 192_000) == 997
    assert report["events"] == [[]]


def test_the_rate_may_change_from_check_to_check(reports):
    report = reports["changing rate"]
    assert report["error"] is None
    assert [frequency_of(samples[:, 0], 192_000) for samples in report["captures"]] == [997, 997]


def test_channels_go_where_the_config_says(reports):
    words, stimulus = as_words(reports["crossed"]["captures"][0]), noise(192_000, 0.3, 5)
    crossed = words[:, ::-1]
    start = found_at(crossed, stimulus)
    assert np.array_equal(crossed[start : start + len(stimulus.samples)], stimulus.samples)


def test_a_channel_that_is_not_named_is_silent(reports):
    report = reports["one of two"]
    assert report["error"] is None
    assert not np.any(report["captures"][0][:, 0])
    assert np.any(report["captures"][0][:, 1])


def test_an_unknown_device_is_refused_with_those_there_are(reports):
    assert "no playback device is called 'uni'" in reports["unknown"]["error"]
    assert "'ALSA: unit'" in reports["unknown"]["error"]


def test_the_default_device_is_no_device(reports):
    assert "name one device" in reports["default"]["error"]


def test_a_daemon_that_dies_ends_the_play(pulse_server, tmp_path):
    process = _playing(pulse_server, tmp_path)
    pulse_server.kill()
    try:
        _, errors = process.communicate(timeout=60)
    finally:
        process.kill()
        pulse_server.start()
    assert "stopped delivering audio" in read_report(tmp_path, errors)["error"]


def test_a_daemon_that_stutters_spoils_the_capture(pulse_server, tmp_path):
    process = _playing(pulse_server, tmp_path)
    pulse_server.freeze()
    time.sleep(0.6)
    pulse_server.thaw()
    _, errors = process.communicate(timeout=30)
    report = read_report(tmp_path, errors)
    assert report["error"] is None
    assert {code for code, _, _ in report["events"][0]} & {"overrun", "underrun", "rate_mismatch"}


def test_no_daemon_is_said_in_plain_words(pulse_server, tmp_path):
    pulse_server.kill()
    try:
        report = play_over(
            pulse_server, tmp_path, [("sine", {"rate_hz": 192_000, "seconds": 0.1, "frequency_hz": 997})]
        )
    finally:
        pulse_server.start()
    assert "no playback device is called 'unit'. There is no playback device at all" in report["error"]


def test_ctrl_c_stops_all_sound(pulse_server, tmp_path):
    process = _playing(pulse_server, tmp_path)
    assert pulse_server.streams() == 2
    process.send_signal(signal.SIGINT)
    try:
        _, errors = process.communicate(timeout=60)
    finally:
        process.kill()
    assert read_report(tmp_path, errors)["error"] == "interrupted"
    assert pulse_server.streams() == 0


def test_sound_ends_with_the_process_that_wanted_it(pulse_server, tmp_path):
    process = _playing(pulse_server, tmp_path)
    assert pulse_server.streams() == 2
    process.kill()
    process.communicate()
    deadline = time.monotonic() + 30.0
    while pulse_server.streams() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert pulse_server.streams() == 0


def _playing(server, tmp_path):
    """Return a process that is in the middle of playing for 4 s."""
    process = start_player(
        server, tmp_path, [("sine", {"rate_hz": 192_000, "seconds": 4.0, "frequency_hz": 997})]
    )
    assert process.stdout.readline().strip() == PLAYING
    deadline = time.monotonic() + 30.0
    while server.streams() < 2 and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(0.8)
    return process
