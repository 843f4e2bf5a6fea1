"""What is cut from the recording of a programme reads as what is captured stimulus by stimulus."""

from dataclasses import replace

import numpy as np
import pytest

from linecheck.audio.file import write_audio
from linecheck.audio.stream import open_audio
from linecheck.captures.capture_set import write_capture_set
from linecheck.captures.changed_stimulus import stimulus_changes
from linecheck.captures.judging import judge_folder
from linecheck.captures.programme.cutting import SetFacts, survey, write_pieces
from linecheck.captures.programme.programme import make_programme
from linecheck.checks.base import Stimulus
from linecheck.limits.loading.load import load_limits
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

DEMO = load_limits("limits/pellow-r3.yaml")
SERIAL = "PR3-004711"
RATE_HZ = 96_000
#: No noise, so that whatever differs comes from the cutting; distortion, offset, crosstalk and jitter as the typical
#: unit has them.
UNIT = {"noise_db": -190.0, "adc_noise_db": -190.0, "hum_db": (), "jitter_random_ps": 0.0, "adc_bits": 32}
#: What lies this far down is rounding of the arithmetic, different in every capture.
ROUNDING_DB = -165.0


def readings(outcome):
    return {
        (check.check, item.reading.metric, item.reading.channel): item.reading
        for check in outcome.checks
        for item in check.judged.readings
    }


def problems(outcome):
    return {
        (check.check, problem.code, problem.channel)
        for check in outcome.checks
        for problem in check.judged.problems
    }


def tolerance(unit):
    """0.1 dB, also of what is in volts; 0.1 % or 0.02 of anything else."""
    if unit.startswith("dB"):
        return {"abs": 0.1, "rel": 0.0}
    return (
        {"rel": 10.0 ** (0.1 / 20.0) - 1.0, "abs": 0.0} if unit in ("V", "µV") else {"rel": 1e-3, "abs": 0.02}
    )


def is_resolved(reading):
    """Whether a value is more than what noise or rounding leave of something."""
    faint = reading.unit == "dB" and reading.value < ROUNDING_DB
    return not reading.is_bound and not faint and (reading.uncertainty or 0.0) < 0.5


@pytest.mark.parametrize(
    ("bits", "ppm", "names"),
    [
        (16, 12.0, ["wiring", "tone", "quiet", "linearity", "response"]),
        (24, -950.0, ["tone", "jitter"]),
        pytest.param(16, 12.0, [check.name for check in DEMO.checks], marks=pytest.mark.soak),
    ],
)
def test_metrics_agree_with_those_of_stimuli_captured_one_by_one(tmp_path, bits, ppm, names):
    limits = replace(DEMO, checks=tuple(check for check in DEMO.checks if check.name in names))
    programme = make_programme(limits, 44_100, bits)
    interface = SimulatedInterface(SimulatedUnit(clock_ppm=ppm, **UNIT), capture_rate_hz=RATE_HZ)
    whole = interface.play("programme", Stimulus(np.concatenate(list(programme.blocks())), 44_100, bits))
    write_audio(tmp_path / "whole.wav", whole.samples, RATE_HZ, 32)
    with open_audio(tmp_path / "whole.wav") as stream:
        found = survey(stream, limits)
        assert (found.missing, found.left_out, found.notes) == ((), (), ())
        write_pieces(stream, found, tmp_path / "cut", SetFacts(SERIAL, None, None, 50.0, (8.0, 8.0)))
    checks = {check.name: check for check in limits.checks}
    write_capture_set(
        tmp_path / "direct",
        {entry.name: interface.play(entry.name, entry.planned.stimulus) for entry in programme.segments},
        model=limits.model,
        serial=SERIAL,
        stimulus_changes={
            entry.name: stimulus_changes(checks[entry.name], entry.planned.check)
            for entry in programme.segments
        },
    )
    cut, direct = (judge_folder(tmp_path / name, [limits]) for name in ("cut", "direct"))
    assert not cut.missing
    assert problems(cut) == problems(direct)
    expected = readings(direct)
    resolved = 0
    for key, reading in readings(cut).items():
        other = expected[key]
        assert (reading.value is None) == (other.value is None), key
        if key[1] == "peak_outside":  # what lies outside of a check is another in a programme
            continue
        if reading.value is not None and is_resolved(reading) and is_resolved(other):
            resolved += 1
            assert reading.value == pytest.approx(other.value, **tolerance(reading.unit)), key
    assert resolved > 4 * len(names)
