"""The demonstration files: they load, quickly, and judge what they are there to judge."""

from __future__ import annotations

import hashlib
import time
from pathlib import Path

import pytest

from linecheck.checks import kinds
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan

pytestmark = pytest.mark.every_python

LIMITS = Path(__file__).parents[2] / "limits"


@pytest.fixture(scope="module")
def demo():
    return load_limits(LIMITS / "pellow-r3.yaml")


def test_the_demonstration_model(demo):
    assert demo.model == "pellow-r3"
    assert demo.channels == ("left", "right")
    assert [(check.name, check.kind.name) for check in demo.checks] == [
        ("wiring", "wiring"),
        ("tone", "tone"),
        ("treble_tone", "tone"),
        ("low_level_tone", "low_level_tone"),
        ("quiet", "quiet"),
        ("multitone", "multitone"),
        ("linearity", "linearity"),
        ("jitter", "jitter"),
        ("intermodulation", "intermodulation"),
        ("response", "response"),
        ("reconstruction", "reconstruction"),
        ("distortion_sweep", "distortion_sweep"),
        ("ultrasonic", "ultrasonic"),
        ("crosstalk", "crosstalk"),
    ]
    assert {check.kind.name for check in demo.checks} <= kinds().keys()
    assert all(check.masks for check in demo.checks)
    assert all(
        check.setup == {"input": "usb", "output": "balanced", "filter": "sharp"} for check in demo.checks
    )
    assert {check.name: check.reference for check in demo.checks if check.reference} == {
        "low_level_tone": "tone",
        "quiet": "tone",
    }
    assert demo.checks[2].stimulus.frequency_hz == 17987
    assert demo.checks[2].stimulus.level_dbfs == -1


def test_its_stimuli_take_less_than_half_a_minute(demo):
    assert make_plan(demo).seconds < 30.0


def test_its_hash_is_of_both_files(demo):
    files = [LIMITS / "common" / "line-output-24bit.yaml", LIMITS / "pellow-r3.yaml"]
    digests = b"".join(hashlib.sha256(path.read_bytes()).digest() for path in files)
    assert demo.sha256 == hashlib.sha256(digests).hexdigest()


def test_it_loads_in_less_than_a_tenth_of_a_second(demo):
    took = []
    for _ in range(5):
        began = time.perf_counter()
        assert load_limits(LIMITS / "pellow-r3.yaml") == demo
        took.append(time.perf_counter() - began)
    assert min(took) < 0.1
