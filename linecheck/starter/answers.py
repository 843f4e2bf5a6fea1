"""What is asked of a new model, and what follows from the answers.

==========================  ==================================================================
:class:`Answers`            what was asked
:class:`DeviceClass`        what units of a class read, and so the masks to begin with
:func:`serial_pattern`      the pattern that serial numbers like an example match
==========================  ==================================================================
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from linecheck.errors import UsageError
from linecheck.files.text import visible

ClassName = Literal["player", "converter", "streamer"]
CiService = Literal["gitlab", "github", "jenkins", "none"]
CI_SERVICES: Final[tuple[CiService, ...]] = ("gitlab", "github", "jenkins", "none")

#: The counter of a serial number: its last digits, at least so many.
_COUNTER: Final = re.compile(r"\d{2,}(?!.*\d)")
#: What stands for itself in a pattern.
_LITERAL: Final = re.compile(r"[A-Za-z0-9_ -]")


@dataclass(frozen=True)
class DeviceClass:
    """A class of devices, and the masks that its units pass: common practice, no source.

    Attributes
    ----------
    text : str
        What it is, in words.
    rate_hz, bits : int
        What is played unless the answers say otherwise.
    slaved : bool
        Whether its clock follows its input, so that its error is the source's.
    masks : mapping of str to (float, float)
        The pass and the fail limit of each metric, in its unit; volts re the output.
    """

    text: str
    rate_hz: int
    bits: int
    slaved: bool
    masks: Mapping[str, tuple[float, float]]


#: By metric, the pass and the fail limit of 16 bits and of 24. 16 bits with dither leave 93.7 dB from 20 Hz to 20 kHz
#: to the best of players (AES17's noise of TPDF dither).
_MASKS: Final[Mapping[str, tuple[tuple[float, float], tuple[float, float]]]] = {
    "sinad": ((90, 86), (104, 100)),
    "thd": ((-96, -90), (-106, -100)),
    "noise": ((-91, -87), (-108, -103)),
    "hum": ((-105, -98), (-115, -106)),
    "dynamic_range": ((91, 88), (108, 104)),
    "dynamic_range_a": ((93, 90), (110, 106)),
    "snr_a": ((100, 96), (110, 106)),
    "clean_range": ((92, 88), (96, 90)),
    "distortion_noise": ((-84, -80), (-98, -92)),
    "largest_sideband": ((-105, -98), (-118, -108)),
    "paired_jitter": ((120, 300), (30, 100)),
    "lone_spur": ((-107, -100), (-120, -110)),
    "skirt": ((-92, -86), (-108, -102)),
    "linear_down_to": ((-90, -80), (-108, -98)),
    "largest_error": ((0.7, 1.5), (0.5, 1)),
    "imd": ((-92, -86), (-98, -92)),
    "flatness": ((0.5, 1), (0.3, 0.6)),
    "separation": ((90, 80), (100, 90)),
    "worst": ((-88, -84), (-98, -92)),
}
_OF_16_BITS: Final = {metric: of_16 for metric, (of_16, _) in _MASKS.items()}
_OF_24_BITS: Final = {metric: of_24 for metric, (_, of_24) in _MASKS.items()}

CLASSES: Final[Mapping[ClassName, DeviceClass]] = {
    "player": DeviceClass("a disc player: 16 bits at 44.1 kHz", 44_100, 16, False, _OF_16_BITS),
    "converter": DeviceClass("a converter: 24 bits, slaved to its input", 44_100, 24, True, _OF_24_BITS),
    "streamer": DeviceClass("a streamer: 24 bits, a clock of its own", 44_100, 24, False, _OF_24_BITS),
}


@dataclass(frozen=True)
class Answers:
    """What a new model is.

    Attributes
    ----------
    model, station : str
        Names: letters, digits, ``.``, ``_``, ``-``.
    serial : str
        A serial number, as an example.
    channels : tuple of str
    device_class : str
    rates_hz : tuple of int
        What the unit's input takes; the first one is played.
    bits : int
        Word length of the stimuli.
    output_volts : float
        V rms of a full-scale sine at the unit's output.
    playback, capture : str or None
        Names of the sound devices; None for a simulated station.
    capture_rate_hz : int
    ci : str
        Which build service a job is written for.
    """

    model: str
    station: str
    serial: str
    channels: tuple[str, ...]
    device_class: ClassName
    rates_hz: tuple[int, ...]
    bits: int
    output_volts: float
    playback: str | None = None
    capture: str | None = None
    capture_rate_hz: int = 192_000
    ci: CiService = "none"

    @property
    def masks(self) -> Mapping[str, tuple[float, float]]:
        """The masks to begin with: of the word length that is played, whatever the class.

        The jitter test tone is a quarter of the rate, and its sidebands grow with it: the same sidebands are less
        jitter at a higher rate, and a mask in seconds that did not follow would never decide.
        """
        masks = _OF_16_BITS if self.bits < 20 else CLASSES[self.device_class].masks
        passes, fails = (_short(limit * 44_100 / self.rates_hz[0]) for limit in masks["paired_jitter"])
        return {**masks, "paired_jitter": (passes, fails)}

    @property
    def full_scale_volts(self) -> float:
        """Peak volts that a capture should hold: the output's peak with 3 dB to spare, in round figures."""
        return round(self.output_volts * math.sqrt(2.0) * math.pow(10.0, 3.0 / 20.0), 1)

    @property
    def volts(self) -> Mapping[str, float]:
        """The masks of the output level: 2.5 % either way passes, 5 % fails."""
        return {
            "pass_min": _short(0.975 * self.output_volts),
            "pass_max": _short(1.025 * self.output_volts),
            "fail_min": _short(0.95 * self.output_volts),
            "fail_max": _short(1.05 * self.output_volts),
        }


def _short(value: float) -> float:
    return float(f"{value:.4g}")


def serial_pattern(example: str) -> str:
    """Return the pattern that serial numbers like an example match: the same letters, and as many digits at the end.

    Raises
    ------
    UsageError
        The example has no counter, or a character that is better not in a serial number.
    """
    found = _COUNTER.search(example)
    if found is None:
        raise UsageError(
            f"serial number {visible(example[:40])!r}: has no counter of two digits or more; give one like PR3-000123"
        )
    before, after = example[: found.start()], example[found.end() :]
    odd = [letter for letter in before + after if not _LITERAL.fullmatch(letter)]
    if odd:
        raise UsageError(
            f"serial number {visible(example[:40])!r}: {visible(odd[0])!r} cannot be part of the pattern that is made "
            "from it; give an example without it, then write serial_pattern into the limit file by hand"
        )
    return f"{before}[0-9]{{{len(found[0])}}}{after}"
