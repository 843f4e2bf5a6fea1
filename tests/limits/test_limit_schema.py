"""The JSON Schema accepts what the loader accepts, and refuses what an editor can see is wrong."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest

from linecheck.checks import kinds as all_kinds
from linecheck.files.yaml import read_source
from linecheck.limits.loading.load import load_limits
from linecheck.limits.loading.schema import limit_file_schema

LIMITS = Path(__file__).parents[2] / "limits"
FILES = sorted(LIMITS.rglob("*.yaml"))


@pytest.fixture(scope="module")
def validator(kinds):
    return jsonschema.Draft202012Validator(limit_file_schema(kinds))


def errors(validator, write, text):
    return [error.message for error in validator.iter_errors(read_source(write(text)).data)]


def test_it_is_a_schema_itself(kinds):
    for schema in (limit_file_schema(), limit_file_schema(kinds)):
        jsonschema.Draft202012Validator.check_schema(schema)
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_demonstration_files_are_valid(path):
    validator = jsonschema.Draft202012Validator(limit_file_schema())
    source = read_source(path)
    assert source.faults == []
    assert list(validator.iter_errors(source.data)) == []


def test_there_are_demonstration_files_to_check():
    assert {path.name for path in FILES} >= {"pellow-r3.yaml", "line-output-24bit.yaml"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format: 1", "format: 1"),
        ("revision: 4", "revision: 4\napproved: {by: A. Person, on: 2026-11-02}\ndecision: guarded"),
        ("[[20, -120], [20000, -110]]", "-100"),
        ("stimulus: {frequency_hz: 997, level_dbfs: -1}\n", "analysis: {band_hz: [20, 20000]}\n"),
    ],
)
def test_what_the_loader_accepts_is_valid(validator, write, kinds, whole, old, new):
    text = whole.replace(old, new, 1)
    assert load_limits(write(text), kinds=kinds)
    assert errors(validator, write, text) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format: 1", "format: 2"),
        ("format: 1\n", ""),
        ("revision: 4\n", ""),
        ("revision: 4", "revision: 0"),
        ("revision: 4", "revison: 4"),
        ("pellow-r3", "pellow r3"),
        ("[left, right]", "[left, Right]"),
        ("[left, right]", "[]"),
        ("setup:", "decision: strict\nsetup:"),
        ("setup:", "approved: {by: x}\nsetup:"),
        ("input: usb", "Input: usb"),
        ("input: usb", "input: [usb]"),
        ("  tone:\n", "  Tone:\n"),
        ("kind: sine", "kind: sin"),
        ("    kind: sine\n", ""),
        ("stimulus: {", "stimuls: {"),
        ("frequency_hz", "frequency"),
        ("997", "'997'"),
        ("997", "0"),
        ("-1}", "1}"),
        ("    masks", "    analysis: {band_hz: [20]}\n    masks"),
        ("sinad:", "snad:"),
        ("pass: {min: 112}, ", ""),
        ("min: 112", "mim: 112"),
        ("{min: 112}", "{}"),
        ("min: 112", "min: '112'"),
        ("min: 112", "min: 1e13"),
        ("min: 112", "min: [[1, 2], [2, 3]]"),
        ("[[20, -120], [20000, -110]]", "[[20, -120]]"),
        ("[20000, -110]", "[20000, -110, 3]"),
        ("[[20, -120]", "[[0, -120]"),
        ("sinad: {pass: {min: 112}, fail: {min: 108}}", "sinad:"),
    ],
)
def test_what_an_editor_can_see_is_wrong_is_invalid(validator, write, whole, old, new):
    assert old in whole
    assert errors(validator, write, whole.replace(old, new, 1))


def test_a_file_that_builds_on_another_need_not_be_whole(validator, write):
    head = "format: 1\nmodel: pellow-r3\nrevision: 1\n"
    rest = "checks: {tone: {masks: {sinad: {fail: {min: 3}}, level: }}, quiet: }\n"
    assert errors(validator, write, f"{head}based_on: x.yaml\n{rest}") == []
    assert errors(validator, write, f"{head}{rest}") != []
    assert errors(validator, write, f"format: 1\nbased_on: x.yaml\n{rest}") != []
    assert errors(validator, write, f"format: 1\n{rest}") == []


def test_every_parameter_and_metric_of_every_kind_is_described():
    schema = limit_file_schema()
    branches = {
        branch["if"]["properties"]["kind"]["const"]: branch["then"]["properties"]
        for branch in schema["$defs"]["check"]["allOf"]
    }
    assert branches.keys() == all_kinds().keys()
    for name, kind in all_kinds().items():
        masks = branches[name]["masks"]["properties"]
        assert masks.keys() == {spec.name for spec in (*kind.metrics, *kind.curves)}
        for spec in (*kind.metrics, *kind.curves):
            assert spec.text in masks[spec.name]["description"]
            assert spec.unit in masks[spec.name]["description"]
        for part, model in (("stimulus", kind.stimulus_parameters), ("analysis", kind.analysis_parameters)):
            found = schema["$defs"][branches[name][part]["$ref"].rpartition("/")[2]]["properties"]
            for key, field in model.model_fields.items():
                assert found[key]["description"] == field.description, (name, key)
                assert "default" in found[key], (name, key)
