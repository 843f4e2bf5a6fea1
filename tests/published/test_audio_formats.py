"""Audio files against what their formats' own documents print.

- RFC 9639 (FLAC), appendix D: three files byte by byte, with the samples that are in them; 8.2: the checksum
- EBU Tech 3306 (RF64), annex A.2: the ``ds64`` chunk; 3.4: which size counts
- Microsoft, mmreg.h and ksmedia.h: format tags and the identifiers of WAVE_FORMAT_EXTENSIBLE; RFC 2361 registers
  the tags (2: PCM, A.3: IEEE float; clauses from memory)
- Git LFS, docs/spec.md: the pointer of its example, and of the versions before the first release
"""

import hashlib
import struct
import uuid

import numpy as np
import pytest

from linecheck.audio.file import read_audio
from linecheck.audio.wav_header import read_wav_header, wav_header
from linecheck.captures.capture_set import load_capture_set
from linecheck.errors import FileError, FileFaults

RFC_9639_D1 = bytes.fromhex(
    "664c6143800000221000100000000f00000f0ac442f0000000013e84b41807dc690307586a3dad1a2e0ffff869180000bf0358fd"
    "03128baa9a"
)
RFC_9639_D2 = bytes.fromhex(
    "664c61430000002200100010000017000044 0ac442f000000013d5b0564975e98b8d8b930422757b8103030000120000000000000000"
    "000000000000000000100400003a200000007265666572656e6365206c6962464c414320312e332e33203230313930383034010000"
    "000e0000005449544c453dd7a9d79cd795d79d810000060000000000 00fff86998000f9912086701623d144299 8f5df70d6fe00c17"
    "caeb21000ee7a77a24a1590c1217b603097b784faa9a33d285e070ad5b1b4851b4010d99d2cd1a68f1e6b810fff869180102a402c382"
    "c40bc14a03ee48dd03b67c1330".replace(" ", "")
)
RFC_9639_D3 = bytes.fromhex(
    "664c6143800000221000100000001f00001f07d0007000000018f8f9e396f5cbcfc6dc807f9977906b32fff868020017e944004f6f31"
    "3d1047d227cb6d090831452bdc28222280 57a3".replace(" ", "")
)

#: D.1.4; D.2.9 (the input of the checksum) and D.2.7; D.3.4.
D1_SAMPLES = [[25588, 10416]]
D2_CHECKSUM_INPUT = bytes.fromhex(
    "8428B617794631295E3A2722D445D1280B3DB723EB45DF28723f1E259D464929B84170265747B8298F438127AEC714DF"
    "9FC441DD54C7E4DEA5C440DD1EC633DE82C390DC0BC402DD4AC13EDB"
)
D2_LEFT_OF_FIRST_BLOCK = [
    *(10372, 18041, 14942, 17876, 15627, 17899, 16242, 18077),
    *(16824, 18263, 17295, -14418, -15201, -14508, -15195, -14818),
]
D3_SAMPLES = [
    *(0, 79, 111, 78, 8, -61, -90, -68, -13, 42, 67, 53),
    *(13, -27, -46, -38, -12, 14, 24, 19, 6, -4, -5, 0),
]


def written(folder, content, name="x.flac"):
    path = folder / name
    path.write_bytes(content)
    return path


def test_the_first_file_of_the_flac_standard(tmp_path):
    audio = read_audio(written(tmp_path, RFC_9639_D1))
    assert (audio.rate_hz, audio.bits) == (44_100, 16)
    np.testing.assert_array_equal(audio.samples >> 16, D1_SAMPLES)


def test_the_second_file_of_the_flac_standard(tmp_path):
    audio = read_audio(written(tmp_path, RFC_9639_D2))
    assert (audio.rate_hz, audio.bits, audio.samples.shape) == (44_100, 16, (19, 2))
    np.testing.assert_array_equal(audio.samples[:16, 0] >> 16, D2_LEFT_OF_FIRST_BLOCK)
    assert (audio.samples >> 16).astype("<i2").tobytes() == D2_CHECKSUM_INPUT
    assert hashlib.md5(D2_CHECKSUM_INPUT, usedforsecurity=False).digest() == RFC_9639_D2[26:42]


