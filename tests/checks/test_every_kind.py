"""What every check kind keeps to: those that there are, and one that is added; broken ones are refused by name."""

import json
import pickle
from dataclasses import replace
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from added_members import added_modules
from checks.skeleton_kind import SkeletonKind
from small_run import call, small_check, small_limits, write_small_files

from linecheck.checks import kinds
from linecheck.checks.base import Curve, Reference, Stimulus
from linecheck.checks.contract import made_stimulus
from linecheck.checks.parts.declared import CurveSpec
from linecheck.errors import ContractError
from linecheck.limits.loading.schema import limit_file_schema
from linecheck.limits.mask_warnings import possible_range
from linecheck.limits.model import Bounds, Check, Mask
from linecheck.limits.verdict import Verdict
from linecheck.measure.measure import Analysis, analyse, take_measurement
from linecheck.run.plan import make_plan
from linecheck.run.ramps import abrupt
from linecheck.run.settle import reasons
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import NOTHING_DB, SimulatedUnit

pytestmark = pytest.mark.every_python

CHANNELS = ("left", "right")
SKELETON = (Path(__file__).parent / "skeleton_kind.py").read_text(encoding="utf-8")
RAMP_SECONDS = 0.01


@pytest.fixture
def skeleton(tmp_path):
    """The skeleton among the kinds."""
    folder = tmp_path / "kinds"
    folder.mkdir()
    with added_modules(folder, "linecheck.checks", kinds, skeleton=SKELETON):
        yield kinds()["skeleton"]


@pytest.fixture(params=[*kinds(), "skeleton"])
def kind(request):
    """Every kind, and one that is added."""
    if request.param == "skeleton":
        return request.getfixturevalue("skeleton")
    return kinds()[request.param]


#: Kinds that read nothing above the audio band; all others are captured at the interface's own rate.
NARROW = {
    "crosstalk", "intermodulation", "jitter", "linearity", "low_level_tone", "multitone", "quiet", "tone", "wiring"
}  # fmt: skip


def rate_of(kind):
    return 48_000 if kind.name in NARROW else 192_000


def defaults(kind):
    return kind.stimulus_parameters(), kind.analysis_parameters()


@cache
def measured_of(kind, channels):
    """An analysis of what a simulated unit makes of a kind's stimulus, and the measurement; they are made once."""
    analysis = analysis_of(kind, channels)
    return analysis, take_measurement(analysis)


def analysis_of(kind, channels, capture=None):
    """An analysis of what a simulated unit makes of a kind's stimulus."""
    stimulus, analysis = defaults(kind)
    if capture is None:
        made = made_stimulus(kind, stimulus, len(channels), RAMP_SECONDS)
        with SimulatedInterface(capture_rate_hz=rate_of(kind)) as unit:
            capture = unit.play(kind.name, made)
    levels = (-6.0,) * len(channels)
    reference = Reference("tone", levels, (1e-4,) * len(channels)) if kind.reference_kind else None
    check = Check(kind.name, kind, stimulus, analysis, {}, {}, reference and "tone")
    return Analysis(check, capture, channels, "simple", reference, volts_uncertainty=0.0)


def test_its_parameters_have_defaults_units_and_descriptions_and_come_back_from_json(kind):
    for parameters in defaults(kind):
        assert type(parameters).model_validate_json(parameters.model_dump_json()) == parameters
        assert type(parameters).model_validate(parameters.model_dump(mode="json")) == parameters
        for name, field in type(parameters).model_fields.items():
            assert field.description, name


