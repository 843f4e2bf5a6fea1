"""The baseline file: what is accepted, how it reads, and what is refused of one."""

from __future__ import annotations

import math
import re
from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from regression_runs import baseline_of, curve, limits_with, reading, unit_run, without_digest
from small_run import small_check

from linecheck.checks.base import Problem, Reading
from linecheck.errors import BaselineError, FileError, FileFaults, UsageError
from linecheck.history.baseline.accept import accept_runs, changes, doubts
from linecheck.history.baseline.file import (
    ReadingEntry,
    baseline_bytes,
    load_baseline,
    rounded_reading,
)
from linecheck.history.baseline.regression import compare_outcome
from linecheck.limits.verdict import JudgedReading, Verdict


def read_back(tmp_path, baseline):
    path = tmp_path / "baseline.toml"
    path.write_bytes(baseline_bytes(baseline.file))
    return load_baseline(path)


def values_of(baseline, serial="PR3-004711"):
    return {
        (check.name, entry.metric, entry.channel): entry
        for check in baseline.units[serial].check
        for entry in check.readings
    }


def test_it_reads_back_as_it_was_written(tmp_path):
    bound = {("hum", "left"): reading("hum", "left", -160.0, 4.34, bound=True)}
    baseline = baseline_of(unit_run(bound), unit_run(serial="PR3-000002", station=None, firmware=None))
    again = read_back(tmp_path, baseline)
    assert again.file.model_copy(update={"digest": None}) == baseline.file
    assert again.sha256 == baseline.sha256
    assert baseline_bytes(again.file) == baseline_bytes(baseline.file)
    assert values_of(again)["tone", "hum", "left"].bound


def test_it_names_what_it_comes_from():
    run = unit_run(digest="ab" * 32, calibration={"certificate": "C-17", "uncertainty_percent": "0.1"})
    file = baseline_of(run).file
    (unit,) = file.unit
    assert (file.model, file.limits.path, file.limits.revision) == ("pellow-r3", "limits/pellow-r3.yaml", 1)
    assert (file.accepted.by, file.accepted.reason) == ("A. Engineer", "release 1.4.2")
    assert (unit.serial, unit.firmware, unit.stations) == ("PR3-004711", "1.4.2", ("line-2-nest-a",))
    assert (unit.certificate, unit.volts_uncertainty_percent) == ("C-17", 0.1)
    tone = unit.check[0]
    assert tone.captures == ("ab" * 32,)
    assert tone.stimulus["frequency_hz"] == 997.0
    assert tone.analysis["resolution_hz"] == 5.0


def test_volts_of_an_unstated_calibration_are_compared_by_how_well_they_repeat():
    unclaimed = JudgedReading(Reading("level", "left", 4.0, "V", None, repeatability=2e-4))
    recorded = JudgedReading(Reading("level", "right", 4.0, "V", None))
    baseline = baseline_of(unit_run({("level", "left"): unclaimed, ("level", "right"): recorded}))
    (unit,) = baseline.file.unit
    assert unit.volts_uncertainty_percent is None
    assert b"volts_uncertainty_percent" not in baseline_bytes(baseline.file)
    spreads = {
        entry.channel: entry.uncertainty for entry in unit.check[0].readings if entry.metric == "level"
    }
    # A record keeps no claim, and so nothing of how it repeats: its margin alone decides.
    assert spreads["left"] == pytest.approx(2e-4, rel=0.1), "rounding adds a little"
    assert spreads["right"] < 1e-5
    stated = baseline_of(unit_run(calibration={"uncertainty_percent": "0.0"})).file.unit[0]
    assert stated.volts_uncertainty_percent == 0.0


def test_a_reading_is_a_line_in_the_limit_files_order():
    lines = baseline_bytes(baseline_of(unit_run()).file).decode().splitlines()
    assert [line for line in lines if "metric = " in line and "{" in line] == [
        '  {metric = "level", channel = "left", value = 4.0, unit = "V", uncertainty = 0.00011},',
        '  {metric = "level", channel = "right", value = 4.0, unit = "V", uncertainty = 0.00011},',
        '  {metric = "sinad", channel = "left", value = 112.84, unit = "dB", uncertainty = 0.031},',
        '  {metric = "sinad", channel = "right", value = 112.84, unit = "dB", uncertainty = 0.031},',
        '  {metric = "hum", channel = "left", value = -133.5, unit = "dB", uncertainty = 0.031},',
        '  {metric = "hum", channel = "right", value = -133.5, unit = "dB", uncertainty = 0.031},',
        '  {metric = "noise_a", channel = "left", value = 4.55, unit = "µV", uncertainty = 0.031},',
        '  {metric = "noise_a", channel = "right", value = 4.55, unit = "µV", uncertainty = 0.031},',
    ]
    assert max(len(line) for line in lines) < 200
    assert len(lines) < 320


