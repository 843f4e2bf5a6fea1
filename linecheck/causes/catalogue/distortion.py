"""Causes of distortion and of gain that depends on level."""

from linecheck.causes.symptom import ALWAYS, MOSTLY, OFTEN, SELDOM, Cause

_TOUCHES = ("harmonics", "residue", "lines", "between", "sweep", "wide", "intermodulation")

CAUSES = (
    Cause(
        "unit_clipping",
        "the output stage clips{where}: its supply is too low, or its load too heavy",
        {
            "high_harmonics": ALWAYS, "odd_harmonics": MOSTLY, "distortion_at_top": MOSTLY, "imd_out": MOSTLY,
            "between_tones_out": OFTEN, "many_lines": OFTEN, "gain_gives_way": MOSTLY, "levels_off": OFTEN, "levels_low": OFTEN,
            "level_alone": SELDOM, "even_harmonics": OFTEN, "lines_with_tone": OFTEN, "broken_once": SELDOM,
            "sweep_out": SELDOM, "noise_with_signal": OFTEN, "distortion_climbs": SELDOM, "flat_tops": OFTEN, "bursts": SELDOM,
        },
        (*_TOUCHES, "level", "noise", "linearity", "capture", "crosstalk"),
        ("unit", "fixture"),
        "check the load and the unit's supply, then test again",
        "measure the supply of the output stage with a full-scale tone playing",
        scope="either",
        weight=2.0,
    ),
    Cause(
        "capture_clipping",
        "the station's input is overdriven",
        {"overload": ALWAYS, "flat_tops": SELDOM, "broken_once": SELDOM},
        ("everything",),
        ("station", "unit"),
        "set the interface to its higher range, then test again",
        "measure the output with a voltmeter, at 997 Hz and full scale",
        scope="either",
        weight=2.0,
    ),
    Cause(
        "soft_limiter",
        "a limiter or gain control acts: gain depends on level",
        {
            "gain_bends": ALWAYS, "gain_off_at_low_level": OFTEN, "levels_off": OFTEN, "levels_low": OFTEN, "levels_high": SELDOM,
            "gain_gives_way": OFTEN, "odd_harmonics": OFTEN, "imd_out": OFTEN, "between_tones_out": OFTEN, "sweep_out": OFTEN,
            "distortion_at_top": SELDOM, "imd_at_low_level": SELDOM, "noise_up": SELDOM, "ratios_low": OFTEN, "high_harmonics": SELDOM,
            "level_steps": OFTEN, "broken_once": OFTEN, "holes": OFTEN, "broken": SELDOM, "flatness_out": SELDOM, "response_other": SELDOM,
        },
        (*_TOUCHES, "level", "linearity", "range", "noise", "capture", "response", "crosstalk"),
        ("firmware", "unit"),
        "check that limiter, automatic level and night mode are off in the unit's settings",
        "play a tone in steps of 5 dB: from which level on does the output no longer follow",
        weight=1.5,
    ),
    Cause(
        "loudness",
        "tone control, loudness or enhancement is on",
        {
            "response_shelf": MOSTLY, "flatness_out": ALWAYS, "response_other": OFTEN, "levels_off": SELDOM, "levels_high": SELDOM, "levels_low": SELDOM,
        },
        ("response", "level", "edge", "impulse", "wide"),
        ("firmware", "unit"),
        "check that tone controls, loudness and enhancement are off in the unit's settings",
        "measure the response at two volumes: loudness follows the volume, a tone control does not",
        weight=1.5,
    ),
    Cause(
        "distortion_even",
        "a stage is off its bias{where}: even harmonics",
        {
            "even_harmonics": ALWAYS, "imd_out": MOSTLY, "between_tones_out": OFTEN, "sweep_out": MOSTLY, "many_lines": SELDOM,
            "lines_with_tone": SELDOM, "harmonics_at_low_level": SELDOM, "high_harmonics": SELDOM, "offset": SELDOM,
        },
        (*_TOUCHES, "offset"),
        ("unit",),
        "set the unit aside for an engineer",
        "measure the direct voltages of the output stage{where}",
        scope="either",
        weight=1.5,
    ),
    Cause(
        "distortion_odd",
        "a stage bends both ways alike{where}: odd harmonics",
        {
            "odd_harmonics": ALWAYS, "imd_out": MOSTLY, "between_tones_out": OFTEN, "sweep_out": MOSTLY, "many_lines": SELDOM,
            "lines_with_tone": SELDOM, "gain_gives_way": SELDOM, "high_harmonics": SELDOM,
        },
        _TOUCHES,
        ("unit",),
        "set the unit aside for an engineer",
        "measure the output stage's supply and load{where}",
        scope="either",
        weight=1.5,
    ),
    Cause(
        "crossover",
        "crossover distortion or a worn contact{where}: worse at low level",
        {
            "imd_at_low_level": MOSTLY, "harmonics_at_low_level": MOSTLY, "odd_harmonics": MOSTLY, "high_harmonics": OFTEN,
            "imd_out": OFTEN, "between_tones_out": OFTEN, "sweep_out": OFTEN, "gain_off_at_low_level": OFTEN, "gain_bends": OFTEN,
            "noise_at_low_level": OFTEN, "ratios_low": OFTEN, "many_lines": OFTEN, "level_alone": SELDOM, "lines_with_tone": SELDOM,
        },
        (*_TOUCHES, "linearity", "range", "level", "noise"),
        ("unit", "fixture"),
        "clean or change the plugs, then test again",
        "measure the idle current of the output stage{where}, and the resistance of its relay's contacts",
        scope="either",
        weight=1.5,
    ),
    Cause(
        "slew_limited",
        "a stage is too slow{where}: distortion climbs with frequency",
        {
            "distortion_climbs": ALWAYS, "sweep_out": ALWAYS, "between_tones_out": OFTEN, "stopband_out": OFTEN, "imd_out": SELDOM,
            "odd_harmonics": SELDOM, "side_lines": SELDOM, "lines_with_tone": SELDOM, "images": SELDOM, "flatness_out": SELDOM,
        },
        (*_TOUCHES, "images", "jitter"),
        ("unit",),
        "set the unit aside for an engineer",
        "look at a square wave of 10 kHz at the output: slopes that are straight lines are the limit",
        scope="either",
        weight=1.5,
    ),
)