def test_the_third_file_of_the_flac_standard(tmp_path):
    audio = read_audio(written(tmp_path, RFC_9639_D3))
    assert (audio.rate_hz, audio.bits) == (32_000, 8)
    np.testing.assert_array_equal(audio.samples[:, 0] >> 24, D3_SAMPLES)


@pytest.mark.parametrize("content", [RFC_9639_D1, RFC_9639_D2, RFC_9639_D3], ids=["D.1", "D.2", "D.3"])
def test_a_file_of_the_flac_standard_is_refused_where_it_is_cut(tmp_path, content):
    for length in range(len(content)):
        with pytest.raises(FileError):
            read_audio(written(tmp_path, content[:length]))


def test_a_file_of_fewer_frames_than_it_promises_is_refused_without_a_checksum_too(tmp_path):
    promise = bytearray(RFC_9639_D1)
    promise[25] = 2  # the last byte of the number of samples: 8.2
    promise[26:42] = bytes(16)  # no checksum, as the same clause allows
    with pytest.raises(FileError, match="is damaged"):
        read_audio(written(tmp_path, promise))
    promise[25] = 1
    np.testing.assert_array_equal(read_audio(written(tmp_path, promise)).samples >> 16, D1_SAMPLES)


@pytest.mark.parametrize("content", [RFC_9639_D1, RFC_9639_D2, RFC_9639_D3], ids=["D.1", "D.2", "D.3"])
def test_no_damage_to_a_file_of_the_flac_standard_changes_a_sample(tmp_path, content):
    whole = read_audio(written(tmp_path, content)).samples
    refused = 0
    for place in range(len(content)):
        damaged = bytearray(content)
        damaged[place] ^= 1 << place % 8
        try:
            np.testing.assert_array_equal(read_audio(written(tmp_path, damaged)).samples, whole)
        except FileError:
            refused += 1
    # the checksum of the samples and all frames at least: what is left says nothing of the samples
    frames_from = content.index(b"\xff\xf8")
    assert refused >= 16 + len(content) - frames_from


def test_a_file_of_more_than_4_gib_has_the_layout_of_tech_3306():
    frames = 2**32 + 7
    header = wav_header(floating=True, channels=3, rate_hz=192_000, bits=32, frames=frames)
    assert struct.unpack_from("<4sI4s4sIQQQI4sI", header) == (
        b"RF64",
        0xFFFFFFFF,
        b"WAVE",
        b"ds64",
        28,
        len(header) + 12 * frames - 8,  # riffSize: the file without its first eight bytes
        12 * frames,  # dataSize
        frames,  # sampleCount: that of the fact chunk
        0,  # tableLength
        b"fmt ",
        40,
    )
    assert struct.unpack_from("<4sII4sI", header, len(header) - 20) == (
        *(b"fact", 4, 0xFFFFFFFF),
        *(b"data", 0xFFFFFFFF),
    )


