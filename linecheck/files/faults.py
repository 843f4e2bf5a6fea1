"""Collecting every fault of a limit file, each with its place.

:class:`FaultList` knows where everything stands and collects; :func:`checked_model` turns data into a
pydantic model and every error of it into a fault in plain words.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from linecheck.errors import Fault, FileFaults
from linecheck.files.yaml import REFUSED, KeyPath, Place, Source, described, dotted, shown

Model = TypeVar("Model", bound=BaseModel)


class FaultList:
    """The faults of a limit file and of the files that it builds on.

    Parameters
    ----------
    chain : sequence of Source
        The files in the order in which they are merged; the limit file itself is last.
    """

    def __init__(self, chain: Sequence[Source]) -> None:
        self.path = chain[-1].path
        self._files = {source.path: rank for rank, source in enumerate(reversed(chain))}
        self._faults = [fault for source in chain for fault in source.faults]
        self._values: dict[KeyPath, Place] = {}
        self._keys: dict[KeyPath, Place] = {}
        for source in chain:
            self._values.update(source.values)
            self._keys.update(source.keys)

    def add(self, path: KeyPath, message: str) -> None:
        """Add a fault of the value at a path, or of the nearest one above it that stands in a file."""
        self._add(path, message, self._nearest(path))

    def add_key(self, path: KeyPath, message: str) -> None:
        """Add a fault of the key at a path."""
        self._add(path, message, self._keys.get(path) or self._nearest(path))

    def add_missing(self, path: KeyPath, message: str) -> None:
        """Add that a key is missing, at the key that should have held it."""
        parent = path[:-1]
        self._add(path, message, self._keys.get(parent) or self._nearest(parent))

    def add_in(self, source: Source, path: KeyPath, message: str) -> None:
        """Add a fault in one of the files, whatever lies over it."""
        self._add(path, message, source.values.get(path) or Place(source.path, 1, 1))

    def stands(self, path: KeyPath) -> bool:
        """Return whether there is a value at a path in one of the files."""
        return path in self._values

    @property
    def sorted(self) -> tuple[Fault, ...]:
        """Every fault once, in the order of the files, the limit file's own first."""
        unique = dict.fromkeys(self._faults)
        return tuple(sorted(unique, key=lambda fault: (self._files[fault.file], fault.line, fault.column)))

    def raise_any(self) -> None:
        """Raise every fault, as they are :attr:`sorted`; return if none."""
        unique = list(self.sorted)
        if not unique:
            return
        raise FileFaults(self.path, unique)

    def _nearest(self, path: KeyPath) -> Place:
        while path and path not in self._values:
            path = path[:-1]
        return self._values.get(path) or Place(self.path, 1, 1)

    def _add(self, path: KeyPath, message: str, place: Place) -> None:
        self._faults.append(Fault(place.file, place.line, place.column, dotted(path), message))


def did_you_mean(word: object, known: Iterable[str], what: str) -> str:
    """Return the tail of a message about an unknown word: what it may have meant, and all that exists."""
    names = list(known)
    close = difflib.get_close_matches(str(word)[:64], names, n=1)
    guess = f"did you mean {close[0]}? " if close else ""
    return f"{guess}{what}: {', '.join(names)}" if names else f"there are no {what}"


def checked_model(model: type[Model], data: object, path: KeyPath, faults: FaultList) -> Model | None:
    """Return data as a model; None, and every fault, where it is not one."""
    if data is REFUSED:
        return None
    if not isinstance(data, dict):
        faults.add(path, f"expected a mapping of {', '.join(model.model_fields)}, got {described(data)}")
        return None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        for entry in own_errors(error.errors(include_url=False)):
            _add_model_fault(model, entry, path, faults)
    return None


def own_errors(entries: Sequence[Any]) -> list[Any]:
    """Leave out that a list is too short where that is so only because an entry of it was refused."""
    above = {entry["loc"][:length] for entry in entries for length in range(len(entry["loc"]))}
    return [entry for entry in entries if entry["type"] != "too_short" or entry["loc"] not in above]


