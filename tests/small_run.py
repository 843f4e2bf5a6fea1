"""A small limit file and a small station, so that a whole run takes a moment."""

from linecheck.checks import kinds
from linecheck.limits.model import Bounds, Check, LimitFile, Mask
from linecheck.station.simulated import SimulatedInterface
from linecheck.station.simulated_unit import SimulatedUnit

CAPTURE_RATE_HZ = 48_000


def small_check(name, kind, masks=None, reference=None, **stimulus):
    """Return a check that takes a fraction of a second."""
    found = kinds()[kind]
    parameters = found.stimulus_parameters(**{"seconds": 0.25, **stimulus})
    return Check(name, found, parameters, found.analysis_parameters(), {}, masks or {}, reference)


def small_limits(*checks):
    """Return the limit file of these checks, or of a tone, a quiet that refers to it, and a wiring."""
    if not checks:
        checks = (
            small_check("quiet", "quiet", {"snr": Mask(Bounds(90.0))}, "tone"),
            small_check("tone", "tone", {"sinad": Mask(Bounds(90.0)), "level": Mask(Bounds(3.5, 4.5))}),
            small_check("wiring", "wiring", {"order": Mask(Bounds(1.0, 1.0))}),
        )
    return LimitFile(
        path="limits/pellow-r3.yaml",
        sha256="ab" * 32,
        model="pellow-r3",
        revision=1,
        channels=("left", "right"),
        serial_pattern="PR3-[0-9]{6}",
        decision="simple",
        setup={},
        checks=tuple(checks),
    )


def simulated(*faults, **unit):
    """Return an interface to a typical unit with these faults."""
    parts = {"start_seconds": (0.02, 0.05), "tail_seconds": 0.05, **unit}
    return SimulatedInterface(SimulatedUnit(**parts), capture_rate_hz=CAPTURE_RATE_HZ, faults=faults)
