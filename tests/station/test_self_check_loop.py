"""A simulated loop: clean it is met, and each fault trips the step that exists for it, in words that name it."""

import json
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from linecheck.checks.base import Measurement, Reference, StreamEvent
from linecheck.errors import StationError, UsageError
from linecheck.measure.measure import Analysis, take_measurement
from linecheck.measure.trust import inspect_samples
from linecheck.station.budget.figures import read_figures
from linecheck.station.config.station import Station, StationConfig
from linecheck.station.interfaces.simulated.loop import (
    HARMONICS_DB,
    PASSED_SHARE,
    STOPPED_SHARE,
    SimulatedLoop,
)
from linecheck.station.interfaces.simulated.loop_faults import LOOP_FAULTS
from linecheck.station.self_check.analogue import analogue_steps
from linecheck.station.self_check.plays import first_words_frames, loop_path, make_plays
from linecheck.station.self_check.probe import read_probe
from linecheck.station.self_check.result import MET, NOT_DONE, NOT_MET, Measured, Step, step
from linecheck.station.self_check.run import run_self_check
from linecheck.station.self_check.words import compare_words

#: Faults that an analogue loop shows: fault -> what is played for it, step that must not be met, words in its sentence.
ANALOGUE = {
    "swapped": ("wiring", "order", "left carries the signal of right"),
    "inverted": ("wiring", "polarity", "inverted: left, right"),
    "inverted_right": ("wiring", "polarity", "inverted: right"),
    "dead_channel": ("wiring tone", "loop", "comes back on right"),
    "late_channel": ("wiring", "delay", "1.00 frames"),
    "wrong_level": ("tone", "gain", "right -6.0"),
    "low_channel": ("tone", "gain", "right -1.0"),
    "no_loop": ("wiring tone", "loop", "comes back on any channel"),
    "crosstalk": ("crosstalk", "crosstalk", "60.0 dB down"),
    "noisy": ("tone quiet", "noise", "-91"),
    "hum": ("tone quiet", "hum", "-79"),
    "jittering": ("jitter", "jitter", "jittered by"),
    "distorting": ("tone", "distortion", "-8"),
    "clipping": ("tone", "distortion", "-20"),
    "duller": ("to_edge", "flatness", "dB in the band"),
    "gain_control": ("probe", "gain over level", "automatic gain control"),
    "limiter": ("probe", "gain over level", "a limiter"),
    "gate": ("probe", "gain over level", "a gate"),
    "fader": ("probe", "gain over time", "fade-in"),
    "suppressor": ("probe", "gain with noise", "noise suppressor"),
    "spatialiser": ("probe", "one side alone", "spatialiser"),
    "mono": ("probe", "one side alone", "mix of the sides"),
    "truncated": ("probe", "faint tone", "truncation"),
    "rounded": ("probe", "faint tone", "cut to 16 bits"),
    "dithered": ("tone quiet", "noise", "-93"),
    "rate_converter": ("to_edge", "edge", "rate converter"),
    "fast_clock": ("tone", "clock", "+35.0"),
    "wrong_rate": ("tone", "clock", "44100 Hz were played or captured at 48000 Hz"),
    "lost_frame": ("probe", "frames", "lost or doubled"),
    "doubled_frame": ("tone", "stream", "1.0 frames too late"),
    "lost_block": ("tone", "stream", "the stimulus comes"),
    "cut_short": ("tone", "stream", "ends too early"),
    "zeros": ("tone", "stream", "nothing was captured"),
    "not_finite": ("probe", "stream", "not finite"),
    "overrun": ("probe", "stream", "input was lost"),
}
#: Faults of the devices, which no loop's kind matters to.
DEVICES = {
    "station_lost": ("station", "gone"),
    "two_devices": ("identity", "2 devices are named"),
    "other_device": ("identity", "serial 2002 at the end"),
}
#: What a digital loop says of its words.
DIGITAL = {
    "swapped": "channel 1 carries those of channel 2",
    "inverted": "inverted",
    "inverted_right": "channel 2 came back inverted",
    "dead_channel": "channel 2 came back as zeros",
    "late_channel": "+1 frames apart",
    "wrong_level": "-6.000 dB in level",
    "low_channel": "-1.002 dB in level",
    "no_loop": "every channel came back as zeros",
    "truncated": "from 24 to 16 bits by truncation",
    "rounded": "from 24 to 16 bits by rounding",
    "dithered": "from 24 to 16 bits with dither",
    "rate_converter": "rate converter",
    "wrong_rate": "unrelated to the words",
    "lost_frame": "without 1 frame before",
    "doubled_frame": "1 frame too many",
    "lost_block": "without 480 frames",
    "lowest_bit": "1 of 35600 frames",
    "cut_short": "without the last",
    "not_finite": "not a number",
    "noisy": "was added",
    "mono": "carries the words of channels 1, 2",
}


