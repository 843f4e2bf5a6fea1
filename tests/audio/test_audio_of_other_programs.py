"""Audio files that other programs make are read as they meant them: sox, flac, Python's wave, libsndfile."""

import subprocess
import wave

import numpy as np
import pytest
import soundfile
from audio.audio_samples import integers
from needed import program

from linecheck.audio.file import read_audio
from linecheck.audio.stream import open_audio
from linecheck.errors import FileError

FRAMES = 4001


def by_sox(folder, name, samples, *options):
    """What sox makes of samples of 32 bits, without dither."""
    (folder / "in.s32").write_bytes(samples.astype("<i4").tobytes())
    raw = ["-t", "s32", "-L", "-r", "96000", "-c", str(samples.shape[1]), folder / "in.s32"]
    subprocess.run([program("sox"), "-D", "-V1", *raw, *options, folder / name], check=True, timeout=60)
    return folder / name


@pytest.mark.parametrize(
    ("bits", "channels", "name", "options"),
    [
        (16, 2, "x.wav", ["-b", "16"]),
        (24, 2, "x.wav", ["-b", "24"]),
        (24, 1, "x.wav", ["-b", "24"]),
        (32, 2, "x.wav", ["-b", "32"]),
        (24, 6, "x.wav", ["-b", "24"]),
        (16, 2, "x.wav", ["-b", "16", "-B"]),  # RIFX
        (32, 2, "x.wav", ["-b", "32", "-B"]),
        (24, 2, "x.wav", ["-b", "24", "-t", "wavpcm"]),
        (16, 2, "x.flac", ["-b", "16"]),
        (24, 2, "x.flac", ["-b", "24", "-C", "8"]),
        (16, 1, "x.flac", ["-b", "16", "-C", "0"]),
    ],
)
def test_integers_of_sox(tmp_path, bits, channels, name, options):
    samples = integers(FRAMES, channels, bits)
    audio = read_audio(by_sox(tmp_path, name, samples, *options))
    np.testing.assert_array_equal(audio.samples, samples)
    assert (audio.rate_hz, audio.bits) == (96_000, bits)


@pytest.mark.parametrize(("width", "dtype", "bits"), [("32", np.float32, 24), ("64", np.float64, 32)])
def test_floats_of_sox(tmp_path, width, dtype, bits):
    samples = integers(FRAMES, 2, bits)
    audio = read_audio(by_sox(tmp_path, "x.wav", samples, "-e", "float", "-b", width))
    assert audio.samples.dtype == dtype
    np.testing.assert_array_equal(audio.samples, samples / 2.0**31)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["-b", "8"], "sort that is not read .*8 bits in 8"),
        (["-e", "a-law"], "sort that is not read"),
        (["-e", "ima-adpcm"], "sort that is not read|cut off in the middle|damaged"),
    ],
)
def test_what_sox_makes_too_coarse_for_a_measurement_is_refused(tmp_path, options, words):
    with pytest.raises(FileError, match=words):
        read_audio(by_sox(tmp_path, "x.wav", integers(FRAMES, 2, 16), *options))


def test_what_sox_pipes_is_refused_and_what_the_words_advise_makes_it_whole(tmp_path):
    samples = integers(FRAMES, 2, 24)
    whole = by_sox(tmp_path, "x.wav", samples, "-b", "24").read_bytes()
    place = whole.index(b"data") + 4
    unclosed = whole[:4] + bytes(4) + whole[8:place] + bytes(4) + whole[place + 4 :]
    (tmp_path / "unclosed.wav").write_bytes(unclosed)
    with pytest.raises(FileError, match=r"`sox --ignore-length THIS\.wav CLOSED\.wav`"):
        read_audio(tmp_path / "unclosed.wav")
    words = [program("sox"), "-D", "--ignore-length", tmp_path / "unclosed.wav", tmp_path / "closed.wav"]
    subprocess.run(words, check=True, timeout=60)
    np.testing.assert_array_equal(read_audio(tmp_path / "closed.wav").samples, samples)


def by_flac(folder, samples, bits, *options, piped=False):
    """What the reference encoder makes of samples."""
    raw = samples.view(np.uint8).reshape(-1, 4)[:, 4 - bits // 8 :].tobytes()
    form = ["--force-raw-format", "--endian=little", "--sign=signed", "--sample-rate=192000"]
    form += [f"--channels={samples.shape[1]}", f"--bps={bits}"]
    target = ["-c"] if piped else ["-f", "-o", folder / "x.flac"]
    done = subprocess.run(
        [program("flac"), "-s", *form, *options, *target, "-"],
        input=raw,
        capture_output=True,
        check=True,
        timeout=60,
    )
    if piped:
        (folder / "x.flac").write_bytes(done.stdout)
    return folder / "x.flac"


@pytest.mark.parametrize(
    "options", [["-8"], ["-0"], ["--blocksize=65535", "--lax"], ["-S", "100x"], ["--no-padding"]]
)
@pytest.mark.parametrize("bits", [8, 16, 24])
def test_flac_of_the_reference_encoder(tmp_path, bits, options):
    samples = integers(FRAMES, 2, bits)
    path = by_flac(tmp_path, samples, bits, *options)
    audio = read_audio(path)
    np.testing.assert_array_equal(audio.samples, samples)
    assert (audio.rate_hz, audio.bits) == (192_000, bits)
    with open_audio(path) as stream:
        np.testing.assert_array_equal(stream.read(1999, 2500), samples[1999:2500])


def test_flac_that_was_piped_knows_no_length_and_is_refused(tmp_path):
    path = by_flac(tmp_path, integers(FRAMES, 2, 16), 16, piped=True)
    with pytest.raises(FileError, match=r"does not say how many frames it has.*encode or record it again"):
        read_audio(path)


def test_flac_of_32_bits_is_refused_with_what_to_do(tmp_path):
    path = by_flac(tmp_path, integers(FRAMES, 2, 32), 32)
    with pytest.raises(FileError, match="32 bits, which are not read from FLAC; convert it to WAV"):
        read_audio(path)


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_waves_of_the_standard_library(tmp_path, bits):
    samples = integers(FRAMES, 2, bits)
    with wave.open(str(tmp_path / "x.wav"), "wb") as stream:
        stream.setparams((2, bits // 8, 44_100, 0, "NONE", ""))
        stream.writeframes(samples.view(np.uint8).reshape(-1, 4)[:, 4 - bits // 8 :].tobytes())
    np.testing.assert_array_equal(read_audio(tmp_path / "x.wav").samples, samples)


@pytest.mark.parametrize(
    ("format_", "endian"), [("WAV", "FILE"), ("WAV", "BIG"), ("WAVEX", "FILE"), ("RF64", "FILE")]
)
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_files_of_libsndfile(tmp_path, format_, endian, subtype):
    bits = int(subtype[4:]) if subtype.startswith("PCM") else None
    samples = integers(FRAMES, 2, bits or 24)
    if bits is None:
        samples = (samples / 2.0**31).astype({"FLOAT": np.float32, "DOUBLE": np.float64}[subtype])
    soundfile.write(tmp_path / "x.wav", samples, 48_000, subtype, endian, format_)
    audio = read_audio(tmp_path / "x.wav")
    assert (audio.samples.dtype, audio.bits) == (samples.dtype, bits)
    np.testing.assert_array_equal(audio.samples, samples)
