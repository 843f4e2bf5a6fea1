"""Superseded names: they read what they read, wherever they stand, and say what took their place."""

from dataclasses import replace

import numpy as np
import pytest
from fault_corpus import clean, judged
from known_truth import NAMES, Scene, decibels, measured, readings, record

from linecheck.checks import kinds
from linecheck.checks.base import Measurement, Problem, Reading, Reference
from linecheck.checks.contract import kept_measurement, refuse_kinds
from linecheck.checks.parts.declared import Successor, difference_unit
from linecheck.checks.parts.superseded import former_names, implied_of_former, of_former, with_former
from linecheck.checks.tone import ToneParameters
from linecheck.errors import ContractError
from linecheck.limits.loading.load import load_with_warnings
from linecheck.limits.loading.schema import limit_file_schema

SUPERSEDED = {
    f"{kind.name}.{spec.name}": f"{kind.name}.{spec.superseded_by.name}"
    for kind in kinds().values()
    for spec in kind.specs
    if spec.superseded_by is not None
}
#: Kinds of which a clean capture has all of them, with the former names that read the same.
SAME = {name: former_names(kind) for name, kind in kinds().items() if former_names(kind)}


def test_what_is_superseded_and_by_what():
    assert {
        "crosstalk.crosstalk": "crosstalk.separation",
        "crosstalk.crosstalk_over_frequency": "crosstalk.separation_over_frequency",
        "distortion_sweep.worst_wide": "distortion_sweep.worst_wideband",
        "distortion_sweep.worst_wide_at": "distortion_sweep.worst_wideband_at",
        "distortion_sweep.thd_n_wide": "distortion_sweep.thd_n_wideband",
        "low_level_tone.dynamic_range": "low_level_tone.dynamic_range_unweighted",
        "low_level_tone.dynamic_range_a": "low_level_tone.dynamic_range_a_weighted",
        "low_level_tone.dynamic_range_468": "low_level_tone.dynamic_range_ccir_rms",
        "quiet.noise_468": "quiet.noise_ccir_rms",
        "response.ripple": "response.flatness",
        **{
            f"reconstruction.droop_{khz}k": f"reconstruction.response_{khz}k"
            for khz in (10, 15, 17, 18, 19, 20)
        },
    } == SUPERSEDED
    assert SAME.keys() == {"crosstalk", "quiet", "response", "reconstruction"}


@pytest.mark.parametrize("name", sorted(SAME))
def test_a_former_name_has_the_reading_of_its_successor_to_the_last_bit(name):
    found = judged(name, clean(name, 1), None)
    items = {(item.measured.metric, item.measured.channel): item.measured for item in found.items}
    for old, new in SAME[name].items():
        pairs = [(items[old, channel], items[new, channel]) for channel in NAMES]
        for before, now in pairs:
            assert (before.metric, now.metric) == (old, new)
            for field in vars(before).keys() - {"metric"}:
                assert np.array_equal(getattr(before, field), getattr(now, field)), field


@pytest.mark.parametrize("name", sorted(SAME))
def test_a_former_name_is_declared_as_its_successor_is(name):
    specs = {spec.name: spec for spec in kinds()[name].specs}
    for old, new in SAME[name].items():
        assert replace(specs[old], name=new, superseded_by=None) == specs[new]


def test_what_is_said_of_a_successor_is_said_of_its_former_name():
    kind = kinds()["response"]
    assert of_former(kind, {"flatness": "why"}) == {"flatness": "why", "ripple": "why"}
    parameters, analysis = kind.stimulus_parameters(), kind.analysis_parameters()
    implied = implied_of_former(kind, kind.implied(parameters, analysis))
    assert ("passband_ripple", "ripple") in {(one.metric, one.by) for one in implied}
    problem = Problem("any", "why", "left", blocks=False, metrics=("flatness",))
    told = with_former(kind, Measurement(problems=(problem,)))
    assert told.problems[0].metrics == ("flatness", "ripple")


def test_a_kind_that_gives_a_former_name_itself_is_refused():
    kind = kinds()["response"]
    twice = tuple(Reading(metric, "left", 0.1, "dB", 0.01) for metric in ("flatness", "ripple"))
    with pytest.raises(ContractError, match="'ripple' of left was returned 2 times"):
        kept_measurement(kind, Measurement(twice), NAMES)


def test_a_successor_that_is_not_there_is_refused():
    class Lost(type(kinds()["response"])):
        metrics = (replace(kinds()["response"].metrics[0], superseded_by=Successor("smoothness", "")),)

    with pytest.raises(ContractError, match="'ripple' is superseded by 'smoothness', which is none"):
        refuse_kinds({"response": Lost()})


LIMITS = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
regression: {dB: 1, ripple: 0.1}
checks:
  response:
    kind: response
    masks: {ripple: {pass: {max: 0.3}}}
    regression: {ripple: 0.2}
