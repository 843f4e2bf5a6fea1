"""Capture sets: what was kept comes back as it was, and what cannot be trusted is refused with its place."""

import tracemalloc
from datetime import UTC, date, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.audio.file import write_audio
from linecheck.audio.flac import write_flac
from linecheck.audio.wav_header import wav_header
from linecheck.captures import capture_set
from linecheck.captures.capture_set import load_capture_set, plain_file_name, write_capture_set
from linecheck.captures.judging import RecordingInterface, unjudged_captures
from linecheck.checks.base import Capture, StreamEvent
from linecheck.errors import FileError, FileFaults, StationError
from linecheck.station.config.station import CalibrationConfig
from linecheck.station.interfaces.interface import NotCaptured

pytestmark = pytest.mark.every_python

RECORDED = datetime(2026, 11, 20, 8, 15, tzinfo=UTC)


def noise(dtype=np.int32, bits=24, **facts):
    generator = np.random.default_rng(3)
    if dtype == np.int32:
        samples = (generator.integers(-(2**23), 2**23, (4800, 2)) << 8).astype(np.int32)
        return Capture(samples, 48_000, bits=bits, **facts)
    return Capture(generator.standard_normal((4800, 2)).astype(dtype), 48_000, **facts)


@pytest.fixture
def folder(tmp_path):
    """A set made by hand: one file and the least that captures.toml must say."""
    write_audio(tmp_path / "tone.wav", noise().samples, 48_000, 24)
    index(tmp_path, '[[capture]]\ncheck = "tone"\nfile = "tone.wav"\n')
    return tmp_path


def index(folder, captures, head='format = 1\nmodel = "pellow-r3"\nserial = "PR3-004711"\n'):
    (folder / "captures.toml").write_text(head + captures, encoding="utf-8")


def faults_of(folder):
    with pytest.raises(FileFaults) as caught:
        load_capture_set(folder)
    return {f"{fault.line}:{fault.key}": fault.message for fault in caught.value.faults}


@pytest.mark.parametrize("dtype", [np.int32, np.float32, np.float64])
def test_a_set_gives_back_every_bit_and_every_fact(tmp_path, dtype):
    events = (StreamEvent("overrun", 0.125, "the driver's “ring” was full"),)
    capture = noise(dtype, full_scale_volts=(4.24, 4.25), mains_hz=50.0, events=events)
    write_capture_set(
        tmp_path / "set",
        {"tone": capture, "low level": noise()},
        model="pellow-r3",
        serial="PR3-004711",
        firmware="1.4.2",
        station="line-2-nest-a",
        recorded=RECORDED,
        software="linecheck 0",
        calibration=CalibrationConfig(due=date(2026, 11, 1), refuse_when_overdue=True),
    )
    loaded = load_capture_set(tmp_path / "set")
    back = RecordingInterface(loaded, ["tone"]).play("tone", None)
    assert back.samples.tobytes() == capture.samples.tobytes()
    assert (back.samples.dtype, back.rate_hz, back.bits) == (capture.samples.dtype, 48_000, capture.bits)
    assert (back.full_scale_volts, back.events) == (capture.full_scale_volts, events)
    assert loaded.index.firmware == "1.4.2"
    assert loaded.index.recorded == RECORDED
    assert loaded.index.calibration.problems(RECORDED.date())[0].blocks
    assert set(loaded.entries) == {"tone", "low level"}


def test_an_interface_that_understates_its_word_length_loses_nothing(tmp_path):
    samples = np.random.default_rng(1).integers(-(2**31), 2**31, (100, 2), dtype=np.int64).astype(np.int32)
    capture = Capture(samples, 48_000, bits=24)
    write_capture_set(tmp_path / "set", {"tone": capture}, model="pellow-r3", serial="PR3-000001")
    np.testing.assert_array_equal(load_capture_set(tmp_path / "set").read("tone").samples, samples)


def test_a_set_written_by_hand_needs_little(folder):
    capture = load_capture_set(folder / "captures.toml").read("tone")
    assert capture.full_scale_volts is None
    assert capture.mains_hz is None
    assert capture.events == ()


def test_a_set_is_never_written_over(folder):
    before = (folder / "captures.toml").read_bytes()
    with pytest.raises(FileError, match="never overwritten"):
        write_capture_set(folder, {"tone": noise()}, model="pellow-r3", serial="PR3-000001")
    assert (folder / "captures.toml").read_bytes() == before


def test_a_set_whose_writing_was_cut_short_is_no_set(folder):
    (folder / "captures.toml").unlink()
    with pytest.raises(FileError, match=r"no captures\.toml"):
        load_capture_set(folder)


def test_a_check_that_was_not_captured_is_named_with_those_that_were(folder):
    with pytest.raises(NotCaptured, match=r"no capture of the check quiet; it has: tone"):
        RecordingInterface(load_capture_set(folder), ["tone", "quiet"]).play("quiet", None)


