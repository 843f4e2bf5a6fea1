"""Metrics as the trade writes them."""

from __future__ import annotations

import re

__all__ = ["metric_name", "plain_name"]

_NAMES = {
    "best_imd": "best IMD",
    "best_imd_level": "level of the best IMD",
    "channel_delay": "delay between the channels",
    "corner_3db": "−3 dB corner",
    "corner_6db": "−6 dB corner",
    "corner_high": "upper corner",
    "corner_low": "lower corner",
    "crosstalk_over_frequency": "crosstalk over frequency",
    "dc_offset": "DC offset",
    "distortion_noise": "distortion and noise",
    "dynamic_range_468": "dynamic range (ITU-R 468)",
    "dynamic_range_a": "dynamic range (A)",
    "enob": "ENOB",
    "imd": "IMD",
    "imd_2": "IMD, second order",
    "imd_3": "IMD, third order",
    "imd_over_level": "IMD over level",
    "level_dbfs": "level, dBFS",
    "linear_down_to": "linear down to",
    "noise_20k_100k": "noise, 20 kHz to 100 kHz",
    "noise_468": "noise (ITU-R 468)",
    "noise_a": "noise (A)",
    "pre_ringing": "pre-ringing",
    "sinad": "SINAD",
    "snr": "SNR",
    "snr_a": "SNR (A)",
    "stopband_attenuation": "stop band attenuation",
    "stopband_from": "stop band from",
    "thd": "THD",
    "thd_n": "THD+N",
    "thd_n_wide": "THD+N, wide band",
    "worst": "worst THD+N",
    "worst_at": "worst THD+N at",
    "worst_wide": "worst THD+N, wide band",
    "worst_wide_at": "worst THD+N, wide band, at",
}
_DROOP = re.compile(r"droop_([0-9]+)k")


def metric_name(metric: str) -> str:
    """Return a metric's or curve's name as the trade writes it: THD+N, SNR (A), DC offset; else as words."""
    if found := _DROOP.fullmatch(metric):
        return f"droop at {found[1]} kHz"
    return _NAMES.get(metric, plain_name(metric))


def plain_name(name: str) -> str:
    """Return a name as words, without underscores."""
    return name.replace("_", " ")
