"""Causes in mains, supplies, frames and stages that oscillate; crosstalk."""

from linecheck.causes.symptom import ALWAYS, MOSTLY, OFTEN, SELDOM, Cause

_HUM = {
    "ratios_low": OFTEN, "between_tones_out": OFTEN, "sweep_out": OFTEN, "noise_far_up": OFTEN, "skirt": SELDOM,
    "mains_beside_tone": SELDOM, "gain_off_at_low_level": SELDOM,
}  # fmt: skip
_OF_HUM = ("residue", "noise", "hum", "lines", "range", "between", "sweep", "wide", "jitter", "linearity")

CAUSES = (
    Cause(
        "ground_loop",
        "a ground loop: hum at the mains and its odd multiples{where}",
        {"hum_odd": ALWAYS, **_HUM},
        _OF_HUM,
        ("fixture", "station", "unit"),
        "check the shields of the cables and that unit and station share one mains outlet, then test again",
        "lift the cables one by one, never the protective earth: which of them takes the hum away",
        scope="either",
        weight=4.0,
    ),
    Cause(
        "supply_hum",
        "ripple of the unit's supply: hum at even multiples of the mains{where}",
        {"hum_even": ALWAYS, **_HUM},
        _OF_HUM,
        ("unit",),
        "set the unit aside for an engineer: its supply may be faulty",
        "measure the ripple behind the rectifier; its reservoir capacitors are the first suspects",
        scope="either",
        weight=3.0,
    ),
    Cause(
        "supply_modulation",
        "the supply's ripple modulates the level: lines beside a tone, and none in silence",
        {"mains_beside_tone": ALWAYS, "side_lines": ALWAYS, "lines_with_tone": SELDOM, "skirt": SELDOM},
        ("jitter", "residue", "noise", "lines", "between"),
        ("unit",),
        "set the unit aside for an engineer: its supply may be faulty",
        "measure the ripple on the converter's reference voltage with a tone playing",
        weight=1.5,
    ),
    Cause(
        "switching_supply",
        "residue of a switching supply{where}",
        {
            "high_line": MOSTLY, "silent_lines": OFTEN, "ultrasonic_up": OFTEN, "sweep_out": OFTEN, "side_lines": SELDOM,
            "noise_up": SELDOM, "ratios_low": SELDOM, "between_tones_out": SELDOM, "lines_with_tone": SELDOM,
            "stopband_out": SELDOM, "high_line_strong": SELDOM,
        },
        ("ultrasonic", "wide", "sweep", "residue", "noise", "lines", "range", "between", "jitter", "images"),
        ("unit", "fixture"),
        "test again with the station's own supply, if the unit has an external one",
        "measure the supply's ripple at its switching frequency; change its load and see whether the line moves",
        scope="either",
        weight=2.0,
    ),
    Cause(
        "usb_frame_noise",
        "noise of the USB stream's frames{where}: lines at multiples of 1 kHz in silence too",
        {
            "frame_lines": ALWAYS, "side_lines": OFTEN, "lines_with_tone": SELDOM, "ratios_low": SELDOM,
            "noise_up": SELDOM, "between_tones_out": SELDOM, "sweep_out": SELDOM,
        },
        ("jitter", "residue", "noise", "lines", "range", "between", "sweep", "wide"),
        ("unit", "fixture", "station"),
        "test again with another USB cable and port",
        "play through another input, if there is one: frame noise comes with USB alone",
        scope="either",
        weight=2.0,
    ),
    Cause(
        "oscillation",
        "a stage oscillates above the audio band{where}",
        {
            "high_line": ALWAYS, "high_line_strong": MOSTLY, "ultrasonic_up": MOSTLY, "sweep_out": MOSTLY,
            "stopband_out": SELDOM, "lines_with_tone": SELDOM, "side_lines": SELDOM,
        },
        ("ultrasonic", "wide", "sweep", "images", "lines", "residue"),
        ("unit",),
        "set the unit aside for an engineer; do not connect loudspeakers",
        "look at the output with an oscilloscope of wide band, with and without the cable",
        scope="either",
        weight=1.5,
    ),
    Cause(
        "crosstalk_capacitive",
        "crosstalk by capacitance: it climbs with frequency",
        {"crosstalk_climbs": ALWAYS},
        ("crosstalk",),
        ("unit", "fixture"),
        "test again with other cables that lie apart",
        "unplug one output: crosstalk that stays is inside the unit",
        scope="either",
        weight=1.5,
    ),
    Cause(
        "crosstalk_common",
        "crosstalk by a resistance that both channels share, as of a ground connection",
        {"crosstalk_flat": ALWAYS},
        ("crosstalk", "order"),
        ("fixture", "unit"),
        "check the ground contacts of the plugs, then test again",
        "measure the resistance of the common ground from the unit's board to the station's input",
        scope="either",
        weight=1.5,
    ),
)
