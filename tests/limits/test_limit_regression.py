"""``regression`` in limit files: whose margin counts, and what is wrong with one."""

from __future__ import annotations

import jsonschema
import pytest

from linecheck.checks import kinds as all_kinds
from linecheck.errors import FileFaults
from linecheck.limits.loading.load import load_limits
from linecheck.limits.loading.regression_entries import class_names
from linecheck.limits.loading.schema import limit_file_schema


@pytest.fixture
def margins(write, kinds, whole):
    """What is compared of the only check, with these lines at the top and in the check."""

    def load(top="", inside="", name="r3.yaml"):
        text = whole.replace("setup:", f"{top}\nsetup:", 1) + (f"    {inside}\n" if inside else "")
        (check,) = load_limits(write(text, name), kinds=kinds).checks
        return dict(check.regression)

    return load


@pytest.mark.parametrize(
    ("top", "inside", "expected"),
    [
        ("", "", {}),
        ("regression: {dB: 0.5}", "", {"sinad": 0.5, "balance": 0.5}),
        ("regression: {V: 0.5}", "", {}),
        ("regression: {dB: 0.5, balance: 0.1}", "", {"sinad": 0.5, "balance": 0.1}),
        ("regression: {balance: 0.1, dB: 0.5}", "", {"sinad": 0.5, "balance": 0.1}),
        ("regression: {spectrum: 6}", "", {"spectrum": 6.0}),
        ("regression: {gain_error: 1, level: 1}", "", {}),
        ("", "regression: {gain_error: 1, level: 0.02}", {"level": 0.02, "gain_error": 1.0}),
        ("regression: {dB: 0.5, sinad: 0.4}", "regression: {sinad: 3}", {"sinad": 3.0, "balance": 0.5}),
        ("regression: {dB: 0.5}", "regression: {sinad: false}", {"balance": 0.5}),
        ("regression: {dB: 0.5, sinad: false}", "", {"balance": 0.5}),
        ("regression: {dB: 0.5, sinad: false}", "regression: {sinad: 1}", {"sinad": 1.0, "balance": 0.5}),
    ],
)
def test_the_nearest_margin_counts(margins, top, inside, expected):
    assert margins(top, inside) == expected


def test_margins_are_taken_over_from_the_file_that_is_built_on(write, kinds, whole):
    write(whole.replace("setup:", "regression: {dB: 0.5, balance: 0.1}\nsetup:", 1), "base.yaml")
    text = "format: 1\nmodel: pellow-r4\nrevision: 1\nbased_on: base.yaml\n"
    over = "regression: {balance: null}\nchecks: {tone: {regression: {spectrum: 4}}}\n"
    (check,) = load_limits(write(text + over, "over.yaml"), kinds=kinds).checks
    assert check.regression == {"sinad": 0.5, "balance": 0.5, "spectrum": 4.0}


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (
            "regression: {sinda: 1}",
            "regression.sinda: unknown name; did you mean sinad? the metrics of sine are",
        ),
        ("regression: {dB: 1}", "regression.dB: unknown name"),
        ("regression: {sinad: 0}", "regression.sinad: expected a margin above 0 and at most 1e+12, got 0"),
        ("regression: {sinad: -1}", "regression.sinad: expected a margin above 0"),
        ("regression: {sinad: 1e13}", "regression.sinad: expected a margin above 0 and at most 1e+12"),
        (
            "regression: {sinad: 1 dB}",
            "regression.sinad: expected a number, or false if it is not compared",
        ),
        ("regression: {sinad: true}", "regression.sinad: expected a number, or false"),
        ("regression: {sinad: {max: 1}}", "regression.sinad: expected a number, or false"),
        ("regression: 0.5", "regression: expected margins by name, as in {sinad: 0.5}, got 0.5"),
        ("regression: {}", "regression: expected margins by name, as in {sinad: 0.5}, got an empty mapping"),
        ("regresion: {sinad: 1}", "regresion: unknown key; did you mean regression?"),
    ],
)
def test_what_is_wrong_in_a_check_is_named_with_its_place(write, kinds, whole, line, fault):
    with pytest.raises(FileFaults) as caught:
        load_limits(write(f"{whole}    {line}\n"), kinds=kinds)
    (found,) = caught.value.faults
    assert str(found).startswith(f"r3.yaml:{found.line}:{found.column}: checks.tone.{fault}")
    assert found.line == len(whole.splitlines()) + 1


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (
            "regression: {dBm: 1}",
            "regression.dBm: unknown name; did you mean dB? the units and metrics are: µV",
        ),
        ("regression: {dB: no}", "regression.dB: some programs read"),
        ("regression: {dB: 0}", "regression.dB: expected a margin above 0"),
        ("regression: [dB, 1]", "regression: expected margins by name"),
    ],
)
def test_what_is_wrong_at_the_top_is_named_with_its_place(write, kinds, whole, line, fault):
    with pytest.raises(FileFaults) as caught:
        load_limits(write(whole.replace("setup:", f"{line}\nsetup:", 1)), kinds=kinds)
    (found,) = caught.value.faults
    assert str(found).startswith(f"r3.yaml:6:{found.column}: {fault}")


def test_a_margin_of_what_is_never_measured_is_refused(write):
    mono = """\
    format: 1
    model: pellow-r3
    revision: 1
    channels: [only]
    serial_pattern: "[0-9]{6}"
    checks:
      tone: {kind: tone, masks: {sinad: {pass: {min: 1}}}, regression: {balance: 0.1}}
    """
    with pytest.raises(FileFaults) as caught:
        load_limits(write(mono))
    (found,) = caught.value.faults
    assert "checks.tone.regression.balance: can never be measured, so nothing can be compared" in str(found)


def test_no_name_is_a_unit_too():
    names, units = class_names(all_kinds())
    assert not set(names) & set(units)
    assert {"dB", "V", "ppm"} <= set(units)


@pytest.mark.parametrize(
    ("lines", "valid"),
    [
        ({"regression": {"dB": 0.5, "sinad": False}}, True),
        ({"regression": {"dBm": 0.5}}, False),
        ({"regression": {"dB": 0}}, False),
        ({"regression": {"dB": True}}, False),
        ({"checks": {"tone": {"kind": "sine", "regression": {"sinad": 1, "spectrum": None}}}}, True),
        ({"checks": {"tone": {"kind": "sine", "regression": {"dB": 1}}}}, False),
        ({"checks": {"tone": {"kind": "sine", "regression": {}}}}, False),
    ],
)
def test_the_schema_knows_margins(kinds, lines, valid):
    schema = jsonschema.Draft202012Validator(limit_file_schema(kinds))
    assert (list(schema.iter_errors({"format": 1, **lines})) == []) is valid
