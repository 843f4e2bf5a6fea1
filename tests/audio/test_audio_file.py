"""Audio files: what is read is what was written, and what is not all there is refused."""

import hashlib
import os
import struct
import threading
from pathlib import Path

import numpy as np
import pytest
import scipy
import soundfile
from audio.audio_samples import integers
from hypothesis import given
from hypothesis import strategies as st

from linecheck.audio.file import read_audio, samples_sha256, write_audio
from linecheck.errors import FileError


@given(
    bits=st.integers(8, 32), channels=st.integers(1, 5), frames=st.integers(2, 70), seed=st.integers(0, 99)
)
def test_integers_come_back_bit_for_bit(tmp_path_factory, bits, channels, frames, seed):
    path = tmp_path_factory.mktemp("audio") / "x.wav"
    samples = integers(frames, channels, bits, seed)
    digest = write_audio(path, samples, 44_100, bits)
    audio = read_audio(path)
    np.testing.assert_array_equal(audio.samples, samples)
    assert (audio.samples.dtype, audio.rate_hz, audio.bits) == (np.int32, 44_100, bits)
    content = path.read_bytes()
    assert audio.sha256 == digest == hashlib.sha256(content).hexdigest()
    assert len(content) % 2 == 0  # chunks are padded, and the first counts all that follows it
    assert struct.unpack_from("<I", content, 4) == (len(content) - 8,)


@pytest.mark.parametrize(
    ("bits", "subtype"), [(16, "PCM_16"), (20, "PCM_24"), (24, "PCM_24"), (32, "PCM_32")]
)
def test_another_library_reads_the_same_integers(tmp_path, bits, subtype):
    samples = integers(1000, 2, bits)
    write_audio(tmp_path / "x.wav", samples, 192_000, bits)
    info = soundfile.info(tmp_path / "x.wav")
    assert (info.subtype, info.samplerate, info.channels, info.frames) == (subtype, 192_000, 2, 1000)
    np.testing.assert_array_equal(soundfile.read(tmp_path / "x.wav", dtype="int32")[0], samples)
    if bits in (16, 32):
        from scipy.io import wavfile

        rate, values = wavfile.read(tmp_path / "x.wav")
        assert rate == 192_000
        np.testing.assert_array_equal(values.astype(np.int64) << (32 - bits), samples)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_floats_come_back_bit_for_bit_whatever_they_are(tmp_path, dtype):
    samples = np.random.default_rng(2).standard_normal((500, 2)).astype(dtype)
    samples[3, 0], samples[4, 1], samples[5, 0], samples[6, 1] = np.nan, np.inf, 1e-40, 3.5
    write_audio(tmp_path / "x.wav", samples, 96_000, None)
    audio = read_audio(tmp_path / "x.wav")
    assert audio.samples.dtype == dtype
    assert audio.bits is None
    assert audio.samples.tobytes() == samples.tobytes()


def test_the_same_samples_give_the_same_bytes_and_no_time_of_day(tmp_path):
    samples = np.random.default_rng(2).standard_normal((500, 2)).astype(np.float32)
    first = write_audio(tmp_path / "a.wav", samples, 96_000, None)
    assert first == write_audio(tmp_path / "b.wav", samples, 96_000, None)
    assert b"PEAK" not in (tmp_path / "a.wav").read_bytes()


def test_more_bits_than_stated_are_never_dropped_silently(tmp_path):
    samples = integers(10, 1, 32)
    with pytest.raises(ValueError, match="more than 24 bits"):
        write_audio(tmp_path / "x.wav", samples, 44_100, 24)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("bits", [16, 24])
def test_flac_is_read_bit_for_bit_and_its_checksum_holds(tmp_path, bits):
    samples = integers(5000, 2, bits)
    soundfile.write(tmp_path / "x.flac", samples, 48_000, subtype=f"PCM_{bits}")
    audio = read_audio(tmp_path / "x.flac")
    np.testing.assert_array_equal(audio.samples, samples)
    assert (audio.rate_hz, audio.bits) == (48_000, bits)
    content = bytearray((tmp_path / "x.flac").read_bytes())
    content[30] ^= 1  # inside the checksum of the samples: RFC 9639, 8.2
    (tmp_path / "x.flac").write_bytes(content)
    with pytest.raises(FileError, match="checksum"):
        read_audio(tmp_path / "x.flac")


def test_rf64_is_read(tmp_path):
    samples = integers(100, 2, 24)
    soundfile.write(tmp_path / "x.wav", samples, 192_000, subtype="PCM_24", format="RF64")
    np.testing.assert_array_equal(read_audio(tmp_path / "x.wav").samples, samples)
    content = (tmp_path / "x.wav").read_bytes()
    (tmp_path / "x.wav").write_bytes(content[:-7])
    with pytest.raises(FileError, match="cut off"):
        read_audio(tmp_path / "x.wav")


# The files are those that SciPy tests its own reader with; they come with it.
SCIPY_FILES = Path(scipy.__file__).parent / "io/tests/data"


