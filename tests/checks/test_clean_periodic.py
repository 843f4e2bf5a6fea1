"""A clean capture of lines or of a sweep is never flagged, in many variations."""

import filtered_unit as unit
import numpy as np
import pytest
from repeats import repeats

from linecheck.checks import kinds
from linecheck.checks.base import Capture
from linecheck.measure.trust import inspect_continuity, inspect_samples

CHANNELS = ("left", "right")
RATE_HZ = 8000
VARIATIONS = {
    "multisine": ("response", {"signal": "multisine"}),
    "sweep": ("response", {"signal": "sweep"}),
    "dense": ("reconstruction", {"seconds": 1.2}),
}


def rounded(values, bits):
    return values if bits == 0 else np.round(values * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)


@pytest.mark.parametrize("count", repeats(12, 160))
@pytest.mark.parametrize("name", sorted(VARIATIONS))
def test_a_clean_capture_is_never_flagged(name, count):
    kind_name, parameters = VARIATIONS[name]
    kind = kinds()[kind_name]
    given = kind.stimulus_parameters(rate_hz=RATE_HZ, **parameters)
    stimulus = kind.stimulus(given, 2, 0.01)
    dense = name == "dense"
    rates = (32_000,) if dense else (8000, 11_025, 16_000, 32_000)
    filters = (unit.kaiser_low_pass(RATE_HZ, 90.0, 20.0)[2], lambda hz: 1 / (1 + 1j * hz / 3000))
    for index in range(count // 2 if dense else count):
        rng = np.random.default_rng([0, index])
        response = filters[index % 2]
        level = 10 ** (rng.uniform(-30, 0) / 20)
        capture, ratio = unit.through(
            stimulus,
            int(rng.choice(rates)),
            (response, lambda hz: 1j * hz / (1j * hz + 2.0)),
            clock_ppm=rng.uniform(-1000, 1000),
            delay_seconds=rng.uniform(0.0, 0.3),
            tail_seconds=rng.uniform(0.0, 0.2),
            noise=level * 10 ** (rng.uniform(-130, -45) / 20),
            gains=(level, rng.choice([-1.0, 1.0]) * level),
            seed=index,
        )
        offset = rng.uniform(-1e-3, 1e-3, 2)
        bits = int(rng.choice([16, 24, 0]))
        values = rounded(capture.samples + offset, bits)
        capture = Capture(values, capture.rate_hz, bits=bits or None)
        location = kind.locate(capture, given, CHANNELS)
        problems = inspect_samples(capture, CHANNELS) + location.problems
        problems += inspect_continuity(capture, location, CHANNELS)
        assert problems == (), (index, capture.rate_hz, level, bits)
        assert location.found == (True, True)
        assert location.clock_ratio == pytest.approx(ratio, abs=2e-5)