def config(kind="analogue", rate=48_000, channels=2, loop=None, **tables):
    listed = list(range(1, channels + 1))
    return StationConfig.model_validate(
        {
            "format": 1,
            "station": "bench",
            "interface": "simulated",
            "mains_hz": 50,
            "playback": {"channels": listed, "rates_hz": [rate]},
            "capture": {"channels": listed, "rate_hz": rate},
            "loop": {"kind": kind, **(loop or {})},
            **tables,
        }
    )


def checked(of, *faults, seed=5, **calls):
    station = Station(of, "bench.toml", "0" * 64)
    return run_self_check(
        station, lambda opening: SimulatedLoop(of, faults=faults, seed=seed, opening=opening), **calls
    )


def named(steps):
    return {entry.name: entry for entry in steps}


def wrong(found):
    return {entry.name: entry.sentence for entry in found.steps if entry.verdict != MET}


@lru_cache(maxsize=4)
def played(kind):
    """What a loop at 48 kHz plays, made once."""
    return make_plays(loop_path(config(kind)))


@lru_cache(maxsize=64)
def some_steps(fault, plays):
    """The steps of an analogue loop with a fault of which only some is played."""
    of = config()
    path, loop = loop_path(of), SimulatedLoop(of, faults=[fault], seed=5)
    taken, probe = {}, None
    for play in played("analogue"):
        if play.name not in plays.split():
            continue
        capture = loop.play(play.name, play.stimulus)
        if play.check is None:
            probe = read_probe(capture, 2, path.rate_hz, path.ramp_seconds, path.highest_dbfs)
            taken[play.name] = Measurement(problems=inspect_samples(capture, path.channels))
            continue
        reference = None
        if play.check.reference is not None:
            levels = [entry for entry in taken["tone"].readings if entry.metric == "level_dbfs"]
            reference = Reference("tone", tuple(entry.value for entry in levels), (0.0, 0.0))
        taken[play.name] = take_measurement(Analysis(play.check, capture, path.channels, "simple", reference))
    return named(analogue_steps(path, taken, probe, -1.0))


@pytest.fixture(scope="module")
def clean():
    return checked(config())


def test_a_clean_analogue_loop_is_met(clean):
    assert wrong(clean) == {}
    assert clean.verdict == MET
    assert len(clean.steps) == 22
    assert clean.seconds < 25.0
    # Nothing is met without a number but what is a yes or no.
    assert {entry.name for entry in clean.steps if not entry.measured} == {"identity", "stream", "loop"}


def test_its_record_is_plain_data_with_hashes_of_all_audio(clean):
    content = clean.content()
    assert json.loads(json.dumps(content, allow_nan=False)) == content
    assert content["verdict"] == "met"
    assert content["station_config_sha256"] == "0" * 64
    assert set(content["audio"]) == {play.name for play in played("analogue")}
    hashes = {
        text
        for entry in content["audio"].values()
        for text in (entry["stimulus_sha256"], entry["capture_sha256"])
    }
    assert len(hashes) == 2 * len(content["audio"])
    assert read_figures(content["path"]) == clean.figures
    assert all(len(text) == 64 for text in hashes)