def test_one_reading_that_changes_changes_one_line_and_the_digest():
    runs = (unit_run(digest="c3" * 32), unit_run({("sinad", "left"): 112.95}, digest="c3" * 32))
    before, after = (baseline_bytes(baseline_of(run).file).decode().splitlines() for run in runs)
    assert sum(one != other for one, other in zip(before, after, strict=True)) == 2


def test_what_lies_far_below_the_margin_changes_no_line():
    tiny = {("level", "left"): reading("level", "left", 4.0 + 3e-8, 2.8e-8)}
    other = {("level", "left"): reading("level", "left", 4.0 - 4e-8, 3.1e-8)}
    one, two = (baseline_of(unit_run(changes, digest="c3" * 32)).file for changes in (tiny, other))
    assert baseline_bytes(one) == baseline_bytes(two)


@given(st.floats(-1e4, 1e4), st.one_of(st.just(0.0), st.floats(1e-9, 100.0)), st.floats(1e-4, 50.0))
def test_rounding_costs_nothing_that_matters(value, uncertainty, margin):
    entry = ReadingEntry(metric="sinad", value=value, unit="dB", uncertainty=uncertainty)
    kept = rounded_reading(entry, margin)
    assert abs(kept.value - value) <= 0.05 * max(uncertainty, 0.1 * margin) + 1e-12 * abs(value)
    assert uncertainty * (1.0 - 1e-9) <= kept.uncertainty <= 1.2 * math.hypot(uncertainty, 0.01 * margin)


def test_several_sets_of_a_unit_are_combined():
    values = (112.80, 112.84, 112.88)
    runs = [unit_run({("sinad", "left"): value}) for value in values]
    kept = values_of(baseline_of(*runs))
    assert kept["tone", "sinad", "left"].value == pytest.approx(112.84)
    # The spread of the values, 0.04/√3, is larger than what is stated, 0.03/√3.
    assert kept["tone", "sinad", "left"].uncertainty == pytest.approx(0.04 / math.sqrt(3.0), rel=0.05)
    assert kept["tone", "sinad", "right"].uncertainty == pytest.approx(0.03 / math.sqrt(3.0), rel=0.05)
    (unit,) = baseline_of(*runs).file.unit
    assert len(set(unit.check[0].captures)) == 3


def test_a_value_says_more_than_a_bound():
    runs = [
        unit_run({("hum", "left"): reading("hum", "left", value, 0.5, bound=bound)})
        for value, bound in ((-133.0, False), (-130.0, True), (-134.0, False), (-129.0, True))
    ]
    kept = values_of(baseline_of(*runs))["tone", "hum", "left"]
    assert (kept.value, kept.bound) == (-133.5, False)
    bounds = values_of(baseline_of(runs[1], runs[3]))["tone", "hum", "left"]
    assert (bounds.value, bounds.bound) == (-129.5, True)


@pytest.mark.parametrize("value", [-120.0, -137.5])
def test_a_value_that_is_worse_than_the_bound_of_another_set_is_refused(value):
    better = unit_run({("hum", "left"): reading("hum", "left", -140.0, 0.1, bound=True)})
    worse = unit_run({("hum", "left"): reading("hum", "left", value, 0.1)})
    with pytest.raises(
        UsageError, match=r"contradict each other in tone hum left: -1\d+.* -140 dB or better"
    ):
        baseline_of(better, worse)


@pytest.mark.parametrize(("value", "uncertainty"), [(-138.5, 0.1), (-130.0, 4.0), (-150.0, 0.1)])
def test_a_value_that_noise_or_the_margin_explains_contradicts_no_bound(value, uncertainty):
    bound = unit_run({("hum", "left"): reading("hum", "left", -140.0, 0.1, bound=True)})
    told = unit_run({("hum", "left"): reading("hum", "left", value, uncertainty)})
    assert values_of(baseline_of(bound, told))["tone", "hum", "left"].value == pytest.approx(value, abs=0.05)


