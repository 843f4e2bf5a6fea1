"""The JSON Schema of a result: what other programs may rely on.

``python -m linecheck.results.schema`` writes it anew where it ships, beside this module.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, get_args

from linecheck.files.write import write_atomically
from linecheck.limits.model import Decision
from linecheck.limits.regression import Answer
from linecheck.limits.verdict import Verdict
from linecheck.run.facts import FACTS, Fact, ResultPlace
from linecheck.run.model import How

__all__ = ["RESULT_FACTS", "SCHEMA_NAME", "result_schema", "schema_bytes", "shipped_schema"]

SCHEMA_NAME: Final = "result.schema.json"
#: Facts up to this record format stand in every result of format 1; one that came later is missing in earlier ones.
RESULT_FACTS: Final = 3

Schema = dict[str, Any]

_TEXT: Final[Schema] = {"type": "string", "minLength": 1}
_ANY_TEXT: Final[Schema] = {"type": "string"}
_TEXT_OR_NULL: Final[Schema] = {"type": ["string", "null"]}
_NUMBER: Final[Schema] = {"type": "number"}
_NUMBER_OR_NULL: Final[Schema] = {"type": ["number", "null"]}
_NUMBERS: Final[Schema] = {"type": "array", "items": _NUMBER}
_COUNT: Final[Schema] = {"type": "integer", "minimum": 0}
_COUNT_OR_NULL: Final[Schema] = _COUNT | {"type": ["integer", "null"]}
_SHA256: Final[Schema] = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_SHA256_OR_NULL: Final[Schema] = _SHA256 | {"type": ["string", "null"]}
_OR_NULL: Final = {"text": _TEXT_OR_NULL, "hash": _SHA256_OR_NULL}
_TIME: Final[Schema] = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z$"}
_SETUP: Final[Schema] = {"$ref": "#/$defs/texts"}
_VERDICTS: Final = tuple(verdict.value for verdict in Verdict)
#: Of what was measured: it cannot be aborted, and is null where no mask judges it.
_JUDGED: Final[Schema] = {"enum": [name for name in _VERDICTS if name != Verdict.ABORTED] + [None]}
#: Where nothing was measured, nothing is judged.
_NOT_JUDGED: Final[Schema] = {"verdict": {"enum": [Verdict.INVALID.value, None]}, "margin": {"type": "null"}}
_ANSWERS: Final = tuple(answer.value for answer in Answer)


def result_schema() -> Schema:
    """Return the format of results as a JSON Schema (draft 2020-12): of a run, or of a set among others.

    Only a set that was not judged has no limit file.
    """
    required = {
        "format": {"const": 1},
        "run": _TEXT | {"description": "another one for every run"},
        "serial": _TEXT_OR_NULL,
        "model": _TEXT_OR_NULL,
        **_facts("unit"),
        "verdict": {"enum": list(_VERDICTS), "description": "of the run as a whole"},
        "limit_file": {"oneOf": [{"$ref": "#/$defs/limit_file"}, {"type": "null"}]},
        **_facts("station"),
        "started": _TIME,
        "finished": _TIME,
        "duration_seconds": {"type": "number"},
        **{name: _list_of(name) for name in ("checks", "readings", "curves", "problems", "settings")},
    }
    optional = {
        **_facts("unit", later=True),
        **_facts("station", later=True),
        "set": {
            "type": "string",
            "description": "the capture set, as it was named, where several were judged",
        },
        "regression": {"$ref": "#/$defs/regression"},
        "comparisons": _list_of("comparisons"),
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "linecheck result",
        "description": "What one run of one unit came to.",
        **_closed(required, optional),
        "dependentRequired": {"regression": ["comparisons"], "comparisons": ["regression"]},
        "if": {"properties": {"limit_file": {"type": "null"}}},
        "then": {
            "required": ["set"],
            "properties": {
                "verdict": {"enum": [Verdict.INVALID.value, Verdict.ABORTED.value]},
                **{name: {"maxItems": 0} for name in ("checks", "readings", "curves", "settings")},
                "problems": {"minItems": 1},
            },
        },
        "else": {"properties": {"serial": _TEXT, "model": _TEXT}},
        "$defs": _definitions(),
    }


def shipped_schema() -> Schema:
    """Return the schema as it ships."""
    schema: Schema = json.loads(files("linecheck.results").joinpath(SCHEMA_NAME).read_text(encoding="utf-8"))
    return schema


def schema_bytes() -> bytes:
    """Return the schema as the bytes of its file."""
    return (json.dumps(result_schema(), indent=2, ensure_ascii=False) + "\n").encode()


def _facts(place: ResultPlace, *, later: bool = False) -> Schema:
    """Return what is said of the unit, or of the station, beside what was measured: from the first on, or later."""
    return {
        fact.name: _fact(fact) | {"description": fact.meaning}
        for fact in FACTS
        if fact.result == place and (fact.since > RESULT_FACTS) is later
    }


def _fact(fact: Fact) -> Schema:
    if fact.choices:
        return {"enum": list(fact.choices)}
    if fact.kind == "assets":
        return {"type": "array", "items": _closed({"role": _TEXT, "id": _TEXT, "facts": _SETUP})}
    if fact.kind == "flag":
        return {"type": ["boolean", "null"]}
    if fact.kind in ("text", "hash"):
        stated = _SHA256 if fact.kind == "hash" else _TEXT
        return stated if fact.default is not None else _OR_NULL[fact.kind]
    return {"oneOf": [_SETUP, {"type": "null"}]} if fact.null_where_empty else _SETUP


def _definitions() -> Schema:
    place = {"check": _TEXT, "kind": _TEXT, "setup": _SETUP}
    where = place | {"metric": _TEXT, "channel": _TEXT_OR_NULL}
    judged = {
        "verdict": _JUDGED,
        "margin": _NUMBER_OR_NULL,
        "limit": _NUMBER_OR_NULL,
        "fail_limit": _NUMBER_OR_NULL,
        "side": {"enum": ["min", "max", None]},
    }
    return {
        "texts": {"type": "object", "additionalProperties": _ANY_TEXT},
        "limit_file": _closed(
            {
                "path": _TEXT,
                "revision": {"type": "integer"},
                "sha256": _SHA256,
                "decision": {"enum": list(get_args(Decision))},
                "approved_by": _TEXT_OR_NULL,
                "approved_on": _TEXT_OR_NULL,
            }
        ),
        "checks": _closed(
            {
                **place,
                "verdict": _JUDGED,
                "stimulus_sha256": _SHA256_OR_NULL,
                "capture_sha256": _SHA256_OR_NULL,
            }
        ),
        "readings": _closed(
            {
                **where,
                "value": _NUMBER_OR_NULL
                | {"description": "null where it was not measured: a problem says why"},
                "unit": _ANY_TEXT,
                "uncertainty": _NUMBER_OR_NULL
                | {"description": "standard uncertainty (k = 1), in the same unit"},
                "is_bound": {"type": "boolean", "description": "the truth is this or better"},
                **judged,
            }
        )
        | _unless_measured({"value": {"type": "null"}}),
        "curves": _closed(
            {
                **where,
                "x_unit": _TEXT,
                "unit": _ANY_TEXT,
                "resolution_hz": _NUMBER_OR_NULL,
                **judged,
                "worst_x": _NUMBER_OR_NULL,
                "worst_y": _NUMBER_OR_NULL,
                "x": _NUMBERS,
                "y": _NUMBERS,
                "uncertainty": {"oneOf": [_NUMBERS, {"type": "null"}]},
            }
        )
        | _unless_measured({"x": {"maxItems": 0}}),
        "problems": _closed(
            {
                "check": _TEXT_OR_NULL,
                "setup": {"oneOf": [_SETUP, {"type": "null"}]},
                "channel": _TEXT_OR_NULL,
                "code": _TEXT,
                "message": _TEXT,
                "blocks": {
                    "type": "boolean",
                    "description": "every reading of the channel, or of all, is void",
                },
                "metrics": {"type": "array", "items": _TEXT},
            }
        ),
        "settings": _closed(
            {
                "setting": _TEXT,
                "value": _TEXT,
                "how": {"enum": list(get_args(How))},
                "done": {"type": "boolean"},
                "seconds": _NUMBER,
                "before": _TEXT,
                "output": _ANY_TEXT,
            }
        ),
        **_regression(),
    }


def _regression() -> Schema:
    """Return what the result says besides of a set that was compared with a baseline."""
    numbers = ("value", "baseline", "worse_by", "uncertainty", "margin", "x")
    return {
        "regression": _closed(
            {
                "baseline": _TEXT,
                "sha256": _SHA256,
                "accepted_by": _TEXT,
                "accepted_on": _TIME,
                "compared_in_all": _COUNT,
                "answers": _closed(dict.fromkeys(_ANSWERS, _COUNT)),
            }
        ),
        "comparisons": _closed(
            {
                "check": _TEXT,
                "metric": _TEXT,
                "channel": _TEXT_OR_NULL,
                "curve": {"type": "boolean"},
                "answer": {"enum": list(_ANSWERS)},
                "verdict": {"enum": [name for name in _VERDICTS if name != Verdict.ABORTED]},
                "unit": _ANY_TEXT,
                **dict.fromkeys(numbers, _NUMBER_OR_NULL),
                "x_unit": _TEXT_OR_NULL,
                "compared": _COUNT_OR_NULL,
                "bands": _COUNT_OR_NULL,
                "text": _TEXT,
            }
        ),
    }


def _closed(required: Schema, optional: Schema | None = None) -> Schema:
    return {
        "type": "object",
        "properties": required | (optional or {}),
        "required": list(required),
        "additionalProperties": False,
    }


def _list_of(name: str) -> Schema:
    return {"type": "array", "items": {"$ref": f"#/$defs/{name}"}}


def _unless_measured(missing: Schema) -> Schema:
    return {"if": {"properties": missing}, "then": {"properties": _NOT_JUDGED}}


if __name__ == "__main__":
    write_atomically(Path(__file__).with_name(SCHEMA_NAME), schema_bytes())
