"""Headers of WAV files: whatever lies between the chunks, and recordings that were never closed."""

import struct

import numpy as np
import pytest
from audio.audio_samples import integers
from hypothesis import given
from hypothesis import strategies as st

from linecheck.audio.file import read_audio
from linecheck.audio.wav_header import HeaderError, read_wav_header, wav_header
from linecheck.errors import FileError

pytestmark = pytest.mark.every_python

#: What recorders and editors put into their files; the last is the room that Tech 3306 leaves for ds64.
NAMES = (b"bext", b"LIST", b"iXML", b"fact", b"PEAK", b"cue ", b"id3 ", b"PAD ", b"FLLR", b"JUNK")
CHUNKS = st.lists(st.tuples(st.sampled_from(NAMES), st.binary(max_size=41)), max_size=4)


def chunk(name, content):
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def wav(samples, before=(), between=(), after=(), name=b"RIFF"):
    """A 24-bit file with other chunks in it."""
    channels = samples.shape[1]
    form = struct.pack("<HHIIHH", 1, channels, 48_000, 144_000 * channels, 3 * channels, 24)
    content = samples.view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()
    parts = (*before, (b"fmt ", form), *between, (b"data", content), *after)
    body = b"WAVE" + b"".join(chunk(*part) for part in parts)
    return name + struct.pack("<I", len(body)) + body


@given(CHUNKS, CHUNKS, CHUNKS, st.integers(1, 3), st.integers(2, 40))
def test_other_chunks_change_nothing_wherever_they_are(
    tmp_path_factory, before, between, after, channels, frames
):
    path = tmp_path_factory.mktemp("chunks") / "x.wav"
    samples = integers(frames, channels, 24)
    path.write_bytes(wav(samples, before, between, after))
    audio = read_audio(path)
    np.testing.assert_array_equal(audio.samples, samples)
    assert (audio.rate_hz, audio.bits) == (48_000, 24)


@given(
    st.booleans(),
    st.integers(1, 64),
    st.integers(1_000, 2_000_000),
    st.integers(8, 32),
    st.one_of(st.integers(1, 10**6), st.integers(2**28, 2**45)),
)
def test_a_header_says_what_it_was_made_of_at_any_length(floating, channels, rate_hz, bits, frames):
    width = 32 if floating else max(16, (bits + 7) // 8 * 8)
    content = wav_header(
        floating=floating, channels=channels, rate_hz=rate_hz, bits=32 if floating else bits, frames=frames
    )
    data_bytes = frames * channels * width // 8
    header = read_wav_header(
        lambda place, count: content[place : place + count], len(content) + data_bytes + data_bytes % 2
    )
    assert (header.channels, header.rate_hz, header.bits) == (channels, rate_hz, 32 if floating else bits)
    assert (header.frame_bytes, header.place) == (channels * width // 8, len(content))
    assert header.declared_bytes == data_bytes
    assert header.present_bytes == data_bytes + data_bytes % 2
    assert content[:4] == (b"RIFF" if data_bytes <= 2**32 - 4096 else b"RF64")


SOUND = wav(integers(100, 2, 24))
DATA = SOUND.index(b"data") + 4


@pytest.mark.parametrize(
    ("riff_bytes", "data_bytes"),
    [
        (0, 0),  # nothing was filled in yet
        (36, 0),  # filled in as if nothing would follow
        (0xFFFFFFFF, 0xFFFFFFFF),  # written into a pipe
        (4, 0xFFFFFFFF),
    ],
)
def test_a_recording_that_was_never_closed_is_said_with_how_to_close_it(tmp_path, riff_bytes, data_bytes):
    content = bytearray(SOUND)
    struct.pack_into("<I", content, 4, riff_bytes)
    struct.pack_into("<I", content, DATA, data_bytes)
    (tmp_path / "x.wav").write_bytes(content)
    with pytest.raises(FileError, match=r"never closed.*though 600 bytes follow.*sox --ignore-length"):
        read_audio(tmp_path / "x.wav")


@pytest.mark.parametrize("long_bytes", [0, 2**64 - 1])
def test_an_rf64_recording_that_was_never_closed_is_said(tmp_path, long_bytes):
    sizes = chunk(b"ds64", struct.pack("<QQQI", 0, long_bytes, 0, 0))
    content = bytearray(SOUND)
    struct.pack_into("<I", content, DATA, 0xFFFFFFFF)
    (tmp_path / "x.wav").write_bytes(b"RF64\xff\xff\xff\xffWAVE" + sizes + content[12:])
    with pytest.raises(FileError, match="never closed"):
        read_audio(tmp_path / "x.wav")


def test_an_rf64_file_without_its_sizes_is_never_closed_either(tmp_path):
    content = bytearray(b"RF64" + SOUND[4:])
    struct.pack_into("<I", content, DATA, 0xFFFFFFFF)
    (tmp_path / "x.wav").write_bytes(content)
    with pytest.raises(FileError, match="never closed"):
        read_audio(tmp_path / "x.wav")


def test_a_closed_recording_of_nothing_is_told_apart_from_it(tmp_path):
    empty = wav(integers(2, 2, 24)[:0], after=[(b"LIST", b"INFO")])
    (tmp_path / "x.wav").write_bytes(empty)
    with pytest.raises(FileError, match="no frame in it"):
        read_audio(tmp_path / "x.wav")


def test_a_plain_file_beyond_4_gib_is_never_read_as_its_beginning(tmp_path):
    # 4 GiB and 600 bytes: the header of a recorder that does not know better counts 600
    with (tmp_path / "x.wav").open("wb") as stream:
        stream.write(SOUND)
        stream.truncate(DATA + 4 + 2**32 + 600)
    with pytest.raises(FileError, match=r"longer than 4 GiB.*RF64"):
        read_audio(tmp_path / "x.wav")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"RIFF\0\0\0\0WAVE" + chunk(b"data", bytes(8)) + chunk(b"fmt ", bytes(16)), "before their format"),
        (b"RIFF\0\0\0\0WAVE" + chunk(b"fmt ", bytes(15)), "format is too short"),
        (b"RF64\0\0\0\0WAVE" + chunk(b"ds64", bytes(27)), "ds64 chunk is too short"),
        (b"RIFF\0\0\0\0AVI " + bytes(100), "no WAV file"),
        (b"RIFF\0\0\0\0WAVE" + b"JUNK\xff\xff\xff\xff" * 3, "no samples in it"),
    ],
)
def test_a_header_that_cannot_be_is_said(content, words):
    with pytest.raises(HeaderError, match=words):
        read_wav_header(lambda place, count: content[place : place + count], len(content))