def test_curves_that_end_at_different_places_are_not_combined():
    whole = curve("left")
    inside = whole.curve.x <= 9000.0
    parts = {name: getattr(whole.curve, name)[inside] for name in ("x", "y", "uncertainty")}
    short = replace(whole, curve=replace(whole.curve, **parts))
    with pytest.raises(UsageError, match="tone spectrum left over different ranges"):
        baseline_of(unit_run(), unit_run(lines=[("left", short)]))


def test_one_calibration_is_one_error_however_many_sets_there_are():
    calibration = {"certificate": "C-17", "uncertainty_percent": "1.0"}
    volts = {("level", "left"): reading("level", "left", 4.0, 0.05)}
    runs = [unit_run(volts, calibration=calibration) for _ in range(4)]
    kept = values_of(baseline_of(*runs))["tone", "level", "left"]
    assert kept.uncertainty == pytest.approx(math.hypot(0.04, 0.03 / 2.0), rel=0.06)
    others = [unit_run(volts, calibration={**calibration, "certificate": f"C-{n}"}) for n in range(4)]
    assert values_of(baseline_of(*others))["tone", "level", "left"].uncertainty == pytest.approx(
        0.025, rel=0.06
    )


def test_sets_of_different_firmware_are_not_combined():
    with pytest.raises(UsageError, match=r"PR3-004711 are of firmware 1\.4\.2 and 1\.5\.0"):
        baseline_of(unit_run(), unit_run(firmware="1.5.0"))


def test_sets_of_different_stimuli_or_of_the_same_captures_are_not_combined():
    with pytest.raises(UsageError, match="have the same capture of tone: give each set once"):
        baseline_of(unit_run(digest="c3" * 32), unit_run(digest="c3" * 32))
    limits = limits_with()
    quieter = replace(limits.checks[0], stimulus=small_check("tone", "tone", level_dbfs=-1.0).stimulus)
    other = replace(limits, checks=(quieter, *limits.checks[1:]))
    with pytest.raises(UsageError, match="were recorded with different stimuli of tone: accept one of them"):
        baseline_of(unit_run(), unit_run(limits=other))


@pytest.mark.parametrize(
    ("run", "message"),
    [
        (
            unit_run({("sinad", "left"): reading("sinad", "left", None, None)}),
            "tone sinad left: it could not be",
        ),
        (
            unit_run({("sinad", "left"): reading("sinad", "left", 112.8, None)}),
            "tone sinad left: it could not be",
        ),
        (unit_run({("hum", "left"): reading("hum", "left", -99.0, 0.1, Verdict.INVALID)}), "tone hum left"),
        (
            unit_run(lines={"left": replace(curve(), curve=replace(curve().curve, uncertainty=None))}),
            "spectrum left",
        ),
        (unit_run({("hum", "left"): reading("hum", "left", 1e17)}), "tone hum left: it could not be"),
        (unit_run(without=("quiet",)), "the check quiet was not run"),
        (unit_run(aborted=True), "the run was aborted"),
        (unit_run(station_failed=True), "the station failed"),
        (unit_run(problems=(Problem("overdue", "the calibration was due"),)), "the calibration was due"),
    ],
)
def test_what_was_not_measured_is_not_accepted(run, message):
    with pytest.raises(BaselineError) as caught:
        baseline_of(unit_run(), run)
    assert str(caught.value).startswith("nothing was accepted:\n  PR3-004711: ")
    assert message in str(caught.value)
    assert caught.value.exit_status == 3


def test_what_has_no_margin_need_not_be_measured_and_is_not_kept():
    limits = limits_with({"tone": {"sinad": 0.5}})
    run = unit_run({("hum", "left"): reading("hum", "left", None, None)}, limits=limits, without=("quiet",))
    assert {metric for _, metric, _ in values_of(baseline_of(run))} == {"sinad"}


def test_a_limit_file_without_margins_is_refused():
    with pytest.raises(FileError, match=r"declares no margin(.|\n)*regression: \{dB: 0\.5") as caught:
        baseline_of(unit_run(limits=limits_with({})))
    assert caught.value.exit_status == 2