"""


def test_each_superseded_name_of_a_file_is_told_and_is_no_doubt(tmp_path):
    path = tmp_path / "r3.yaml"
    path.write_text(LIMITS)
    limits, warnings, superseded = load_with_warnings(path)
    assert warnings == ()
    assert [(note.line, note.key) for note in superseded] == [
        (6, "regression.ripple"),
        (10, "checks.response.masks.ripple"),
        (11, "checks.response.regression.ripple"),
    ]
    assert all(note.message.startswith("superseded by flatness: the same value") for note in superseded)
    assert all(len(note.message) < 100 for note in superseded)
    path.write_text(LIMITS.replace("ripple", "flatness"))
    assert load_with_warnings(path).superseded == ()
    assert load_with_warnings(path).limits.checks[0].regression == {"flatness": 0.2}
    assert limits.checks[0].regression == {"ripple": 0.2}


def test_the_schema_says_what_is_superseded():
    text = str(limit_file_schema())
    assert "'deprecated': True" in text
    assert "superseded by separation: the same value" in text


def test_a_difference_of_levels_is_in_decibels():
    assert [difference_unit(unit) for unit in ("dBFS", "dB", "V", "Hz", "")] == ["dB", "dB", "V", "Hz", ""]


def dynamic_range(reference):
    """Readings of a tone at -60 dBFS whose unit has 0.5 dB more gain there than at full scale, which is 0.9."""
    scene = Scene(amplitude=0.9 * 10.0 ** (-59.5 / 20.0), noise_db=-40.0)
    recording = record((scene, scene), 48_000, seed=5, full_scale_volts=4.0)
    location, result = measured("low_level_tone", recording.capture, reference=reference)
    residual = decibels(recording.came_out(location) * scene.power)
    return {name: reading.value for name, reading in readings(result).items()}, residual, result


def test_dynamic_range_is_re_the_full_scale_output_where_that_was_measured():
    full_scale = 20.0 * np.log10(0.9)
    at_1_db = Reference("tone", (full_scale - 1.0,) * 2, (0.001,) * 2, None, ToneParameters(level_dbfs=-1.0))
    at_0_db = Reference("tone", (full_scale,) * 2, (0.001,) * 2, None, ToneParameters())
    for reference in (at_0_db, at_1_db):
        got, residual, _ = dynamic_range(reference)
        # The rms of a sine at full scale is 3.01 dB below its peak.
        truth = full_scale - 10.0 * np.log10(2.0) - residual
        assert got["dynamic_range_unweighted"] == pytest.approx(truth, abs=0.05)
        # The tone plus 60 dB takes the unit's gain at -60 dBFS for that at full scale.
        assert got["dynamic_range"] == pytest.approx(truth + 0.5, abs=0.05)
        for suffix, old in (("a_weighted", "a"), ("ccir_rms", "468")):
            difference = got[f"dynamic_range_{suffix}"] - got[f"dynamic_range_{old}"]
            assert difference == pytest.approx(-0.5, abs=1e-3)


def test_dynamic_range_takes_volts_where_captures_differ_in_their_full_scale():
    # 1.8 V rms at full scale; the captures' full scale is 4 V, that of the tone check 10 V.
    output = 0.9 * 4.0 / np.sqrt(2.0)
    reference = Reference("tone", (20.0 * np.log10(0.36),) * 2, (0.001,) * 2, (output,) * 2, ToneParameters())
    got, _, _ = dynamic_range(reference)
    assert got["dynamic_range_unweighted"] == pytest.approx(got["dynamic_range"] - 0.5, abs=1e-3)


@pytest.mark.parametrize(
    ("reference", "told"),
    [
        (None, False),
        (Reference("tone", (-1.0,) * 2, (0.001,) * 2), False),
        (Reference("tone", (-1.0,) * 2, (0.001,) * 2, None, ToneParameters(level_dbfs=-20.0)), False),
        (Reference("tone", (-1.0,) * 2, (0.001,) * 2, None, ToneParameters(frequency_hz=17_987.0)), False),
        (Reference("tone", (None,) * 2, (None,) * 2, None, ToneParameters()), True),
    ],
)
def test_otherwise_dynamic_range_is_the_tone_plus_60_db(reference, told):
    got, _, result = dynamic_range(reference)
    for suffix, old in (("_unweighted", ""), ("_a_weighted", "_a"), ("_ccir_rms", "_468")):
        assert got[f"dynamic_range{suffix}"] == got[f"dynamic_range{old}"]
    notes = [problem for problem in result.problems if problem.code == "full_scale_unknown"]
    assert [problem.channel for problem in notes] == (list(NAMES) if told else [])
    assert all(
        problem.is_note and "the level of check 'tone' was not measured" in problem.message
        for problem in notes
    )
