"""Which metrics of the demonstration's limit file each fault of the simulated unit turns red, and no other.

Its masks lie between the typical unit (several seeds and serial numbers) and what the faults make of it.
"""

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest

from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.measure.measure import Analysis, analyse, reference_from
from linecheck.station.interfaces.simulated.faults import FAULTS
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

#: Kinds whose metrics reach beyond the audio band; the others are captured at 48 kHz, which costs less.
WIDE = ("reconstruction", "distortion_sweep", "ultrasonic")

#: What follows from each fault, by physics: nothing else may change its verdict.
EXPECTED = {
    # A slow output stage: harmonics and products of the treble, wherever there is treble enough.
    "rising_distortion": {
        "multitone.clean_range", "multitone.distortion_noise",
        "distortion_sweep.worst", "distortion_sweep.worst_wideband",
        "reconstruction.stopband_attenuation",
    },
    "missing_filter": {
        "treble_tone.level", "response.flatness", "reconstruction.corner_3db",
        "reconstruction.response_20k", "reconstruction.stopband_attenuation", "reconstruction.image_rejection",
        "reconstruction.pre_ringing",
        "distortion_sweep.worst_wideband",
        "ultrasonic.noise_20k_100k", "ultrasonic.image_level",
    },
    "wrong_filter": {
        "treble_tone.level", "response.flatness", "reconstruction.corner_3db",
        "reconstruction.response_20k", "reconstruction.stopband_attenuation", "reconstruction.image_rejection",
        "reconstruction.pre_ringing",
        "distortion_sweep.worst_wideband",
        "ultrasonic.noise_20k_100k", "ultrasonic.image_level",
    },
    "one_bit_noise": {
        "distortion_sweep.worst_wideband",
        "ultrasonic.noise_20k_100k",
    },
    "bit_weight": {"linearity.linear_down_to", "linearity.largest_error"},
    "coupling_capacitor": {"response.flatness"},
    "treble_droop": {"treble_tone.level", "response.flatness", "reconstruction.response_20k"},
    "treble_peak": {"treble_tone.level", "response.flatness", "reconstruction.response_20k"},
    "clock_jitter": {"jitter.largest_sideband", "jitter.paired_jitter"},
    "supply_ripple": {"jitter.largest_sideband"},
    "frame_noise": {"jitter.largest_sideband", "jitter.lone_spur"},
    "crosstalk": {"crosstalk.separation"},
    "off_frequency_clock": {"tone.clock_error"},
    "inverted_polarity": {"wiring.polarity"},
    "channel_delay": {"wiring.channel_delay"},
    "distorting": {
        "tone.sinad", "tone.thd", "tone.spectrum", "intermodulation.imd",
        "multitone.clean_range", "multitone.distortion_noise",
        "distortion_sweep.worst", "distortion_sweep.worst_wideband",
    },
}  # fmt: skip

#: Faults that show in different checks are judged in one unit: what one of them turns red is none of the others'.
TOGETHER = (
    ("treble_droop", "clock_jitter", "crosstalk", "inverted_polarity", "bit_weight", "distorting"),
    ("treble_peak", "supply_ripple", "channel_delay", "one_bit_noise"),
    ("missing_filter", "frame_noise"),
    ("wrong_filter",),
    ("coupling_capacitor", "off_frequency_clock", "rising_distortion"),
)

#: What a fault hides, so that it is neither passed nor failed: a filter's stop band under the unit's own noise.
UNJUDGED = {"one_bit_noise": {"reconstruction.stopband_attenuation"}}


@pytest.fixture(scope="module")
def demo():
    """The demonstration's limits, and the stimulus of each check."""
    limits = load_limits(Path(__file__).parents[2] / "limits" / "pellow-r3.yaml")
    return limits, {check.name: check.kind.stimulus(check.stimulus, 2, 0.01) for check in limits.checks}


def judged(demo, faults=(), unit=None, serial=None, attempt=1):
    """Verdicts by metric, the worst of both channels, and the codes of problems that void anything."""
    limits, stimuli = demo
    verdicts, problems, reference = {}, set(), None
    for check in limits.checks:
        rate = 192_000 if check.kind.name in WIDE else 48_000
        with SimulatedInterface(
            unit, faults=faults, serial=serial, attempt=attempt, capture_rate_hz=rate
        ) as station:
            capture = station.play(check.name, stimuli[check.name])
        analysed = analyse(Analysis(check, capture, limits.channels, limits.decision, reference)).judged
        if check.name == "tone":
            reference = replace(reference_from("tone", analysed, limits.channels), stimulus=check.stimulus)
        problems |= {
            f"{check.name}: {problem.code}: {problem.message}"
            for problem in analysed.problems
            if problem.blocks
        }
        items = [(item.reading.metric, item.verdict) for item in analysed.readings]
        items += [(item.curve.metric, item.verdict) for item in analysed.curves]
        for metric, verdict in items:
            if verdict is not None:
                verdicts.setdefault(f"{check.name}.{metric}", set()).add(verdict)
    return verdicts, problems


def assert_only(demo, red, unjudged=(), **keywords):
    verdicts, problems = judged(demo, **keywords)
    assert problems == set()
    for metric in unjudged:
        assert verdicts.pop(metric) == {Verdict.INVALID}
    assert {metric for metric, found in verdicts.items() if found != {Verdict.PASS}} == red
    assert all(Verdict.FAIL in found for metric, found in verdicts.items() if metric in red)


@pytest.mark.parametrize("number", [0, pytest.param(1, marks=pytest.mark.soak)])
def test_good_units_pass_all(demo, number):
    assert_only(demo, set(), unit=SimulatedUnit(spread=1.0), serial=f"PR3-{number:06d}", attempt=number + 1)


@pytest.mark.parametrize(
    "faults",
    [*TOGETHER, *(pytest.param((fault,), marks=pytest.mark.soak) for fault in EXPECTED)],
    ids="+".join,
)
def test_each_fault_turns_the_right_metrics_red_and_no_other(demo, faults):
    red = [EXPECTED[fault] for fault in faults]
    checks = [{metric.split(".")[0] for metric in metrics} for metrics in red]
    assert not any(one & other for one, other in combinations(checks, 2))
    unjudged = {metric for fault in faults for metric in UNJUDGED.get(fault, ())}
    assert_only(demo, set().union(*red), unjudged, faults=faults)


def test_every_kind_has_a_fault_that_it_alone_or_nearly_so_shows():
    assert {fault for faults in TOGETHER for fault in faults} == set(EXPECTED)
    assert set(EXPECTED) <= {fault.name for fault in FAULTS}
    for kind in (
        "multitone", "linearity", "jitter", "intermodulation", "response", "reconstruction", "distortion_sweep",
        "ultrasonic", "crosstalk",
    ):  # fmt: skip
        assert any(metric.startswith(f"{kind}.") for red in EXPECTED.values() for metric in red), kind
