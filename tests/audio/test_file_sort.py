"""Files that are no WAV and no FLAC are named, with what to do; other programs made them where they can be had."""

import gzip
import io
import lzma
import tarfile
import zipfile

import numpy as np
import pytest
import soundfile

from linecheck.audio.file_sort import described_sort
from linecheck.audio.stream import open_audio
from linecheck.errors import FileError

SAMPLES = 0.1 * np.sin(np.arange(9600)[:, None] * [0.05, 0.07])


@pytest.mark.parametrize(
    ("format_", "subtype", "words"),
    [
        ("AIFF", "PCM_24", "an AIFF file and neither WAV nor FLAC; convert it"),
        ("AIFF", "FLOAT", "an AIFF-C file and neither WAV nor FLAC; convert it"),
        ("W64", "PCM_24", "a Wave64 file and neither WAV nor FLAC; convert it"),
        ("CAF", "PCM_24", "a Core Audio file and neither WAV nor FLAC; convert it"),
        ("AU", "PCM_24", "an AU file and neither WAV nor FLAC; convert it"),
        ("OGG", "VORBIS", "a Vorbis file and neither WAV nor FLAC; its coding changes"),
        ("OGG", "OPUS", "an Opus file and neither WAV nor FLAC; its coding changes"),
        ("MP3", "MPEG_LAYER_III", "an MP3 file"),
    ],
)
def test_what_another_library_writes_is_named(tmp_path, format_, subtype, words):
    soundfile.write(tmp_path / "x.wav", SAMPLES, 48_000, subtype, format=format_)
    with pytest.raises(FileError, match=words):
        open_audio(tmp_path / "x.wav")


def archive(kind):
    buffer = io.BytesIO()
    if kind == "zip":
        with zipfile.ZipFile(buffer, "w") as packed:
            packed.writestr("x.wav", b"RIFF")
    elif kind == "tar.gz":
        with tarfile.open(fileobj=buffer, mode="w:gz"):
            pass
    else:
        buffer.write((gzip if kind == "gzip" else lzma).compress(b"RIFF"))
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["zip", "tar.gz", "gzip", "xz"])
def test_an_archive_is_named(kind):
    assert described_sort(archive(kind)).endswith("archive and neither WAV nor FLAC; unpack it first")


@pytest.mark.parametrize(
    ("start", "words"),
    [
        (b"", "is empty"),
        (b"RIF", "is neither WAV nor FLAC"),
        (b"hello", "is neither WAV nor FLAC"),
        (b"\0" * 100, "is neither WAV nor FLAC"),
        (b"\xff", "is neither WAV nor FLAC"),
        (b"ID3\x03" + bytes(20), "ID3 tag"),  # id3.org, ID3v2.3.0, 3.1
        (b"\xff\xfb\x90\x00", "an MP3 file"),  # ISO/IEC 11172-3, 2.4.1.3: layer III, no checksum
        (b"\xff\xf1\x50\x80", "an AAC file"),  # ISO/IEC 13818-7, 6.2.1: layer 0, no checksum
        (b"\0\0\0\x20ftypM4A " + bytes(8), "an MP4 file"),  # ISO/IEC 14496-12, 4.3
        (b"DSD \x1c" + bytes(20), "a DSF file and neither WAV nor FLAC; one-bit recordings"),  # from memory
        (b"FRM8" + bytes(8) + b"DSD ", "a DSDIFF file"),  # from memory
    ],
)
def test_a_start_is_named(start, words):
    assert words in described_sort(start)
