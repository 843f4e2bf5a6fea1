"""``comparison.json``: a comparison as a file, with a digest by which it is known.

=========================  =======================================================
:func:`write_comparison`   write one, and return it with its digest
:func:`load_comparison`    read one, every number of it checked; a changed one is refused
=========================  =======================================================
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from functools import lru_cache
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from linecheck.errors import FileError
from linecheck.files.write import write_atomically
from linecheck.history.comparison.model import Comparison

__all__ = ["FILE_NAME", "load_comparison", "write_comparison"]

FILE_NAME = "comparison.json"
_FORMAT = 1
#: Some sides of a hundred checks with all their curves have tens of megabytes.
_DIGEST = re.compile("[0-9a-f]{64}")
_LARGEST = 512 * 1024 * 1024


def write_comparison(folder: str | Path, comparison: Comparison) -> Comparison:
    """Write a comparison to its file in a folder and return it with its digest.

    An earlier one that is there, which may have been signed, is kept under a name with its own digest.

    Raises
    ------
    RecordError
        It cannot be written.
    """
    content = _plain(comparison)
    digest = _digest(content)
    text = json.dumps({"format": _FORMAT, **content, "digest": digest}, ensure_ascii=False, indent=1)
    path = Path(folder) / FILE_NAME
    _keep_earlier(path)
    write_atomically(path, f"{text}\n".encode("utf-8", "backslashreplace"))
    return replace(comparison, digest=digest)


def _keep_earlier(path: Path) -> None:
    """Give a comparison that is there a second name, which stays when the first is taken."""
    try:
        content = path.read_bytes()
    except OSError:
        return
    try:
        found = str(json.loads(content)["digest"])
    except (ValueError, KeyError, TypeError, RecursionError):
        found = ""
    name = found if _DIGEST.fullmatch(found) else hashlib.sha256(content).hexdigest()
    kept = path.with_name(f"comparison-{name[:12]}.json")
    if not kept.exists():
        write_atomically(kept, content)


def load_comparison(path: str | Path) -> Comparison:
    """Read a comparison: its folder, or the file in it.

    Raises
    ------
    FileError
        There is none, it is none, or it is not what was written.
    """
    path = Path(path)
    path = path / FILE_NAME if path.is_dir() else path
    content = _read(path)
    if content.pop("format", None) != _FORMAT:
        raise FileError(path, "is no comparison that this linecheck can read")
    digest = content.pop("digest", None)
    if digest != _digest(content):
        raise FileError(path, "is not what `linecheck compare` has written: compare again")
    try:
        found: Comparison = _built(Comparison, {**content, "digest": digest})
    except (TypeError, ValueError, KeyError, AttributeError, RecursionError) as error:
        raise FileError(path, "is no comparison") from error
    return found


def _read(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LARGEST:
            raise FileError(path, "is too large to be a comparison")
        content = json.loads(path.read_bytes())
    except FileNotFoundError as error:
        raise FileError(path, "there is no comparison; `linecheck compare` makes one") from error
    except (OSError, ValueError, RecursionError) as error:
        raise FileError(path, "is no comparison") from error
    if not isinstance(content, dict):
        raise FileError(path, "is no comparison")
    return content


def _digest(content: dict[str, Any]) -> str:
    plain = {key: value for key, value in content.items() if key not in ("digest", "format")}
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:  # noqa: ANN401 - any part of a comparison
    """Return plain data of a dataclass and all in it."""
    if is_dataclass(value):
        return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, Enum):
        return value.value
    if hasattr(value, "items"):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(part) for part in value]
    return value.item() if isinstance(value, np.generic) else value


def _built(kind: Any, value: Any) -> Any:  # noqa: ANN401 - any part of a comparison
    """Return what plain data stands for, by its type; every part is checked.

    Raises
    ------
    TypeError, ValueError, KeyError
        It is not of that type.
    """
    origin, parts = get_origin(kind), get_args(kind)
    if is_dataclass(kind):
        return _built_dataclass(kind, value)
    if kind is np.ndarray or origin is np.ndarray:
        array = np.array(value, dtype=np.float64)
        if array.ndim != 1 or not np.all(np.isfinite(array)):
            raise ValueError("is no list of numbers")
        return array
    if origin in (Union, UnionType):
        return _built_union(parts, value)
    if origin is tuple:
        return _built_tuple(parts, value)
    if origin is Mapping:
        return {_built(parts[0], key): _built(parts[1], part) for key, part in value.items()}
    if origin is Literal:
        return parts[parts.index(value)]
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    return _built_scalar(kind, value)


def _built_dataclass(kind: Any, value: Any) -> Any:  # noqa: ANN401
    hints = _hints(kind)
    if not isinstance(value, dict) or set(value) - set(hints):
        raise ValueError("has parts that do not belong there")
    return kind(**{name: _built(hints[name], part) for name, part in value.items()})


def _built_union(parts: tuple[Any, ...], value: Any) -> Any:  # noqa: ANN401
    if value is None and type(None) in parts:
        return None
    failed: Exception = ValueError("is of no such type")
    for part in parts:
        if part is not type(None):
            try:
                return _built(part, value)
            except (TypeError, ValueError, KeyError, AttributeError) as error:
                failed = error
    raise failed


def _built_tuple(parts: tuple[Any, ...], value: Any) -> Any:  # noqa: ANN401
    if not isinstance(value, list):
        raise TypeError("is no list")
    if len(parts) == 2 and parts[1] is Ellipsis:
        return tuple(_built(parts[0], part) for part in value)
    return tuple(_built(kind, part) for kind, part in zip(parts, value, strict=True))


def _built_scalar(kind: Any, value: Any) -> Any:  # noqa: ANN401
    if kind is float and type(value) in (int, float) and math.isfinite(value):
        return float(value)
    if kind in (int, str, bool) and type(value) is kind:
        return value
    raise TypeError(f"is no {kind.__name__}")


@lru_cache(maxsize=32)
def _hints(kind: Any) -> dict[str, Any]:  # noqa: ANN401
    return get_type_hints(kind)
