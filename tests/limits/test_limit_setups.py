"""Checks with several setups in a limit file."""

import json

import jsonschema
import pytest

from linecheck.errors import FileFaults
from linecheck.limits.loading.load import load_limits
from linecheck.limits.loading.schema import limit_file_schema

HEAD = """format: 1
model: pellow-r3
revision: 4
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
setup: {input: usb}
checks:
"""


def load(tmp_path, checks):
    """Return a limit file with these checks; they begin in line 8."""
    path = tmp_path / "r3.yaml"
    path.write_text(HEAD + checks, encoding="utf-8")
    return load_limits(path)


def faults(tmp_path, checks):
    """Return line, column, key and message of every fault."""
    with pytest.raises(FileFaults) as refused:
        load(tmp_path, checks)
    return [(one.line, one.column, one.key, one.message) for one in refused.value.faults]


def test_a_check_with_setups_becomes_a_check_for_each(tmp_path):
    limits = load(
        tmp_path,
        """  tone:
    kind: tone
    setup: {output: balanced}
    setups: [{filter: sharp}, {filter: "very slow/2"}]
    masks: {sinad: {pass: {min: 90}}}
""",
    )
    assert [check.name for check in limits.checks] == ["tone@filter=sharp", "tone@filter=very-slow-2"]
    assert [check.entry for check in limits.checks] == ["tone", "tone"]
    assert dict(limits.checks[1].setup) == {"input": "usb", "output": "balanced", "filter": "very slow/2"}


def test_a_check_with_one_setup_keeps_its_name(tmp_path):
    limits = load(
        tmp_path, "  tone: {kind: tone, setups: [{filter: slow}], masks: {sinad: {pass: {min: 90}}}}\n"
    )
    assert [(check.name, check.setup["filter"]) for check in limits.checks] == [("tone", "slow")]


def test_masks_and_margins_of_a_setup_are_laid_over_those_of_the_check(tmp_path):
    limits = load(
        tmp_path,
        """  tone:
    kind: tone
    setups:
      - {filter: sharp}
      - {filter: slow, masks: {sinad: {pass: {min: 80}}, thd: null}, regression: {level: 2, sinad: false}}
    masks: {sinad: {pass: {min: 90}}, thd: {pass: {max: -90}}, level: {pass: {min: 3}}}
    regression: {sinad: 1, level: 1}
""",
    )
    sharp, slow = limits.checks
    assert (sharp.masks["sinad"].pass_.min, slow.masks["sinad"].pass_.min) == (90.0, 80.0)
    assert (set(sharp.masks), set(slow.masks)) == ({"sinad", "thd", "level"}, {"sinad", "level"})
    assert (dict(sharp.regression), dict(slow.regression)) == ({"sinad": 1.0, "level": 1.0}, {"level": 2.0})


def test_a_rate_is_the_stimulus_rate_as_well(tmp_path):
    limits = load(
        tmp_path,
        """  tone:
    kind: tone
    stimulus: {rate_hz: 44100}
    setups: [{rate_hz: 48000}, {rate_hz: 96000}]
    masks: {sinad: {pass: {min: 90}}}
""",
    )
    assert [(check.stimulus.rate_hz, check.setup["rate_hz"]) for check in limits.checks] == [
        (48000, "48000"),
        (96000, "96000"),
    ]


def test_a_check_refers_to_the_variant_whose_setup_is_most_like_its_own(tmp_path):
    limits = load(
        tmp_path,
        """  quiet:
    kind: quiet
    analysis: {reference: tone}
    setups: [{filter: slow, input: aes}, {filter: sharp, input: usb}]
    masks: {snr: {pass: {min: 90}}}
  tone:
    kind: tone
    setups: [{filter: sharp, input: usb}, {filter: slow, input: usb}, {filter: slow, input: aes}]
""",
    )
    assert [check.reference for check in limits.checks[:2]] == [
        "tone@filter=slow,input=aes",
        "tone@filter=sharp,input=usb",
    ]


TONE = "  tone:\n    kind: tone\n    masks: {sinad: {pass: {min: 90}}}\n"