@pytest.mark.parametrize(
    ("checks", "missing", "asked", "told"),
    [
        (["tone", "quiet"], "quiet", None, None),
        (
            ["tome"],
            "tome",
            "no check 'tone': is that tome, misspelt",
            "not judged: 'tone' (did you mean tome?)",
        ),
        (["wiring"], "wiring", None, "not judged: 'tone'"),
        (["wiring", "tones"], "wiring", None, "not judged: 'tone' (did you mean tones?)"),
    ],
)
def test_a_capture_of_no_check_is_named_beside_the_check_that_it_may_be_of(
    folder, checks, missing, asked, told
):
    captures = load_capture_set(folder)
    with pytest.raises(NotCaptured) as error:
        RecordingInterface(captures, checks).play(missing, None)
    assert asked in str(error.value) if asked else "misspelt" not in str(error.value)
    problems = unjudged_captures(captures, checks)
    assert [(problem.code, problem.blocks) for problem in problems] == [("capture_not_judged", False)] * bool(
        told
    )
    assert all(problem.message.endswith(told) for problem in problems)


def test_many_captures_of_no_check_are_counted(folder):
    audio = '\n[[capture]]\ncheck = "x%d"\nfile = "tone.wav"\n'
    index(folder, "".join(audio % number for number in range(30)))
    (problem,) = unjudged_captures(load_capture_set(folder), ["tone"])
    assert problem.message.count("'x") == 10
    assert problem.message.endswith(" and 20 more")


def test_a_file_that_changes_while_the_set_is_judged_is_noticed(folder):
    loaded = load_capture_set(folder)
    write_audio(folder / "tone.wav", -noise().samples, 48_000, 24)
    with pytest.raises(StationError, match="was changed"):
        loaded.read("tone")
    (folder / "tone.wav").unlink()
    with pytest.raises(StationError, match="no such file"):
        loaded.read("tone")


def test_every_fault_of_a_set_comes_at_once(folder):
    (folder / "cut.wav").write_bytes((folder / "tone.wav").read_bytes()[:-100])
    (folder / "lfs.wav").write_bytes(b"version https://git-lfs.github.com/spec/v1\noid sha256:ab\nsize 9\n")
    index(
        folder,
        '[[capture]]\ncheck = "a"\nfile = "cut.wav"\n'
        '[[capture]]\ncheck = "b"\nfile = "lfs.wav"\n'
        '[[capture]]\ncheck = "c"\nfile = "gone.wav"\n'
        f'[[capture]]\ncheck = "d"\nfile = "tone.wav"\nsha256 = "{"0" * 64}"\n'
        '[[capture]]\ncheck = "e"\nfile = "tone.wav"\nfull_scale_volts = [1.0]\n'
        '[[capture]]\ncheck = "e"\nfile = "tone.wav"\n'
        '[[capture]]\ncheck = "f"\nfiel = "tone.wav"\n',
        head='format = 1\nmodel = "pellow-r3"\nseriel = "PR3-004711"\nrecorded = 2026-11-20T08:15:00\n',
    )
    faults = faults_of(folder)
    assert set(faults) == {
        "3:seriel",
        "4:recorded",
        "7:capture[1].file",
        "10:capture[2].file",
        "13:capture[3].file",
        "17:capture[4].sha256",
        "21:capture[5].full_scale_volts",
        "23:capture[6].check",
        "25:capture[7].file",
        "27:capture[7].fiel",
    }
    assert "cut off" in faults["7:capture[1].file"]
    assert "git lfs pull" in faults["10:capture[2].file"]
    assert "2 channels" in faults["21:capture[5].full_scale_volts"]
    assert "did you mean file?" in faults["27:capture[7].fiel"]


def test_a_file_is_proven_once_however_often_it_is_named(folder, monkeypatch):
    proven = []
    whole = capture_set._proven
    monkeypatch.setattr(
        capture_set, "_proven", lambda *arguments: proven.append(arguments) or whole(*arguments)
    )
    index(folder, "".join(f'[[capture]]\ncheck = "tone{at % 7}"\nfile = "tone.wav"\n' for at in range(900)))
    with pytest.raises(FileFaults, match=r"and 843 faults more$"):
        load_capture_set(folder)
    assert len(proven) == 1
    index(folder, '[[capture]]\ncheck = "tone"\nfile = "tone.wav"\n' * 20_000)
    assert list(faults_of(folder).values()) == ["expected at most 1000 values, got a list"]
    assert len(proven) == 1


