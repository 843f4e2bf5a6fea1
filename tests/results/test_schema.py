"""The schema that ships: what it takes, and that it takes nothing else."""

import json
import subprocess
import sys
from copy import deepcopy
from importlib.resources import files
from typing import get_args

import jsonschema
import pytest
from made_runs import runs_of_every_verdict
from small_run import call

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks.base import Problem
from linecheck.limits.loading.schema import limit_file_schema
from linecheck.limits.model import Decision
from linecheck.limits.regression import Answer
from linecheck.limits.verdict import Verdict
from linecheck.results.result import result, set_result
from linecheck.results.schema import SCHEMA_NAME, result_schema, schema_bytes, shipped_schema
from linecheck.run.model import How, SettingStep

pytestmark = pytest.mark.every_python

SCHEMA = shipped_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
STEP = SettingStep("filter", "slow", "command", True, 0.25, "tone@filter=slow", "filter is slow")


def document(verdict=Verdict.FAIL):
    made = result(runs_of_every_verdict()[verdict])
    made["settings"] = [{**vars(STEP)}]
    return json.loads(json.dumps(made))


def refused(changed):
    return not VALIDATOR.is_valid(changed)


def test_what_ships_is_what_the_module_makes():
    again = "write it anew: python -m linecheck.results.schema"
    assert files("linecheck.results").joinpath(SCHEMA_NAME).read_bytes() == schema_bytes(), again


def test_its_values_are_those_that_results_have():
    parts, verdicts = SCHEMA["$defs"], [verdict.value for verdict in Verdict]
    assert SCHEMA["properties"]["verdict"]["enum"] == verdicts
    of_a_reading = [name for name in verdicts if name != Verdict.ABORTED]
    for part in ("checks", "readings", "curves"):
        assert parts[part]["properties"]["verdict"]["enum"] == [*of_a_reading, None]
    compared = parts["comparisons"]["properties"]
    assert compared["verdict"]["enum"] == of_a_reading
    assert compared["answer"]["enum"] == [answer.value for answer in Answer]
    assert list(parts["regression"]["properties"]["answers"]["properties"]) == [each.value for each in Answer]
    assert parts["limit_file"]["properties"]["decision"]["enum"] == list(get_args(Decision))
    assert parts["settings"]["properties"]["how"]["enum"] == list(get_args(How))


def test_it_is_a_schema_and_closed_wherever_it_names_keys():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)

    def objects(part):
        if isinstance(part, dict):
            if part.get("type") == "object":
                yield part
            for inner in part.values():
                yield from objects(inner)
        elif isinstance(part, list):
            for inner in part:
                yield from objects(inner)

    found = list(objects(SCHEMA))
    assert len(found) >= 10
    for part in found:
        assert part["additionalProperties"] is False or "properties" not in part


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_run_of_every_verdict_is_taken(verdict):
    VALIDATOR.validate(document(verdict))


#: Facts that came after the format: results that were written before lack them.
LATER = SCHEMA["properties"].keys() - set(SCHEMA["required"])


def test_a_key_more_or_a_key_less_anywhere_is_refused():
    whole = document()

    def places(part, path=()):
        if isinstance(part, dict) and path[-1:] not in (
            ("setup",),
            ("identity",),
            ("calibration",),
            ("interface",),
        ):
            yield path
        for key, inner in (
            part.items() if isinstance(part, dict) else enumerate(part) if isinstance(part, list) else ()
        ):
            yield from places(inner, (*path, key))

    def at(root, path):
        for key in path:
            root = root[key]
        return root

    found = list(places(whole))
    assert {path[0] for path in found if path} >= {"limit_file", "checks", "readings", "curves", "settings"}
    for path in found:
        more = deepcopy(whole)
        at(more, path)["loudness"] = 1
        assert refused(more), path
        for key in at(whole, path):
            if key in LATER:
                continue
            less = deepcopy(whole)
            del at(less, path)[key]
            assert refused(less), (*path, key)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("verdict",), "passed"),
        (("verdict",), None),
        (("purpose",), "test"),
        (("format",), 2),
        (("started",), "2026-11-20"),
        (("serial",), None),
        (("limit_file", "sha256"), "ab"),
        (("limit_file", "decision"), "strict"),
        (("limit_file",), None),
        (("readings", 0, "verdict"), "aborted"),
        (("readings", 0, "value"), None),
        (("readings", 0, "value"), "1"),
        (("readings", 0, "side"), "both"),
        (("readings", 0, "is_bound"), None),
        (("curves", 0, "x"), []),
        (("curves", 0, "x_unit"), None),
        (("settings", 0, "how"), "magic"),
        (("comparisons",), []),
        (("identity",), {"serial": 1}),
    ],
)
def test_what_a_result_never_says_is_refused(path, value):
    changed = document(Verdict.PASS)
    part = changed
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    assert refused(changed)


def test_sets_are_taken_also_those_that_were_not_judged():
    whole = set_result(JudgedSet("sets/a", runs_of_every_verdict()[Verdict.MARGINAL]))
    VALIDATOR.validate(json.loads(json.dumps(whole)))
    for code in ("set_refused", "not_judged"):
        lost = json.loads(json.dumps(set_result(JudgedSet("sets/b", problem=Problem(code, "why")))))
        VALIDATOR.validate(lost)
        assert refused(lost | {"verdict": "pass"})
        assert refused(lost | {"problems": []})
        assert refused({key: value for key, value in lost.items() if key != "set"})


def test_the_command_prints_it(monkeypatch, capsys):
    status, out, _ = call(monkeypatch, capsys, "schema", "result")
    assert (status, json.loads(out)) == (0, SCHEMA)
    status, out, _ = call(monkeypatch, capsys, "schema", "limits")
    assert (status, json.loads(out)) == (0, json.loads(json.dumps(limit_file_schema())))


def test_it_is_written_anew_by_the_module_itself(tmp_path):
    code = (
        "import pathlib, runpy, sys; target = pathlib.Path(sys.argv[1]);"
        "pathlib.Path.with_name = lambda path, name: target / name;"
        "runpy.run_module('linecheck.results.schema', run_name='__main__')"
    )
    subprocess.run([sys.executable, "-W", "ignore", "-c", code, str(tmp_path)], check=True)
    assert json.loads((tmp_path / SCHEMA_NAME).read_text(encoding="utf-8")) == result_schema()