def test_its_stimulus_is_the_same_each_time_and_as_loud_as_it_says(kind):
    stimulus, _ = defaults(kind)
    for channels in (1, 2):
        made = made_stimulus(kind, stimulus, channels, RAMP_SECONDS)
        again = made_stimulus(kind, stimulus, channels, RAMP_SECONDS)
        assert made.samples.tobytes() == again.samples.tobytes()
        assert not np.any(made.samples & np.int32((1 << (32 - made.bits)) - 1))
        steps = np.max(np.abs(made.samples.astype(np.int64))) / 2.0 ** (32 - made.bits)
        peak_dbfs = (
            20.0 * np.log10((steps - 2.0) / (2.0 ** (made.bits - 1) - 1.0)) if steps > 2.0 else -np.inf
        )
        assert peak_dbfs <= kind.peak_dbfs(stimulus) + 1e-9
        assert abrupt(made, min(RAMP_SECONDS, kind.max_ramp_seconds(stimulus))) is None


@pytest.mark.parametrize("channels", [CHANNELS[:1], CHANNELS], ids=["mono", "stereo"])
def test_it_finds_and_measures_a_simulated_unit(kind, channels):
    analysis, measured = measured_of(kind, channels)
    stimulus, parameters = analysis.check.stimulus, analysis.check.analysis
    location = kind.locate(analysis.capture, stimulus, channels)
    assert location.problems == ()
    assert location.found == (True,) * len(channels)
    assert 0 <= location.start < location.stop <= analysis.capture.frames

    assert not [problem for problem in measured.problems if problem.blocks]
    never = kind.never_measured(stimulus, parameters, len(channels), has_reference=True)
    for reading in measured.readings:
        if reading.metric in never:
            assert reading.value is None, f"{reading.metric} was never to be measured"
        elif reading.value is None:
            assert reasons(measured.problems, reading.metric, reading.channel), (
                f"{reading.metric}: no problem says why"
            )
    returned = {(curve.metric, curve.channel) for curve in measured.curves if len(curve.x)}
    for spec in kind.curves:
        for channel in channels if spec.per_channel else (None,):
            known = spec.name in never or reasons(measured.problems, spec.name, channel)
            assert ((spec.name, channel) in returned) is not bool(known)
    names = {spec.name for spec in (*kind.metrics, *kind.curves)}
    for problem in measured.problems:
        assert set(problem.metrics) <= names
        assert problem.channel in (None, *channels)


PERFECT = SimulatedUnit(
    harmonics_db=(), noise_db=-160.0, hum_db=(), jitter_random_ps=0.0, jitter_sine_ps=0.0, crosstalk_db=NOTHING_DB,
    adc_noise_db=-160.0, adc_bits=32,
)  # fmt: skip


def test_no_unit_reads_what_it_calls_impossible(kind):
    """A perfect unit plays 16 bits, a typical one the kind's own: within what is possible, as others imply."""
    stimulus = kind.stimulus_parameters(bits=16)
    with SimulatedInterface(PERFECT) as interface:
        made = made_stimulus(kind, stimulus, len(CHANNELS), RAMP_SECONDS)
        perfect = analysis_of(kind, CHANNELS, interface.play(kind.name, made))
    perfect = replace(perfect, check=replace(perfect.check, stimulus=stimulus))
    typical, measured = measured_of(kind, CHANNELS)
    assert typical.check.stimulus.bits == 24
    for check, result in ((perfect.check, take_measurement(perfect)), (typical.check, measured)):
        readings = [item for item in result.readings if item.value is not None]
        specs = {spec.name: spec for spec in kind.metrics}
        for item in readings:
            low, high = possible_range(check, specs[item.metric])
            assert low - 4.0 * item.uncertainty <= item.value <= high + 4.0 * item.uncertainty, item
        values = {(item.metric, item.channel): item for item in readings}
        for one in kind.implied(check.stimulus, check.analysis):
            for (metric, channel), by in values.items():
                found = values.get((one.metric, channel))
                if metric != one.by or found is None or found.is_bound:
                    continue
                worst = one.worst(by.value)
                spread = 4.0 * (found.uncertainty + abs(one.worst(by.value + by.uncertainty) - worst))
                if specs[one.metric].better == "less":
                    assert found.value <= worst + spread, (one, found, by)
                else:
                    assert found.value >= worst - spread, (one, found, by)