def test_a_clean_loop_reads_what_it_was_made_of(clean):
    # The simulated loop's own constants: its truth.
    steps = named(clean.steps)
    noise = [entry.value for entry in steps["noise"].measured]
    hum = [entry.value for entry in steps["hum"].measured]
    assert noise == pytest.approx([-108.0, -108.0], abs=0.3)
    assert hum == pytest.approx([-125.0, -125.0], abs=0.5)
    crosstalk = [entry.value for entry in steps["crosstalk"].measured]
    assert crosstalk == pytest.approx([112.0, 112.0], abs=3.0)
    assert all(abs(entry.value) < 0.001 for entry in steps["clock"].measured)
    # What masks are held against: the same numbers, and those of each part alone.
    assert [entry.value for entry in clean.figures["noise"]] == pytest.approx(noise)
    second, third = HARMONICS_DB  # of full scale; of a tone of -1 dBFS one and two decibels less
    harmonics = 10.0 * np.log10(10.0 ** ((second - 1.0) / 10.0) + 10.0 ** ((third - 2.0) / 10.0))
    assert [entry.value for entry in clean.figures["distortion"]] == pytest.approx([harmonics] * 2, abs=0.3)
    assert [entry.value for entry in clean.figures["noise_with_tone"]] == pytest.approx([-107.0] * 2, abs=0.3)
    # Re full scale the noise is the same beside whatever plays, but for products of distortion between 32 tones;
    # the curve of BS.468 with unity at 2 kHz adds 1 to 2 dB.
    assert all(0.0 < entry.value - noise[0] < 1.0 for entry in clean.figures["residue_power"])
    assert all(1.0 < entry.value - noise[0] < 2.0 for entry in clean.figures["noise_468"])
    # The loop's quadratic law y = x + b x²: its second harmonic is b A/2; of two tones 4:1 each sideband is 0.8 b A re
    # the weaker tone, both 3.2 times the harmonic; of two equal ones their difference is b A/4 re the sum of both.
    for name, times in (("imd_2", 3.2), ("difference_imd_2", 0.5)):
        expected = second - 1.0 + 20.0 * np.log10(times)
        assert [entry.value for entry in clean.figures[name]] == pytest.approx([expected] * 2, abs=0.6)
    assert all(entry.value < 0.02 for entry in clean.figures["linearity"])
    # Both filters together are a raised cosine: 3.01 dB down where 0.5 - 0.5 cos(pi x) is the square root of a half.
    x = np.arccos(1.0 - 2.0 * np.sqrt(0.5)) / np.pi
    edge = STOPPED_SHARE - x * (STOPPED_SHARE - PASSED_SHARE)
    assert [entry.value for entry in steps["edge"].measured] == pytest.approx([edge, edge], abs=0.001)
    assert all(abs(entry.value) < 0.2 for entry in steps["faint tone"].measured)


@pytest.mark.parametrize("fault", sorted(ANALOGUE))
def test_each_fault_of_an_analogue_loop_trips_its_step(fault):
    plays, name, words = ANALOGUE[fault]
    found = some_steps(fault, plays)[name]
    assert found.verdict == NOT_MET, found
    assert words in found.sentence
    assert found.cure


def test_jitter_is_read_as_it_was_made():
    # 3 ns at 1.5 kHz on a tone of 12 kHz: the fault's own words.
    steps = some_steps("jittering", "jitter")
    assert [entry.value for entry in steps["jitter"].measured] == pytest.approx([3000.0, 3000.0], rel=0.002)


def test_a_station_that_may_not_play_the_jitter_signal_is_not_asked_for_it():
    names = [play.name for play in make_plays(loop_path(config(protection={"highest_level_dbfs": -6.0})))]
    assert "jitter" not in names
    assert "jitter" in [play.name for play in played("analogue")]


