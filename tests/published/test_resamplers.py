"""General-purpose resamplers as units that no one here wrote: they come out as their makers publish.

A resampler from 44.1 to 176.4 kHz does what a converter's reconstruction filter does. Published are:

- SoX 14.4.2, manual page sox(1), effect ``rate``, table of qualities: band-width and rejection
  -l 80 % / 100 dB, -m 95 % / 100 dB, -h 95 % / 125 dB, -v 95 % / 175 dB; ``-M`` minimum phase, ``-I`` intermediate,
  ``-L`` linear (the default).
- libsamplerate, ``src_get_description()``: best quality 144 dB SNR, 96 % BW; medium 121 dB, 90 %; fastest 97 dB, 80 %.
- libsoxr, soxr.h (from memory): low quality 16 bit with a larger roll-off, medium 16 bit with a medium roll-off, high
  20 bit, very high 28 bit; pass band to 0.913 of half the rate from high quality on.

None says at which level the band ends; it is the 3 dB point for all but SoX's -l, whose 3 dB point lies at 81 %.
SoX and libsoxr have one author and the same filters, so between these two nothing is told apart.
"""

import subprocess
from functools import cache

import numpy as np
import pytest
import samplerate
import soundfile
import soxr
from known_truth import readings
from needed import program

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context

RATE_HZ = 44_100
CAPTURE_HZ = 176_400
NYQUIST_HZ = RATE_HZ / 2


@pytest.fixture(scope="module", autouse=True)
def sox_program():
    program("sox")


def by_sox(values, options, folder):
    played, captured = folder / "played.wav", folder / "captured.wav"
    soundfile.write(played, values, RATE_HZ, subtype="DOUBLE")
    rate = ["rate", *options, str(CAPTURE_HZ)]
    output = ["-t", "wav", "-e", "floating-point", "-b", "64", str(captured)]
    subprocess.run(["sox", "-V1", "-D", str(played), *output, *rate], check=True, timeout=120)
    return soundfile.read(captured)[0]


