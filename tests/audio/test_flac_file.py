"""FLAC files that are written: bit for bit, the same bytes every time, and read by others as meant."""

import hashlib
import os
import subprocess

import numpy as np
import pytest
import soundfile
from audio.audio_samples import integers
from hypothesis import given, settings
from hypothesis import strategies as st
from needed import program

from linecheck.audio.file import read_audio
from linecheck.audio.flac import write_flac
from linecheck.errors import FileError

pytestmark = pytest.mark.every_python


@settings(max_examples=40)
@given(st.integers(8, 24), st.integers(1, 8), st.integers(2, 9000), st.integers(0, 99))
def test_samples_come_back_bit_for_bit(tmp_path_factory, bits, channels, frames, seed):
    path = tmp_path_factory.mktemp("flac") / "x.flac"
    samples = integers(frames, channels, bits, seed)
    digest = write_flac(path, samples, 44_100, bits)
    audio = read_audio(path)
    np.testing.assert_array_equal(audio.samples, samples)
    assert (audio.rate_hz, audio.bits) == (44_100, 16 if bits <= 16 else 24)
    assert audio.sha256 == digest == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(("bits", "rate_hz"), [(16, 44_100), (24, 192_000), (24, 384_000)])
def test_the_reference_decoder_agrees_and_the_checksum_is_that_of_the_samples(tmp_path, bits, rate_hz):
    samples = integers(20_000, 2, bits)
    write_flac(tmp_path / "x.flac", samples, rate_hz, bits)
    done = subprocess.run(
        [
            program("flac"),
            "-dscf",
            "--force-raw-format",
            "--endian=little",
            "--sign=signed",
            tmp_path / "x.flac",
        ],
        capture_output=True,
        check=True,
        timeout=60,
    )
    expected = samples.view(np.uint8).reshape(-1, 4)[:, 4 - bits // 8 :].tobytes()
    assert done.stdout == expected
    # RFC 9639, 8.2: MD5 of the samples, signed, little-endian, interleaved
    content = (tmp_path / "x.flac").read_bytes()
    assert content[26:42] == hashlib.md5(expected, usedforsecurity=False).digest()
    info = soundfile.info(tmp_path / "x.flac")
    assert (info.format, info.subtype, info.samplerate) == ("FLAC", f"PCM_{bits}", rate_hz)


def test_the_same_samples_give_the_same_bytes(tmp_path):
    samples = integers(5000, 2, 24)
    first = write_flac(tmp_path / "a.flac", samples, 96_000, 24)
    assert first == write_flac(tmp_path / "b.flac", samples, 96_000, 24)


@pytest.mark.parametrize(
    ("bits", "channels", "rate_hz"), [(32, 2, 44_100), (25, 2, 44_100), (24, 9, 44_100), (24, 2, 768_000)]
)
def test_what_flac_cannot_hold_is_said_with_what_to_do(tmp_path, bits, channels, rate_hz):
    with pytest.raises(
        FileError, match=f"takes no {rate_hz:,} Hz, {bits} bits and {channels} channels; write a WAV"
    ):
        write_flac(tmp_path / "x.flac", integers(100, channels, bits), rate_hz, bits)
    assert list(tmp_path.iterdir()) == []


def test_more_bits_than_stated_are_never_dropped_silently(tmp_path):
    with pytest.raises(ValueError, match="more than 16 bits"):
        write_flac(tmp_path / "x.flac", integers(10, 1, 24), 44_100, 16)
    with pytest.raises(ValueError, match="int32"):
        write_flac(tmp_path / "x.flac", np.zeros((10, 1), np.float32), 44_100, 16)
    assert list(tmp_path.iterdir()) == []


def test_what_does_not_read_back_is_not_kept(tmp_path, monkeypatch):
    encode = soundfile.SoundFile.write
    monkeypatch.setattr(soundfile.SoundFile, "write", lambda self, data: encode(self, data ^ (1 << 16)))
    with pytest.raises(FileError, match="does not read back as it was written"):
        write_flac(tmp_path / "x.flac", integers(100, 2, 16), 48_000, 16)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_said_and_leaves_the_old_file_whole(tmp_path, monkeypatch):
    write_flac(tmp_path / "x.flac", integers(10, 1, 16), 44_100, 16)
    before = (tmp_path / "x.flac").read_bytes()

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match="No space left on device"):
        write_flac(tmp_path / "x.flac", integers(10, 1, 16, seed=5), 44_100, 16)
    assert (tmp_path / "x.flac").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["x.flac"]