def test_earlier_acceptances_are_kept():
    first = baseline_of(unit_run(), reason="first")
    second = baseline_of(unit_run(firmware="1.5.0"), replaced=first, reason="second")
    third = baseline_of(unit_run(firmware="1.6.0"), replaced=second, reason="third")
    kept = [(entry.reason, entry.firmware, entry.sha256) for entry in third.file.history]
    assert kept == [("second", ("1.5.0",), second.sha256), ("first", ("1.4.2",), first.sha256)]


def test_a_baseline_of_another_model_is_not_replaced():
    other = baseline_of(unit_run())
    other = replace(other, file=other.file.model_copy(update={"model": "pellow-d1"}))
    with pytest.raises(
        FileError, match="is the baseline of model pellow-d1; it is not replaced by one of pellow-r3"
    ):
        baseline_of(unit_run(), replaced=other)


def accepted(*runs, replaced=None):
    return accept_runs(
        runs,
        by="A. Engineer",
        reason="release",
        on=baseline_of(unit_run()).file.accepted.on,
        software="linecheck 0.1.0",
        replaced=replaced,
    )


def test_what_changes_is_shown_worst_first():
    old = baseline_of(unit_run())
    new = unit_run({("sinad", "left"): 111.0, ("hum", "right"): -140.0, ("level", "left"): 4.001})
    found = changes(accepted(new, replaced=old))
    assert [entry.name for entry in found][:1] == ["tone sinad left"]
    assert {entry.name: entry.answer.value for entry in found}["tone hum right"] == "better"
    assert len(found) == 10
    assert changes(accepted(new)) == ()


def test_doubts_are_told():
    bound = {("hum", "left"): reading("hum", "left", -160.0, 4.34, bound=True)}
    noisy = {("noise_a", "left"): reading("noise_a", "left", 4.55, 0.5)}
    failing = {("sinad", "left"): reading("sinad", "left", 100.0, 0.03, Verdict.FAIL)}
    two = baseline_of(unit_run(), unit_run(serial="PR3-000002"))
    told = list(doubts(accepted(unit_run({**bound, **noisy, **failing}), replaced=two)))
    assert told[0] == "PR3-004711 is accepted although its masks say fail"
    assert told[1] == "no longer in the baseline: PR3-000002"
    small = next(line for line in told if line.startswith("quiet noise_a"))
    assert "twice its margin of 0.3 µV may go unnoticed; it needs a margin of 2.4 µV" in small
    assert any(line.startswith("known to be so good or better, and no more: tone hum.") for line in told)


def test_a_good_baseline_leaves_few_doubts():
    passing = {
        (metric, channel): reading(metric, channel, value, uncertainty, Verdict.PASS)
        for metric, value, uncertainty in (
            ("sinad", 112.84, 0.03),
            ("level", 4.0, 1e-4),
            ("noise_a", 4.55, 0.02),
        )
        for channel in ("left", "right")
    }
    assert list(doubts(accepted(unit_run(passing)))) == []


def text_of(baseline):
    return baseline_bytes(baseline.file).decode()


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("format = 1", "format = 2", ":3:1: format: expected 1, got 2"),
        ('by = "A. Engineer"\n', "", "accepted.by: is missing"),
        ("on = 2026", "when = 2026", "accepted.when: is no key here"),
        ("value = 112.84", 'value = "112.84"', "expected a number, got the text '112.84'"),
        ("value = 112.84", "value = nan", "expected a finite number"),
        ("value = 112.84", "value = 1e300", "expected at most 1e+15"),
        ("uncertainty = 0.031", "uncertainty = -0.031", "expected at least 0"),
        ("per_octave = 12", "", "expected per_octave or step, and not both"),
        ("per_octave = 12", "per_octave = 0", "expected at least 1"),
        ("per_octave = 12", "step = 1e-300", "expected a step of which Hz has fewer than 1e+09"),
        ("  [20.8569,", "  [-20.8569,", "expected places above 0 Hz"),
        ("  [20.8569,", "  [2085.69,", "expected bands that ascend, each given once"),
        ("  [20.8569,", "  [20.8569, 1.0, 1.0, 1.0,", "expected bands of 3 or 4, or of 5 or 7 numbers each"),
        ('name = "quiet"', 'name = "tone"', "the same check stands here twice"),
        ('metric = "sinad", channel = "right"', 'metric = "sinad", channel = "left"', "the same reading"),
        ('software = "', 'software = "\\u0000', None),
        ("format = 1", "format = [", "is no TOML"),
    ],
)
def test_a_faulty_file_is_refused_with_its_place(tmp_path, old, new, fault):
    text = text_of(baseline_of(unit_run()))
    assert old in text
    path = tmp_path / "baseline.toml"
    path.write_text(without_digest(text).replace(old, new, 1), encoding="utf-8")
    if fault is None:
        load_baseline(path)
        return
    with pytest.raises(FileFaults) as caught:
        load_baseline(path)
    assert fault in str(caught.value)
    assert str(caught.value).startswith(f"{path}:")


