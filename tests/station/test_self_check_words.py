"""The comparer of a digital loop: every thing that may happen to words has its own name, and none passes."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from linecheck.station.self_check import digital
from linecheck.station.self_check.words import compare_words, random_words

BEFORE, AFTER = 777, 400
WORDS = random_words(24_000, 2, 24, 1)
CAPTURED = np.concatenate((np.zeros((BEFORE, 2), np.int32), WORDS, np.zeros((AFTER, 2), np.int32)))
GENERATOR = np.random.default_rng(20)


def found(captured):
    return compare_words(WORDS, captured, 24)


def told(captured):
    return found(captured).outcome, found(captured).what


def changed(frame, channel=1, bit=256):
    samples = CAPTURED.copy()
    samples[BEFORE + frame, channel] ^= bit
    return samples


def to_16_bits(values):
    return (np.clip(values, -32768, 32767).astype(np.int64) << 16).astype(np.int32)


def test_words_use_every_bit_alike_and_differ_between_channels():
    assert not np.any(WORDS & 0xFF)
    bits = (WORDS.view(np.uint32)[..., None] >> np.arange(8, 32, dtype=np.uint32)) & 1
    # Each bit is set in half of the words: 5 standard deviations of a fair coin.
    assert np.all(np.abs(bits.mean(axis=(0, 1)) - 0.5) < 5 * 0.5 / np.sqrt(2 * len(WORDS)))
    assert np.mean(WORDS[:, 0] == WORDS[:, 1]) < 1e-3
    assert np.max(np.abs(random_words(5000, 1, 24, 2, peak=0.5).astype(np.int64))) <= 2**30


@pytest.mark.parametrize("form", ["int32", "float32", "float64"])
def test_the_same_words_are_the_same_in_any_format(form):
    captured = CAPTURED if form == "int32" else (CAPTURED * 2.0**-31).astype(form)
    result = found(captured)
    assert (result.outcome, result.different) == ("identical", 0)
    assert result.text == "all 24000 frames came back bit for bit"


@pytest.mark.parametrize("frame", [0, 1, 12_000, 23_998, 23_999])
def test_one_lowest_bit_is_seen_wherever_it_is(frame):
    result = found(changed(frame))
    assert (result.outcome, result.what, result.different) == ("modified", "changed", 1)
    assert f"the first is number {frame} " in f"{result.text} "


@pytest.mark.parametrize("frame", [100, 12_000, 23_900])
def test_a_frame_less_or_more_is_the_same_bits_moved(frame):
    lost = found(np.delete(CAPTURED, BEFORE + frame, axis=0))
    assert (lost.outcome, lost.what) == ("moved", "lost")
    assert "without 1 frame before" in lost.text
    twice = found(np.insert(CAPTURED, BEFORE + frame, CAPTURED[BEFORE + frame], axis=0))
    assert (twice.outcome, twice.what) == ("moved", "repeated")
    assert "1 frame too many" in twice.text


def test_a_lost_frame_at_either_end_is_seen():
    for frame in (0, 1, 23_998, 23_999):
        assert found(np.delete(CAPTURED, BEFORE + frame, axis=0)).outcome != "identical"


def test_a_recording_that_ends_one_frame_early_is_short():
    assert told(CAPTURED[: BEFORE + 24_000]) == ("identical", "identical")
    result = found(CAPTURED[: BEFORE + 23_999])
    assert (result.outcome, result.what, result.different) == ("moved", "cut_short", 1)
    assert found(CAPTURED[BEFORE + 1 :]).outcome == "moved"


@pytest.mark.parametrize(
    ("captured", "expected"),
    [
        (CAPTURED[:, ::-1], ("moved", "swapped")),
        (np.stack((CAPTURED[:, 0], np.roll(CAPTURED[:, 1], 1)), 1), ("moved", "shifted")),
        (np.zeros_like(CAPTURED), ("absent", "silent")),
        (CAPTURED * np.array([1, 0], np.int32), ("absent", "silent")),
        (-np.maximum(CAPTURED, -(2**31) + 1), ("modified", "inverted")),
        (CAPTURED * np.array([1, -1], np.int32), ("modified", "inverted")),
        (CAPTURED // 512 * 256, ("modified", "gain")),
        (np.rint(CAPTURED * 0.999 / 256).astype(np.int32) * 256, ("modified", "gain")),
        (CAPTURED & np.int32(-65536), ("modified", "truncated")),
        (to_16_bits(np.rint(CAPTURED / 65536)), ("modified", "rounded")),
        (
            to_16_bits(np.floor(CAPTURED / 65536 + GENERATOR.triangular(-1, 0, 1, CAPTURED.shape) + 0.5)),
            ("modified", "dithered"),
        ),
        (
            (CAPTURED // 2 // 256 * 256) + 256 * GENERATOR.integers(-1, 2, CAPTURED.shape, np.int32),
            ("modified", "gain"),
        ),
        (random_words(25_000, 2, 24, 9), ("absent", "absent")),
        (CAPTURED[:, :1], ("absent", "absent")),
    ],
)
def test_each_change_has_its_name(captured, expected):
    assert told(captured) == expected


def test_dither_on_the_lowest_bit_is_dither():
    captured = CAPTURED + 256 * GENERATOR.integers(-1, 2, CAPTURED.shape, np.int32)
    assert told(np.where(CAPTURED == 0, 0, captured)) == ("modified", "dithered")


def test_a_mix_of_both_channels_is_one():
    mean = np.rint(CAPTURED.mean(axis=1, keepdims=True)).astype(np.int32)
    assert told(np.repeat(mean, 2, axis=1)) == ("modified", "mixed")


def test_a_rate_converter_is_told_by_its_edge_or_its_clock():
    values = CAPTURED * 2.0**-32
    there_and_back = resample_poly(resample_poly(values, 147, 160), 160, 147)
    assert told(there_and_back) == ("modified", "rate_converted")
    assert told(resample_poly(values, 2401, 2400)) == ("modified", "rate_converted")


def test_a_number_that_is_none_is_named():
    values = CAPTURED * 2.0**-31
    values[BEFORE + 5, 0] = np.inf
    assert told(values) == ("modified", "not_finite")


@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("channels", [1, 2, 3])
def test_the_comparer_proves_itself(bits, channels):
    assert digital._unnoticed(random_words(20_000, channels, bits, 3), bits) == ()


def test_a_comparer_that_sees_nothing_is_found_out(monkeypatch):
    blind = found(CAPTURED)
    monkeypatch.setattr(digital, "compare_words", lambda sent, came, bits: blind)
    assert len(digital._unnoticed(WORDS, 24)) == len(digital._TAMPERINGS) - 1


def test_what_changes_the_lowest_bit_of_whole_words_is_noise_and_no_shorter_word():
    noise = 256 * (1 - 2 * GENERATOR.integers(0, 2, WORDS.shape))
    samples = CAPTURED.copy()
    samples[BEFORE:-AFTER] = np.clip(WORDS.astype(np.int64) + noise, -(2**31), 2**31 - 256)
    assert told(samples) == ("modified", "dithered")
    assert "was added to the words" in found(samples).text