def sizes_then_format(name: bytes, table: bytes = b"") -> bytes:
    """The start of a file whose sizes are in a ds64 chunk: its samples have 10**10 bytes."""
    sizes = struct.pack("<QQQI", 2**40, 10**10, 10**10 // 8, len(table) // 12) + table
    form = struct.pack("<HHIIHH", 1, 2, 192_000, 1_536_000, 8, 32)
    chunks = b"ds64" + struct.pack("<I", len(sizes)) + sizes + b"fmt " + struct.pack("<I", 16) + form
    return name + b"\xff\xff\xff\xffWAVE" + chunks


@pytest.mark.parametrize(
    ("name", "size", "bytes_of_samples"),
    [
        (
            b"RF64",
            0xFFFFFFFF,
            10**10,
        ),  # Tech 3306, 3.4: the 64-bit size counts where the 32-bit field holds -1
        (b"RF64", 4_000, 4_000),
        (b"BW64", 0xFFFFFFFF, 10**10),  # ITU-R BS.2088: the same chunk
    ],
)
def test_a_size_of_minus_one_is_looked_up_and_any_other_counts(name, size, bytes_of_samples):
    content = sizes_then_format(name) + b"data" + struct.pack("<I", size)
    file_bytes = len(content) + bytes_of_samples
    header = read_wav_header(lambda place, count: content[place : place + count], file_bytes)
    assert (header.declared_bytes, header.place) == (bytes_of_samples, len(content))


def test_a_long_chunk_before_the_samples_is_skipped_by_the_table_of_sizes():
    long = 5 * 2**30
    before = sizes_then_format(b"RF64", struct.pack("<4sQ", b"LONG", long)) + b"LONG\xff\xff\xff\xff"
    after = b"data\xff\xff\xff\xff"

    def read_at(place, count):
        return before[place : place + count] if place < len(before) else after[place - len(before) - long :]

    header = read_wav_header(read_at, len(before) + long + len(after) + 10**10)
    assert (header.declared_bytes, header.place) == (10**10, len(before) + long + len(after))


@pytest.mark.parametrize(
    ("floating", "bits", "identifier"),
    [
        (False, 20, "00000001-0000-0010-8000-00aa00389b71"),  # KSDATAFORMAT_SUBTYPE_PCM
        (True, 32, "00000003-0000-0010-8000-00aa00389b71"),  # KSDATAFORMAT_SUBTYPE_IEEE_FLOAT
    ],
)
def test_an_extensible_header_has_the_published_identifier(floating, bits, identifier):
    header = wav_header(floating=floating, channels=4, rate_hz=48_000, bits=bits, frames=10)
    place = header.index(b"fmt ")
    size, tag = struct.unpack_from("<IH", header, place + 4)
    assert (size, tag) == (40, 0xFFFE)
    extra_bytes, valid_bits = struct.unpack_from("<HH", header, place + 24)
    assert (extra_bytes, valid_bits) == (22, bits)
    assert uuid.UUID(bytes_le=header[place + 32 : place + 48]) == uuid.UUID(identifier)


@pytest.mark.parametrize(("floating", "bits", "tag"), [(False, 16, 0x0001), (True, 64, 0x0003)])
def test_a_simple_header_has_the_registered_tag(floating, bits, tag):
    header = wav_header(floating=floating, channels=2, rate_hz=48_000, bits=bits, frames=10)
    assert struct.unpack_from("<H", header, header.index(b"fmt ") + 8) == (tag,)


LFS_POINTER = (
    b"version https://git-lfs.github.com/spec/v1\n"
    b"oid sha256:4d7a214614ab2935c943f9e0ff69d22eadbb8f32b1258daaa5e2ca24d17e2393\n"
    b"size 12345\n"
)


@pytest.mark.parametrize("pointer", [LFS_POINTER, LFS_POINTER.replace(b"git-lfs", b"hawser")])
def test_the_pointer_of_the_lfs_specification_is_named_wherever_it_lies(tmp_path, pointer):
    with pytest.raises(FileError, match="git lfs pull"):
        read_audio(written(tmp_path, pointer, "tone.wav"))
    head = b'format = 1\nmodel = "pellow-r3"\nserial = "PR3-004711"\n[[capture]]\ncheck = "tone"\nfile = "tone.wav"\n'
    written(tmp_path, head, "captures.toml")
    with pytest.raises(
        FileFaults, match=r"captures.toml:6:1: .*tone\.wav: holds a Git LFS pointer.*git lfs pull"
    ):
        load_capture_set(tmp_path)
    written(tmp_path, pointer, "captures.toml")
    with pytest.raises(FileError, match=r"captures.toml: holds a Git LFS pointer.*git lfs pull"):
        load_capture_set(tmp_path)