def test_a_file_that_is_missing_or_far_too_long_is_refused(tmp_path):
    with pytest.raises(FileError, match="there is no such file"):
        load_baseline(tmp_path / "none.toml")
    path = tmp_path / "long.toml"
    with path.open("wb") as stream:
        stream.truncate(9_000_000)
    with pytest.raises(FileError, match="longer than 8,000,000 bytes"):
        load_baseline(path)


def test_a_file_of_nothing_but_faults_is_refused_in_few_words(tmp_path):
    path = tmp_path / "baseline.toml"
    path.write_bytes(b"[[unit]]\n" * 20_000)
    with pytest.raises(FileFaults) as caught:
        load_baseline(path)
    assert len(caught.value.faults) <= 50
    assert str(caught.value).endswith(" faults more")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("value = 112.84", "value = 111.84"),
        ("uncertainty = 0.031", "uncertainty = 3.1"),
        ("bands = [\n", "bands = [\n  [1.0, 2.0, 3.0],\n"),
        ('by = "A. Engineer"', 'by = "B. Engineer"'),
        ("revision = 1", "revision = 2"),
        ('firmware = "1.4.2"', 'firmware = "1.4.3"'),
        ("resolution_hz = 5.0", "resolution_hz = 6.0"),
        ('digest = "', 'digest = "0000'),
    ],
)
def test_an_edited_one_is_refused_until_it_is_accepted_again(tmp_path, old, new):
    text = text_of(baseline_of(unit_run()))
    edited = text.replace(old, new, 1)
    if old.startswith("digest"):
        edited = re.sub(r'(?m)^digest = "0000([0-9a-f]{60})[0-9a-f]{4}"$', r'digest = "0000\1"', edited)
    assert edited != text
    path = tmp_path / "baseline.toml"
    path.write_text(edited, encoding="utf-8")
    with pytest.raises(FileError, match="it was edited since"):
        load_baseline(path)
    assert load_baseline(path, to_replace=True).is_edited


def test_how_it_is_laid_out_is_no_edit(tmp_path):
    baseline = baseline_of(unit_run())
    lines = [
        f"{line}  # seen" if line.startswith("by = ") else line for line in text_of(baseline).splitlines()
    ]
    path = tmp_path / "baseline.toml"
    path.write_bytes("\r\n".join([*lines, "# reviewed", ""]).encode())
    assert not load_baseline(path).is_edited


WRITTEN = without_digest(text_of(baseline_of(unit_run()))).encode()
LATER = unit_run()


@pytest.fixture(scope="module")
def tampered_path(tmp_path_factory):
    return tmp_path_factory.mktemp("tampered") / "baseline.toml"


@settings(max_examples=60)
@given(st.data())
def test_a_file_that_was_tampered_with_is_read_or_refused(tampered_path, data):
    content = bytearray(WRITTEN)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        match data.draw(st.sampled_from(["byte", "cut", "double", "digit"])):
            case "byte":
                content[at] = data.draw(st.integers(0, 255))
            case "cut":
                del content[at : at + data.draw(st.integers(1, 200))]
            case "double":
                content[at:at] = content[at : at + data.draw(st.integers(1, 400))]
            case "digit":
                content[at:at] = b"999999999999"
        if not content:
            break
    tampered_path.write_bytes(content)
    compared = None
    with suppress(BaselineError, FileError):
        compared = compare_outcome(LATER, load_baseline(tampered_path))
    assert compared is None or len(compared) >= 10
