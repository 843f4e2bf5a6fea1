"""``linecheck programme`` and ``linecheck cut``, as one uses them: write, play, record, cut, judge."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from recorded_programme import Played, recorded
from small_run import call

from linecheck.audio.file import read_audio, write_audio
from linecheck.captures.capture_set import load_capture_set
from linecheck.captures.judging import judge_folder
from linecheck.captures.programme.programme import make_programme
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict

pytestmark = pytest.mark.every_python

LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  quiet:
    kind: quiet
    stimulus: {seconds: 0.25, bits: 16}
    analysis: {reference: tone}
  tone:
    kind: tone
    stimulus: {seconds: 0.25, bits: 16}
    masks:
      level_dbfs: {pass: {min: -6.1, max: -5.9}}
  wiring:
    kind: wiring
    stimulus: {seconds: 0.25, bits: 16}
    masks:
      order: {pass: {min: 1}}
"""
FILE = ["--limits", "limits.yaml"]
ALL = (Played(0), Played(1), Played(2))


@pytest.fixture
def linecheck(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "limits.yaml").write_text(LIMITS, encoding="utf-8")
    return lambda *arguments: call(monkeypatch, capsys, *arguments)


def record(path, played=ALL, rate_hz=None, bits=None, **conditions):
    programme = make_programme(load_limits("limits.yaml"), rate_hz, bits)
    made = recorded(programme, played, **conditions)
    codes = np.round(made.samples.astype(np.float64) * 2**23).astype(np.int32) << 8
    write_audio(path, codes, made.rate_hz, 24)


def test_a_programme_is_written_recorded_cut_and_judged(linecheck, tmp_path):
    status, out, err = linecheck("programme", *FILE, "--out", "disc.wav")
    assert status == 0
    assert "tweeters" in err
    lines = out.splitlines()
    assert [line.split()[0] for line in lines[1:4]] == ["tone", "quiet", "wiring"]
    assert lines[-1].startswith("disc.wav: 44100 Hz, 16 bits, 2 channels, ")
    record(tmp_path / "PR3-004711.wav", ppm=300.0)
    volts = ("--full-scale-volts", "8,8", "--volts-uncertainty-percent", "0.2")
    status, out, err = linecheck("cut", "PR3-004711.wav", *FILE, "--out", "set", *volts)
    assert (status, err) == (0, "")
    assert "judge set --limits limits.yaml\n" in out
    loaded = load_capture_set("set")
    assert loaded.index.serial == "PR3-004711"
    assert loaded.index.calibration.volts_uncertainty == pytest.approx(0.002)
    outcome = judge_folder("set", [load_limits("limits.yaml")])
    assert outcome.verdict.value == "pass"
    assert outcome.problems == ()
    readings = {
        (check.check, item.reading.metric): item.reading.value
        for check in outcome.checks
        for item in check.judged.readings
        if item.reading.channel in ("left", None)
    }
    assert readings["tone", "clock_error"] == pytest.approx(300.0, abs=0.5)
    assert readings["tone", "level_dbfs"] == pytest.approx(-6.02, abs=0.01)


def test_a_programme_can_be_made_to_measure_and_says_what_each_segment_is(linecheck, tmp_path):
    arguments = [*FILE, "--rate", "48000", "--bits", "24", "--without", "quiet"]
    assert linecheck("programme", *arguments, "--out", "a.flac", "--tracks", "tracks")[0] == 0
    assert linecheck("programme", *arguments, "--out", "b.wav")[0] == 0
    info = soundfile.info("a.flac")
    assert (info.samplerate, info.channels, info.subtype) == (48_000, 2, "PCM_24")
    np.testing.assert_array_equal(read_audio("a.flac").samples, read_audio("b.wav").samples)
    first = (tmp_path / "b.wav").read_bytes()
    linecheck("programme", *arguments, "--out", "b.wav")
    assert (tmp_path / "b.wav").read_bytes() == first
    assert sorted(path.name for path in (tmp_path / "tracks").iterdir()) == ["01-tone.flac", "02-wiring.flac"]
    # A recording of the tracks in another order is cut as one of the programme is, and the segment that is in no
    # programme of this sort is not missed.
    tracks = [read_audio(tmp_path / "tracks" / name).samples for name in ("02-wiring.flac", "01-tone.flac")]
    write_audio("PR3-000001.wav", np.concatenate(tracks), 48_000, 24)
    status, out, err = linecheck("cut", "PR3-000001.wav", *FILE, "--out", "set")
    assert (status, err) == (0, "linecheck: quiet is not in this programme\n")
    assert [line.split()[0] for line in out.splitlines()[1:3]] == ["wiring", "tone"]
    entries = load_capture_set("set").entries
    assert {name: entry.stimulus.changes for name, entry in entries.items()} == {
        "wiring": {"rate_hz": 48_000, "bits": 24},
        "tone": {"rate_hz": 48_000, "bits": 24},
    }
    outcome = judge_folder("set", [load_limits("limits.yaml")])
    codes = [problem.code for problem in outcome.problems]
    assert codes == ["played_otherwise", "not_captured"]
    assert outcome.problems[0].message.startswith("played at 48000 Hz and 24 bits")
    assert {check.check: check.judged.verdict.value for check in outcome.checks}["wiring"] == "pass"