@pytest.mark.parametrize("fault", ["lost_frame", "lost_block", "overrun"])
def test_nothing_is_named_by_a_probe_that_has_a_hole(fault):
    steps = some_steps(fault, "probe")
    named_by_it = ("gain over level", "gain over time", "gain with noise", "one side alone", "faint tone")
    assert {steps[name].verdict for name in named_by_it} == {NOT_DONE}
    assert steps["stream" if fault == "overrun" else "frames"].verdict == NOT_MET


def test_a_rate_converter_shows_in_its_images_too():
    found = some_steps("rate_converter", "to_edge")["images"]
    assert found.verdict == NOT_MET
    assert "images of a rate converter" in found.sentence


@pytest.mark.parametrize("fault", ["limiter", "gate"])
def test_what_spoils_many_tones_is_named_by_the_step_that_knows_it(fault):
    found = checked(config(), fault)
    assert next(entry.name for entry in found.steps if entry.verdict == NOT_MET) == "gain over level"


def test_lost_input_is_a_fault_of_the_stream_whatever_plays():
    of = config()

    class Lossy(SimulatedLoop):
        def play(self, name, stimulus):
            capture = super().play(name, stimulus)
            lost = (StreamEvent("overrun", 0.3, "input was lost"),)
            return replace(capture, events=lost) if name == "multitone" else capture

    found = run_self_check(
        Station(of, "bench.toml", "0" * 64), lambda opening: Lossy(of, seed=5, opening=opening)
    )
    assert named(found.steps)["stream"].verdict == NOT_MET
    assert found.figures["residue"] == (None, None)


def test_two_clocks_may_differ_where_the_config_says_that_they_are_two():
    of = config(loop={"shares_clock": False})
    path, loop = loop_path(of), SimulatedLoop(of, faults=["fast_clock"], seed=5)
    tone = next(play for play in played("analogue") if play.name == "tone")
    analysis = Analysis(tone.check, loop.play("tone", tone.stimulus), path.channels, "simple", None)
    clock = named(analogue_steps(path, {"tone": take_measurement(analysis)}, None, -1.0))["clock"]
    assert clock.verdict == MET
    assert [entry.value for entry in clock.measured] == pytest.approx([35.0, 35.0], abs=0.01)


@pytest.mark.parametrize(
    ("fault", "plays", "name", "cure"),
    [
        ("clipping", "tone", "stream", "Lower the level"),
        ("zeros", "tone", "stream", "allowed to record"),
        ("overrun", "probe", "stream", "Close other programs"),
        ("limiter", "probe", "gain over level", "Switch off every enhancement"),
        ("crosstalk", "probe", "one side alone", "cables"),
    ],
)
def test_what_is_to_be_done_depends_on_what_was_found(fault, plays, name, cure):
    assert cure in some_steps(fault, plays)[name].cure


@pytest.mark.parametrize(
    ("fault", "steps"),
    [
        ("late_channel", {"delay"}),
    ],
)
def test_a_fault_trips_nothing_else(fault, steps):
    assert set(wrong(checked(config(), fault))) == steps


@pytest.mark.parametrize("fault", sorted(DIGITAL))
def test_each_fault_of_a_digital_loop_is_named(fault):
    # The random words alone, and the silence after them: what is done to words is told from these.
    of = config("digital")
    (play,) = played("digital")
    frames = first_words_frames(loop_path(of))
    words = replace(play.stimulus, samples=play.stimulus.samples[: frames + 2_000])
    came = SimulatedLoop(of, faults=[fault], seed=5).play("words", words)
    found = compare_words(words.samples, came.samples, words.bits, slice(0, frames))
    assert found.outcome != "identical"
    assert DIGITAL[fault] in found.text


def test_what_was_done_to_words_is_in_the_step():
    found = named(checked(config("digital"), "lowest_bit").steps)
    assert found["words"].verdict == NOT_MET
    assert found["words"].sentence.startswith("modified: 1 of 353760 frames")


@pytest.mark.parametrize("fault", sorted(DEVICES))
def test_each_fault_of_the_devices_trips_its_step(fault):
    found = checked(config("digital"), fault)
    name, words = DEVICES[fault]
    assert named(found.steps)[name].verdict == NOT_MET
    assert words in named(found.steps)[name].sentence
    assert found.verdict == NOT_MET