def test_room_that_a_recorder_set_aside_and_never_filled_is_not_searched_for_ever(tmp_path):
    with (tmp_path / "x.wav").open("wb") as stream:  # zeros: a chunk without a name every eight bytes
        stream.write(SOUND[:12])
        stream.truncate(2**31)
    with pytest.raises(FileError, match=r"no samples in it.*never closed"):
        read_audio(tmp_path / "x.wav")


@pytest.mark.parametrize("turned", [">I", ">HH"])
def test_an_extensible_header_in_the_other_byte_order_is_read_however_its_identifier_is_turned(turned):
    tag = struct.pack(turned, *((1,) if turned == ">I" else (1, 0)))
    form = struct.pack(">HHIIHHHHI", 0xFFFE, 2, 48_000, 288_000, 6, 24, 22, 20, 3) + tag + bytes(12)
    content = (
        b"RIFX" + struct.pack(">I", 72) + b"WAVEfmt " + struct.pack(">I", 40) + form + b"data" + bytes(4)
    )
    header = read_wav_header(lambda place, count: content[place : place + count], len(content))
    assert (header.tag, header.order, header.bits, header.frame_bytes) == (1, ">", 20, 6)


def test_a_chunk_that_claims_all_the_world_is_no_way_out_of_the_file(tmp_path):
    sizes = struct.pack("<QQQI4sQ", 0, 600, 100, 1, b"JUNK", 2**64 - 1)
    content = b"RF64\xff\xff\xff\xffWAVE" + chunk(b"ds64", sizes) + b"JUNK\xff\xff\xff\xff" + SOUND[12:]
    (tmp_path / "x.wav").write_bytes(content)
    with pytest.raises(FileError, match="no samples in it"):
        read_audio(tmp_path / "x.wav")


@pytest.mark.parametrize("bits", [0, 7, 25, 300])
def test_a_word_that_does_not_fit_its_container_is_refused(tmp_path, bits):
    content = bytearray(SOUND)
    struct.pack_into("<H", content, SOUND.index(b"fmt ") + 22, bits)
    (tmp_path / "x.wav").write_bytes(content)
    with pytest.raises(FileError, match=f"{bits} bits in 24"):
        read_audio(tmp_path / "x.wav")


@pytest.mark.parametrize("frames", [6, 7])
@pytest.mark.parametrize("after", [(), [(b"LIST", b"INFOtake 1")]])
def test_a_byte_too_many_anywhere_is_never_read_as_samples(tmp_path, frames, after):
    path = tmp_path / "x.wav"
    content = wav(integers(frames, 1, 24), before=[(b"bext", bytes(7))], after=after)
    path.write_bytes(content)
    read_audio(path)
    for place in range(len(content) + 1):
        for byte in (b"\0", b" ", b"\xff"):
            path.write_bytes(content[:place] + byte + content[place:])
            with pytest.raises(FileError):
                read_audio(path)


@pytest.mark.parametrize(
    "more",
    [b"\0" * 3_000_000, b"\0", b"TAG" + bytes(125), SOUND, chunk(b"LIST", bytes(40))[:-1], b"LIST"],
    ids=["zeros", "a byte", "a tag", "another recording", "a chunk cut off", "half a head"],
)
def test_bytes_after_the_samples_that_the_header_does_not_count_are_refused(tmp_path, more):
    (tmp_path / "x.wav").write_bytes(SOUND + more)
    with pytest.raises(FileError, match=f"not what its header says: {len(more):,} bytes too many"):
        read_audio(tmp_path / "x.wav")


def test_a_writer_that_does_not_know_the_length_of_the_file_is_taken_at_its_chunks_word(tmp_path):
    for riff_bytes in (0, 0xFFFFFFFF):
        content = bytearray(SOUND)
        struct.pack_into("<I", content, 4, riff_bytes)
        (tmp_path / "x.wav").write_bytes(content)
        assert len(read_audio(tmp_path / "x.wav").samples)
        (tmp_path / "x.wav").write_bytes(content + bytes(9))
        with pytest.raises(FileError, match="9 bytes too many"):
            read_audio(tmp_path / "x.wav")
