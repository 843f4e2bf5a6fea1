"""One unit's jitter through two inputs, judged from a made capture set: the notes say where the cause lies."""

import json

import numpy as np
import pytest
from jitter_truth import Beside, record
from small_run import call

from linecheck.captures.capture_set import write_capture_set
from linecheck.checks.base import Capture, Note
from linecheck.checks.jitter import KIND
from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader

pytestmark = pytest.mark.every_python

LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
setup: {output: balanced}
checks:
  jitter_usb:
    kind: jitter
    setup: {input: usb}
    stimulus: {seconds: 1.0}
    masks:
      paired_jitter: {pass: {max: LIMIT}}
  jitter_coax:
    kind: jitter
    setup: {input: COAX}
    stimulus: {seconds: 1.0}
    masks:
      paired_jitter: {pass: {max: 1000}}
"""

#: A switching supply inside the unit, at 3.7 kHz offset, on both inputs.
INSIDE = (40.0, 3700.0)
FRAMES = (60.0, 1000.0)


def captured(seed, *both, noise_db=-115.0, ppm=20.0):
    """A capture as an interface gives it, 24 bits."""
    capture = record(
        *(Beside(jitter=jitter, noise_db=noise_db) for jitter in both), seed=seed, seconds=1.0, clock_ppm=ppm
    )
    codes = np.rint(capture.samples * 2.0**23).astype(np.int32) << 8
    return Capture(codes, capture.rate_hz, bits=24, mains_hz=50.0)


@pytest.fixture
def judged(tmp_path, monkeypatch, capsys):
    """Judge a set with these captures; return exit status, what is shown, and the result."""
    monkeypatch.chdir(tmp_path)

    def judge(usb, coax, *, limit=1000, coax_input="coax", arguments=()):
        text = LIMITS.replace("LIMIT", str(limit)).replace("COAX", coax_input)
        (tmp_path / "limits.yaml").write_text(text, encoding="utf-8")
        taken = {"jitter_usb": usb, "jitter_coax": coax}
        taken = {name: capture for name, capture in taken.items() if capture is not None}
        folder = write_capture_set(tmp_path / "set", taken, model="pellow-r3", serial="PR3-004711")
        arguments = ("--limits", "limits.yaml", "--json", "r.json", *arguments)
        status, out, _ = call(monkeypatch, capsys, "judge", folder, *arguments)
        return status, out, json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))

    return judge


def comparisons(result):
    return [
        (entry["check"], entry["channel"], entry["message"])
        for entry in result["problems"]
        if entry["code"] == "compared_sidebands"
    ]


def test_a_cause_inside_the_unit_and_one_that_comes_with_an_input_are_told_apart(judged):
    usb, coax = captured(1, [INSIDE, FRAMES], [INSIDE, FRAMES]), captured(2, [INSIDE], [INSIDE], ppm=-60.0)
    status, out, result = judged(usb, coax)
    assert (status, result["verdict"]) == (0, "pass")
    assert comparisons(result) == [
        (
            None,
            None,
            "the same sidebands on jitter_usb and jitter_coax (3700.1 Hz): their cause lies inside the unit",
        ),
        (None, None, "sidebands on jitter_usb only (1000.0 Hz): they come with input usb"),
    ]
    for _, _, message in comparisons(result):
        assert message in out
    assert all(not entry["blocks"] for entry in result["problems"])


def test_channels_that_differ_are_named(judged):
    _, out, result = judged(captured(1, [INSIDE], [FRAMES]), captured(2, [INSIDE], []))
    assert [(channel, message.split(" (")[0]) for _, channel, message in comparisons(result)] == [
        ("left", "the same sidebands on jitter_usb and jitter_coax"),
        ("right", "sidebands on jitter_usb only"),
    ]
    assert "right: sidebands on jitter_usb only" in out


def test_a_line_of_another_strength_is_neither(judged):
    _, _, result = judged(
        captured(1, [(100.0, 3700.0)], [(100.0, 3700.0)]), captured(2, [(30.0, 3700.0)], [(30.0, 3700.0)])
    )
    messages = [message for _, _, message in comparisons(result)]
    assert len(messages) in (1, 2)
    assert all("but of different strength" in message for message in messages)
    assert all("dB on jitter_usb" in message for message in messages)


def test_a_line_that_the_other_capture_s_noise_would_hide_says_nothing(judged):
    usb = captured(1, [(5.0, 1000.0)], [(5.0, 1000.0)])
    _, _, result = judged(usb, captured(2, [], [], noise_db=-90.0))
    assert any("sidebands at ±1000.0 Hz" in entry["message"] for entry in result["problems"])
    assert comparisons(result) == []


def test_the_same_input_twice_is_no_comparison(judged):
    _, _, result = judged(captured(1, [INSIDE], []), captured(2, [], []), coax_input="usb")
    assert comparisons(result) == []


def test_a_capture_that_is_missing_is_no_comparison_and_still_invalid(judged):
    status, _, result = judged(captured(1, [INSIDE], []), None)
    assert (status, result["verdict"]) == (3, "invalid")
    assert comparisons(result) == []


@pytest.mark.parametrize(("limit", "status", "verdict"), [(1000, 0, "pass"), (30, 1, "fail")])
def test_no_note_changes_a_verdict_and_a_fail_shows_the_sidebands(judged, limit, status, verdict):
    capture = captured(1, [INSIDE, FRAMES], [INSIDE, FRAMES])
    got, out, result = judged(capture, captured(2, [INSIDE], [INSIDE]), limit=limit)
    assert (got, result["verdict"]) == (status, verdict)
    assert len(comparisons(result)) == 2
    named = "jitter_usb left: sidebands at ±1000.0 Hz" in out
    assert named == (verdict == "fail")
    assert ("1 × 1 kHz: USB frames" in out) == named
    # What passes is not explained.
    assert "jitter_coax left:" not in out


def test_the_log_keeps_the_notes_and_junit_names_them(judged, tmp_path):
    usb, coax = captured(1, [INSIDE], [FRAMES]), captured(2, [INSIDE], [])
    _, _, result = judged(usb, coax, arguments=("--log", "own.sqlite", "--junit", "j.xml"))
    with LogReader("own.sqlite") as log:
        (entry,) = log.runs()
        assert entry.verdict is Verdict.PASS
    text = (tmp_path / "j.xml").read_text(encoding="utf-8")
    assert "<failure" not in text
    assert "<error" not in text
    for _, channel, message in comparisons(result):
        assert f"{channel}: {message}" in text


def test_a_fault_in_a_comparison_costs_its_notes_and_nothing_else(judged, monkeypatch):
    def broken(taken):
        raise RuntimeError("boom")

    monkeypatch.setattr(KIND, "compare", broken, raising=False)
    status, out, result = judged(captured(1, [INSIDE], []), captured(2, [INSIDE], []))
    assert (status, result["verdict"]) == (0, "pass")
    assert comparisons(result) == []
    assert "Traceback" not in out


def test_a_note_voids_nothing():
    note = Note("sideband", "a line at 1000 Hz")
    assert note.is_note
    assert not note.blocks
