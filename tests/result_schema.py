"""Results read back, held against the schema that ships."""

import json

import jsonschema

from linecheck.results.schema import shipped_schema

_VALIDATOR = jsonschema.Draft202012Validator(shipped_schema())


def checked_result(text):
    """Return a result from its text."""

    def refuse(constant):
        raise AssertionError(f"{constant} is no JSON")

    document = json.loads(text, parse_constant=refuse)
    _VALIDATOR.validate(document)
    return document