def resampled(values, name, folder):
    maker, _, quality = name.partition(" ")
    if maker == "sox":
        return by_sox(values, quality.split(), folder)
    if maker == "soxr":
        return soxr.resample(values, RATE_HZ, CAPTURE_HZ, quality=quality)
    return samplerate.resample(values, CAPTURE_HZ / RATE_HZ, quality).astype(np.float64)


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Readings of a kind through a resampler, by name; every one is made once."""

    @cache
    def measure(name, kind_name="reconstruction", **stimulus):
        kind = kinds()[kind_name]
        given = kind.stimulus_parameters(**stimulus)
        samples = kind.stimulus(given, 1, 0.01).samples[:, 0] * 2.0**-31
        padded = np.concatenate((np.zeros(4000), samples, np.zeros(8000)))
        values = resampled(padded, name, tmp_path_factory.mktemp("resampled"))
        capture = Capture(values[:, None], CAPTURE_HZ)
        location = kind.locate(capture, given, ("mono",))
        assert location.problems == ()
        result = kind.measure(capture, location, given, kind.analysis_parameters(), Context(("mono",)))
        return {metric: reading.value for metric, reading in readings(result, "mono").items()}

    return measure


PUBLISHED = [
    ("sox -l", 0.80, 100.0),
    ("sox -m", 0.95, 100.0),
    ("sox -h", 0.95, 125.0),
    ("sox -v", 0.95, 175.0),
    ("samplerate sinc_best", 0.96, 144.0),
    ("samplerate sinc_medium", 0.90, 121.0),
    ("samplerate sinc_fastest", 0.80, 97.0),
    ("soxr LQ", 0.80, 6.02 * 16),
    ("soxr MQ", 0.95, 6.02 * 16),
    ("soxr HQ", 0.95, 6.02 * 20),
    ("soxr VHQ", 0.95, 6.02 * 28),
]  # fmt: skip


@pytest.mark.parametrize(("name", "band", "rejection"), PUBLISHED)
def test_band_and_rejection_are_as_published(measured, name, band, rejection):
    values = measured(name)
    exact = name in ("sox -m", "sox -h", "sox -v", "samplerate sinc_best")
    assert values["corner_3db"] / NYQUIST_HZ == pytest.approx(band, abs=0.001 if exact else 0.012)
    # libsamplerate's figure is the signal-to-noise ratio of tones; its medium filter's highest lobe is 4 dB higher.
    spare = 5.0 if name == "samplerate sinc_medium" else 0.0
    # Published as a round number; between lines the highest lobe is met to 0.02 dB.
    assert rejection - spare - 0.05 <= values["stopband_attenuation"] <= rejection + 9.0


@pytest.mark.parametrize(("name", "band", "rejection"), PUBLISHED)
def test_the_stop_band_begins_at_half_the_rate(measured, name, band, rejection):
    assert measured(name)["stopband_from"] / NYQUIST_HZ == pytest.approx(1.0, abs=0.006)


@pytest.mark.parametrize("name", ["soxr HQ", "soxr VHQ", "sox -h", "sox -v"])
def test_the_pass_band_is_flat(measured, name):
    values = measured(name)
    for khz in (10, 15, 17, 18, 19, 20):
        assert abs(values[f"response_{khz}k"]) < 0.001


def test_they_are_told_apart_from_each_other(measured):
    """Whatever two differ in as published, they differ in as measured, by more than readings are uncertain."""
    found = {name: measured(name) for name, _, _ in PUBLISHED}
    for first, band, rejection in PUBLISHED:
        for second, other_band, other_rejection in PUBLISHED:
            if {first[:5], second[:5]} == {"sox -", "soxr "}:
                continue
            corners = (found[first]["corner_3db"] - found[second]["corner_3db"]) / NYQUIST_HZ
            depths = found[first]["stopband_attenuation"] - found[second]["stopband_attenuation"]
            if band > other_band:
                assert corners > 0.005, (first, second)
            if rejection > other_rejection + 5.0:
                assert depths > 2.0, (first, second)


def test_phase_responses_are_told_apart(measured):
    """sox(1): with minimum phase there is no echo ahead of a transient, with linear phase as much as after it."""
    ringing = {phase: measured(f"sox -h {phase}")["pre_ringing"] for phase in ("-L", "-I", "-M")}
    assert -14.0 < ringing["-L"] < -13.0
    assert ringing["-I"] < ringing["-L"] - 2.0
    assert ringing["-M"] < ringing["-I"] - 5.0
    assert ringing["-M"] < -40.0
    latency = {phase: measured(f"sox -h {phase}")["latency"] for phase in ("-L", "-I", "-M")}
    assert latency["-M"] < latency["-I"] < latency["-L"]
    attenuation = [measured(f"sox -h {phase}")["stopband_attenuation"] for phase in ("-L", "-M")]
    assert min(attenuation) >= 125.0


@pytest.mark.parametrize(("name", "band", "rejection"), PUBLISHED)
def test_a_tone_goes_through_unharmed(measured, name, band, rejection):
    """libsamplerate states its SNR for tones; single precision (24 bit, 146 dB) is all that it works in."""
    values = measured(name, "tone", bits=32, level_dbfs=-6.0)
    assert values["frequency"] == pytest.approx(997.0, abs=1e-5)
    assert values["level_dbfs"] == pytest.approx(-6.0, abs=0.01)
    assert values["sinad"] >= min(rejection, 140.0)


@pytest.mark.parametrize("name", ["sox -l", "samplerate sinc_medium", "samplerate sinc_fastest"])
def test_a_tone_falls_as_the_response_says(measured, name):
    low = measured(name, "tone", level_dbfs=-6.0)["level_dbfs"]
    high = measured(name, "tone", level_dbfs=-6.0, frequency_hz=18_000.0)["level_dbfs"]
    assert high - low == pytest.approx(measured(name)["response_18k"], abs=0.003)


def test_four_of_each_sample_are_a_held_sample(measured):
    """libsamplerate's zero-order hold repeats each sample: sin(4x) / (4 sin x) with x = πf / 176400."""
    values = measured("samplerate zero_order_hold")

    def held(hz):
        place = np.pi * hz / CAPTURE_HZ
        return 20 * np.log10(np.sin(4 * place) / (4 * np.sin(place)))

    for khz in (10, 15, 17, 18, 19, 20):
        assert values[f"response_{khz}k"] == pytest.approx(held(1e3 * khz) - held(1e3), abs=0.001)
    lines = np.arange(19_025.0, 20_000.0, 50.0)
    worst = np.min(held(lines) - held(RATE_HZ - lines))
    assert values["image_rejection"] == pytest.approx(worst, abs=0.001)
