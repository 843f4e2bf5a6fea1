"""The causes that are known, and their shipped odds: the one place where repairs and counts ask for them."""

from __future__ import annotations

from collections.abc import Mapping

from linecheck.run.causes import NONE_OF_THESE

__all__ = ["known_causes", "shipped_odds"]

# Stands in for the catalogue of linecheck.causes.
_CODES = [
    "missing_leg",
    "dead_channel",
    "no_signal",
    "silent_recording",
    "swapped_channels",
    "inverted_polarity",
    "mono",
    "channel_delay",
    "volume_down",
    "gain_wrong",
    "channel_gain",
    "word_alignment",
    "ground_loop",
    "supply_hum",
    "supply_modulation",
    "switching_supply",
    "usb_frame_noise",
    "oscillation",
    "jitter_mains",
    "jitter_frames",
    "jitter_other_clock",
    "jitter_random",
    "clock_off",
    "unit_clipping",
    "capture_clipping",
    "soft_limiter",
    "loudness",
    "distortion_even",
    "distortion_odd",
    "crossover",
    "slew_limited",
    "noise_follows_signal",
    "truncated_16",
    "truncated_20",
    "bit_weight",
    "wrong_limits_words",
    "noise_white",
    "noise_flicker",
    "one_bit_noise",
    "clicks",
    "rate_conversion",
    "wrong_rate",
    "unit_lost_samples",
    "recorder_lost_samples",
    "unit_gap",
    "cut_short",
    "bad_recording",
    "filter_slow",
    "filter_minimum_phase",
    "filter_missing",
    "filter_sharp",
    "deemphasis_on",
    "preemphasis",
    "low_corner",
    "treble_droop",
    "treble_peak",
    "crosstalk_capacitive",
    "crosstalk_common",
    "wrong_model",
    "swapped_files",
    "station_failed",
]


def known_causes() -> Mapping[str, str]:
    """Return the causes that can be found at a unit: by their codes, in plain words."""
    return {code: code.replace("_", " ") for code in _CODES}


def shipped_odds() -> Mapping[str, float]:
    """Return the shipped odds of every cause by its code, :data:`NONE_OF_THESE` among them; they sum to 1."""
    return dict.fromkeys((*_CODES, NONE_OF_THESE), 1.0 / (len(_CODES) + 1))