def test_every_fault_has_a_detector():
    assert {fault.name for fault in LOOP_FAULTS} == set(ANALOGUE) | set(DEVICES) | set(DIGITAL)
    with pytest.raises(UsageError, match="no fault of a loop named 'nothing'"):
        SimulatedLoop(config(), faults=["nothing"])


def test_a_clean_digital_loop_is_met_and_its_comparer_has_proved_itself():
    for bits in (16, 24):
        found = checked(config("digital", loop={"bits": bits}))
        assert wrong(found) == {}
        steps = named(found.steps)
        assert f"{bits} bits each" in steps["words"].sentence
        assert "all 9 changes" in steps["comparer"].sentence
        assert found.seconds < 25.0


def test_a_gate_in_a_digital_loop_is_named_though_loud_words_pass_it():
    steps = named(checked(config("digital"), "gate").steps)
    assert "a gate" in steps["gain over level"].sentence
    assert steps["clock"].verdict == MET


def test_the_mix_up_of_rates_is_named_in_a_digital_loop_too():
    steps = named(checked(config("digital"), "wrong_rate").steps)
    assert "44100 Hz were played or captured at 48000 Hz" in steps["clock"].sentence


@pytest.mark.parametrize("seed", range(2, 4))
def test_no_clean_loop_gives_a_false_alarm(seed):
    assert wrong(checked(config("digital", rate=44_100), seed=seed)) == {}
    of = config(rate=44_100, protection={"highest_level_dbfs": -6.0, "ramp_seconds": 0.02})
    path, loop = loop_path(of), SimulatedLoop(of, seed=seed)
    probe = next(play for play in make_plays(path) if play.name == "probe")
    capture = loop.play("probe", probe.stimulus)
    reading = read_probe(capture, 2, path.rate_hz, path.ramp_seconds, path.highest_dbfs)
    steps = named(analogue_steps(path, {}, reading, -1.0))
    probed = (
        "frames",
        "gain over level",
        "gain over time",
        "gain with noise",
        "one side alone",
        "faint tone",
    )
    assert {name: steps[name].verdict for name in probed} == dict.fromkeys(probed, MET)


@pytest.mark.parametrize(
    ("channels", "left_out"), [(1, {"order", "delay", "crosstalk", "one side alone"}), (3, set())]
)
def test_other_numbers_of_channels(channels, left_out):
    found = checked(config(channels=channels, loop={"gain_db": [-4.0]}))
    assert wrong(found) == {}
    every = {"order", "delay", "crosstalk", "one side alone", "gain", "polarity"}
    assert every - set(named(found.steps)) == left_out


def test_nothing_is_louder_than_the_station_allows():
    of = config(protection={"highest_level_dbfs": -12.0})
    for play in make_plays(loop_path(of)):
        assert np.max(np.abs(play.stimulus.samples.astype(np.float64))) <= 10.0 ** (-11.9 / 20.0) * 2.0**31, (
            play.name
        )
    words = make_plays(loop_path(config("digital", protection={"highest_level_dbfs": -12.0})))[0]
    assert np.max(np.abs(words.stimulus.samples.astype(np.float64))) <= 10.0 ** (-11.9 / 20.0) * 2.0**31
    with pytest.raises(UsageError, match="too low for a self-check"):
        make_plays(loop_path(config(protection={"highest_level_dbfs": -100.0})))


@pytest.mark.parametrize(
    ("of", "words"),
    [
        (config().model_copy(update={"loop": None}), r"no \[loop\]"),
        (config(loop={"gain_db": [0.0, 0.0, 0.0]}), "3 entries for 2 channels"),
        (config(loop={"rate_hz": 96_000}), "not played"),
        (config(rate=32_000), "44100 Hz or more"),
        (config("digital", playback={"rates_hz": [44_100]}), "one rate"),
        (config(playback={"channels": [1]}), "the same number of each"),
    ],
)
def test_a_loop_that_cannot_be_checked_is_refused_before_anything_is_played(of, words):
    with pytest.raises(UsageError, match=words):
        checked(of)