def _add_model_fault(model: type[BaseModel], entry: Any, path: KeyPath, faults: FaultList) -> None:  # noqa: ANN401
    location: KeyPath = tuple(entry["loc"])
    where = (*path, *location)
    if entry["input"] is REFUSED:
        return
    if entry["type"] == "extra_forbidden":
        fields = innermost(model, location[:-1]).model_fields
        faults.add_key(where, f"unknown key; {did_you_mean(location[-1], fields, 'the keys here are')}")
        return
    meaning = _meaning(model, location)
    if entry["type"] == "missing":
        if location and isinstance(location[-1], int):
            faults.add(where[:-1], f"expected {location[-1] + 1} or more values{meaning}")
        else:
            faults.add_missing(where, f"is missing{meaning}")
    elif entry["type"] == "value_error":
        faults.add(where, str(entry["ctx"]["error"]))
    else:
        faults.add(
            where, f"expected {expected(entry)}{meaning}, got {described(entry['input'])}{_hint(entry)}"
        )


def innermost(model: type[BaseModel], location: KeyPath) -> type[BaseModel]:
    """Return the model of the mapping at a place inside a model."""
    for part in location:
        field = model.model_fields.get(str(part))
        model = next(_models(field.annotation), model) if field is not None else model
    return model


def _models(annotation: Any) -> Iterator[type[BaseModel]]:  # noqa: ANN401 - any annotation
    """Yield the models in an annotation such as ``Model | None`` or ``tuple[Model, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models(argument)


def _meaning(model: type[BaseModel], location: KeyPath) -> str:
    """Return what the value at a place means, in parentheses; empty where the model does not say."""
    names = tuple(part for part in location if isinstance(part, str))
    field = innermost(model, names[:-1]).model_fields.get(names[-1]) if names else None
    return f" ({field.description})" if field is not None and field.description else ""


_EXPECTED: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "float_type": lambda _: "a number",
    "finite_number": lambda _: "a finite number",
    "int_type": lambda _: "a whole number",
    "int_from_float": lambda _: "a whole number",
    "string_type": lambda _: "text",
    "bool_type": lambda _: "true or false",
    "tuple_type": lambda _: "a list",
    "list_type": lambda _: "a list",
    "dict_type": lambda _: "a mapping",
    "greater_than": lambda limits: f"more than {limits['gt']:g}",
    "greater_than_equal": lambda limits: f"at least {limits['ge']:g}",
    "less_than": lambda limits: f"less than {limits['lt']:g}",
    "less_than_equal": lambda limits: f"at most {limits['le']:g}",
    "too_short": lambda limits: f"at least {limits['min_length']} values",
    "too_long": lambda limits: f"at most {limits['max_length']} values",
    "string_too_short": lambda limits: f"{limits['min_length']} or more characters",
    "string_too_long": lambda limits: f"at most {limits['max_length']} characters",
    "string_pattern_mismatch": lambda limits: f"text of the form {limits['pattern']}",
    "datetime_type": lambda _: "a date and time, as 2026-11-20T08:15:00Z, without quotes",
    "date_type": lambda _: "a date, as 2026-11-20, without quotes",
    "literal_error": lambda limits: str(limits["expected"]).replace("'", ""),
}


def expected(entry: Mapping[str, Any]) -> str:
    """Return what pydantic expected, in plain words; its own words where there are no plainer ones."""
    phrase = _EXPECTED.get(entry["type"])
    if phrase is not None:
        return phrase(entry.get("ctx", {}))
    return str(entry["msg"]).removeprefix("Input should be ").removeprefix("Value should be ")


def _hint(entry: Mapping[str, Any]) -> str:
    """Return what may have gone wrong where text stands in a number's place."""
    value = entry["input"]
    if entry["type"] not in ("float_type", "int_type") or not isinstance(value, str):
        return ""
    return number_hint(value)


def number_hint(text: str) -> str:
    """Return what may have gone wrong where text stands in a number's place; empty where nobody can tell."""
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    if _is_number(plain):
        return "; take the quotes away" if plain == text else f"; write it with a plain '-': {shown(plain)}"
    if _is_number(plain.replace(",", ".")):
        return "; write a decimal point, not a comma"
    if _is_number(plain.split(" ")[0]):
        return "; write the number alone, its unit is fixed"
    return ""


def _is_number(text: str) -> bool:
    try:
        float(text[:64])
    except ValueError:
        return False
    return True