@pytest.mark.filterwarnings("ignore:Chunk")
@pytest.mark.parametrize(
    ("name", "shape", "bits"),
    [
        ("test-1234Hz-le-1ch-10S-20bit-extra.wav", (10, 1), 20),
        ("test-8000Hz-le-3ch-5S-24bit.wav", (5, 3), 24),
        ("test-8000Hz-le-3ch-5S-24bit-rf64.wav", (5, 3), 24),
        ("test-8000Hz-be-3ch-5S-24bit.wav", (5, 3), 24),
        ("test-8000Hz-le-4ch-9S-12bit.wav", (9, 4), 12),
        ("test-44100Hz-le-1ch-4bytes-rf64.wav", (4410, 1), 32),
        ("test-44100Hz-2ch-32bit-float-be.wav", (441, 2), None),
        ("test-48000Hz-2ch-64bit-float-le-wavex.wav", (480, 2), None),
    ],
)
def test_files_of_other_writers_are_read_as_scipy_reads_them(name, shape, bits):
    from scipy.io import wavfile

    audio = read_audio(SCIPY_FILES / name)
    assert (audio.samples.shape, audio.bits) == (shape, bits)
    _, expected = wavfile.read(SCIPY_FILES / name)
    shift = 16 if expected.dtype == np.int16 else 0
    theirs = expected.astype(np.int64) << shift if bits else expected
    np.testing.assert_array_equal(audio.samples, theirs.reshape(shape))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("test-44100Hz-le-1ch-4bytes-early-eof.wav", "cut off"),
        ("test-44100Hz-le-1ch-4bytes-early-eof-no-data.wav", "cut off"),
        ("test-44100Hz-le-1ch-4bytes-incomplete-chunk.wav", "cut off"),
        ("test-8000Hz-le-1ch-1byte-ulaw.wav", "sort that is not read"),
        ("test-8000Hz-le-3ch-5S-24bit-inconsistent.wav", "sort that is not read"),
        ("test-8000Hz-le-3ch-5S-64bit.wav", "sort that is not read"),
    ],
)
def test_broken_and_odd_files_of_other_writers_are_refused(name, words):
    with pytest.raises(FileError, match=words):
        read_audio(SCIPY_FILES / name)


@pytest.mark.parametrize("suffix", [".wav", ".flac"])
def test_a_file_cut_off_anywhere_is_never_read(tmp_path, suffix):
    path = tmp_path / f"x{suffix}"
    soundfile.write(path, integers(3000, 2, 24), 44_100, subtype="PCM_24")
    whole = path.read_bytes()
    cuts = {0, 1, 3, 11, 20, 43, 44, 47, 50, len(whole) // 3, len(whole) // 2, len(whole) - 6, len(whole) - 1}
    for cut in sorted(cuts):
        path.write_bytes(whole[:cut])
        with pytest.raises(FileError):
            read_audio(path)


def hostile(**changes: int) -> bytes:
    """Return a WAV file whose header says what it likes."""
    says = {"channels": 2, "rate": 44_100, "frame_bytes": 4, "bits": 16, "data_bytes": 8, **changes}
    form = struct.pack("<HHIIHH", 1, says["channels"], says["rate"], 0, says["frame_bytes"], says["bits"])
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", says["data_bytes"])
    return b"RIFF" + struct.pack("<I", len(body) + 8) + body + bytes(says["data_bytes"] % 1000)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"version https://git-lfs.github.com/spec/v1\noid sha256:ab\nsize 12\n", "git lfs pull"),
        (b"", "empty"),
        (b"OggS" + bytes(100), "neither WAV nor FLAC"),
        (b"ID3\x03" + bytes(100), "neither WAV nor FLAC"),
        (b"RIFF" + bytes(100), "no WAV"),
        (hostile(channels=0), "damaged"),
        (hostile(rate=0), "damaged"),
        (hostile(rate=4_000_000_000), "cannot be"),
        (hostile(frame_bytes=0), "damaged"),
        (hostile(channels=400, frame_bytes=800, data_bytes=800), "400 channels"),
        (hostile(data_bytes=0), "no frame"),
        (hostile(data_bytes=6), "middle of a frame"),
        (hostile(data_bytes=4_294_967_294), "cut off"),
        (hostile(data_bytes=4_294_967_295), "never closed"),
        (b"RIFF\0\0\0\0WAVE" + b"junk\0\0\0\0" * 20_000, "no samples"),
        (b"fLaC\0\0\0\x22" + b"\xff" * 34, "32 bits, which are not read from FLAC"),
    ],
)
def test_what_is_no_audio_is_refused_in_plain_words(tmp_path, content, words):
    path = tmp_path / "tone.wav"
    path.write_bytes(content)
    with pytest.raises(FileError, match=words) as caught:
        read_audio(path)
    assert str(path) in str(caught.value)


def test_a_folder_that_cannot_be_written_is_said_and_leaves_nothing(tmp_path):
    with pytest.raises(FileError, match="No such file or directory"):
        write_audio(tmp_path / "no" / "x.wav", integers(10, 1, 16), 44_100, 16)


def test_a_full_disk_is_said_and_leaves_the_old_file_whole(tmp_path, monkeypatch):
    write_audio(tmp_path / "x.wav", integers(10, 1, 16), 44_100, 16)
    before = (tmp_path / "x.wav").read_bytes()

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match="No space left on device"):
        write_audio(tmp_path / "x.wav", integers(10, 1, 16, seed=5), 44_100, 16)
    assert (tmp_path / "x.wav").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["x.wav"]


def test_a_reader_sees_the_old_file_or_the_new_one_and_nothing_between(tmp_path):
    path, stop = tmp_path / "x.wav", threading.Event()
    takes = [integers(400, 2, 24, seed) for seed in (1, 2)]
    write_audio(path, takes[0], 44_100, 24)
    expected = {samples_sha256(take) for take in takes}
    seen = set()

    def watch():
        while not stop.is_set():
            seen.add(samples_sha256(read_audio(path).samples))

    watcher = threading.Thread(target=watch)
    watcher.start()
    for turn in range(40):
        write_audio(path, takes[turn % 2], 44_100, 24)
    stop.set()
    watcher.join()
    assert seen
    assert seen <= expected