def test_flac_that_is_damaged_anywhere_is_a_fault_of_the_set_and_what_is_whole_is_read(tmp_path):
    capture = noise()
    write_flac(tmp_path / "whole.flac", capture.samples, 48_000, 24)
    content = (tmp_path / "whole.flac").read_bytes()
    for number, place in enumerate((30, len(content) // 3, len(content) - 100)):  # 30 is in the checksum
        damaged = bytearray(content)
        damaged[place] ^= 1
        (tmp_path / f"{number}.flac").write_bytes(damaged)
    entry = '[[capture]]\ncheck = "{0}"\nfile = "{0}.flac"\n'
    index(tmp_path, "".join(entry.format(name) for name in ("whole", "0", "1", "2")))
    faults = faults_of(tmp_path)
    assert list(faults) == ["9:capture[2].file", "12:capture[3].file", "15:capture[4].file"]
    assert "checksum differs" in faults["9:capture[2].file"]
    index(tmp_path, entry.format("whole"))
    np.testing.assert_array_equal(load_capture_set(tmp_path).read("whole").samples, capture.samples)


def test_a_recording_of_a_whole_programme_is_no_capture(tmp_path):
    header = wav_header(floating=False, channels=2, rate_hz=192_000, bits=16, frames=2**28)
    with (tmp_path / "tone.wav").open("wb") as stream:  # a hole, which takes no room on the disk
        stream.write(header)
        stream.truncate(len(header) + 2**30)
    index(tmp_path, '[[capture]]\ncheck = "tone"\nfile = "tone.wav"\n')
    assert "with `linecheck cut`" in faults_of(tmp_path)["6:capture[1].file"]


@pytest.mark.usefixtures("usual_collection")
def test_a_set_is_loaded_in_little_memory_whatever_its_length(tmp_path):
    long = Capture(np.zeros((1_500_000, 2), np.float32), 192_000)
    write_capture_set(tmp_path / "set", {"a": long, "b": long}, model="pellow-r3", serial="PR3-000001")
    tracemalloc.start()
    try:
        load_capture_set(tmp_path / "set")
        assert tracemalloc.get_traced_memory()[1] < long.samples.nbytes / 2
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "name",
    ["../tone.wav", "/etc/passwd", "sub/tone.wav", "..", ".", "", ".hidden.wav", "a\\\\b.wav", "C:a.wav"],
)
def test_a_file_name_cannot_lead_out_of_the_set(folder, name):
    index(folder, f'[[capture]]\ncheck = "tone"\nfile = "{name}"\n')
    assert list(faults_of(folder)) == ["6:capture[1].file"]


def test_a_link_cannot_lead_out_of_the_set(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "x.wav"
    write_audio(outside, noise().samples, 48_000, 24)
    (folder / "x.wav").symlink_to(outside)
    index(folder, '[[capture]]\ncheck = "tone"\nfile = "x.wav"\n')
    assert "leads out of the set" in faults_of(folder)["6:capture[1].file"]


@given(st.text(st.characters(codec="utf-8"), min_size=1, max_size=40))
def test_any_check_name_gives_one_plain_file_name(name):
    quoted = plain_file_name(name)
    assert not set(quoted) & set('/\\:*?"<>|\0\n')
    assert quoted.isascii()
    assert not quoted.startswith(".")


@given(st.lists(st.text(max_size=8), unique=True, min_size=2))
def test_different_names_give_different_file_names(names):
    assert len({plain_file_name(name) for name in names}) == len(names)


def test_what_was_cut_from_a_recording_may_lack_a_serial_number_and_say_more(tmp_path):
    write_capture_set(
        tmp_path / "set",
        {"tone": noise(), "quiet": noise()},
        model="pellow-r3",
        serial=None,
        stimulus_changes={"tone": {"bits": 16, "rate_hz": 48_000}, "quiet": {}},
        notes=["channel left is inverted", "a “mark” that cannot be read"],
    )
    loaded = load_capture_set(tmp_path / "set")
    assert loaded.index.serial is None
    assert loaded.index.notes == ("channel left is inverted", "a “mark” that cannot be read")
    assert loaded.entries["tone"].stimulus.changes == {"bits": 16, "rate_hz": 48_000}
    assert loaded.entries["quiet"].stimulus.changes == {}


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ("stimulus = {rate = 44100}", "7:capture[1].stimulus.rate"),
        ("stimulus = {bits = true}", "7:capture[1].stimulus.bits"),
        ("stimulus = {rate_hz = 44100.0}", "7:capture[1].stimulus.rate_hz"),
    ],
)
def test_what_a_stimulus_cannot_have_been_is_a_fault_with_its_place(folder, line, place):
    index(folder, f'[[capture]]\ncheck = "tone"\nfile = "tone.wav"\n{line}\n')
    assert list(faults_of(folder)) == [place]


@pytest.mark.parametrize("notes", [["x" * 501], [""], ["x"] * 101, "x"])
def test_notes_are_bounded(folder, notes):
    head = f'format = 1\nmodel = "pellow-r3"\nnotes = {notes!r}\n'
    index(folder, '[[capture]]\ncheck = "tone"\nfile = "tone.wav"\n', head=head)
    assert all(place.startswith("3:notes") for place in faults_of(folder))
