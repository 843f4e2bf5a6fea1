"""Which metrics each fault of the simulated unit turns red, and that it leaves the others alone.

Masks lie between the typical unit (several seeds and serial numbers) and what the faults make of it.
"""

import pytest

from linecheck.limits.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.station.measure import Analysis, analyse, reference_from
from linecheck.station.simulated import FAULTS, SimulatedInterface, SimulatedUnit

LIMITS = """
format: 1
model: table-1
revision: 1
channels: [left, right]
serial_pattern: "T-[0-9]{3}"
checks:
  wiring:
    kind: wiring
    masks:
      order: {pass: {min: 1}}
      polarity: {pass: {min: 1}}
      channel_delay: {pass: {min: -0.5, max: 0.5}}
  tone:
    kind: tone
    masks:
      level: {pass: {min: 3.8, max: 4.2}}
      clock_error: {pass: {min: -50, max: 50}}
      balance: {pass: {min: -0.1, max: 0.1}}
      dc_offset: {pass: {min: -3, max: 3}}
      sinad: {pass: {min: 111.5}}
      thd: {pass: {max: -112}}
      noise: {pass: {max: -115}}
      hum: {pass: {max: -125}}
  low_level_tone:
    kind: low_level_tone
    masks:
      dynamic_range: {pass: {min: 115}}
  quiet:
    kind: quiet
    masks:
      snr_a: {pass: {min: 117}}
      hum: {pass: {max: -125}}
  multitone:
    kind: multitone
    masks:
      clean_range: {pass: {min: 98}}
      distortion_noise: {pass: {max: -105}}
  linearity:
    kind: linearity
    masks:
      linear_down_to: {pass: {max: -110}}
      largest_error: {pass: {max: 0.5}}
  jitter:
    kind: jitter
    masks:
      largest_sideband: {pass: {max: -130}}
      paired_jitter: {pass: {max: 12}}
      lone_spur: {pass: {max: -130}}
      skirt: {pass: {max: -116}}
  intermodulation:
    kind: intermodulation
    masks:
      imd: {pass: {max: -104}}
  response:
    kind: response
    masks:
      ripple: {pass: {max: 0.3}}
      balance: {pass: {min: -0.1, max: 0.1}}
  reconstruction:
    kind: reconstruction
    masks:
      droop_20k: {pass: {min: -0.3, max: 0.3}}
      stopband_attenuation: {pass: {min: 90}}
      image_rejection: {pass: {min: 80}}
      pre_ringing: {pass: {min: -20, max: -10}}
  distortion_sweep:
    kind: distortion_sweep
    masks:
      worst: {pass: {max: -108}}
      worst_wide: {pass: {max: -104}}
  ultrasonic:
    kind: ultrasonic
    masks:
      noise_20k_100k: {pass: {max: -80}}
      image_level: {pass: {max: -60}}
  crosstalk:
    kind: crosstalk
    masks:
      crosstalk: {pass: {min: 110}}
"""

#: Kinds whose metrics reach beyond the audio band; the others are captured at 48 kHz, which costs less.
WIDE = ("reconstruction", "distortion_sweep", "ultrasonic")

#: What follows from each fault, by physics: nothing else may change its verdict.
EXPECTED = {
    # A slow output stage: harmonics and products of the treble, wherever there is treble enough.
    "rising_distortion": {
        "multitone.clean_range", "multitone.distortion_noise",
        "distortion_sweep.worst", "distortion_sweep.worst_wide",
        "reconstruction.stopband_attenuation",
    },
    "missing_filter": {
        "response.ripple",
        "reconstruction.droop_20k", "reconstruction.stopband_attenuation", "reconstruction.image_rejection",
        "reconstruction.pre_ringing",
        "distortion_sweep.worst", "distortion_sweep.worst_wide",
        "ultrasonic.noise_20k_100k", "ultrasonic.image_level",
    },
    "wrong_filter": {
        "response.ripple",
        "reconstruction.droop_20k", "reconstruction.stopband_attenuation", "reconstruction.image_rejection",
        "reconstruction.pre_ringing",
        "distortion_sweep.worst_wide",
        "ultrasonic.noise_20k_100k", "ultrasonic.image_level",
    },
    "one_bit_noise": {
        "reconstruction.stopband_attenuation",
        "distortion_sweep.worst_wide",
        "ultrasonic.noise_20k_100k",
    },
    "bit_weight": {"linearity.linear_down_to", "linearity.largest_error"},
    "coupling_capacitor": {"response.ripple"},
    "treble_droop": {"response.ripple", "reconstruction.droop_20k"},
    "treble_peak": {"response.ripple", "reconstruction.droop_20k"},
    "clock_jitter": {"jitter.largest_sideband", "jitter.paired_jitter"},
    "supply_ripple": {"jitter.largest_sideband"},
    "frame_noise": {"jitter.largest_sideband", "jitter.lone_spur"},
    "crosstalk": {"crosstalk.crosstalk"},
    "distorting": {
        "tone.sinad", "tone.thd", "multitone.clean_range", "multitone.distortion_noise", "intermodulation.imd",
        "distortion_sweep.worst", "distortion_sweep.worst_wide",
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def limits(tmp_path_factory):
    path = tmp_path_factory.mktemp("limits") / "table-1.yaml"
    path.write_text(LIMITS)
    return load_limits(path)


def judged(limits, faults=(), unit=None, serial=None, attempt=1):
    """Verdicts by metric, the worst of both channels, and the codes of problems that void anything."""
    verdicts, problems, reference = {}, set(), None
    for check in limits.checks:
        rate = 192_000 if check.kind.name in WIDE else 48_000
        with SimulatedInterface(
            unit, faults=faults, serial=serial, attempt=attempt, capture_rate_hz=rate
        ) as station:
            capture = station.play(check.name, check.kind.stimulus(check.stimulus, 2, 0.01))
        analysed = analyse(Analysis(check, capture, limits.channels, limits.decision, reference)).judged
        if check.name == "tone":
            reference = reference_from("tone", analysed, limits.channels)
        problems |= {
            f"{check.name}: {problem.code}: {problem.message}"
            for problem in analysed.problems
            if problem.blocks
        }
        for item in analysed.readings:
            if item.verdict is not None:
                verdicts.setdefault(f"{check.name}.{item.reading.metric}", set()).add(item.verdict)
    return verdicts, problems


def assert_only(limits, red, **keywords):
    verdicts, problems = judged(limits, **keywords)
    assert problems == set()
    assert {metric for metric, found in verdicts.items() if found != {Verdict.PASS}} == red
    assert all(found == {Verdict.FAIL} for metric, found in verdicts.items() if metric in red)


@pytest.mark.parametrize("number", range(2))
def test_good_units_pass_all(limits, number):
    assert_only(limits, set(), unit=SimulatedUnit(spread=1.0), serial=f"T-{number:03d}", attempt=number + 1)


@pytest.mark.parametrize("fault", sorted(EXPECTED))
def test_each_fault_turns_the_right_metrics_red_and_no_other(limits, fault):
    assert_only(limits, EXPECTED[fault], faults=(fault,))


def test_every_kind_has_a_fault_that_it_alone_or_nearly_so_shows():
    assert set(EXPECTED) <= set(FAULTS)
    for kind in (
        "multitone", "linearity", "jitter", "intermodulation", "response", "reconstruction", "distortion_sweep",
        "ultrasonic", "crosstalk",
    ):  # fmt: skip
        assert any(metric.startswith(f"{kind}.") for red in EXPECTED.values() for metric in red), kind
