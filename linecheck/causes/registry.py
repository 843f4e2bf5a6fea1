"""The tables of symptoms and of causes, gathered from the files that define them."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

import linecheck.causes.catalogue
import linecheck.causes.symptoms
from linecheck.causes.symptom import Cause, Symptom
from linecheck.errors import ContractError


@cache
def symptoms() -> Mapping[str, Symptom]:
    """Return every symptom by its name.

    Raises
    ------
    ContractError
        Two have the same name.
    """
    found: dict[str, Symptom] = {}
    for entry in pkgutil.iter_modules(linecheck.causes.symptoms.__path__):
        module = importlib.import_module(f"{linecheck.causes.symptoms.__name__}.{entry.name}")
        for symptom in module.SYMPTOMS:
            if symptom.name in found:
                raise ContractError.of("symptom", symptom.name, "two symptoms have this name")
            found[symptom.name] = symptom
    return MappingProxyType(found)


@cache
def causes() -> Mapping[str, Cause]:
    """Return every cause by its code.

    Raises
    ------
    ContractError
        Two have the same code, or one names a symptom that there is not.
    """
    found: dict[str, Cause] = {}
    for entry in pkgutil.iter_modules(linecheck.causes.catalogue.__path__):
        module = importlib.import_module(f"{linecheck.causes.catalogue.__name__}.{entry.name}")
        for cause in module.CAUSES:
            if cause.name in found:
                raise ContractError.of("cause", cause.name, "two causes have this code")
            unknown = set(cause.shows) - set(symptoms())
            if unknown:
                raise ContractError.of(
                    "cause", cause.name, f"there is no symptom {', '.join(sorted(unknown))}"
                )
            found[cause.name] = cause
    return MappingProxyType(found)