def test_a_difference_is_said_by_metrics_that_there_are(kind):
    known = {
        f"{other.name}.{spec.name}" for other in kinds().values() for spec in (*other.metrics, *other.curves)
    }
    for spec in (*kind.metrics, *kind.curves):
        for name in spec.difference.said_by:
            assert (name if "." in name else f"{kind.name}.{name}") in known


def test_the_schema_of_limit_files_knows_it(kind):
    schema = json.loads(json.dumps(limit_file_schema()))
    validator = jsonschema.Draft202012Validator(schema)
    entry = {"kind": kind.name, "masks": {spec.name: {"pass": {"min": -1e6}} for spec in kind.metrics}}
    assert list(validator.iter_errors({"format": 1, "checks": {"one": entry}})) == []
    assert list(
        validator.iter_errors({"format": 1, "checks": {"one": {**entry, "stimulus": {"loudness": 1}}}})
    )


LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  added:
    kind: skeleton
    stimulus: {seconds: 0.25}
    masks:
      balance: {pass: {min: -1, max: 1}}
"""


def test_an_added_kind_is_checked_run_and_recorded(skeleton, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    arguments = write_small_files(tmp_path, limits=LIMITS)
    files = ["--json", "result.json", "--junit", "junit.xml"]
    status, out, err = call(monkeypatch, capsys, "run", *arguments, "--serial", "PR3-000001", *files)
    assert status == 0, out + err
    document = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    assert {entry["kind"] for entry in document["checks"]} == {"skeleton"}
    assert "added" in (tmp_path / "junit.xml").read_text(encoding="utf-8")
    log = ["--log", "results/linecheck.sqlite"]
    status, out, err = call(monkeypatch, capsys, "log", "verify", *log)
    assert status == 0, out + err
    status, out, err = call(monkeypatch, capsys, "log", "show", document["run"], *log)
    assert (status, "balance" in out) == (0, True)


@pytest.mark.parametrize(
    ("words", "old", "new"),
    [
        ("linecheck.checks.broken and linecheck.checks.tone both have this name", '= "skeleton"', '= "tone"'),
        ("its name, in linecheck.checks.broken, is not of lower-case letters", '= "skeleton"', '= "Level match"'),
        ("'level_dbfs' is the name of 2", 'MetricSpec("balance"', 'MetricSpec("level_dbfs"'),
        (
            "'level_dbfs' is the name of 2",
            "    def stimulus",
            '    curves = (CurveSpec("level_dbfs", "Hz", "dB", "a curve"),)\n\n    def stimulus',
        ),
        ("'Balance' is no name of a metric", 'MetricSpec("balance"', 'MetricSpec("Balance"'),
        ("'dB ' is no unit", '"balance", "dB"', '"balance", "dB "'),
        ("'decibels of difference' is no unit", '"balance", "dB"', '"balance", "decibels of difference"'),
        ("None is no unit", '"balance", "dB"', '"balance", None'),
        (
            "'' is no unit",
            "    def stimulus",
            '    curves = (CurveSpec("spectrum", "", "dB", "a curve"),)\n\n    def stimulus',
        ),
        ("it has no metric", "    def stimulus", "    metrics = ()\n\n    def stimulus"),
        ("its analysis_parameters are no class", "= SkeletonAnalysis\n", "= None\n"),
        ("refers to the check kind 'tune'", "    def stimulus", '    reference_kind = "tune"\n\n    def stimulus'),
        ("no parameter 'reference'", "    def stimulus", '    reference_kind = "tone"\n\n    def stimulus'),
        ("KIND of linecheck.checks.broken is no CheckKind", "KIND = SkeletonKind()", "KIND = SkeletonKind"),
    ],
)  # fmt: skip
def test_a_kind_that_says_what_cannot_be_is_refused(words, old, new, tmp_path, monkeypatch, capsys):
    assert old in SKELETON
    base = "from linecheck.checks.base import CurveSpec\n"
    source = SKELETON.replace(old, new).replace("annotations\n", f"annotations\n\n{base}", 1)
    folder = tmp_path / "kinds"
    folder.mkdir()
    arguments = write_small_files(tmp_path)
    with added_modules(folder, "linecheck.checks", kinds, broken=source):
        with pytest.raises(ContractError, match=words) as caught:
            kinds()
        status, _, err = call(monkeypatch, capsys, "limits", "check", arguments[-1])
    assert "This is a fault in the check kind " in str(caught.value)
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(
        caught.value
    )  # it may come from another process
    assert (status, words in err, "Traceback" in err) == (2, True, False)


class Broken(SkeletonKind):
    """The skeleton with a curve, and something wrong."""

    name = "broken"
    curves = (CurveSpec("spectrum", "Hz", "dB", "a curve"),)

    def __init__(self, change):
        self._change = change

    def measure(self, capture, location, parameters, analysis, context):
        measured = super().measure(capture, location, parameters, analysis, context)
        curve = Curve("spectrum", "left", np.array([20.0, 1000.0]), "Hz", np.array([-90.0, -80.0]), "dB")
        return self._change(replace(measured, curves=(curve,)))


def of_reading(**changes):
    """Change the first reading."""
    return lambda measured: replace(
        measured, readings=(replace(measured.readings[0], **changes), *measured.readings[1:])
    )


def of_balance(**changes):
    """Change the last reading, which is of the pair."""
    return lambda measured: replace(
        measured, readings=(*measured.readings[:-1], replace(measured.readings[-1], **changes))
    )


def of_curve(**changes):
    """Change the curve."""
    return lambda measured: replace(measured, curves=(replace(measured.curves[0], **changes),))


@pytest.fixture(scope="module")
def captured():
    """What a unit makes of the skeleton's stimulus."""
    kind = SkeletonKind()
    made = kind.stimulus(kind.stimulus_parameters(seconds=0.25), 2, RAMP_SECONDS)
    with SimulatedInterface(capture_rate_hz=48_000) as unit:
        return unit.play("broken", made)