def test_what_is_stopped_or_cannot_be_closed_shows_nothing():
    def stop(play, number, count):
        raise KeyboardInterrupt

    stopped = checked(config("digital"), playing=stop)
    assert (stopped.verdict, stopped.stopped) == (NOT_DONE, True)
    assert stopped.content()["verdict"] == "not done"
    undone = []
    failed = checked(
        config("digital"), close_loop=lambda: "no relay", undo_loop=lambda: undone.append(1) or "it is stuck"
    )
    assert failed.verdict == NOT_MET
    assert "no relay" in wrong(failed)["closing"]
    assert "it is stuck" in wrong(failed)["opening"]
    assert undone == [1]
    assert failed.audio == {}


def test_an_interface_that_fails_between_plays_leaves_what_was_measured():
    found = checked(config(), "station_lost")
    steps = named(found.steps)
    assert steps["gain"].verdict == MET
    assert steps["noise"].verdict == NOT_DONE
    assert found.verdict == NOT_MET
    assert set(found.audio) == {"wiring", "tone"}


def test_what_was_not_measured_is_never_met():
    good = Measured("gain", "left", 0.0, "dB", -1.0, 1.0)
    for value in (None, float("nan"), float("inf")):
        assert replace(good, value=value).verdict == NOT_DONE
        assert replace(good, value=value).value is None
        assert step("gain", [good, replace(good, value=value)], "good", "bad").verdict == NOT_DONE
    assert step("gain", [], "good", "bad").verdict == NOT_DONE
    assert step("gain", [good, replace(good, value=2.0)], "good", "bad").sentence == "bad"
    bound = Measured("crosstalk", "left", 70.0, "dB", low=80.0, is_bound=True)
    assert (bound.verdict, replace(bound, value=90.0).verdict) == (NOT_DONE, MET)


@lru_cache(maxsize=2)
def captured(kind):
    """What a clean loop gives back, by play."""
    loop = SimulatedLoop(config(kind))
    return {play.name: loop.play(play.name, play.stimulus) for play in played(kind)}


@pytest.mark.parametrize("kind", ["analogue", "digital"])
@pytest.mark.parametrize(
    "spoil",
    [
        lambda samples: samples[:0],
        lambda samples: samples[:10],
        lambda samples: samples[:, :1],
        lambda samples: samples * 1e30,
        lambda samples: np.full(samples.shape, np.nan),
        lambda samples: np.full_like(samples, 12_345),
    ],
)
def test_captures_that_cannot_be_are_no_crash_and_never_met(kind, spoil):
    of = config(kind)

    class Spoilt(SimulatedLoop):
        def play(self, check, stimulus):
            capture = captured(kind)[check]
            return replace(capture, samples=np.ascontiguousarray(spoil(capture.samples)))

    found = run_self_check(Station(of, "bench.toml", "0" * 64), lambda opening: Spoilt(of, opening=opening))
    assert found.verdict == NOT_MET
    assert "measurement" not in named(found.steps)
    json.dumps(found.content(), allow_nan=False)


def test_the_worst_comes_first_and_decides():
    found = replace(
        checked(config("digital")),
        steps=(Step("a", MET, ""), Step("b", NOT_DONE, ""), Step("c", NOT_MET, "")),
    )
    assert found.verdict == NOT_MET
    assert [entry.name for entry in found.worst_first()] == ["c", "b", "a"]
    assert replace(found, steps=found.steps[:2]).verdict == NOT_DONE
    assert replace(found, steps=()).verdict == NOT_DONE


def test_two_rates_are_no_digital_loop():
    of = config("digital")
    loop = SimulatedLoop(of)
    stimulus = make_plays(loop_path(of))[0].stimulus
    with pytest.raises(StationError, match="one rate"):
        loop.play("words", replace(stimulus, rate_hz=44_100))