@pytest.mark.parametrize(
    ("setups", "line", "column", "key", "words"),
    [
        ("setups: {filter: slow}", 11, 13, "checks.tone.setups", "expected a list of setups"),
        ("setups: []", 11, 13, "checks.tone.setups", "expected 1 to 32 setups, got 0"),
        ("setups: [slow]", 11, 14, "checks.tone.setups[1]", "expected names and values"),
        ("setups: [{}, {filter: slow}]", 11, 14, "checks.tone.setups[1]", "sets nothing"),
        (
            "setups: [{filter: a}, {filter: a}]",
            11,
            27,
            "checks.tone.setups[2]",
            "same as setup 1 of the list",
        ),
        (
            "setups: [{filter: a b}, {filter: a-b}]",
            11,
            29,
            "checks.tone.setups[2]",
            "the same name as another",
        ),
        ("setups: [{filter: a}, {mode: b}]", 11, 14, "checks.tone.setups[1]", "does not set mode"),
        ("setups: [{Filter: a}]", 11, 15, "checks.tone.setups[1].Filter", "lower-case letters"),
        ("setups: [{filter: [a]}]", 11, 23, "checks.tone.setups[1].filter", "got a list"),
        ("setups: [{rate_hz: 44}]", 11, 24, "checks.tone.setups[1].rate_hz", "got 44"),
        ("setups: [{rate_hz: '48000'}]", 11, 24, "checks.tone.setups[1].rate_hz", "take the quotes away"),
        ("setups: [{filter: a, masks: slow}]", 11, 33, "checks.tone.setups[1].masks", "expected masks"),
        (
            "setups: [{filter: a, masks: {level: null}}]",
            11,
            34,
            "checks.tone.setups[1].masks.level",
            "removes what the check does not have",
        ),
        (
            "setups: [{filter: a, masks: {sinat: {pass: {min: 1}}}}]",
            11,
            34,
            "checks.tone.setups[1].masks.sinat",
            "did you mean sinad",
        ),
        (
            "setups: [{filter: a, regression: {sinad: -1}}]",
            11,
            46,
            "checks.tone.setups[1].regression.sinad",
            "margin above 0",
        ),
    ],
)
def test_faults_stand_where_they_are(tmp_path, setups, line, column, key, words):
    found = faults(tmp_path, f"{TONE}    {setups}\n")
    assert any((one[0], one[1], one[2]) == (line, column, key) and words in one[3] for one in found), found


def test_a_rate_that_the_rest_of_the_stimulus_does_not_allow_is_the_fault_of_the_setup(tmp_path):
    checks = """  tone:
    kind: tone
    stimulus: {frequency_hz: 30000}
    setups: [{rate_hz: 96000}, {rate_hz: 44100}]
    masks: {sinad: {pass: {min: 90}}}
"""
    assert [one[:3] for one in faults(tmp_path, checks)] == [(11, 42, "checks.tone.setups[2].rate_hz")]


def test_names_of_a_hundred_settings_are_refused(tmp_path):
    members = ", ".join(
        "{" + ", ".join(f"{'s' * 30}{index}: {'v' * 30}{member}" for index in range(4)) + "}"
        for member in "ab"
    )
    found = faults(tmp_path, f"{TONE}    setups: [{members}]\n")
    assert "at most 120" in found[0][3]


def test_the_schema_takes_setups(tmp_path):
    schema = json.loads(json.dumps(limit_file_schema()))
    document = {
        "format": 1,
        "model": "pellow-r3",
        "revision": 1,
        "channels": ["left", "right"],
        "serial_pattern": "PR3",
        "checks": {
            "tone": {
                "kind": "tone",
                "masks": {"sinad": {"pass": {"min": 90}}},
                "setups": [{"filter": "sharp"}, {"filter": "slow", "masks": {"sinad": None}}],
            }
        },
    }
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(document)
    for wrong in ({"masks": {"sinat": {}}}, {"Filter": "a"}, {"filter": ["a"]}):
        document["checks"]["tone"]["setups"][1] = wrong
        assert not validator.is_valid(document), wrong