def test_what_is_not_found_is_named_and_the_rest_is_cut(linecheck):
    record("rec.wav", [Played(2), Played(0, lost_seconds=0.2), Played(2)])
    status, out, err = linecheck("cut", "rec.wav", *FILE, "--out", "set", "--serial", "PR3-000001")
    assert status == 3
    assert "; repeated at 0:0" in out
    assert err.splitlines() == ["linecheck: quiet was not found"]
    record("end.wav", [Played(2), Played(0, lost_seconds=0.2), Played(2, gap_seconds=0.0)])
    status, _, err = linecheck("cut", "end.wav", *FILE, "--out", "other", "--serial", "PR3-000001")
    assert status == 3
    assert "linecheck: tone is cut off (it begins at 0:0" in err
    assert "linecheck: quiet was not found" in err
    assert list(load_capture_set("other").entries) == ["wiring"]
    status, _, err = linecheck(
        "cut",
        "end.wav",
        *FILE,
        "--out",
        "third",
        "--serial",
        "PR3-000001",
        "--without",
        "tone",
        "--without",
        "quiet",
    )
    assert (status, err) == (0, "")


def test_what_is_odd_about_the_channels_is_said_and_reaches_the_judgement(linecheck):
    record("rec.wav", gains=((0.0, -0.5), (0.5, 0.0)))
    status, _, err = linecheck("cut", "rec.wav", *FILE, "--out", "set", "--serial", "PR3-000001")
    assert status == 0
    notes = [
        "channel left carries the marks of channel right: swapped, or wired to both",
        "channel left is inverted",
        "channel right carries the marks of channel left: swapped, or wired to both",
    ]
    assert err.splitlines() == [f"linecheck: rec.wav: {note}" for note in notes]
    outcome = judge_folder("set", [load_limits("limits.yaml")])
    assert [(problem.code, problem.message) for problem in outcome.problems] == [
        ("recording", note) for note in notes
    ]
    assert not any(problem.blocks for problem in outcome.problems)
    # The checks judge for themselves: the order is wrong.
    assert outcome.verdict.value == "fail"


def test_nothing_is_written_where_nothing_is_found(linecheck, tmp_path):
    noise = 0.1 * np.random.default_rng(1).standard_normal((96_000, 2))
    write_audio("rec.wav", noise.astype(np.float32), 48_000, None)
    status, out, err = linecheck("cut", "rec.wav", *FILE, "--out", "set")
    assert (status, out) == (3, "")
    assert "no mark of a test programme was found" in err
    assert not (tmp_path / "set").exists()


def test_a_set_without_a_serial_number_waits_for_one(linecheck):
    record("rec.wav")
    status, out, err = linecheck("cut", "rec.wav", *FILE, "--out", "set")
    assert status == 0
    assert "--serial S" in out
    assert "no serial number" in err
    assert load_capture_set("set").index.serial is None
    outcome = judge_folder("set", [load_limits("limits.yaml")], serial="PR3-000009")
    assert outcome.serial == "PR3-000009"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--serial", "XY-1"], "expected PR3- and 6 digits"),
        (["--full-scale-volts", "8"], "expected volts for each of left, right, as in 4.24,4.24"),
        (["--full-scale-volts", "8,-1"], "expected volts"),
        (["--full-scale-volts", "8,nan"], "expected volts"),
        (["--volts-uncertainty-percent", "nan"], "expected 0 to 10, as in 0.2"),
        (["--volts-uncertainty-percent", "-1"], "expected 0 to 10"),
        (["--volts-uncertainty-percent", "10.1"], "expected 0 to 10"),
        (["--mains-hz", "nan"], "50 or 60"),
        (["--firmware", ""], "1 to 100 printable"),
        (["--station", "a\nb"], "1 to 100 printable"),
        (["--without", "tome"], "did you mean tone"),
        (["--limits", "none.yaml"], "no such file"),
    ],
)
def test_a_wrong_word_on_the_command_line_is_refused(linecheck, tmp_path, arguments, words):
    status, out, err = linecheck("cut", "rec.wav", *FILE, "--out", "set", *arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert not (tmp_path / "set").exists()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "no such file"),
        (b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 1\n", "git lfs pull"),
        (b"nothing of the sort", "neither WAV nor FLAC"),
    ],
)
def test_a_recording_that_is_none_is_refused(linecheck, tmp_path, content, words):
    if content is not None:
        (tmp_path / "rec.wav").write_bytes(content)
    status, out, err = linecheck("cut", "rec.wav", *FILE, "--out", "set")
    assert (status, out) == (2, "")
    assert words in err


