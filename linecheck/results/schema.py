"""The JSON Schema of a result (draft 2020-12): what other programs may rely on, kept in ``result.schema.json``.

It describes a run, or a set among others. The facts in it follow from their table: ``python -m
linecheck.results.schema`` brings them into the file once one was added.
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from linecheck.files.write import write_atomically
from linecheck.run.facts import FACTS, Fact

SCHEMA_NAME: Final = "result.schema.json"

Schema = dict[str, Any]

_TEXT: Final[Schema] = {"type": "string", "minLength": 1}
_SHA256: Final[Schema] = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_TEXTS: Final[Schema] = {"$ref": "#/$defs/texts"}


def shipped_schema() -> Schema:
    """Return the schema as it ships."""
    schema: Schema = json.loads(files("linecheck.results").joinpath(SCHEMA_NAME).read_text(encoding="utf-8"))
    return schema


def result_schema() -> Schema:
    """Return the schema with every fact that a result has; one that came after format 1 is not required."""
    schema = shipped_schema()
    facts = (fact for fact in FACTS if fact.result is not None)
    schema["properties"] |= {fact.name: _fact(fact) | {"description": fact.meaning} for fact in facts}
    return schema


def schema_bytes() -> bytes:
    """Return the schema as the bytes of its file."""
    return (json.dumps(result_schema(), indent=2, ensure_ascii=False) + "\n").encode()


def _fact(fact: Fact) -> Schema:
    if fact.choices:
        return {"enum": list(fact.choices)}
    if fact.name == "causes":
        return {"oneOf": [{"$ref": "#/$defs/causes"}, {"type": "null"}]}
    if fact.kind == "assets":
        return {"type": "array", "items": {"$ref": "#/$defs/assets"}}
    if fact.kind == "flag":
        return {"type": ["boolean", "null"]}
    if fact.kind == "hash":
        return _SHA256 | {"type": ["string", "null"]}
    if fact.kind == "text":
        return _TEXT if fact.default is not None else {"type": ["string", "null"]}
    return {"oneOf": [_TEXTS, {"type": "null"}]} if fact.null_where_empty else _TEXTS


if __name__ == "__main__":
    write_atomically(Path(__file__).with_name(SCHEMA_NAME), schema_bytes())
