"""A JSON Schema of the limit file's format, for editors that complete and check.

It is made from the models that the loader itself uses. The loader checks more: that masks make sense, that
names which refer to each other exist, and everything again after ``based_on`` has been merged.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from inspect import getdoc
from typing import Any, Final

from pydantic.json_schema import models_json_schema

from linecheck.checks import kinds as all_kinds
from linecheck.checks.base import CheckKind, CurveSpec, MetricSpec, Parameters
from linecheck.limits.loading.header import NAME, SETUP_VALUE_LENGTH, Header
from linecheck.limits.loading.regression_entries import class_names
from linecheck.limits.loading.setup_entries import MAX_SETUPS
from linecheck.limits.loading.values import LARGEST

Schema = dict[str, Any]

_TEMPLATE: Final = "#/$defs/{model}"
_NEEDED: Final = ("revision", "channels", "serial_pattern", "checks")
_WAYS: Final = {"more": "more is better", "less": "less is better", "nominal": "the nominal value is best"}

#: What a check of a file that builds on nothing has.
_COMPLETE: Final[Schema] = {
    "type": "object",
    "required": ["kind"],
    "properties": {"masks": {"additionalProperties": {"type": "object", "required": ["pass"]}}},
}


def limit_file_schema(kinds: Mapping[str, CheckKind] | None = None) -> Schema:
    """Return the format of limit files as a JSON Schema (draft 2020-12).

    A file that others build on need not be complete, nor need a file that builds on another one; ``null``
    removes what would be taken over.

    Parameters
    ----------
    kinds : mapping of str to CheckKind, optional
        All that there are, if left out.
    """
    known = all_kinds() if kinds is None else kinds
    definitions, references = _parameter_definitions(known)
    properties = _header_properties(definitions)
    properties["setup"] = {"$ref": "#/$defs/setup", "description": properties["setup"]["description"]}
    properties["checks"] = {
        "type": "object",
        "description": properties["checks"]["description"],
        "propertyNames": {"pattern": f"^{NAME}$"},
        "additionalProperties": _or_null({"$ref": "#/$defs/check"}),
        "minProperties": 1,
    }
    names, units = class_names(known)
    properties["regression"] = {
        "description": properties["regression"]["description"],
        **_margins([*units, *names]),
    }
    definitions["setup"] = _setup()
    definitions["margin"] = {
        "anyOf": [{"type": "number", "exclusiveMinimum": 0, "maximum": LARGEST}, {"enum": [False, None]}],
        "description": "more than 0, in the metric's unit; false: not compared",
    }
    definitions["check"] = _check(known, references)
    definitions.update(_mask_definitions())
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "linecheck limit file",
        "description": "Stimuli, analysis and limits for the units of one model.",
        "type": "object",
        "properties": properties,
        "additionalProperties": False,
        "required": ["format"],
        "if": {"required": ["model"], "not": {"required": ["based_on"]}},
        "then": {
            "required": list(_NEEDED),
            "properties": {"checks": {"additionalProperties": _COMPLETE}},
        },
        "dependentRequired": {"based_on": ["model", "revision"]},
        "$defs": dict(sorted(definitions.items())),
    }


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _parameter_definitions(kinds: Mapping[str, CheckKind]) -> tuple[Schema, dict[type[Parameters], Schema]]:
    """Return definitions of every parameter model, and how each is referred to."""
    models = [
        model for kind in kinds.values() for model in (kind.stimulus_parameters, kind.analysis_parameters)
    ]
    unique = list(dict.fromkeys(models))
    found, schema = models_json_schema([(model, "validation") for model in unique], ref_template=_TEMPLATE)
    return schema.get("$defs", {}), {model: found[model, "validation"] for model in unique}


def _header_properties(definitions: Schema) -> Schema:
    header = Header.model_json_schema(ref_template=_TEMPLATE)
    definitions.update(header.get("$defs", {}))
    properties: Schema = header["properties"]
    for schema in properties.values():
        schema.pop("title", None)
    del properties["based_on"]["default"]
    return properties


def _setup() -> Schema:
    text = {"type": "string", "minLength": 1, "maxLength": SETUP_VALUE_LENGTH}
    return {
        "type": "object",
        "propertyNames": {"pattern": f"^{NAME}$"},
        "additionalProperties": {"anyOf": [text, {"type": "number"}, {"type": "boolean"}, {"type": "null"}]},
    }


def _check(kinds: Mapping[str, CheckKind], references: Mapping[type[Parameters], Schema]) -> Schema:
    """Return what a check holds; what stands in it depends on its kind, where it states one."""
    return {
        "type": "object",
        "properties": {
            "kind": {
                "enum": list(kinds),
                "description": "\n".join(f"{name}: {kind.text}" for name, kind in kinds.items()),
            },
            "setup": {"$ref": "#/$defs/setup", "description": "settings that differ from those above"},
            "setups": _or_null(_setups()),
            "stimulus": {"type": "object", "description": "what is played"},
            "analysis": {"type": "object", "description": "how it is measured"},
            "masks": {"type": "object", "description": "limits, by metric"},
            "regression": {
                "type": "object",
                "description": "allowed difference from a baseline, by metric",
            },
        },
        "additionalProperties": False,
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": kind.name}}, "required": ["kind"]},
                "then": {"properties": _of_kind(kind, references)},
            }
            for kind in kinds.values()
        ],
    }


def _of_kind(kind: CheckKind, references: Mapping[type[Parameters], Schema]) -> Schema:
    laid_over = {"masks": _masks(kind), "regression": _margins([spec.name for spec in kind.specs])}
    return {
        "stimulus": references[kind.stimulus_parameters],
        "analysis": references[kind.analysis_parameters],
        **laid_over,
        "setups": _or_null({"items": {"properties": laid_over}}),
    }


def _setups() -> Schema:
    """Return the list of setups that a check is run under."""
    value = {"type": ["string", "number", "boolean"]}
    over = {
        "masks": {"type": "object", "description": "laid over the check's masks; null removes one"},
        "regression": {"type": "object", "description": "laid over the check's margins; null removes one"},
    }
    return {
        "type": "array",
        "description": "several setups, each laid over setup; the check runs under each",
        "minItems": 1,
        "maxItems": MAX_SETUPS,
        "items": {
            "type": "object",
            "propertyNames": {"pattern": f"^{NAME}$"},
            "properties": over,
            "additionalProperties": value,
        },
    }


def _masks(kind: CheckKind) -> Schema:
    return {
        "type": "object",
        "description": getdoc(type(kind)) or kind.text,
        "minProperties": 1,
        "additionalProperties": False,
        "properties": {spec.name: _mask_of(spec) for spec in kind.specs},
    }


def _margins(names: Iterable[str]) -> Schema:
    return {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": False,
        "properties": {name: {"$ref": "#/$defs/margin"} for name in names},
    }


def _mask_of(spec: MetricSpec | CurveSpec) -> Schema:
    unit = f", {spec.unit}" if spec.unit else ""
    along = f" over {spec.x_unit}" if isinstance(spec, CurveSpec) else ""
    form = "value"
    if isinstance(spec, CurveSpec):
        form = "log_curve" if spec.log_x else "curve"
    told = "" if spec.superseded_by is None else f"; {spec.superseded_by}"
    return {
        "description": f"{spec.text}{unit}{along}; {_WAYS[spec.better]}{told}",
        "anyOf": [{"$ref": f"#/$defs/{form}_mask"}, {"type": "null"}],
        **({} if spec.superseded_by is None else {"deprecated": True}),
    }


def _mask_definitions() -> Schema:
    """Return the masks of values and of curves over a linear and a logarithmic axis."""
    number = {"type": "number", "minimum": -LARGEST, "maximum": LARGEST}
    positive = {"type": "number", "exclusiveMinimum": 0, "maximum": LARGEST}
    null = {"type": "null"}
    definitions = {"value_mask": _mask({"anyOf": [number, null]})}
    for name, x in (("curve_mask", number), ("log_curve_mask", positive)):
        point = {"type": "array", "prefixItems": [x, number], "minItems": 2, "maxItems": 2}
        points = {"type": "array", "items": point, "minItems": 2}
        definitions[name] = _mask({"anyOf": [number, points, null]})
    return definitions


def _mask(limit: Schema) -> Schema:
    bounds = {
        "type": "object",
        "properties": {"min": limit, "max": limit},
        "minProperties": 1,
        "additionalProperties": False,
    }
    inner = {"description": "inside these limits a reading passes", **bounds}
    outer = {"description": "outside these limits it fails, between both it is marginal", **bounds}
    return {
        "type": "object",
        "properties": {"pass": inner, "fail": _or_null(outer)},
        "minProperties": 1,
        "additionalProperties": False,
    }