def test_a_set_is_never_written_over(linecheck):
    record("rec.wav")
    assert linecheck("cut", "rec.wav", *FILE, "--out", "set")[0] == 0
    status, _, err = linecheck("cut", "rec.wav", *FILE, "--out", "set")
    assert status == 2
    assert "holds a capture set already" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--out", "x.mp3"], "a .wav or a .flac file"),
        (["--out", "x.flac", "--bits", "32"], "cannot be a FLAC file"),
        (["--out", "x.wav", "--rate", "1000"], "use one of"),
        (["--out", "x.wav", "--without", "tome"], "did you mean tone"),
        (["--out", "none/x.wav"], "cannot be written"),
        (
            ["--out", "x.wav", *(f"--without={name}" for name in ("tone", "quiet", "wiring"))],
            "every check is left out",
        ),
    ],
)
def test_a_programme_that_cannot_be_is_refused(linecheck, tmp_path, arguments, words):
    status, out, err = linecheck("programme", *FILE, *arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert not list(tmp_path.glob("x.*"))


def test_checks_that_cannot_be_in_a_programme_are_listed_with_what_to_do(linecheck, tmp_path):
    (tmp_path / "limits.yaml").write_text(
        LIMITS
        + "  high: {kind: tone, stimulus: {frequency_hz: 30000, rate_hz: 96000}}\n"
        + "  many: {kind: multitone}\n",
        encoding="utf-8",
    )
    status, _, err = linecheck("programme", *FILE, "--out", "x.wav")
    assert status == 2
    assert "say which with --rate" in err
    status, _, err = linecheck("programme", *FILE, "--rate", "32000", "--bits", "16", "--out", "x.wav")
    assert status == 2
    assert "high: frequency_hz must be below half" in err
    assert "leave out what cannot: --without high --without many" in err
    arguments = ["--rate", "32000", "--bits", "16", "--without", "high", "--without", "many"]
    assert linecheck("programme", *FILE, *arguments, "--out", "x.wav")[0] == 0
    record("PR3-000001.wav", rate_hz=32_000, bits=16)
    status, _, err = linecheck("cut", "PR3-000001.wav", *FILE, "--out", "set")
    assert status == 0
    assert "high is not in this programme: frequency_hz must be below" in err


def test_a_stimulus_that_a_set_cannot_have_been_recorded_with_is_refused(linecheck, tmp_path):
    record("PR3-000001.wav", rate_hz=48_000, bits=16)
    linecheck("cut", "PR3-000001.wav", *FILE, "--out", "set")
    index = tmp_path / "set/captures.toml"
    index.write_text(
        index.read_text(encoding="utf-8").replace("rate_hz = 48000", "rate_hz = 1500"), encoding="utf-8"
    )
    status, _, err = linecheck("judge", "set", *FILE)
    assert status == 2
    assert (
        "captures.toml: the stimulus of the capture of quiet: rate_hz should be greater than or equal to 8000"
        in err
    )


@pytest.mark.parametrize(
    ("bits", "name", "subtype"), [(20, "a.wav", "PCM_24"), (20, "a.flac", "PCM_24"), (12, "a.wav", "PCM_16")]
)
def test_an_odd_word_length_is_in_a_file_that_every_player_takes(linecheck, bits, name, subtype):
    assert linecheck("programme", *FILE, "--bits", str(bits), "--out", name)[0] == 0
    assert soundfile.info(name).subtype == subtype
    samples = read_audio(name).samples
    assert not np.any(samples & ((1 << (32 - bits)) - 1))
    assert np.any(samples & (1 << (32 - bits)))


def test_a_check_that_wants_the_unit_set_otherwise_is_named(linecheck, tmp_path):
    text = LIMITS.replace("checks:", "setup: {filter: sharp, input: disc}\nchecks:", 1)
    text = text.replace("    kind: quiet\n", "    kind: quiet\n    setup: {filter: slow}\n")
    (tmp_path / "limits.yaml").write_text(text, encoding="utf-8")
    status, _, err = linecheck("programme", *FILE, "--out", "x.wav")
    assert status == 0
    assert [line for line in err.splitlines() if "wants" in line] == [
        "linecheck: quiet wants the unit set to filter slow while it plays, and nothing here can do that: set it by "
        "hand, or leave it out with --without"
    ]
    assert "wants" not in linecheck("programme", *FILE, "--out", "x.wav", "--without", "quiet")[2]


DISC = Path(__file__).parents[2] / "limits" / "pellow-d1.yaml"
#: Of a sine of 2 V rms at full scale on an input of 8 V peak.
DISC_GAIN = 2.0 * np.sqrt(2.0) / 8.0


def test_a_perfect_disc_player_passes_its_limit_file(linecheck, tmp_path):
    # The player: nothing but the samples on the disc, through a reconstruction filter of general purpose (soxr).
    limits = load_limits(DISC)
    programme = make_programme(limits)
    status, out, err = linecheck("programme", "--limits", str(DISC), "--out", "disc.wav")
    assert status == 0
    assert "no unit can pass" not in err
    assert "44100 Hz, 16 bits" in out
    heard = recorded(
        programme,
        [Played(number, 0.3) for number in range(len(limits.checks))],
        rate_hz=192_000,
        ppm=30.0,
        gains=((DISC_GAIN, 0.0), (0.0, DISC_GAIN)),
        noise_dbfs=-125.0,
    )
    codes = np.round(heard.samples.astype(np.float64) * 2**23).astype(np.int32) << 8
    write_audio(tmp_path / "PD1-004711.wav", codes, heard.rate_hz, 24)
    arguments = ("--limits", str(DISC), "--full-scale-volts", "8,8", "--mains-hz", "50")
    status, out, err = linecheck("cut", "PD1-004711.wav", *arguments, "--out", "set")
    assert status == 0, out + err
    outcome = judge_folder("set", [limits])
    wanting = [
        (check.check, item.reading.metric, item.reading.value)
        for check in outcome.checks
        for item in check.judged.readings
        if item.verdict not in (None, Verdict.PASS)
    ]
    assert (outcome.verdict, wanting) == (Verdict.PASS, [])


def test_a_programme_names_the_masks_that_no_player_passes_at_its_word_length(linecheck, tmp_path):
    text = LIMITS.replace("level_dbfs: {pass: {min: -6.1, max: -5.9}}", "sinad: {pass: {min: 100}}")
    (tmp_path / "limits.yaml").write_text(text, encoding="utf-8")
    status, _, err = linecheck("programme", *FILE, "--out", "disc.wav")
    assert status == 0
    assert "limits.yaml has masks that no unit can pass at 16 bits:\n  tone sinad: a perfect unit has" in err
    status, _, err = linecheck("programme", *FILE, "--bits", "24", "--out", "disc.wav")
    assert (status, "no unit can pass" in err) == (0, False)
    status, _, err = linecheck("programme", *FILE, "--without", "tone", "--out", "disc.wav")
    assert "no unit can pass" not in err


def test_a_set_says_which_masks_no_player_passes_as_it_was_played(linecheck, tmp_path):
    text = LIMITS.replace("level_dbfs: {pass: {min: -6.1, max: -5.9}}", "sinad: {pass: {min: 100}}")
    (tmp_path / "limits.yaml").write_text(text.replace("bits: 16", "bits: 24"), encoding="utf-8")
    record(tmp_path / "PR3-004711.wav", bits=16)
    assert linecheck("cut", "PR3-004711.wav", *FILE, "--out", "set")[0] == 0
    outcome = judge_folder("set", [load_limits("limits.yaml")])
    notes = {problem.code: problem for problem in outcome.problems}
    assert notes["out_of_reach"].is_note
    assert notes["out_of_reach"].message.startswith(
        "as played, no unit can pass: tone sinad: a perfect unit has at most 93.75 dB with this stimulus"
    )