def judged(kind, capture):
    """What becomes of a capture by a kind with a mask that every unit meets."""
    stimulus = kind.stimulus_parameters(seconds=0.25)
    masks = {"balance": Mask(Bounds(-1e6, 1e6)), "level_dbfs": Mask(Bounds(-1e6, 1e6))}
    check = Check("one", kind, stimulus, kind.analysis_parameters(), {}, masks, None)
    return analyse(Analysis(check, capture, CHANNELS, "simple")).judged


def test_a_kind_that_keeps_to_what_it_says_passes(captured):
    found = judged(Broken(lambda measured: measured), captured)
    assert (found.verdict, found.problems) == (Verdict.PASS, ())


@pytest.mark.parametrize(
    ("words", "change"),
    [
        ("the metric 'lavel' of left is not declared", of_reading(metric="lavel")),
        ("the curve 'spectre' of left is not declared", of_curve(metric="spectre")),
        ("is in 'dB', and declared in 'dBFS'", of_reading(unit="dB")),
        ("is in 'dBFS' over 'Hz', and declared in 'dB' over 'Hz'", of_curve(unit="dBFS")),
        ("is in 'dB' over 'kHz', and declared in 'dB' over 'Hz'", of_curve(x_unit="kHz")),
        ("of centre is declared for each channel; expected one of left, right", of_reading(channel="centre")),
        ("of the pair is declared for each channel", of_reading(channel=None)),
        ("of the pair is declared for each channel", of_curve(channel=None)),
        ("'balance' of left is declared for the pair; expected channel None", of_balance(channel="left")),
        ("has the value nan", of_reading(value=float("nan"))),
        ("has the value -inf", of_balance(value=-float("inf"))),
        ("has the uncertainty inf", of_reading(uncertainty=float("inf"))),
        ("has a number that is not finite", of_curve(y=np.array([np.nan, 1.0]))),
        ("has a number that is not finite", of_curve(x=np.array([1.0, np.inf]))),
        ("has a number that is not finite", of_curve(uncertainty=np.array([np.inf, 1.0]))),
        ("has parts of the shapes (2,), (3,)", of_curve(y=np.zeros(3))),
        ("has an axis that does not ascend", of_curve(x=np.array([2.0, 1.0]))),
        (
            "the metric 'balance' of the pair was returned 2 times",
            lambda measured: replace(measured, readings=(*measured.readings, measured.readings[-1])),
        ),
        (
            "the curve 'spectrum' of left was returned 2 times",
            lambda measured: replace(measured, curves=2 * measured.curves),
        ),
    ],
)  # fmt: skip
def test_what_a_kind_may_not_return_makes_its_check_invalid_and_names_it(words, change, captured):
    found = judged(Broken(change), captured)
    assert found.verdict is Verdict.INVALID
    assert {item.verdict for item in found.readings} == {Verdict.INVALID}
    assert [item.reading.value for item in found.readings] == [None] * 3
    (problem,) = found.problems
    assert problem.code == "measurement_failed"
    assert problem.message.startswith("This is a fault in the check kind 'broken': ")
    assert words in problem.message


