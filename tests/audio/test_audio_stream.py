"""Audio files of any length: what a stream gives is what the whole file holds, and its memory is bounded."""

import contextlib
import os
import struct
import tracemalloc

import numpy as np
import pytest
import soundfile
from audio.audio_samples import integers
from hypothesis import given
from hypothesis import strategies as st

from linecheck.audio.file import read_audio, write_audio, write_audio_blocks
from linecheck.audio.flac import write_flac
from linecheck.audio.sample_bytes import SampleForm
from linecheck.audio.stream import open_audio
from linecheck.audio.wav_header import wav_header
from linecheck.errors import FileError

FRAMES = 3001


@contextlib.contextmanager
def peak_below(most_bytes):
    """Assert that what is allocated meanwhile stays below a bound."""
    tracemalloc.start()
    try:
        yield
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < most_bytes, f"{peak:,} bytes"


def made(sort, samples):
    """Make a file of a sort; return how to write it and the samples that it then holds."""
    if sort == "flac":
        return (lambda path: write_flac(path, samples, 48_000, 24)), samples
    if sort == "rifx":
        return (lambda path: soundfile.write(path, samples, 48_000, "PCM_24", "BIG", "WAV")), samples
    if sort == "rf64":
        return (lambda path: soundfile.write(path, samples, 48_000, "PCM_24", format="RF64")), samples
    if sort == "pcm24":
        return (lambda path: write_audio(path, samples, 48_000, 24)), samples
    floats = (samples / 2.0**31).astype(sort)
    return (lambda path: write_audio(path, floats, 48_000, None)), floats


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A file of every sort, with its samples."""
    folder = tmp_path_factory.mktemp("sorts")
    found = {}
    for sort in SORTS:
        write, samples = made(sort, integers(FRAMES, 2, 24))
        write(folder / sort)
        found[sort] = folder / sort, samples
    return found


SORTS = ("flac", "rifx", "rf64", "pcm24", "float32", "float64")


@pytest.mark.parametrize("sort", SORTS)
def test_a_stream_says_what_the_whole_file_says(files, sort):
    path, samples = files[sort]
    audio = read_audio(path)
    with open_audio(path) as stream:
        assert (stream.rate_hz, stream.channels, stream.frames) == (48_000, 2, FRAMES)
        assert (stream.bits, stream.dtype) == (audio.bits, samples.dtype)
        assert stream.sha256() == audio.sha256
        stream.verify()
    np.testing.assert_array_equal(audio.samples, samples)


@given(st.sampled_from(SORTS), st.integers(50, FRAMES + 100), st.integers(0, FRAMES), st.data())
def test_blocks_and_pieces_are_those_of_the_whole_file(files, sort, frames, start, data):
    path, samples = files[sort]
    with open_audio(path) as stream:
        blocks = []
        for block in stream.blocks(frames, start):
            blocks.append(block)
            if len(blocks) < 4:  # a look elsewhere does not disturb the pass
                first = data.draw(st.integers(0, FRAMES))
                np.testing.assert_array_equal(stream.read(first, FRAMES), samples[first:])
        assert all(len(block) == frames for block in blocks[:-1])
        assert sum(map(len, blocks)) == FRAMES - start
        if blocks:
            np.testing.assert_array_equal(np.concatenate(blocks), samples[start:])


@pytest.mark.parametrize(("start", "stop"), [(-1, 5), (5, 4), (0, FRAMES + 1)])
def test_frames_that_are_not_there_are_a_mistake_of_the_program(files, start, stop):
    with open_audio(files["pcm24"][0]) as stream:
        with pytest.raises(ValueError, match="not among"):
            stream.read(start, stop)
        with pytest.raises(ValueError, match="are not in"):
            next(stream.blocks(0))
        assert stream.read(7, 7).shape == (0, 2)


def test_a_file_of_more_than_16_gib_and_2_to_the_32_frames_is_read_anywhere(tmp_path):
    frames = 2**32 + 5
    path = tmp_path / "long.wav"
    header = wav_header(floating=True, channels=1, rate_hz=192_000, bits=32, frames=frames)
    tail = np.arange(1.0, 6.0, dtype=np.float32)
    with path.open("wb") as stream:  # all between is a hole, which takes no room on the disk
        stream.write(header)
        stream.seek(len(header) + 4 * (frames - 5))
        stream.write(tail.tobytes())
    with peak_below(2**20), open_audio(path) as stream:
        assert stream.frames == frames
        np.testing.assert_array_equal(stream.read(frames - 7, frames)[:, 0], [0, 0, *tail])
        np.testing.assert_array_equal(np.concatenate(list(stream.blocks(3, frames - 5)))[:, 0], tail)
        with pytest.raises(FileError, match=r"4,294,967,301 frames .*`linecheck cut`"):
            read_audio(path)
    info = soundfile.info(path)  # another reader sees the same
    assert (info.format, info.frames) == ("RF64", frames)


def test_a_long_file_is_written_and_read_in_the_memory_of_a_block(tmp_path):
    block = integers(100_000, 2, 24)
    form = SampleForm(192_000, 2, 30 * len(block), 24, block.dtype)
    with peak_below(12 * block.nbytes // 2):  # the file has 18 MB, the samples 24 MB
        write_audio_blocks(tmp_path / "x.wav", (block for _ in range(30)), form)
        with open_audio(tmp_path / "x.wav") as stream:
            assert sum(int(part[0, 0]) for part in stream.blocks(len(block))) == 30 * int(block[0, 0])


def test_blocks_that_are_not_as_declared_leave_nothing(tmp_path):
    block = integers(100, 2, 16)
    for blocks, form, words in (
        ([block], SampleForm(48_000, 2, 101, 16, block.dtype), "100 frames, not 101"),
        ([block, block], SampleForm(48_000, 2, 100, 16, block.dtype), "200 frames, not 100"),
        ([block], SampleForm(48_000, 1, 100, 16, block.dtype), "not as declared"),
        ([block[:, 0]], SampleForm(48_000, 2, 100, 16, block.dtype), "not as declared"),
        ([block], SampleForm(48_000, 2, 100, None, np.dtype(np.float32)), "not as declared"),
        ([block | 1], SampleForm(48_000, 2, 100, 16, block.dtype), "more than 16 bits"),
    ):
        with pytest.raises(ValueError, match=words):
            write_audio_blocks(tmp_path / "x.wav", blocks, form)
    assert list(tmp_path.iterdir()) == []


def test_what_does_not_read_back_is_not_kept(tmp_path, monkeypatch):
    def spoilt(samples, bits):
        raw = bytearray(samples.astype("<i2").tobytes())
        raw[17] ^= 4
        return memoryview(raw)

    monkeypatch.setattr("linecheck.audio.file.encode", spoilt)
    with pytest.raises(FileError, match="does not read back as it was written"):
        write_audio(tmp_path / "x.wav", integers(100, 2, 16), 48_000, 16)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("dtype", [np.int32, np.float32])
def test_a_file_beyond_the_reach_of_32_bits_is_rf64_and_others_read_it(tmp_path, monkeypatch, dtype):
    monkeypatch.setattr("linecheck.audio.wav_header.MAX_RIFF_BYTES", 5_000)
    samples = integers(1001, 1, 24) if dtype == np.int32 else np.linspace(-1, 1, 1501, dtype=dtype)[:, None]
    write_audio(tmp_path / "x.wav", samples, 192_000, 24 if dtype == np.int32 else None)
    content = (tmp_path / "x.wav").read_bytes()
    assert content[:4] == (b"RIFF" if dtype == np.int32 else b"RF64")
    with soundfile.SoundFile(tmp_path / "x.wav") as stream:
        np.testing.assert_array_equal(stream.read(dtype=samples.dtype.name, always_2d=True), samples)
    np.testing.assert_array_equal(read_audio(tmp_path / "x.wav").samples, samples)


# What happens to a file while it is read


@pytest.mark.parametrize("sort", ["flac", "pcm24"])
def test_a_file_that_still_grows_is_noticed_before_the_pass_ends(tmp_path, sort):
    made(sort, integers(FRAMES, 2, 24))[0](tmp_path / "x")
    with open_audio(tmp_path / "x") as stream:
        blocks = stream.blocks(2000)
        next(blocks)
        with (tmp_path / "x").open("ab") as more:
            more.write(b"more")
        with pytest.raises(FileError, match="was changed while it was being read"):
            next(blocks)
        with pytest.raises(FileError, match="was changed"):
            stream.sha256()


def test_a_file_that_is_written_over_in_place_is_noticed(tmp_path):
    made("pcm24", integers(FRAMES, 2, 24))[0](tmp_path / "x")
    os.utime(tmp_path / "x", ns=(1, 1))  # the clock of a file system may be coarse
    with open_audio(tmp_path / "x") as stream:
        with (tmp_path / "x").open("r+b") as other:
            other.seek(1000)
            other.write(b"others")
        with pytest.raises(FileError, match="was changed while it was being read"):
            stream.read_all()


def test_a_file_that_is_cut_while_it_is_read_is_said(tmp_path):
    made("pcm24", integers(FRAMES, 2, 24))[0](tmp_path / "x")
    with open_audio(tmp_path / "x") as stream:
        os.truncate(tmp_path / "x", 3_000)
        with pytest.raises(FileError, match="was cut off while it was being read"):
            stream.read(0, FRAMES)


def test_a_file_that_is_replaced_while_it_is_read_is_read_on(tmp_path):
    write, samples = made("pcm24", integers(FRAMES, 2, 24))
    write(tmp_path / "x")
    with open_audio(tmp_path / "x") as stream:
        write_audio(tmp_path / "x", -samples, 48_000, 24)
        np.testing.assert_array_equal(stream.read_all(), samples)


def test_a_disk_that_fails_is_said(tmp_path, monkeypatch):
    made("pcm24", integers(FRAMES, 2, 24))[0](tmp_path / "x")

    def fails(handle, count, place):
        raise OSError(5, "Input/output error")

    with open_audio(tmp_path / "x") as stream:
        monkeypatch.setattr(os, "pread", fails)
        with pytest.raises(FileError, match="x: cannot be read: Input/output error"):
            stream.read(0, 10)


def test_damage_in_the_middle_of_flac_is_found_by_a_pass_and_by_a_proof(tmp_path):
    write_flac(tmp_path / "x.flac", integers(50_000, 2, 24), 48_000, 24)
    content = bytearray((tmp_path / "x.flac").read_bytes())
    content[len(content) // 2] ^= 16
    (tmp_path / "x.flac").write_bytes(content)
    with open_audio(tmp_path / "x.flac") as stream, pytest.raises(FileError, match=r"damaged|checksum"):
        stream.verify()
    with open_audio(tmp_path / "x.flac") as stream, pytest.raises(FileError, match=r"damaged|checksum"):
        sum(len(block) for block in stream.blocks(1000))


# Hostile files


def whole_files():
    """The bytes of small files of every sort, headers and all."""
    samples = integers(300, 2, 24)
    plain = samples.view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()
    header = wav_header(floating=False, channels=2, rate_hz=48_000, bits=24, frames=300)
    long = struct.pack("<QQQI", len(header) + 28 + len(plain), len(plain), 300, 0)
    return {
        "wav": header + plain,
        "rf64": b"RF64\xff\xff\xff\xffWAVEds64"
        + struct.pack("<I", 28)
        + long
        + header[12:-4]
        + b"\xff" * 4
        + plain,
        "extensible": wav_header(floating=True, channels=3, rate_hz=48_000, bits=32, frames=100)
        + bytes(1200),
    }


WHOLE_FILES = whole_files()

DAMAGE = st.lists(
    st.tuples(
        st.integers(0, 130),
        st.one_of(
            st.binary(min_size=1, max_size=4),
            st.sampled_from([0, 1, 2**31 - 1, 2**31, 2**32 - 1]).map(lambda value: struct.pack("<I", value)),
            st.sampled_from([0, 2**40, 2**63, 2**64 - 1]).map(lambda value: struct.pack("<Q", value)),
        ),
    ),
    min_size=1,
    max_size=3,
)


@given(st.sampled_from([*WHOLE_FILES, "flac"]), DAMAGE, st.integers(0, 3000))
def test_a_damaged_header_ends_in_audio_or_in_words_and_never_takes_memory(damaged_file, sort, damage, cut):
    path, flac = damaged_file
    content = bytearray(flac if sort == "flac" else WHOLE_FILES[sort])
    for place, value in damage:
        content[place : place + len(value)] = value
    path.write_bytes(content[:cut] if cut > 40 else content)
    with peak_below(40 * 2**20), contextlib.suppress(FileError):
        audio = read_audio(path)
        assert audio.bits is None or 8 <= audio.bits <= 32
        with open_audio(path) as stream:
            middle = stream.frames // 2
            assert stream.read(middle, stream.frames).tobytes() == audio.samples[middle:].tobytes()


@pytest.fixture(scope="module")
def damaged_file(tmp_path_factory):
    """Where a damaged file may lie, and a whole FLAC file."""
    folder = tmp_path_factory.mktemp("damaged")
    write_flac(folder / "whole.flac", integers(300, 2, 24), 48_000, 24)
    return folder / "x", (folder / "whole.flac").read_bytes()


def test_a_short_file_that_promises_many_frames_is_refused_before_room_is_made_for_them(damaged_file):
    path, flac = damaged_file
    path.write_bytes(
        flac[:22] + (2**26).to_bytes(4, "big") + flac[26:]
    )  # the number of samples: RFC 9639, 8.2
    with peak_below(2**20), pytest.raises(FileError, match="cannot hold the 67,108,864 frames"):
        read_audio(path)


@pytest.mark.parametrize("sort", ["wav", "rf64"])
def test_a_file_is_whole_or_refused_at_every_length(tmp_path, sort):
    header = len(WHOLE_FILES[sort]) - 1800
    place = header - 4 if sort == "wav" else 28
    content = bytearray(WHOLE_FILES[sort][: header + 60])
    content[place : place + (4 if sort == "wav" else 8)] = struct.pack("<I" if sort == "wav" else "<Q", 60)
    (tmp_path / "x").write_bytes(content)
    assert read_audio(tmp_path / "x").samples.shape == (10, 2)
    for length in range(len(content)):
        (tmp_path / "x").write_bytes(content[:length])
        with pytest.raises(FileError):
            open_audio(tmp_path / "x")
