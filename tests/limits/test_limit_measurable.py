"""Masks that no unit could meet: refused with all other faults, each at its place."""

from __future__ import annotations

import pytest

from linecheck.errors import FileFaults
from linecheck.limits.loading.load import load_limits

HEAD = """\
format: 1
model: pellow-r3
revision: 4
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
"""
SPECTRUM = "{spectrum: {pass: {max: [[%s, -100], [%s, -100]]}}}"


@pytest.fixture
def faults_of(write):
    def faults_of(*checks: str, channels: str = "[left, right]") -> list[str]:
        text = HEAD.replace("[left, right]", channels) + "".join(f"  {check}\n" for check in checks)
        try:
            load_limits(write(text))
        except FileFaults as error:
            return str(error).splitlines()
        return []

    return faults_of


@pytest.mark.parametrize("metric", ["snr", "snr_a", "hum", "spectrum"])
def test_what_refers_to_a_tone_needs_one(faults_of, metric):
    quiet = f"quiet: {{kind: quiet, masks: {{noise: {{pass: {{max: 9}}}}, {metric}: {{pass: {{max: 3}}}}}}}}"
    assert faults_of(quiet) == [
        f"r3.yaml:7:57: checks.quiet.masks.{metric}: can never be measured, so no unit can pass: "
        "it refers to the level of a tone check, and the file has none; change that, or leave the mask out"
    ]
    assert faults_of(quiet, "tone: {kind: tone}") == []


def test_a_reference_that_is_misspelt_is_one_fault(faults_of):
    quiet = "quiet: {kind: quiet, analysis: {reference: tune}, masks: {snr: {pass: {min: 3}}}}"
    (fault,) = faults_of(quiet, "tone: {kind: tone}")
    assert "did you mean tone?" in fault


@pytest.mark.parametrize(
    ("kind", "metrics"), [("tone", ["balance"]), ("wiring", ["order", "channel_delay", "balance"])]
)
def test_what_compares_channels_needs_two(faults_of, kind, metrics):
    masks = ", ".join(f"{metric}: {{pass: {{min: 0}}}}" for metric in metrics)
    check = f"one: {{kind: {kind}, masks: {{{masks}}}}}"
    assert faults_of(check) == []
    found = faults_of(check, channels="[mono]")
    assert [fault.split(": ")[1] for fault in found] == [f"checks.one.masks.{metric}" for metric in metrics]
    assert all("the file declares one" in fault for fault in found)
    # What is wrong with the channels themselves is said; how many there are meant to be, nobody knows.
    assert [fault.split(": ")[1] for fault in faults_of(check, channels="mono")] == ["channels"]


@pytest.mark.parametrize(
    ("frequency", "band", "refused"),
    [
        (10000, "[20, 20000]", False),
        (10001, "[20, 20000]", True),
        (10001, "[20, 22000]", False),
        (997, "[20, 1990]", True),
        (100, "[3000, 20000]", False),
        (100, "[3001, 20000]", True),
    ],
)
def test_distortion_needs_a_harmonic_in_the_band(faults_of, frequency, band, refused):
    stimulus = f"stimulus: {{frequency_hz: {frequency}}}, analysis: {{band_hz: {band}}}"
    found = faults_of(f"tone: {{kind: tone, {stimulus}, masks: {{thd: {{pass: {{max: -90}}}}}}}}")
    assert len(found) == refused
    assert all(f"of {frequency} Hz lies in the band" in fault for fault in found)


def test_hum_needs_a_tone_that_leaves_it_in_sight(faults_of):
    tone = "tone: {kind: tone, stimulus: {frequency_hz: %s, seconds: 1}, masks: {hum: {pass: {max: -90}}}}"
    assert faults_of(tone % 50) == []  # where mains is 60 Hz
    (fault,) = faults_of(tone % 10)
    assert "every mains product" in fault


@pytest.mark.parametrize("kind", ["tone", "low_level_tone", "quiet"])
@pytest.mark.parametrize(
    ("first", "last", "places"),
    [
        (20, 20000, []),
        (100, 10000, []),
        (20, 20200, []),
        (10, 20000, ["max[1][1]"]),
        (20, 22050, ["max[2][1]"]),
        (10, 22050, ["max[1][1]", "max[2][1]"]),
        (21000, 22000, ["max[1][1]", "max[2][1]"]),
    ],
)
def test_a_curve_is_not_judged_where_it_never_goes(faults_of, kind, first, last, places):
    found = faults_of(f"x: {{kind: {kind}, masks: {SPECTRUM % (first, last)}}}", "other: {kind: tone}")
    assert [fault.split(": ")[1] for fault in found] == [f"checks.x.masks.spectrum.pass.{p}" for p in places]
    assert all("measured from 20 to 20000 Hz" in fault for fault in found)


def test_a_fault_that_stands_in_the_common_file_is_shown_there_and_can_be_left_out(write):
    common = HEAD.replace("[left, right]", "[mono]")
    common = "".join(
        line for line in common.splitlines(True) if not line.startswith(("model", "revision", "serial"))
    )
    write(f"{common}  wiring: {{kind: wiring, masks: {{order: {{pass: {{min: 1}}}}}}}}\n", "common.yaml")
    own = 'format: 1\nmodel: pellow-r1\nrevision: 1\nbased_on: common.yaml\nserial_pattern: "R[0-9]"\n'
    with pytest.raises(FileFaults, match=r"common\.yaml:4:34: checks\.wiring\.masks\.order: can never"):
        load_limits(write(own, "r1.yaml"))
    own += "checks: {wiring: {masks: {order: ~, polarity: {pass: {min: 1}}}}}\n"
    assert set(load_limits(write(own, "r1.yaml")).checks[0].masks) == {"polarity"}


def test_such_faults_come_with_all_the_others(faults_of):
    found = faults_of(
        "tone: {kind: tone, masks: {balance: {pass: {min: 3, max: 2}}, sinadd: {pass: {min: 3}}}}",
        "wiring: {kind: wiring, masks: {order: {pass: {min: 1}}}}",
        channels="[mono]",
    )
    assert [fault.split(": ")[1] for fault in found] == [
        "checks.tone.masks.balance",
        "checks.tone.masks.balance.pass.max",
        "checks.tone.masks.sinadd",
        "checks.wiring.masks.order",
    ]