def test_a_value_that_is_missing_without_a_word_is_invalid_and_not_a_breach(captured):
    found = judged(Broken(of_balance(value=None, uncertainty=None)), captured)
    assert [item.verdict for item in found.readings] == [Verdict.PASS, Verdict.PASS, Verdict.INVALID]


@pytest.mark.parametrize(
    ("words", "samples"),
    [
        ("is of float64; expected int32", np.zeros((10, 2))),
        ("is of int16; expected int32", np.zeros((10, 2), dtype=np.int16)),
        (r"has the shape \(10, 3\); expected \(frames, 2\)", np.zeros((10, 3), dtype=np.int32)),
        (r"has the shape \(10,\); expected \(frames, 2\)", np.zeros(10, dtype=np.int32)),
        (r"has the shape \(0, 2\); expected \(frames, 2\)", np.zeros((0, 2), dtype=np.int32)),
    ],
)
def test_a_stimulus_that_no_station_can_play_is_refused_before_anything_is_played(words, samples):
    class Odd(Broken):
        def stimulus(self, parameters, channels, ramp_seconds):
            return Stimulus(samples, parameters.rate_hz, parameters.bits)

    check = replace(small_check("one", "tone"), kind=Odd(lambda measured: measured))
    with pytest.raises(ContractError, match=f"the check kind 'broken': its stimulus {words}"):
        make_plan(small_limits(check))


def test_a_run_with_a_broken_kind_is_recorded_as_invalid(tmp_path, monkeypatch, capsys):
    (last,) = (line for line in SKELETON.splitlines() if "pair_difference(" in line)
    spoilt = SKELETON.replace(
        last, f'{last}\n        out.readings[-1] = replace(out.readings[-1], value=float("nan"))'
    )
    source = spoilt.replace("from typing", "from dataclasses import replace\nfrom typing")
    folder = tmp_path / "kinds"
    folder.mkdir()
    monkeypatch.chdir(tmp_path)
    arguments = write_small_files(tmp_path, limits=LIMITS)
    with added_modules(folder, "linecheck.checks", kinds, broken=source):
        status, out, err = call(
            monkeypatch, capsys, "run", *arguments, "--serial", "PR3-000001", "--json", "r.json"
        )
    assert status == 3, out + err
    document = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert document["verdict"] == "invalid"
    assert [problem["message"].split(": ")[0] for problem in document["problems"]] == [
        "This is a fault in the check kind 'skeleton'"
    ]
